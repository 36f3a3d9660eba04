"""What a rerun is asked besides its problem, and what its search found."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.solve.master import Selection
from partitioner.solve.planner import PlanSettings


@dataclass(frozen=True, slots=True)
class RerunSettings(PlanSettings):
    """How long and how a rerun may work.

    ``points``: how many layouts to show between touching nothing and planning afresh, both ends
    among them; 0: the cheapest sum only.
    """

    points: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """A layout of a rerun: its two costs in money steps, and what is proved.

    ``is_proved``: no better one is possible for its aim. ``is_best_offered``: none better can be
    put together from the segments that were tried.
    """

    plan_money: int
    change_money: int
    selection: Selection
    layout: Layout
    is_proved: bool
    is_best_offered: bool

    @property
    def total_money(self) -> int:
        """Plan cost and change cost."""
        return self.plan_money + self.change_money


@dataclass(frozen=True, slots=True)
class Searched:
    """What a rerun found.

    ``outcome`` tells the run as a plan does: the plan cost of ``best`` and a proved bound on it.
    ``least_change_money`` is a proved bound on the change cost of any layout (0 where nothing is
    proved).
    """

    best: Found
    outcome: Outcome
    total_bound_money: int
    least_change_money: int
    front: tuple[Found, ...]
    is_front_whole: bool
    tried_all: bool
