"""Two layouts of one problem side by side: both judged, what differs, and the change order."""

from __future__ import annotations

from dataclasses import dataclass, replace

from partitioner.check.judge import assess
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.network.routes import known_links
from partitioner.replan.compare import Comparison, compare
from partitioner.replan.order import ChangeOrder, change_order


@dataclass(frozen=True, slots=True)
class Beside:
    """Two layouts, each judged under the problem as it is now.

    ``before`` is what of the earlier layout the problem still knows.
    """

    problem: Problem
    before: Layout
    before_assessment: Assessment
    after: Layout
    after_assessment: Assessment
    comparison: Comparison
    order: ChangeOrder

    @property
    def differing(self) -> tuple[set[str], set[str]]:
        """Ids of the segments that are not the same in both: the earlier and the later ones."""
        carried = self.comparison.carried_on
        before_ids, after_ids = set(), set()
        old = {s.id: s for s in self.before.segments}
        for segment in self.after.segments:
            name = carried.get(segment.id)
            was = old.get(name) if name is not None else None
            if was is None or (was.devices, was.switch, was.port, was.switch_index) != (
                segment.devices, segment.switch, segment.port, segment.switch_index
            ):
                after_ids.add(segment.id)
                if name is not None:
                    before_ids.add(name)
        still = set(carried.values())
        return before_ids | {name for name in old if name not in still}, after_ids


def without_gone(layout: Layout, problem: Problem) -> Layout:
    """What of a layout the problem still knows: devices and switches gone are left out."""
    segments = []
    for segment in layout.segments:
        if segment.switch not in problem.switches:
            continue
        if segment.grade not in problem.catalogue.grades:
            continue
        kept = segment.only(problem.devices)
        if kept.devices:
            segments.append(kept)
    return replace(
        layout,
        open_switches=tuple(s for s in layout.open_switches if s in problem.switches),
        backbone=tuple(link for link, _ in known_links(problem, layout)),
        segments=tuple(segments),
    )


def lay_beside(
    problem: Problem,
    before: Layout,
    after: Layout,
    after_assessment: Assessment,
    *,
    comparison: Comparison | None = None,
    before_assessment: Assessment | None = None,
    problem_before: Problem | None = None,
) -> Beside:
    """Put a layout beside an earlier one, both judged under ``problem``, that of the later layout.

    The earlier one may name devices and switches that the problem does not have; its assessment is
    of what the problem still knows of it. ``problem_before`` is the earlier layout's own problem,
    for exact cut lengths. Comparison and assessment are worked out where they are not known
    already.
    """
    found = comparison or compare(problem, before, after, problem_before=problem_before)
    kept = without_gone(before, problem)
    return Beside(
        problem,
        kept,
        assess(problem, kept) if before_assessment is None else before_assessment,
        after,
        after_assessment,
        found,
        change_order(problem, before, after, found, problem_before),
    )
