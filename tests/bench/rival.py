"""What every rival gives back."""

from __future__ import annotations

from dataclasses import dataclass

from tests.bench.fleet import Routes


@dataclass(frozen=True, slots=True)
class RivalResult:
    """``routes`` None: nothing found. ``bound`` is the rival's own, in money of its model."""

    routes: Routes | None
    seconds: float
    seconds_to_best: float | None
    bound: int | None
