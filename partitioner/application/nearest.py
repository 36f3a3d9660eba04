"""What ``plan`` has to show when time was up before every device had a place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from partitioner.application.search import Search
from partitioner.application.told import LayoutAnswer, Told
from partitioner.errors import NoAnswer
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.explain.nearest_miss import NearestMiss
    from partitioner.report.sections import Section


@dataclass(frozen=True, slots=True)
class NearestAnswer(LayoutAnswer):
    """An incomplete layout that keeps all rules otherwise, judged, and what keeps the rest out."""

    problem: Problem
    miss: NearestMiss
    assessment: Assessment
    section: Section

    def lines(self) -> list[str]:
        """What keeps each device out and what would let it in, a line each, for a terminal."""
        known = {p.device: p for p in self.miss.places}
        told = []
        for device in self.miss.missing:
            place = known.get(device)
            if place is None:
                told.append(f"{device}: not looked into, time was up")
                continue
            told.append(f"{device}, best as {place.where}:")
            told += [f"  [{f.rule}] {f.sentence}" for f in place.findings]
            told.append(f"  would allow it: {'; '.join(place.changes) or 'nothing that was tried'}")
        return told

    def data(self) -> list[dict[str, Any]]:
        """The same as data."""
        from partitioner.report.outcome_json import rule_findings_data

        return [
            {
                "device": p.device,
                "where": p.where,
                "findings": rule_findings_data(p.findings),
                "changes": list(p.changes),
            }
            for p in self.miss.places
        ]

    def _told(self) -> Told:
        return self.problem, self.assessment, None, [self.section], ()


class StillIncomplete(NoAnswer):
    """No layout was found within the limit, but one with most devices in it.

    ``answer`` has it; ``written_to`` is the folder that whoever writes it has put it in.
    """

    def __init__(self, ended: NoAnswer, answer: NearestAnswer):
        super().__init__(str(ended), **vars(ended))
        self.answer = answer
        self.written_to: str | None = None


def nearest_answer(
    problem: Problem, layout: Layout, search: Search, should_stop: Callable[[], bool]
) -> NearestAnswer:
    """Judge an incomplete layout and look for what keeps the missing devices out.

    Until ``should_stop``; devices that were not looked into are named as such.
    """
    from partitioner.check.judge import assess
    from partitioner.explain.nearest_miss import nearest_miss
    from partitioner.pages.nearest_miss import nearest_miss_section

    search.on_step("looking for what keeps the last devices out")
    miss = nearest_miss(problem, layout, should_stop)
    assessment = assess(problem, miss.layout)
    return NearestAnswer(problem, miss, assessment, nearest_miss_section(problem, miss))

