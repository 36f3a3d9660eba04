"""PLCA settings: are they allowed, are those of a line consistent, and what would other ones do.

Ranges as Linux net/ethtool/plca.c checks them; the rules between nodes as the ethtool(8) manual
states them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from partitioner.timing.constants import (
    BURST_TIMER_DEFAULT_BT,
    IPG_BT,
    SETTING_MOST,
    TO_TIMER_DEFAULT_BT,
)
from partitioner.timing.line import LineNode, LineSettings
from partitioner.timing.response import response_bound
from partitioner.units import ceil_div

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


def least_to_timer_bt(
    transmit_delay_ns: int, carrier_on_delay_ns: int, propagation_ns: int, bit_ns: int = 100
) -> int:
    """Shortest TO timer with which every node sees a used opportunity before it gives it up.

    Parameters
    ----------
    transmit_delay_ns
        From the MAC interface to the wire at most (440 ns at 10BASE-T1S).
    carrier_on_delay_ns
        From the wire to carrier sense at most (1040 ns at 10BASE-T1S).
    propagation_ns
        Along the whole line, one way. It counts twice: nodes start the timer up to one
        propagation apart, and the answer travels once.

    Notes
    -----
    Delay limits: IEEE Std 802.3 Clause 147, delay table. The sum is our arithmetic.

    Examples
    --------
    >>> least_to_timer_bt(440, 1040, 250)
    20
    """
    return ceil_div(transmit_delay_ns + carrier_on_delay_ns + 2 * propagation_ns, bit_ns)


@dataclass(frozen=True, slots=True)
class BurstEffect:
    """What a burst count at one node does: bounds in ns of every leg before and after."""

    node: str
    burst_count: int
    before_ns: dict[tuple[str, str], int]
    after_ns: dict[tuple[str, str], int]

    def gains_ns(self) -> int:
        """Sum of what the node's own streams gain (negative: lose)."""
        return sum(
            before - self.after_ns.get(key, before)
            for key, before in self.before_ns.items()
            if key[0] == self.node
        )

    def dearest_ns(self) -> int:
        """Most that a stream of another node loses."""
        return max(
            (
                self.after_ns.get(key, before) - before
                for key, before in self.before_ns.items()
                if key[0] != self.node
            ),
            default=0,
        )


def burst_effect(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    node: str,
    burst_count: int,
) -> BurstEffect:
    """Bound a line with another burst count at one node, beside the bounds as it is.

    Raises
    ------
    ValueError
        If the line has no such node.
    """
    if all(n.id != node for n in nodes):
        raise ValueError(f"{node} is not on the line")
    changed = tuple(replace(n, burst_count=burst_count) if n.id == node else n for n in nodes)
    before, after = (
        {key: leg.total_ns for key, leg in response_bound(row, node_count, settings).legs.items()}
        for row in (nodes, changed)
    )
    return BurstEffect(node, burst_count, before, after)


def propose_burst(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    node: str,
    most: int = 4,
) -> BurstEffect | None:
    """Propose the burst count of a node that shortens its own worst leg most.

    Only counts under which every leg of the line keeps its window are proposed; None if no count
    up to ``most`` helps.
    """
    windows = {(n.id, f.id): f.window_ns for n in nodes for f in n.flows}
    best: BurstEffect | None = None
    best_own = None
    for count in range(most + 1):
        effect = burst_effect(nodes, node_count, settings, node, count)
        own = [ns for key, ns in effect.after_ns.items() if key[0] == node]
        before = [ns for key, ns in effect.before_ns.items() if key[0] == node]
        in_time = all(
            effect.after_ns.get(key, window + 1) <= window for key, window in windows.items()
        )
        if not own or not before or not in_time or max(own) >= max(before):
            continue
        if best_own is None or max(own) < best_own:
            best, best_own = effect, max(own)
    return best
