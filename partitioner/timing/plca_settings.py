"""PLCA settings: are they allowed, and are those of a line consistent.

Ranges as Linux net/ethtool/plca.c checks them; the rules between nodes as the ethtool(8) manual
states them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from partitioner.timing.constants import (
    BURST_TIMER_DEFAULT_BT,
    IPG_BT,
    SETTING_MOST,
    TO_TIMER_DEFAULT_BT,
)
from partitioner.units import BT_NS, ceil_div

OFF_ID = 255
"""Node ID that means PLCA is off (ethtool(8))."""


@dataclass(frozen=True, slots=True)
class NodeSettings:
    """PLCA settings of one node; ``node_count`` matters at ID 0 only. Timers in bit times."""

    node: str
    node_id: int
    node_count: int = 8
    to_timer_bt: int = TO_TIMER_DEFAULT_BT
    burst_count: int = 0
    burst_timer_bt: int = BURST_TIMER_DEFAULT_BT


def setting_faults(settings: NodeSettings) -> tuple[str, ...]:
    """Sentences about values that a node would refuse; empty if none.

    Notes
    -----
    Node ID and timers 0 to 255, node count 1 to 255: Linux net/ethtool/plca.c.
    """
    checks = (
        ("node-id", settings.node_id, 0),
        ("node-cnt", settings.node_count, 1),
        ("to-tmr", settings.to_timer_bt, 0),
        ("burst-cnt", settings.burst_count, 0),
        ("burst-tmr", settings.burst_timer_bt, 0),
    )
    return tuple(
        f"{settings.node}: {name} {value} is outside {least}..{SETTING_MOST}"
        for name, value, least in checks
        if not least <= value <= SETTING_MOST
    )


def line_faults(nodes: Iterable[NodeSettings]) -> tuple[str, ...]:
    """Sentences about settings of one line that do not go together; empty if none.

    Notes
    -----
    One coordinator (ID 0), unique IDs, the same TO timer everywhere, and a node count above the
    highest ID, since higher ones never get a transmit opportunity: ethtool(8).
    """
    rows = list(nodes)
    faults = [f for row in rows for f in setting_faults(row)]
    users: dict[int, list[str]] = {}
    for row in rows:
        users.setdefault(row.node_id, []).append(row.node)
        if row.node_id == OFF_ID:
            faults.append(f"{row.node}: node-id {OFF_ID} switches PLCA off")
    faults += [
        f"{' and '.join(names)} share node-id {node_id}"
        for node_id, names in sorted(users.items())
        if len(names) > 1
    ]
    coordinator = next((row for row in rows if row.node_id == 0), None)
    if coordinator is None:
        faults.append("no node has node-id 0, so nobody sends the BEACON")
    else:
        highest = max(row.node_id for row in rows)
        if coordinator.node_count <= highest:
            faults.append(
                f"{coordinator.node}: node-cnt {coordinator.node_count} leaves node-id {highest} "
                f"without a transmit opportunity; at least {highest + 1} is needed"
            )
    timers = sorted({row.to_timer_bt for row in rows})
    if len(timers) > 1:
        faults.append(f"to-tmr differs on the line: {', '.join(map(str, timers))}")
    for row in rows:
        if row.burst_count and row.burst_timer_bt <= IPG_BT:
            faults.append(
                f"{row.node}: burst-tmr {row.burst_timer_bt} is not above the gap of {IPG_BT} bit "
                f"times, so a burst ends after its first frame"
            )
    return tuple(faults)


def least_to_timer_bt(transmit_delay_ns: int, carrier_on_delay_ns: int, propagation_ns: int) -> int:
    """Shortest TO timer with which every node sees a used opportunity before it gives it up.

    The delays are the longest from the MAC interface to the wire (440 ns at 10BASE-T1S) and from
    the wire to carrier sense (1040 ns), by IEEE Std 802.3 Clause 147, delay table. The propagation,
    along the whole line one way, counts twice: nodes start the timer up to one propagation apart,
    and the answer travels once. The sum is our arithmetic.

    Examples
    --------
    >>> least_to_timer_bt(440, 1040, 250)
    20
    """
    return ceil_div(transmit_delay_ns + carrier_on_delay_ns + 2 * propagation_ns, BT_NS)
