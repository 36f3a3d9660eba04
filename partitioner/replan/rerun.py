"""Rerun: a changed problem, the layout made for it earlier, and the cheapest way on from there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from partitioner.check.judge import assess
from partitioner.errors import InternalFault
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout, Segment
from partitioner.model.outcome import Outcome, Sample
from partitioner.model.problem import Problem
from partitioner.replan.beside import Beside, lay_beside, without_gone
from partitioner.replan.compare import Comparison, compare, pieces_of
from partitioner.replan.search import RerunSearch
from partitioner.replan.searched import Found, RerunSettings, Searched
from partitioner.solve.change import Held, plca_ids
from partitioner.solve.run import OnLayout


class CannotHold(ValueError):
    """Something is to stay untouched that is not there, or not as it was."""


@dataclass(frozen=True, slots=True)
class RerunPoint:
    """One layout of a rerun, judged, with its differences from the earlier one."""

    found: Found
    layout: Layout
    assessment: Assessment
    comparison: Comparison


@dataclass(frozen=True, slots=True)
class Rerun:
    """Result of a rerun.

    ``best`` has the least sum of plan and change cost; ``front`` by rising change cost.
    ``kept_assessment`` judges what is left of the earlier layout under the changed problem.
    """

    problem: Problem
    before: Layout
    kept: Layout
    kept_assessment: Assessment
    best: RerunPoint
    front: tuple[RerunPoint, ...]
    searched: Searched
    held: Held
    problem_before: Problem | None = None

    @property
    def beside(self) -> Beside:
        """The layout of least sum beside the earlier one."""
        best = self.best
        return lay_beside(
            self.problem, self.before, best.layout, best.assessment, comparison=best.comparison,
            before_assessment=self.kept_assessment, problem_before=self.problem_before,
        )

    @property
    def outcome(self) -> Outcome | None:
        """The run as the report of a plan tells it: plan cost and its bound alone.

        None where something was held: the bound then says nothing on layouts that touch it.
        """
        if self.held != Held():
            return None
        return replace(self.searched.outcome, layout=self.best.layout)


def held_by(
    problem: Problem, layout: Layout, freeze: Iterable[str] = (), *, complete: bool = False
) -> Held:
    """Find out what ids to be frozen mean.

    Parameters
    ----------
    freeze
        Ids of devices, segments of the earlier layout, or switches.
    complete
        Also hold every device that the layout places: where it is, at its port, in its order,
        with its PLCA ID.

    Raises
    ------
    CannotHold
        If an id is none of the three, or names something the problem no longer has.
    """
    placed = layout.segment_of()
    segments = {s.id: s for s in layout.segments}
    devices: set[str] = set()
    frozen_segments: set[str] = set()
    switches: set[str] = set()
    for name in freeze:
        if name in segments:
            frozen_segments.add(name)
        elif name in problem.switches:
            switches.add(name)
        elif name in placed and name in problem.devices:
            devices.add(name)
        elif name in problem.devices:
            raise CannotHold(f"{name} is on no segment of the earlier layout")
        else:
            raise CannotHold(f"no device, segment or switch is called {name}")
    for segment in layout.segments:
        if segment.id not in frozen_segments and segment.switch not in switches:
            continue
        gone = [d for d in segment.devices if d not in problem.devices]
        if gone:
            raise CannotHold(
                f"{segment.id} cannot stay untouched: {gone[0]} is no longer in the problem"
            )
        if segment.switch not in problem.switches:
            raise CannotHold(f"{segment.id} cannot stay: there is no switch {segment.switch}")
    all_placed = frozenset(d for d in placed if d in problem.devices) if complete else frozenset()
    return Held(
        frozenset(devices), all_placed, frozenset(frozen_segments), frozenset(switches)
    )


def rerun(
    problem: Problem,
    before: Layout,
    settings: RerunSettings,
    *,
    held: Held | None = None,
    problem_before: Problem | None = None,
    clock: Callable[[], float] = time.monotonic,
    on_progress: Callable[[Sample, str], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    start: Layout | None = None,
    on_layout: OnLayout | None = None,
) -> Rerun:
    """Find the layout whose plan cost and change cost together are least.

    Parameters
    ----------
    problem
        The changed problem; its ``change_prices`` price the changes.
    before
        The earlier layout; it may place some devices only, or devices now gone.
    held
        What must not be touched; see :func:`held_by`.
    problem_before
        The problem before the change, for exact cut lengths; see
        :func:`~partitioner.replan.compare.compare`.
    clock, on_progress, should_stop, start
        As for a plan.
    on_layout
        Told of each layout with a smaller sum: the sum, and what makes the layout.

    Raises
    ------
    NoLayout
        Proved that no layout keeps all rules and what is held.
    NoAnswer
        None found within the limit.
    InternalFault
        The check or the recount of changes disagrees with the search: a fault of ours.
    """
    held = held or Held()
    old_problem = problem if problem_before is None else problem_before
    old_cuts_um = {
        device: length_um
        for device, (_, length_um) in pieces_of(old_problem, before).items()
        if length_um is not None
    }
    search = RerunSearch(
        problem, before, old_cuts_um, held, settings, clock, on_progress, should_stop, start,
        on_layout,
    )
    searched = search.searched()
    judged: dict[int, RerunPoint] = {}

    def point(found: Found) -> RerunPoint:
        key = id(found.selection)
        if key not in judged:
            judged[key] = _point(problem, before, found, held, problem_before)
        return judged[key]

    best = point(searched.best)
    kept = without_gone(before, problem)
    return Rerun(
        problem=problem,
        before=before,
        kept=kept,
        kept_assessment=assess(problem, kept),
        best=best,
        front=tuple(point(f) for f in searched.front),
        searched=searched,
        held=held,
        problem_before=problem_before,
    )


def _point(
    problem: Problem, before: Layout, found: Found, held: Held, problem_before: Problem | None
) -> RerunPoint:
    layout, assessment = _accepted(problem, before, found)
    # Names tell who carries on: a segment has an old name only if it does.
    same = frozenset(s.id for s in before.segments)
    comparison = compare(problem, before, layout, problem_before=problem_before, same=same)
    details = [f.line for f in assessment.findings]
    if assessment.cost.objective_money != found.plan_money:
        details.append(
            f"plan cost {found.plan_money} by the search, "
            f"{assessment.cost.objective_money} by the check (money steps)"
        )
    if comparison.total_money != found.change_money:
        details.append(
            f"change cost {found.change_money} by the search, {comparison.total_money} counted "
            f"from the two layouts (money steps)"
        )
    details += touched(before, layout, held)
    if details:
        raise InternalFault("the rerun's layout is not what the search says", details)
    return RerunPoint(found, layout, assessment, comparison)


def _accepted(problem: Problem, before: Layout, found: Found) -> tuple[Layout, Assessment]:
    """The layout with as many old settings as the check allows.

    Tried in turn: node and burst counts as they were, and where IDs have no price, so that the
    search did not weigh them, all that can stay; counts as they were; none of that.
    """
    olds = {s.id: s for s in before.segments}
    plain = found.layout.segments
    settings = tuple(_restored(s, olds.get(s.id)) for s in plain)
    tried = [settings, plain]
    if not problem.change_prices.plca_id_money:
        kept = (_with_old_ids(s, before) for s in plain)
        tried.insert(0, tuple(_restored(s, olds.get(s.id)) for s in kept))
    for segments in dict.fromkeys(tried):
        layout = replace(found.layout, segments=segments)
        assessment = assess(problem, layout)
        if not assessment.findings and assessment.cost.objective_money == found.plan_money:
            break
    return layout, assessment


def _with_old_ids(segment: Segment, before: Layout) -> Segment:
    """A line whose devices have their old PLCA IDs, however long that makes the cycle."""
    if not segment.plca_ids:
        return segment
    old = before.plca_id_of()
    still = {d: id_ for d, id_ in segment.plca_id_of().items() if old.get(d) == id_}
    ids = plca_ids([device for arm in segment.arms for device in arm], [still, old])
    return replace(
        segment,
        plca_ids=tuple(ids[d] for d in segment.devices),
        node_count=max(segment.node_count, 1 + max(ids.values())),
    )


def _restored(segment: Segment, old: Segment | None) -> Segment:
    if old is None or old.grade != segment.grade or not segment.plca_ids:
        return segment
    nodes = {*segment.devices, segment.switch}
    count = old.node_count if old.node_count > max(segment.plca_ids) else segment.node_count
    return replace(
        segment,
        node_count=count,
        burst_counts=tuple((n, c) for n, c in old.burst_counts if n in nodes),
    )


def touched(before: Layout, after: Layout, held: Held) -> list[str]:
    """Sentences on everything held that is not as it was; empty when all is.

    Node counts may differ: they belong to the switch port and follow the reserve.
    """
    wrong = []
    later = {s.id: s for s in after.segments}
    still = after.segment_of()
    for whole in before.segments:
        old = whole.only(still)
        new = later.get(old.id)
        if old.id in held.segments or old.switch in held.switches:
            if new is None or _wiring(new) != _wiring(old):
                wrong.append(f"{old.id} was to stay untouched")
            continue
        for device in old.devices:
            if device not in held.devices and device not in held.placed:
                continue
            same = (
                new is not None
                and device in new.devices
                and (new.switch, new.port, new.grade) == (old.switch, old.port, old.grade)
                and new.plca_id_of().get(device) == old.plca_id_of().get(device)
            )
            if same and device in held.devices:
                assert new is not None
                same = _inner(new, device) == _inner(old, device)
            if not same:
                wrong.append(f"{device} was to stay untouched")
    for new in after.segments:
        if new.switch in held.switches and all(s.id != new.id for s in before.segments):
            wrong.append(f"{new.switch} was to stay untouched and has {new.id} now")
    return wrong


def _wiring(segment: Segment) -> tuple[object, ...]:
    return (
        segment.switch, segment.port, segment.grade, segment.devices, segment.switch_index,
        segment.plca_ids,
    )


def _inner(segment: Segment, device: str) -> str:
    """The neighbour of a device towards the switch."""
    arm = next(arm for arm in segment.arms if device in arm)
    at = arm.index(device)
    return arm[at - 1] if at else segment.switch
