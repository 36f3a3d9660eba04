"""What the delays of streams are made of."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.model.assessment import Leg, LegKind

PARTS_OF_DELAY = ("own queue", "access to the line", "wire", "collision", "switches and backbone")


def delay_parts_ns(legs: Sequence[Leg]) -> tuple[int, int, int, int, int]:
    """Delay of a stream split by cause, in the order of :data:`PARTS_OF_DELAY`.

    What the delay of a leg has beyond its parts counts as queueing, so the parts sum to the whole.
    """
    queue = access = wire = collision = network = 0
    for leg in legs:
        if leg.kind in (LegKind.SWITCH, LegKind.BACKBONE):
            network += leg.response_ns
            continue
        rest = leg.response_ns - leg.queue_ns - leg.access_ns - leg.wire_ns - leg.collision_ns
        queue += leg.queue_ns + rest
        access += leg.access_ns
        wire += leg.wire_ns
        collision += leg.collision_ns
    return queue, access, wire, collision, network
