"""The best rerun of a very small problem, by the check alone.

Gone through: every set of segments on every backbone as in :mod:`tests.brute.oracle`, and on every
line every choice of devices that keep their PLCA ID, the others having the least free ones. The
check says what is accepted and what the plan costs. The change is counted here from the words of
``docs/explanation/rerun.md``, over every way in which segments can carry on old ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, product

from partitioner.check.bill import cost_sum
from partitioner.check.facts import gather_facts
from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.reading.layout_file import default_plca_ids
from partitioner.solve.change import Held
from tests.brute.oracle import MISSING, Net, Oracle, Piece, all_builds_hold, broken

NONE_HELD = Held()


@dataclass(frozen=True)
class Part:
    """A piece with all that its change depends on but its PLCA IDs.

    ``heirs``: old segment carried on (None: none) and what the change then costs.
    """

    piece: Piece
    heirs: tuple[tuple[str | None, int], ...]
    settings: tuple[tuple[int, Segment], ...]
    """(devices with another PLCA ID, the segment with its IDs)."""


class RerunOracle:
    """One rerun being gone through."""

    def __init__(self, problem: Problem, before: Layout, held: Held = NONE_HELD):
        self.problem, self.before, self.held = problem, before, held
        self.oracle = Oracle(problem)
        self.old_cuts = cut_lengths(problem, before)
        self.home = {
            d: s for s in reversed(before.segments) for d in s.devices if d in problem.devices
        }
        self.old_id = {
            d: dict(zip(s.devices, s.plca_ids, strict=True))[d]
            for d, s in self.home.items()
            if s.plca_ids
        }
        self.judged = 0
        """Layouts put to the check with their traffic."""
        self._parts: dict[tuple[Segment, int], Part | None] = {}
        self._late: dict[tuple, list[tuple[int, ...]]] = {}

    def best(self) -> int | None:
        """Least sum of plan and change cost; None where there is no layout."""
        best: int | None = None
        for bill, net, parts in self._complete():
            if best is not None and bill >= best:
                break
            for change, settings in self._changes(parts):
                if best is not None and bill + change >= best:
                    break
                plan = self._plan_money(bill, net, parts, settings)
                if plan is not None and (best is None or plan + change < best):
                    best = plan + change
        return best

    def front(self) -> list[tuple[int, int]]:
        """(plan cost, change cost) of the layouts that no other beats, by rising change."""
        found: list[tuple[int, int]] = []
        for bill, net, parts in self._complete():
            for change, settings in self._changes(parts):
                if any(p <= bill and c <= change for p, c in found):
                    break
                plan = self._plan_money(bill, net, parts, settings)
                if plan is not None:
                    found.append((plan, change))
        kept: list[tuple[int, int]] = []
        for plan, change in sorted(found, key=lambda row: row[::-1]):
            if not kept or plan < kept[-1][0]:
                kept.append((plan, change))
        return kept

    # -- whole layouts ----------------------------------------------------------------------------

    def _complete(self) -> Iterator[tuple[int, Net, list[Part]]]:
        for bill, net, pieces in self.oracle.by_bill():
            parts = [self._part(p) for p in sorted(pieces, key=lambda p: p.shape)]
            known = [p for p in parts if p is not None]
            if len(known) == len(parts) and self._frozen_are_there(pieces):
                yield bill, net, known

    def _changes(self, parts: list[Part]) -> list[tuple[int, list[Segment]]]:
        """The change cost of every choice of PLCA IDs, the least first."""
        ways = []
        for way in product(*(p.heirs for p in parts)):
            carried = [old for old, _ in way if old is not None]
            if len(set(carried)) == len(carried):
                ways.append(sum(money for _, money in way))
        if not ways:
            return []
        price = self.problem.change_prices.plca_id_money
        rows = [
            (min(ways) + price * sum(lost for lost, _ in row), [s for _, s in row])
            for row in product(*(p.settings for p in parts))
        ]
        return sorted(rows, key=lambda row: (row[0], [s.node_count for s in row[1]]))

    def _plan_money(
        self, bill: int, net: Net, parts: list[Part], settings: list[Segment]
    ) -> int | None:
        """Plan cost by the check; None where it refuses the layout."""
        pieces = tuple(p.piece for p in parts)
        # Longer cables and higher node counts shorten no delay.
        key = net, tuple(p.shape for p in pieces)
        size = (*(p.length_um for p in pieces), *(s.node_count for s in settings))
        late = self._late.setdefault(key, [])
        if any(all(a <= b for a, b in zip(old, size, strict=True)) for old in late):
            return None
        layout = self.oracle.numbered(net, pieces)
        segments = tuple(
            replace(s, plca_ids=t.plca_ids, node_count=t.node_count)
            for s, t in zip(layout.segments, settings, strict=True)
        )
        layout = replace(layout, segments=segments)
        self.judged += 1
        facts = gather_facts(self.problem, layout, self.oracle.network)
        if broken(facts):
            if not broken(gather_facts(self.oracle.quiet, layout, self.oracle.network)):
                late.append(size)
            return None
        if not all_builds_hold(facts):
            return None
        return bill + cost_sum(self.problem, (), facts.timing.streams).objective_money

    # -- one segment ------------------------------------------------------------------------------

    def _part(self, piece: Piece) -> Part | None:
        key = piece.segment, piece.group
        if key not in self._parts:
            settings = tuple(self._settings(piece))
            heirs = tuple(self._heirs(piece))
            self._parts[key] = Part(piece, heirs, settings) if settings and heirs else None
        return self._parts[key]

    def _settings(self, piece: Piece) -> Iterator[tuple[int, Segment]]:
        segment = piece.segment
        if not segment.plca_ids:
            yield 0, segment
            return
        known = [d for d in segment.devices if d in self.old_id]
        spare = self.problem.limits[segment.grade].reserve.nodes
        seen = set()
        for size in range(len(known), -1, -1):
            for some in combinations(known, size):
                kept = {d: self.old_id[d] for d in some}
                if len(set(kept.values())) < size:
                    continue
                ids = self._with_ids(segment, kept)
                lost = sum(ids[d] != self.old_id[d] for d in known)
                is_held = all(ids[d] == self.old_id[d] for d in known if self._stays(d))
                for count in {1 + max(ids.values()), 1 + max(len(ids) + spare, *ids.values())}:
                    if not is_held or (lost, count) in seen:
                        continue
                    seen.add((lost, count))
                    row = tuple(ids[d] for d in segment.devices)
                    made = replace(segment, plca_ids=row, node_count=count)
                    net = tuple(self.problem.switches)
                    alone = self.oracle.layout(net, (), (made,))
                    facts = gather_facts(self.oracle.quiet, alone, self.oracle.network)
                    if not broken(facts, MISSING):
                        yield lost, made

    @staticmethod
    def _with_ids(segment: Segment, kept: dict[str, int]) -> dict[str, int]:
        outward = default_plca_ids(segment.devices, segment.switch_index)
        free = (k for k in range(1, 255) if k not in kept.values())
        ids = dict(kept)
        for _, device in sorted(zip(outward, segment.devices, strict=True)):
            if device not in ids:
                ids[device] = next(free)
        return ids

    def _heirs(self, piece: Piece) -> Iterator[tuple[str | None, int]]:
        problem, prices, new = self.problem, self.problem.change_prices, piece.segment
        must = {self.home[d].id for d in new.devices if self._stays(d)}
        if len(must) > 1 or (new.switch in self.held.switches and not must):
            return
        cuts = cut_lengths(problem, Layout("", "", (), (), (new,)))
        fixed = sum(cuts[d] != self.old_cuts.get(d) for d in new.devices if d in self.home)
        money = fixed * prices.cut_length_money
        is_line = problem.catalogue.grades[new.grade].medium is Medium.MIXING
        for old in (None, *self.before.segments):
            if must and (old is None or old.id not in must or not self._as_held(old, piece)):
                continue
            moved = sum(d in self.home and self.home[d] is not old for d in new.devices)
            price = money + prices.device_segment_money * moved
            if old is None:
                yield None, price + prices.new_line_money * is_line
                continue
            both = [d for d in old.devices if d in new.devices and self.home[d] is old]
            if old.grade != new.grade or not both:
                continue
            if self._port_of(old) != (new.switch, piece.group):
                price += prices.port_money
            if is_line:
                price += prices.device_order_money * replaced(old, new)
            yield old.id, price

    def _port_of(self, old: Segment) -> tuple[str, int] | None:
        switch = self.problem.switches.get(old.switch)
        return None if switch is None else (old.switch, switch.group_of_port(old.port))

    # -- what is held -----------------------------------------------------------------------------

    def _is_frozen(self, old: Segment) -> bool:
        return old.id in self.held.segments or old.switch in self.held.switches

    def _stays(self, device: str) -> bool:
        held = self.held
        return device in self.home and (
            device in held.devices or device in held.placed or self._is_frozen(self.home[device])
        )

    def _as_held(self, old: Segment, piece: Piece) -> bool:
        """Whether a segment that carries on ``old`` leaves what is held there as it was."""
        new = piece.segment
        if new.grade != old.grade or self._port_of(old) != (new.switch, piece.group):
            return False
        if self._is_frozen(old):
            there = cable(new, new.devices)
            return cable(old, old.devices) in (there, there[::-1])
        stay = [d for d in old.devices if d in new.devices and self._stays(d)]
        if cable(old, stay) not in (cable(new, stay), cable(new, stay)[::-1]):
            return False
        there = [d for d in old.devices if d in self.problem.devices]
        return all(
            inner(cable(old, there), d) == inner(cable(new, new.devices), d)
            for d in stay
            if d in self.held.devices
        )

    def _frozen_are_there(self, pieces: tuple[Piece, ...]) -> bool:
        """Whether held devices of one segment are still together."""
        place = {d: k for k, p in enumerate(pieces) for d in p.segment.devices}
        together: dict[str, set[int]] = {}
        for device, old in self.home.items():
            if self._stays(device):
                together.setdefault(old.id, set()).add(place[device])
        return all(len(numbers) == 1 for numbers in together.values())


def cable(segment: Segment, some) -> list[str]:
    """The cable with some of its devices only, the switch among them."""
    nodes = list(segment.devices)
    nodes.insert(segment.switch_index, "the switch")
    return [n for n in nodes if n in some or n == "the switch"]


def inner(nodes: list[str], device: str) -> str:
    """The neighbour of a device towards the switch."""
    at, switch = nodes.index(device), nodes.index("the switch")
    return nodes[at - 1] if at > switch else nodes[at + 1]


def replaced(old: Segment, new: Segment) -> int:
    """Fewest devices to take off a line and put back so that the rest is in its old order."""
    both = [d for d in old.devices if d in new.devices]
    still = max(
        size
        for size in range(len(both) + 1)
        for some in combinations(both, size)
        if cable(old, some) in (cable(new, some), cable(new, some)[::-1])
    )
    return len(both) - still


def cut_lengths(problem: Problem, layout: Layout) -> dict[str, int]:
    """Cut length of each device whose piece touches nothing that is gone, in µm."""
    found = {}
    network, line = CableNetwork(problem), problem.line
    for segment in layout.segments:
        nodes = list(segment.devices)
        nodes.insert(segment.switch_index, segment.switch)
        at = segment.switch_index
        for place, node in enumerate(nodes):
            if place == at:
                continue
            toward = nodes[place + 1] if place < at else nodes[place - 1]
            known = {*problem.devices, *problem.switches}
            if node not in known or toward not in known:
                continue
            slack = line.drop_slack_um
            slack += line.end_slack_um * (place in (0, len(nodes) - 1))
            slack += line.end_slack_um * (at in (0, len(nodes) - 1) and toward == segment.switch)
            found[node] = network.length_um(toward, node) + slack
    return found
