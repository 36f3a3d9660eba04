"""A line and a flow with plain figures, for delays worked out by hand."""

from __future__ import annotations

from partitioner.timing.line import LineFlow, LineSettings

MS = 1_000_000
BARE = LineSettings(logical_collision=False, loop_delay_ns=0, phy_ns=0)
"""No PHY delays, no logical collisions: the pure formulas."""


def flow(name: str = "f", **changes) -> LineFlow:
    row = {
        "id": name,
        "frame_bytes": 64,
        "period_ns": 10 * MS,
        "jitter_ns": 0,
        "window_ns": 10 * MS,
        "pcp": 3,
    }
    return LineFlow(**{**row, **changes})
