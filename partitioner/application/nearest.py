"""What ``plan`` has to show when time was up before every device had a place."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from partitioner.application.search import Search, load_planner
from partitioner.application.told import LayoutAnswer
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.report.told import Told

if TYPE_CHECKING:
    from partitioner.explain.nearest_miss import NearestMiss


MOST_TOLD = 8
"""Places told in a terminal; the report has all."""
MOST_NAMED = 20
"""Devices named in one line."""
NAMING_S = 0.5
"""Seconds for naming what keeps devices out even where the time is up: some 7 ms for each of them
where there are 60 devices."""
SPILL_S = 0.5
"""Seconds by which writing may then go beyond the limit: half of what a run may."""


@dataclass(frozen=True, slots=True)
class NearestAnswer(LayoutAnswer):
    """An incomplete layout that keeps all rules otherwise, judged, and what keeps the rest out."""

    miss: NearestMiss

    def lines(self) -> list[str]:
        """What keeps each device out and what would let it in, for a terminal."""
        from partitioner.pages.nearest_miss import allowed_by
        from partitioner.visible import some_of

        places = [p for p in self.miss.places if p.findings]
        # Those with a change to make come first: that is what can be acted on.
        places.sort(key=lambda p: not p.changes)
        told = []
        for place in places[:MOST_TOLD]:
            told.append(f"{place.device}, best as {place.where}:")
            told += [f"  {f.line}" for f in place.findings]
            told.append(f"  would allow it: {allowed_by(place)}")
        if len(places) > MOST_TOLD:
            told.append(f"and {len(places) - MOST_TOLD} more, in the report")
        rest = [p.device for p in self.miss.places if not p.findings]
        if rest:
            told.append(
                f"fits next to others, if delays and loads allow it, which there was no time to "
                f"work out: {some_of(rest, MOST_NAMED)}"
            )
        known = {p.device for p in self.miss.places}
        if unknown := [d for d in self.miss.missing if d not in known]:
            told.append(f"not looked into, time was up: {some_of(unknown, MOST_NAMED)}")
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
                "is_whole": p.is_whole,
            }
            for p in self.miss.places
        ]


class StillIncomplete(NoAnswer):
    """No layout was found within the limit, but one with most devices in it.

    ``answer`` has it; ``written_to`` is the folder that whoever writes it has put it in.
    """

    def __init__(self, ended: NoAnswer, answer: NearestAnswer):
        super().__init__(str(ended), **vars(ended))
        self.answer = answer
        self.written_to: str | None = None


@contextmanager
def told_ending(
    problem: Problem, search: Search, *, by_work: bool = False, is_held: bool = False
) -> Iterator[None]:
    """Have a search that ends without a layout tell what there is.

    Conflicts that are proved, where they stand in the files. Else what the time went to, and where
    there is a layout with most devices, what keeps the others out: :class:`StillIncomplete`.
    ``by_work``: the clock says nothing, as answers must repeat. ``is_held``: parts of an earlier
    layout had to stay as they are.
    """
    load_planner()
    began_s = search.clock()
    try:
        yield
    except NoLayout as proof:
        if search.locate is not None:
            from partitioner.explain.placement import placed

            proof.conflicts = placed(problem, proof.conflicts, search.locate)
        raise
    except NoAnswer as ended:
        search.tell_ending(ended, began_s, is_held=is_held)
        if ended.nearest is None:
            raise
        hurries = search.stop if by_work else search.hurries(problem, SPILL_S)
        answer = nearest_answer(problem, ended.nearest, search, hurries)
        raise StillIncomplete(ended, answer) from None


def nearest_answer(
    problem: Problem, layout: Layout, search: Search, should_stop: Callable[[], bool]
) -> NearestAnswer:
    """Judge an incomplete layout and look for what keeps the missing devices out.

    Until ``should_stop``, and shortly in any case; devices that were not looked into are named as
    such.
    """
    from partitioner.check.judge import assess
    from partitioner.explain.nearest_miss import nearest_miss
    from partitioner.pages.nearest_miss import nearest_miss_section

    search.on_step("looking for what keeps the last devices out")
    until_s = search.clock() + NAMING_S
    miss = nearest_miss(
        problem, layout, should_stop, lambda: should_stop() and search.clock() >= until_s
    )
    sections = [nearest_miss_section(problem, miss)]
    return NearestAnswer(Told(problem, assess(problem, miss.layout), sections=sections), miss)

