"""One choice among segments that are given: no others are looked for."""

from __future__ import annotations

from collections.abc import Iterable

from partitioner.solve.columns import Column
from partitioner.solve.run import Run
from partitioner.solve.search import Claim


class ChoiceRun(Run):
    """A run over the columns given and no others."""

    def choose_among(self, columns: Iterable[Column]) -> None:
        """Give the columns before the run begins; those too slow for its limits are left out."""
        self.given = [c for c in columns if self._is_within(c)]

    def _is_within(self, column: Column) -> bool:
        """Whether each leg of a segment alone keeps the limits of its stream."""
        streams = self.instance.streams
        legs = [*column.up, *((stream, ns) for (stream, _), ns in column.down)]
        return all(ns <= streams[j].limit_ns for j, ns in legs)

    def plan(self) -> None:
        """Choose once."""
        self.step("choosing among the segments found")
        self.search.master_over_pool(
            self.given, self.seconds_left(), soft=False, claim=Claim.COLUMNS
        )
