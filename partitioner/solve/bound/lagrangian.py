"""The proven value of some duals, in whole money steps.

For any duals (device free, port rows at most 0, line counts, cut and cap prices at least 0) every
layout costs at least the sum of the duals' right-hand sides plus the reduced costs of its
segments. So all that is needed is how far below zero a reduced cost can be. Two ways to pay for
that are tried and the better one is taken:

- by weight: lowering each device's dual by ``rate`` times its weight lifts every segment's
  reduced cost by ``rate`` times the segment's weight;
- by number: a layout has at most as many segments as there are ports.

Duals are rounded to whole money steps first; then everything is integer arithmetic and the value
is exact, without any tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from partitioner.solve.bound.duals import MasterDuals
from partitioner.solve.bound.relaxed_master import RelaxedMaster
from partitioner.solve.instance import Instance


def right_hand_side(duals: MasterDuals, master: RelaxedMaster) -> int:
    """Sum of duals times right-hand sides, the cheapest set of candidate switches open."""
    value = int(duals.device.sum())
    value += sum(int(d) * c.least for d, c in zip(duals.count, master.counts, strict=True))
    value -= int(duals.cut.sum())
    at_switch: dict[int, int] = dict.fromkeys(master.openings.own, 0)
    for r, (s, _) in enumerate(master.row_keys):
        paid = int(duals.row[r]) * int(master.row_count[r])
        if s in at_switch:
            at_switch[s] += paid
        else:
            value += paid
    # Duals older than a row value it at 0.
    for price, cap in zip(duals.cap, master.caps, strict=False):
        if cap.switch in at_switch:
            at_switch[cap.switch] -= int(price) * cap.most
        else:
            value -= int(price) * cap.most
    return value + master.openings.least(at_switch)


def repair_rate(missing: Iterable[tuple[float, int]]) -> int:
    """Whole money steps per unit of weight that lift all these reduced costs to 0.

    ``missing`` holds (reduced cost, least weight of the segments that may have it).
    """
    rate = 0
    for reduced, weight in missing:
        if reduced < 0:
            rate = max(rate, math.ceil(-reduced / max(1, weight)))
    return rate


def most_segments(instance: Instance) -> int:
    """Most segments a layout can have: one per port, and one per device."""
    ports = {(p.switch, p.group): p.count for p in instance.port_classes}
    return min(instance.n, sum(ports.values()))
