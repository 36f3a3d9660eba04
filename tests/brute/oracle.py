"""The best layout of a very small problem, by the check alone.

No rule, no limit and no delay is known here. Everything that a layout file can state is gone
through, and the functions behind ``check`` say of each layout whether it is accepted (with every
build) and what it costs. The layouts gone through: every partition of the devices into segments,
every order, every place of the switch along the line, every switch, grade and port group, every
set of open switches, every set of offered links with every grade, every PLCA node count from the
highest ID + 1 to that with the reserve.

Left out, since the check cannot tell the difference: ports of one group (they are alike), a line
read from its other end, PLCA IDs other than 1, 2, … outward (a line's timing knows only the highest
one). Left as the problem has them: burst counts, a setting that a plan does not choose.

Layouts come in the order of their bill, so the first one accepted is the best. What makes this
quick enough is the order of questions, not knowledge of the answers:

- A finding about a part of a layout stays when more is added to it. So segments and backbones are
  judged alone first, and only those without a finding are put together. Findings on what is
  missing (:data:`MISSING`) do not count there.
- Most rules do not look at the order along a line: a set of devices that breaks one of those in one
  order breaks it in all.
- Without traffic no finding is new. So segments are put together without streams and backbone
  first.
- With the same devices on the same segments and the same backbone, longer cables and higher node
  counts shorten no delay. So a layout refused for its traffic stands for those with longer ones,
  and its latency is the least of theirs.

``thorough`` asks the check about each layout, and the tests compare the two.
"""

from __future__ import annotations

import heapq
import random
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import accumulate, chain, combinations, count, permutations, product

from partitioner.check.bill import backbone_items, cost_sum, segment_items, switch_items
from partitioner.check.combinations import combinations_of
from partitioner.check.facts import Facts, gather_facts
from partitioner.check.one_build import build_facts, built_segment, fitted_devices
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.catalogue import Grade, Medium
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.reading.layout_file import default_plca_ids

MISSING = frozenset({"complete", "backbone-link", "backbone-shape", "stream-way"})
"""Rules that a layout may break for want of something, so a part of it may be told of them."""
ORDERED = frozenset({"length", "spacing", "pathway-capacity", "option-tail", "switch-position"})
"""Rules that look at the order of devices along a line; the others say the same of any order."""
REFUSED = 1 << 62
"""Stands for the latency of a layout that is refused."""


@dataclass(frozen=True)
class Piece:
    """A segment that the check accepts alone, its port not numbered yet."""

    segment: Segment
    group: int
    cost: int
    length_um: int

    @property
    def shape(self) -> tuple:
        """What stays when devices change places on it."""
        return tuple(sorted(self.segment.devices)), self.segment.switch, self.segment.grade


@dataclass(frozen=True)
class Net:
    """Open switches and built links that the check accepts alone."""

    switches: tuple[str, ...]
    links: tuple[BuiltLink, ...]
    cost: int


def accepts(problem: Problem, layout: Layout) -> bool:
    """Whether ``check`` accepts a layout, builds included."""
    facts = gather_facts(problem, layout)
    return not broken(facts) and all_builds_hold(facts)


def all_builds_hold(facts: Facts) -> bool:
    """Whether every build of a layout keeps every rule."""
    return not any(broken(build_facts(facts, options)) for options in builds_of(facts.problem))


def broken(facts: Facts, aside: frozenset[str] = frozenset()) -> bool:
    """Whether any rule of the check is broken, those named in ``aside`` left out."""
    rules = (rule for rule in ALL_RULES if rule.name not in aside)
    return any(True for rule in rules for _ in rule.findings(facts))


def builds_of(problem: Problem) -> list[frozenset[str]]:
    """Options of every build that ``check`` looks at."""
    return [row.options for row in combinations_of(problem).rows] if problem.options else []


def best_layout(problem: Problem, *, thorough: bool = False) -> tuple[int, Layout] | None:
    """Least objective money of any layout that the check accepts, and one such layout."""
    return Oracle(problem, thorough=thorough).best()


class Oracle:
    """One problem being gone through."""

    def __init__(self, problem: Problem, *, thorough: bool = False):
        self.problem = problem
        self.thorough = thorough
        self.network = CableNetwork(problem)
        self.quiet = replace(problem, streams={}, transfers={})
        self.judged = 0
        """Layouts put to the check with their traffic."""
        self._quiet_known: dict[tuple, bool] = {}
        self._latency: dict[tuple, list[tuple[tuple[int, ...], int]]] = defaultdict(list)
        """By net and shapes (and build): cables and counts judged, and the latency's price."""

    def best(self) -> tuple[int, Layout] | None:
        """Give the best layout with its cost; None where there is none."""
        best: tuple[int, Layout] | None = None
        for bill, net, pieces in self.by_bill():
            if best is not None and bill >= best[0]:
                break
            found = self.judge(bill, net, pieces, best and best[0])
            if found is not None and (best is None or found[0] < best[0]):
                best = found
        return best

    def accepted(self) -> Iterator[tuple[int, Layout]]:
        """Give every layout that the check accepts with its cost, by rising bill."""
        for bill, net, pieces in self.by_bill():
            found = self.judge(bill, net, pieces, None)
            if found is not None:
                yield found

    # -- parts ------------------------------------------------------------------------------------

    def price(self, items) -> int:
        """What bill items count in the objective."""
        mass_price = self.problem.objective.mass_price_per_kg_money
        return sum(item.objective_money(mass_price) for item in items)

    def layout(self, switches, links, segments) -> Layout:
        return Layout(
            self.problem.name, self.problem.digest, tuple(switches), tuple(links), tuple(segments)
        )

    def pieces(self) -> Iterator[Piece]:
        """Every segment that breaks no rule alone."""
        problem = self.problem
        sets, grades = _subsets(problem.devices)[1:], problem.catalogue.grades.values()
        for devices, grade, switch in product(sets, grades, problem.switches.values()):
            first_ports = accumulate((g.count for g in switch.port_groups[:-1]), initial=1)
            for (group, port), nodes in product(
                enumerate(first_ports), self.node_counts(grade, len(devices))
            ):
                whole = Segment("-".join(devices), switch.id, port, grade.id, (), node_count=nodes)
                for order, index in _orders(devices):
                    ids = default_plca_ids(order, index) if nodes else ()
                    segment = replace(whole, devices=order, switch_index=index, plca_ids=ids)
                    layout = self.layout(problem.switches, (), (segment,))
                    facts = gather_facts(self.quiet, layout, self.network)
                    if not broken(facts, MISSING):
                        geometry = facts.laid[0].geometry
                        cost = self.price(segment_items(problem, segment, grade, geometry))
                        yield Piece(segment, group, cost, geometry.length_um)
                    elif not self.thorough and broken(facts, MISSING | ORDERED):
                        break

    def node_counts(self, grade: Grade, devices: int) -> range:
        """PLCA node counts to try, the least first; 0 for a link."""
        if grade.medium is Medium.LINK:
            return range(1)
        limits = self.problem.limits.get(grade.id)
        return range(devices + 1, devices + 2 + (limits.reserve.nodes if limits else 0))

    def nets(self) -> Iterator[Net]:
        """Every backbone that breaks no rule alone."""
        problem = self.problem
        for switches in _subsets(problem.switches):
            offered = [x for x in problem.backbone.links if set(x.ends) <= set(switches)]
            for built in _subsets(offered):
                for grades in product(*(link.grades for link in built)):
                    links = [BuiltLink(x.ends, g) for x, g in zip(built, grades, strict=True)]
                    layout = self.layout(switches, links, ())
                    facts = gather_facts(problem, layout, self.network)
                    if not broken(facts, frozenset({"complete"})):
                        items = switch_items(problem, layout)
                        items += backbone_items(problem, layout, self.network)
                        yield Net(switches, tuple(links), self.price(items))

    def drawn(self, rng: random.Random, tries: int) -> Iterator[Layout]:
        """Layouts put together at random, some broken; of ``tries``, those with every device."""
        nets, pieces = list(self.nets()), list(self.pieces())
        free = {
            (s.id, k): g.count
            for s in self.problem.switches.values()
            for k, g in enumerate(s.port_groups)
        }
        for _ in range(tries if nets and pieces else 0):
            net = rng.choice(nets)
            rest, used, chosen = set(self.problem.devices), Counter[tuple[str, int]](), []
            fitting = [p for p in pieces if p.segment.switch in net.switches]
            while fitting:
                piece = rng.choice(fitting)
                chosen.append(piece)
                rest -= set(piece.segment.devices)
                used[piece.segment.switch, piece.group] += 1
                fitting = [
                    p
                    for p in fitting
                    if rest >= set(p.segment.devices)
                    and used[p.segment.switch, p.group] < free[p.segment.switch, p.group]
                ]
            if not rest:
                yield self.numbered(net, tuple(chosen))

    # -- the whole --------------------------------------------------------------------------------

    def by_bill(self) -> Iterator[tuple[int, Net, tuple[Piece, ...]]]:
        """Every complete set of pieces on every net, the least bill first."""
        pieces = sorted(self.pieces(), key=lambda p: p.cost)
        order = tuple(self.problem.devices)
        free = {
            (s.id, k): g.count
            for s in self.problem.switches.values()
            for k, g in enumerate(s.port_groups)
        }
        number = count()
        heap: list[tuple] = []
        by_switches: dict[tuple[str, ...], tuple[dict, dict]] = {}
        for net in self.nets():
            if net.switches not in by_switches:
                rows: dict[str, list[Piece]] = {d: [] for d in order}
                least: dict[str, int] = {}
                for piece in pieces:
                    if piece.segment.switch not in net.switches:
                        continue
                    devices = piece.segment.devices
                    rows[min(devices, key=order.index)].append(piece)
                    for d in devices:
                        least[d] = min(least.get(d, REFUSED), piece.cost // len(devices))
                by_switches[net.switches] = rows, least
            rows, least = by_switches[net.switches]
            if len(least) == len(order):
                bound = net.cost + sum(least.values())
                heapq.heappush(heap, (bound, next(number), net.cost, order, net, ()))
        while heap:
            _, _, cost, rest, net, chosen = heapq.heappop(heap)
            if not rest:
                yield cost, net, chosen
                continue
            rows, least = by_switches[net.switches]
            used = Counter((p.segment.switch, p.group) for p in chosen)
            for piece in rows[rest[0]]:
                port = piece.segment.switch, piece.group
                if used[port] == free[port] or not set(piece.segment.devices) <= set(rest):
                    continue
                left = tuple(d for d in rest if d not in piece.segment.devices)
                total = cost + piece.cost
                bound = total + sum(least[d] for d in left)
                heapq.heappush(heap, (bound, next(number), total, left, net, (*chosen, piece)))

    def judge(
        self, bill: int, net: Net, pieces: tuple[Piece, ...], best: int | None
    ) -> tuple[int, Layout] | None:
        """Cost and layout of a set of pieces on a net; None if refused.

        None as well if it is known to cost ``best`` or more.
        """
        pieces = tuple(sorted(pieces, key=lambda p: p.shape))
        kind = net, tuple(p.shape for p in pieces)
        counts = tuple(p.segment.node_count for p in pieces)
        size = *(p.length_um for p in pieces), *counts
        if bill + self.least_latency(kind, size) >= (REFUSED if best is None else best):
            return None
        layout = self.numbered(net, pieces)
        key = tuple(p.segment for p in pieces)
        if key not in self._quiet_known:
            alone = replace(layout, open_switches=tuple(self.problem.switches), backbone=())
            facts = gather_facts(self.quiet, alone, self.network)
            self._quiet_known[key] = not broken(facts, MISSING)
        if not self._quiet_known[key]:
            return None
        self.judged += 1
        facts = gather_facts(self.problem, layout, self.network)
        if broken(facts):
            self._latency[kind].append((size, REFUSED))
            return None
        for options in builds_of(self.problem):
            fitted = fitted_devices(self.problem, options)
            built = [built_segment(laid, fitted) for laid in facts.laid]
            size_built = *(x.geometry.length_um if x else 0 for x in built), *counts
            if self.least_latency((*kind, options), size_built) == REFUSED:
                return None
            there = build_facts(facts, options)
            if broken(there):
                if broken(there, ORDERED):
                    self._latency[*kind, options].append((size_built, REFUSED))
                return None
        latency = cost_sum(self.problem, (), facts.timing.streams).objective_money
        self._latency[kind].append((size, latency))
        return bill + latency, layout

    def least_latency(self, kind: tuple, size: tuple[int, ...]) -> int:
        """Price of latency that a layout of a kind has at least, by those judged so far."""
        if self.thorough:
            return 0
        known = self._latency[kind]
        below = (p for old, p in known if all(a <= b for a, b in zip(old, size, strict=True)))
        return max(below, default=0)

    def numbered(self, net: Net, pieces: tuple[Piece, ...]) -> Layout:
        """The pieces with a port each."""
        taken: Counter[tuple[str, int]] = Counter()
        segments = []
        for piece in pieces:
            port = piece.segment.switch, piece.group
            segments.append(replace(piece.segment, port=piece.segment.port + taken[port]))
            taken[port] += 1
        return self.layout(net.switches, net.links, segments)


def _subsets(things) -> list[tuple]:
    """Every choice of some of the things, the empty one first."""
    things = tuple(things)
    sizes = range(len(things) + 1)
    return list(chain.from_iterable(combinations(things, size) for size in sizes))


def _orders(devices: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], int]]:
    """Every order with every place of the switch, of two mirror images the first."""
    for order, index in product(permutations(devices), range(len(devices) + 1)):
        if (index, order) <= (len(devices) - index, order[::-1]):
            yield order, index
