"""Response-time analysis of a shared PLCA line: busy window and fixed point.

For every node (and, with PCP order, every priority class of it) take the busy window that starts
when the node's queue was last empty. A frame that arrives ``x`` after that start is sent after the
frames of its own node that came before it, in as many transmit opportunities (TO) as they need.
What the other nodes send meanwhile is bounded twice, and the smaller count is used: by the number
of rounds (each TO carries at most ``1 + burst_count`` frames), and by what can have arrived for
them. The window and the counts depend on each other: the least fixed point is the bound, and its
largest value over all arrivals ``x`` inside the busy window counts.

The frames another node still holds when the window opens are counted through how long they can
live there. That bound is first the stream's window (the assumption all deadlines rest on), then
the result of this analysis itself, repeated; each pass starts from a sound bound and gives one.

The proof sketch with every assumption is in ``docs/explanation/timing.md``. No code is shared
with the simulation, and with the linear bound only what a single TO costs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import ESD_BT, IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.line import (
    LONGEST_WAIT_NS,
    LegDelay,
    LineBound,
    LineNode,
    LineSettings,
    collision_ns,
    deferral_ns,
    hold_ns,
    linear_bound,
    miss_ns,
    not_pending_ns,
    silent_ns,
    slot_ns,
    start_ns,
    wider_gap_ns,
)

Ints = NDArray[np.int64]
REPETITIONS = 4
"""How often the results are fed back as lifetimes of frames; each pass is sound on its own."""
OFFSETS_FIRST = 1
OFFSETS_MOST = 512
"""Arrivals looked at in one busy window; beyond, the window counts as open (no own bound)."""
STEPS_MOST = 2_000


def response_bound(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> LineBound:
    """Bound every leg on a line by response-time analysis, never above the linear bound.

    Parameters
    ----------
    nodes
        Every node that has a PLCA ID. The flows' ``inherited_ns`` says how much their arrivals
        vary beyond their release jitter; ``window_ns`` is the assumed longest life of a frame.
    node_count
        PLCA node count set at the coordinator, at least ``len(nodes)``.
    settings
        Common settings with the propagation of the real length.

    Returns
    -------
    LineBound
        Legs count from the arrival in the node's queue to the last bit at the last receiver.
        A leg for which the busy window does not close has the linear bound.

    Raises
    ------
    ValueError
        If there are more nodes than ``node_count``.
    """
    linear = linear_bound(nodes, node_count, settings)
    if not linear.legs:
        return linear
    own = busy_window_bound(nodes, node_count, settings, linear.legs)
    legs = {}
    for key, delay in linear.legs.items():
        found = own.get(key)
        legs[key] = found if found is not None and found.total_ns < delay.total_ns else delay
    for key, found in own.items():
        legs.setdefault(key, found)
    complete = len(legs) == sum(len(n.flows) for n in nodes)
    return LineBound(
        linear.cycle_ns, linear.load_ppm, None if complete else linear.overload, legs
    )


def busy_window_bound(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    lives: dict[tuple[str, str], LegDelay] | None = None,
) -> dict[tuple[str, str], LegDelay]:
    """Busy-window bound of the legs alone, without the linear bound as a ceiling.

    ``lives`` are sound bounds of legs to start the repetition from (None: the flows' windows).
    Legs whose busy window does not close are missing.
    """
    line = _arrays(nodes, node_count, settings)
    if line is None:
        return {}
    if lives:
        for index, key in enumerate(line.keys):
            if key in lives:
                line.life[index] = min(line.life[index], lives[key].total_ns)
    legs: dict[tuple[str, str], LegDelay] = {}
    before: Ints | None = None
    for _ in range(REPETITIONS):
        legs, least = _one_pass(line)
        for index, key in enumerate(line.keys):
            if key in legs:
                line.life[index] = min(line.life[index], legs[key].total_ns)
        if least or (before is not None and np.array_equal(before, line.life)):
            break
        before = line.life.copy()
    return legs


@dataclass(slots=True)
class _Line:
    """A line as arrays. Flows are sorted by node, within a node by length, longest first."""

    keys: list[tuple[str, str]]
    node: Ints
    slot: Ints
    """One frame in a TO of its own, hold of a burst timer that is too short included."""
    period: Ints
    arrival_jitter: Ints
    life: Ints
    """Longest time a frame stays in the node, until delivery."""
    born: Ints
    """Life from release plus release jitter: another bound on what is around."""
    pcp: Ints
    wire: Ints
    node_start: Ints
    """Index of the first flow of each flow's node."""
    node_last: Ints
    """Index of the last flow, by node."""
    per_round: Ints
    """Frames in one TO at most, by node."""
    fifo: list[bool]
    silent: int
    round_rest: int
    """Silent cycle without the own TO."""
    wider: int
    burst_hold: int
    bursts: bool
    collision: int
    """What a logical collision costs each frame at most (0: none)."""
    first_time: int
    """What it costs the first frame besides, in time."""
    first_idle: int
    """The same without the frames of others."""
    node_largest: Ints
    """Longest TO with one frame, by node, wider gap of a burst included."""
    miss: int
    phy: int
    """PHYs and propagation."""
    loop: int


def _arrays(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> _Line | None:
    senders = [n for n in nodes if n.flows]
    if not senders:
        return None
    lone = settings.burst_timer_bt <= IPG_BT
    hold = settings.burst_timer_bt * settings.bit_ns
    silent = silent_ns(settings)
    wider = wider_gap_ns(settings)
    keys, node, slot, period, jitter, life, born, pcp, wire = [], [], [], [], [], [], [], [], []
    starts, last, per_round = [], [], []
    for index, sender in enumerate(senders):
        start = len(keys)
        extra = hold if lone and sender.burst_count else 0
        for f in sorted(sender.flows, key=lambda f: -f.frame_bytes):
            keys.append((sender.id, f.id))
            node.append(index)
            starts.append(start)
            slot.append(slot_ns(f.frame_bytes, settings) + extra)
            period.append(f.period_ns)
            jitter.append(f.jitter_ns + min(f.inherited_ns, f.window_ns))
            life.append(f.window_ns)
            born.append(f.window_ns + f.jitter_ns)
            pcp.append(f.pcp)
            wire.append((PREAMBLE_SFD_BT + 8 * f.frame_bytes + ESD_BT) * settings.bit_ns)
        last.append(len(keys) - 1)
        per_round.append(1 if lone else 1 + sender.burst_count)
    as_ints = [
        np.array(v, dtype=np.int64)
        for v in (node, slot, period, jitter, life, born, pcp, wire, starts, last, per_round)
    ]
    collision = collision_ns(node_count, settings)
    first = not_pending_ns(hold_ns(node_count, settings), settings)
    largest = slot_ns(max(f.frame_bytes for n in senders for f in n.flows), settings)
    return _Line(
        keys,
        *as_ints,
        fifo=[n.queue is QueueOrder.FIFO for n in senders],
        silent=silent,
        round_rest=start_ns(settings) + (node_count - 1) * silent,
        wider=wider,
        burst_hold=hold,
        bursts=max(per_round) > 1,
        collision=collision,
        first_time=deferral_ns(largest, node_count, settings),
        first_idle=first + silent - IPG_BT * settings.bit_ns - collision,
        node_largest=np.array([slot[s] for s in dict.fromkeys(starts)]) + wider,
        miss=miss_ns(settings),
        phy=settings.phy_ns + settings.propagation_ns,
        loop=settings.loop_delay_ns,
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """A node's queue (FIFO) or one priority class of it."""

    node: int
    same: list[int]
    higher: list[int]
    low_ns: int
    """Longest TO of a lower frame that may be in the MAC already (0: none)."""
    last_ns: int


@dataclass(slots=True)
class _Rows:
    """Busy windows to solve at once: one per group and arrival offset.

    ``same``: frames of the own class up to the offset; ``low``: 1 if a lower frame may be in the
    MAC. ``higher``: flows of higher classes, by row. ``until_end``: higher frames count until
    the last one is sent (length of the busy window) instead of until it is taken by the MAC.
    """

    node: Ints
    offset: Ints
    own: Ints
    own_ns: Ints
    last_ns: Ints
    higher: Ints | None
    until_end: Ints


def _groups(line: _Line) -> list[_Group]:
    groups = []
    for node, last in enumerate(line.node_last):
        flows = list(range(int(line.node_start[last]), int(last) + 1))
        if line.fifo[node]:
            groups.append(_Group(node, flows, [], 0, int(line.slot[flows].min())))
            continue
        for pcp in sorted({int(line.pcp[j]) for j in flows}):
            same = [j for j in flows if line.pcp[j] == pcp]
            low = max((int(line.slot[j]) for j in flows if line.pcp[j] < pcp), default=0)
            higher = [j for j in flows if line.pcp[j] > pcp]
            groups.append(_Group(node, same, higher, low, int(line.slot[same].min())))
    return groups


def _offsets(line: _Line, group: _Group, count: int) -> list[int]:
    """First ``count`` arrivals (from the start of the busy window) that change a count."""
    found = {0}
    for j in group.same:
        period, jitter = int(line.period[j]), int(line.arrival_jitter[j])
        first = (jitter // period + 1) * period - jitter
        found.update(range(first, first + count * period, period))
    return sorted(found)[:count]


def _rows(line: _Line, groups: list[_Group], offsets: list[list[int]]) -> _Rows:
    """One row per offset; with higher classes a second one for the length of the window."""
    node, offset, own, own_ns, last, until_end = [], [], [], [], [], []
    higher: list[list[int]] = []
    for group, given in zip(groups, offsets, strict=True):
        period, jitter = line.period[group.same], line.arrival_jitter[group.same]
        slot = line.slot[group.same]
        for ends in (0, 1) if group.higher else (0,):
            for x in given:
                count = (x + jitter) // period + 1
                node.append(group.node)
                offset.append(x)
                own.append(int(count.sum()) + (group.low_ns > 0))
                own_ns.append(int(count @ slot) + group.low_ns)
                last.append(group.last_ns)
                until_end.append(ends)
                higher.append(group.higher)
    mask = None
    if any(higher):
        mask = np.zeros((len(node), len(line.keys)), dtype=np.int64)
        for row, flows in enumerate(higher):
            mask[row, flows] = 1
    as_ints = [np.array(v, dtype=np.int64) for v in (node, offset, own, own_ns, last)]
    return _Rows(*as_ints, mask, np.array(until_end, dtype=np.int64))


def _others(line: _Line, node: Ints, window: Ints, rounds: Ints) -> tuple[Ints, Ints, bool]:
    """What the other nodes send: inside the rounds, beyond them, and whether counts are least."""
    foreign = line.node[None, :] != node[:, None]
    lived = np.minimum(line.life + line.arrival_jitter, line.born)
    count = -(-(window[:, None] + lived) // line.period) * foreign
    least = bool((count <= 1).all())
    total = np.cumsum(count, axis=1)
    before = total - count
    base = before[:, line.node_start]
    limit = rounds[:, None] * line.per_round[line.node]
    inside = np.minimum(total - base, limit)
    sent = inside - np.minimum(before - base, limit)
    if line.bursts:
        by_node = inside[:, line.node_last]
        used = -(-by_node // line.per_round)
        partly = np.minimum(
            np.minimum(by_node, rounds[:, None]), line.per_round * rounds[:, None] - by_node
        )
        bursty = line.per_round > 1
        cost = sent @ line.slot - line.silent * used.sum(axis=1)
        cost += (((by_node - used) * line.wider + partly * line.burst_hold) * bursty).sum(axis=1)
    else:
        cost = sent @ (line.slot - line.silent)
    if not line.collision:
        return cost, np.zeros_like(cost), least
    burst_extra = line.burst_hold * (line.per_round[line.node] > 1)
    beyond = line.first_idle + (count - sent) @ (line.slot + burst_extra)
    beyond = rounds * line.collision + np.minimum(line.first_time, beyond)
    return cost, beyond, least


def _solve(line: _Line, rows: _Rows) -> tuple[Ints, Ints, Ints, bool]:
    """Least fixed points: start of the last frame's TO, collisions in it, own frames in it.

    Rows that do not settle have a start of -1. The last value says whether every count of other
    nodes' frames was the least possible.
    """
    per_round = line.per_round[rows.node]
    wider = line.wider * (per_round > 1)
    one_more = line.node_largest[rows.node]
    start = np.zeros(len(rows.node), dtype=np.int64)
    taken = start.copy()
    again = start
    own, own_ns = rows.own, rows.own_ns
    for _ in range(STEPS_MOST):
        if rows.higher is not None:
            more = ((taken[:, None] + line.arrival_jitter) // line.period + 1) * rows.higher
            own = rows.own + more.sum(axis=1)
            own_ns = rows.own_ns + more @ line.slot
        rounds = -(-own // per_round)
        ahead = own_ns - rows.last_ns + (own - 1) * wider
        ahead += np.minimum(own - 1, per_round - 1) * one_more
        cost, collided, least = _others(line, rows.node, start, rounds)
        again = line.miss + rounds * line.round_rest + cost + collided + ahead
        quiet = True
        if rows.higher is not None:
            # The MAC takes the last frame when the one before it is out.
            fewer = -(-(own - 1) // per_round)
            cost_1, collided_1, _ = _others(line, rows.node, taken, fewer)
            now = line.miss + fewer * line.round_rest + cost_1 + collided_1 + ahead
            now = np.where(own > 1, now, 0)
            now = np.where(rows.until_end > 0, again + rows.last_ns, now)
            now = np.maximum(now, taken)
            quiet = np.array_equal(now, taken)
            taken = now
        if quiet and np.array_equal(again, start):
            return start, collided, ahead, least
        start = np.maximum(again, start)
        if start.max() > LONGEST_WAIT_NS:
            break
    return np.full_like(start, -1), collided, ahead, False


def _one_pass(line: _Line) -> tuple[dict[tuple[str, str], LegDelay], bool]:
    """Bound all legs once; True when every count was already the least possible."""
    legs: dict[tuple[str, str], LegDelay] = {}
    left = _groups(line)
    least_all = True
    wanted = OFFSETS_FIRST
    while left and wanted <= OFFSETS_MOST:
        offsets = [_offsets(line, g, wanted + 1) for g in left]
        rows = _rows(line, left, [o[:-1] for o in offsets])
        start, collided, ahead, least = _solve(line, rows)
        least_all &= least
        still, row = [], 0
        for group, given in zip(left, offsets, strict=True):
            span = slice(row, row + len(given) - 1)
            row += (len(given) - 1) * (2 if group.higher else 1)
            length = slice(row - len(given) + 1, row)
            ends = start[length] + group.last_ns
            closed = np.flatnonzero(ends <= np.array(given[1:]))
            if start[span].min() < 0:
                continue
            if not len(closed):
                still.append(group)
                continue
            inside = slice(span.start, span.start + int(closed[0]) + 1)
            waits = start[inside] - rows.offset[inside]
            worst = span.start + int(waits.argmax())
            _add_legs(legs, line, group, int(waits.max()), int(collided[worst]), int(ahead[worst]))
        left = still
        wanted *= 8
    return legs, least_all and not left


def _add_legs(
    legs: dict[tuple[str, str], LegDelay],
    line: _Line,
    group: _Group,
    wait: int,
    collided: int,
    ahead: int,
) -> None:
    """Turn the worst wait of a group into the legs of its streams."""
    total = wait + group.last_ns - line.loop + line.phy
    for index in group.same:
        wire = int(line.wire[index]) + line.phy
        collision = min(collided, total - wire)
        queue = min(ahead, total - wire - collision)
        legs[line.keys[index]] = LegDelay(
            queue, total - wire - collision - queue, wire, collision, total
        )
