"""How a run ended: status, cost, proven bound, gap, timeline. Data only."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from partitioner.model.layout import Layout
from partitioner.units import gap_share


class Status(StrEnum):
    """What is known about the layout found."""

    OPTIMAL = "optimal"
    """Proved: no layout that keeps all rules has a lower priced total."""
    FEASIBLE = "feasible"
    """Keeps all rules; the gap says how far from optimal it can be at most."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One point of the run's progress; None where not known yet."""

    seconds: float
    cost_money: int | None
    bound_money: int | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """Result of a planning run. ``cost_money`` and ``bound_money`` are objective values."""

    status: Status
    layout: Layout
    cost_money: int
    bound_money: int
    seconds: float
    seconds_to_best: float
    seed: int
    workers: int
    stopped_by: str
    """``proof``, ``time limit``, ``work limit`` or ``user``."""
    bound_source: str
    """Which relaxation proved the bound."""
    timeline: tuple[Sample, ...]
    versions: tuple[tuple[str, str], ...]
    columns: int = 0
    has_start: bool = field(default=False, repr=False)
    """Whether the run began from a layout that was given."""
    start_unusable: tuple[str, ...] = field(default=(), repr=False)
    """Why the layout started from, or a part of it, could not be used: a sentence each."""

    @property
    def gap(self) -> float:
        """Proven relative gap, (cost - bound) / cost; 0 when optimal or cost is 0."""
        return gap_share(self.cost_money, self.bound_money)
