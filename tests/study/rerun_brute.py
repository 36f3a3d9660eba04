"""The best reruns of a very small problem, by trying every layout; built on the plain brute force.

Every order is kept (not only the cheapest), and the change of a whole layout is counted by trying
every way in which its segments can carry on old ones.
"""

from __future__ import annotations

from itertools import combinations, permutations, product

from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem, SwitchPosition
from partitioner.network.cable import CableNetwork
from tests.brute.brute import Candidate, _Search

Must = tuple[str, str] | None


class _EveryOrder(_Search):
    """All layouts with their plan cost and change cost."""

    def __init__(self, problem: Problem, before: Layout, allowed, must: Must):
        super().__init__(problem)
        self.before = before
        self.pairs: set[tuple[int, int]] = set()
        self.old_cuts = old_cuts(problem, before)
        self.allowed = allowed
        self.must = must

    def orders(self, devices, switch, grade):
        problem = self.problem
        limits = problem.limits[grade.id]
        is_line = grade.medium is Medium.MIXING
        end_um = problem.line.end_slack_um
        end_cost = self.cable(grade, end_um, problem.fitted_share_ppm(devices))
        through = is_line and problem.line.switch_position is SwitchPosition.ANYWHERE
        for order in permutations(devices):
            for index in range(len(order) if through else 1):
                after = self.arm(switch, grade.id, order[index:])
                before = self.arm(switch, grade.id, tuple(reversed(order[:index])))
                if after is None or before is None:
                    continue
                cost = after.cost + before.cost
                length = after.length_um + before.length_um
                if not (after.devices and before.devices):
                    cost, length = cost + end_cost, length + end_um
                if length + limits.reserve.length_um <= limits.length_um:
                    yield order, index, cost, after.passes | before.passes

    def finish(self, net, grades, chosen, cost):
        if not self.failures_allowed(net, [c for c, _ in chosen]) or not self.allowed(chosen):
            return
        without = cost - sum(rows[0][0] for rows in grades)
        change = None
        for choice in sorted(product(*grades), key=lambda c: sum(v for v, _ in c)):
            if self.in_time(net, [g for _, g in choice], [c for c, _ in chosen]):
                if change is None:
                    change = change_of(
                        self.problem, self.before, chosen, self.old_cuts, self.must
                    )
                self.pairs.add((without + sum(value for value, _ in choice), change))
                return


def old_cuts(problem: Problem, before: Layout) -> dict[str, int]:
    """Old cut length of each device whose piece touches nothing that is gone."""
    found = {}
    network, line = CableNetwork(problem), problem.line
    for segment in before.segments:
        cable = list(segment.devices)
        cable.insert(segment.switch_index, segment.switch)
        at = segment.switch_index
        for place, node in enumerate(cable):
            if place == at:
                continue
            inner = cable[place + 1] if place < at else cable[place - 1]
            if node not in problem.devices or (inner != segment.switch and
                                               inner not in problem.devices):
                continue
            slack = line.drop_slack_um
            slack += line.end_slack_um * (place in (0, len(cable) - 1))
            slack += line.end_slack_um * (at in (0, len(cable) - 1) and inner == segment.switch)
            found[node] = network.length_um(inner, node) + slack
    return found


def change_of(
    problem: Problem, before: Layout, chosen, cuts: dict[str, int], must: Must
) -> int:
    """Least change cost of a set of segments with their port groups.

    ``must`` is an old segment and the device whose segment has to carry it on.
    """
    prices = problem.change_prices
    home = {d: s for s in before.segments for d in s.devices if d in problem.devices}
    fixed = 0
    for candidate, _ in chosen:
        segment = Segment("x", candidate.switch, 1, candidate.grade, candidate.order,
                          candidate.index)
        new = old_cuts(problem, Layout("", "", (), (), (segment,)))
        fixed += prices.cut_length_money * sum(
            new[d] != cuts.get(d) for d in candidate.devices if d in home
        )
    choices = []
    for candidate, group in chosen:
        row = [(None, pair_price(problem, home, None, candidate, group))]
        for old in before.segments:
            if old.grade == candidate.grade and any(
                d in candidate.devices and home.get(d) is old for d in old.devices
            ):
                row.append((old.id, pair_price(problem, home, old, candidate, group)))
        choices.append(row)
    best = min(
        sum(price for _, price in way)
        for way in product(*choices)
        if len({o for o, _ in way if o}) == sum(o is not None for o, _ in way)
        and all(
            o == must[0]
            for (o, _), (candidate, _) in zip(way, chosen, strict=True)
            if must is not None and must[1] in candidate.devices
        )
    )
    return fixed + best


def pair_price(problem: Problem, home, old: Segment | None, new: Candidate, group: int) -> int:
    """What carrying on an old segment (or none) costs."""
    prices = problem.change_prices
    is_line = problem.catalogue.grades[new.grade].medium is Medium.MIXING
    moved = sum(d in home and home[d] is not old for d in new.devices)
    total = prices.device_segment_money * moved
    if is_line:
        total += prices.plca_id_money * lost_ids(problem, home, old, new)
    if old is None:
        return total + prices.new_line_money * is_line
    if (old.switch, problem.switches[old.switch].group_of_port(old.port)) != (new.switch, group):
        total += prices.port_money
    if is_line:
        both = [d for d in old.devices if d in new.devices]
        still = max(
            size
            for size in range(len(both) + 1)
            for some in combinations(both, size)
            if cable(old.devices, old.switch_index, some)
            in (cable(new.order, new.index, some), cable(new.order, new.index, some)[::-1])
        )
        total += prices.device_order_money * (len(both) - still)
    return total


def lost_ids(problem: Problem, home, old: Segment | None, new: Candidate) -> int:
    """Fewest devices with another PLCA ID; who stays on its line keeps its own."""
    had = {d: dict(zip(home[d].devices, home[d].plca_ids, strict=True))[d]
           for d in new.devices if d in home and home[d].plca_ids}
    stay = [d for d in had if home[d] is old]
    top = max([len(new.order) + problem.limits[new.grade].reserve.nodes, *(had[d] for d in stay)])
    keep = max(
        size
        for size in range(len(had) + 1)
        for some in combinations(had, size)
        if set(stay) <= set(some)
        and len({had[d] for d in some}) == size
        and all(had[d] <= top for d in some)
    )
    return len(had) - keep


def cable(devices, index: int, some) -> list[str]:
    """The cable with some of its devices only, the switch among them."""
    nodes = list(devices)
    nodes.insert(index, "the switch")
    return [n for n in nodes if n in some or n == "the switch"]


def all_pairs(
    problem: Problem, before: Layout, allowed=lambda chosen: True, must: Must = None
) -> set:
    """(plan cost, change cost) of every layout that keeps the rules."""
    search = _EveryOrder(problem, before, allowed, must)
    search.run()
    return search.pairs


def front_of(pairs) -> list[tuple[int, int]]:
    """The pairs that no other beats, by rising change."""
    kept: list[tuple[int, int]] = []
    for plan, change in sorted(pairs, key=lambda p: (p[1], p[0])):
        if not kept or plan < kept[-1][0]:
            kept.append((plan, change))
    return kept
