"""How long it takes to check a layout and to make its report, kept free at the end of a search."""

from __future__ import annotations

from partitioner.model.problem import Problem

_ANY_S = 0.6
_DEVICE_S = 0.026
_DELIVERY_S = 0.0018
"""Seconds of any report, for each device, and for each delivery in each build that is judged:
measured with the demo problems on two busy cores, where it took 1.8 s (42 devices, 67 streams) to
8.9 s (177 devices, 9 builds); files for shop and software take 1.7 s more of the latter."""
_MOST_SHARE = 0.4
"""Of the time left: with very little of it a layout matters more than the moment it comes."""


def finishing_s(problem: Problem, left_s: float) -> float:
    """Seconds to keep for what follows the search, out of those left."""
    from partitioner.check.combinations import combinations_of

    builds = len(combinations_of(problem).rows)
    needed = (
        _ANY_S + _DEVICE_S * len(problem.devices) + _DELIVERY_S * builds * problem.delivery_count
    )
    return max(0.0, min(needed, _MOST_SHARE * left_s))
