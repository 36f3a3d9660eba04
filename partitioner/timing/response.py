"""Response-time analysis of a shared PLCA line: busy window and fixed point.

For every node (and, with PCP order, every priority class of it) take the busy window that starts
when the node's queue was last empty. A frame that arrives ``x`` after that start is sent after the
frames of its own node that came before it, in as many transmit opportunities (TO) as they need.
What the other nodes send meanwhile is bounded twice, and the smaller count is used: by the number
of rounds (each TO carries at most ``1 + burst_count`` frames), and by what can be around for them.
The window and the counts depend on each other: the least fixed point is the bound, and its
largest value over all arrivals ``x`` inside the busy window counts.

What another node still holds when the window opens is counted through how long a frame can live
there, which is again a result of this analysis. The lives start at nothing and grow until they
agree with the results; from then on "no frame lives longer" is proved by induction over time.

The proof sketch with every assumption is in ``docs/explanation/timing.md``. No code is shared
with the simulation, and with the linear bound only what a single TO costs.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, pairwise
from operator import attrgetter

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

PASSES_MOST = 40
"""Rounds in which the lives may grow; after that the lives are the linear bound or the windows."""
OFFSETS_MOST = 100
"""Arrivals looked at in one busy window; beyond, the window counts as open (no own bound)."""
STEPS_MOST = 500


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
    if linear.overload and not linear.legs:
        return linear
    own = busy_window_bound(nodes, node_count, settings, linear.legs)
    legs = dict(linear.legs)
    for key, found in own.items():
        if key not in legs or found.total_ns < legs[key].total_ns:
            legs[key] = found
    complete = len(legs) == sum(len(n.flows) for n in nodes)
    return LineBound(linear.cycle_ns, linear.load_ppm, None if complete else linear.overload, legs)


def busy_window_bound(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    ceilings: dict[tuple[str, str], LegDelay] | None = None,
) -> dict[tuple[str, str], LegDelay]:
    """Busy-window bound of the legs alone.

    ``ceilings`` are other sound bounds of legs, by (node id, flow id): no life needs to be taken
    longer than they say. Legs whose busy window does not close are missing.
    """
    senders = [n for n in nodes if n.flows]
    if not senders:
        return {}
    line = _Line(senders, node_count, settings)
    most = [f.window_ns for f in line.flows]
    for index, key in enumerate(line.keys):
        if ceilings and key in ceilings:
            most[index] = min(most[index], ceilings[key].total_ns)
    groups = [g for node in range(len(senders)) for g in _groups(line, node)]
    waits: list[_Wait | None] = [None] * len(groups)
    slacks = [-1] * len(groups)
    for attempt in range(PASSES_MOST + 1):
        for index, group in enumerate(groups):
            known = waits[index]
            if attempt and (known is None or slacks[index] >= 0):
                continue  # no count it rests on has changed
            waits[index] = found = _longest_wait(line, group, known)
            slacks[index] = -1 if found is None else found.slack_ns
        lives = list(most)
        if attempt < PASSES_MOST - 1:
            for group, wait in zip(groups, waits, strict=True):
                if wait is not None:
                    total = line.total(group, wait)
                    for flow in group.same:
                        if total < most[flow]:
                            lives[flow] = total
        grown = line.lengthen(lives)
        if not grown:
            break
        slacks = [slack - grown for slack in slacks]
    legs: dict[tuple[str, str], LegDelay] = {}
    for group, wait in zip(groups, waits, strict=True):
        if wait is not None:
            for flow in group.same:
                legs[line.keys[flow]] = line.leg(flow, group, wait)
    return legs


@dataclass(frozen=True, slots=True)
class _Group:
    """A node's queue (FIFO) or one priority class of it; flows by index.

    ``low_ns`` is the longest TO of a lower frame that may be in the MAC already (0: none),
    ``last_ns`` the shortest TO of the class: the last frame's own.
    """

    node: int
    same: tuple[int, ...]
    higher: tuple[int, ...]
    low_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True)
class _Wait:
    """Longest time from a frame's arrival to the start of its TO, and what it is made of."""

    wait_ns: int
    collision_ns: int
    ahead_ns: int
    first_start_ns: int
    """Start for the first arrival of the window: the next search may begin there."""
    slack_ns: int
    """While lives grow by no more than this, no count changes."""


def _groups(line: _Line, node: int) -> list[_Group]:
    flows = range(line.first[node], line.first[node + 1])
    if line.senders[node].queue is QueueOrder.FIFO:
        return [_Group(node, tuple(flows), (), 0, min(line.slot[j] for j in flows))]
    groups = []
    for pcp in sorted({line.flows[j].pcp for j in flows}, reverse=True):
        same = tuple(j for j in flows if line.flows[j].pcp == pcp)
        higher = tuple(j for j in flows if line.flows[j].pcp > pcp)
        low = max((line.slot[j] for j in flows if line.flows[j].pcp < pcp), default=0)
        groups.append(_Group(node, same, higher, low, min(line.slot[j] for j in same)))
    return groups


class _Line:
    """A line with its flows sorted by node, within a node by length, longest first."""

    def __init__(self, senders: list[LineNode], node_count: int, settings: LineSettings):
        self.senders = senders
        lone = settings.burst_timer_bt <= IPG_BT
        timer = settings.burst_timer_bt * settings.bit_ns
        self.silent = silent_ns(settings)
        self.wider = wider_gap_ns(settings)
        self.burst_hold = timer
        self.round_rest = start_ns(settings) + (node_count - 1) * self.silent
        self.miss = miss_ns(settings)
        self.loop = settings.loop_delay_ns
        self.phy = settings.phy_ns + settings.propagation_ns
        self.late = max(0, self.loop - self.phy)  # a TO may end after the delivery
        self.bit = settings.bit_ns
        self.flows, self.keys, self.first, self.slot = [], [], [0], []
        self.bits: list[int] = []
        self.per_round: list[int] = []
        empty_slot = slot_ns(0, settings)
        empty_bits = PREAMBLE_SFD_BT + ESD_BT
        for sender in senders:
            extra = timer if lone and sender.burst_count else 0
            for f in sorted(sender.flows, key=attrgetter("frame_bytes"), reverse=True):
                self.flows.append(f)
                self.keys.append((sender.id, f.id))
                self.slot.append(empty_slot + 8 * f.frame_bytes * self.bit + extra)
                self.bits.append((empty_bits + 8 * f.frame_bytes) * self.bit)
            self.first.append(len(self.flows))
            self.per_round.append(1 if lone else 1 + sender.burst_count)
        self.period = [f.period_ns for f in self.flows]
        self.arrival_jitter = [f.jitter_ns + min(f.inherited_ns, f.window_ns) for f in self.flows]
        self.born = [f.window_ns + f.jitter_ns + self.late for f in self.flows]
        self.life = [0] * len(self.flows)
        self.around = [0] * len(self.flows)
        costs = [slot - self.silent for slot in self.slot]
        rows = list(zip(self.period, costs, strict=True))
        self.node_rows = [rows[a:b] for a, b in pairwise(self.first)]
        self.node_around = [self.around[a:b] for a, b in pairwise(self.first)]
        self.sums = [[0, *accumulate(cost for _, cost in flows)] for flows in self.node_rows]
        """By node: what its longest flows take with one frame each, by their number."""
        self.until: list[tuple[int, int]] = []
        """By node: up to which window none of its flows can have a second frame around."""
        self.alone_cost: dict[int, list[tuple[int, int]]] = {}
        self.lengthen([s + self.phy for s in self.slot])
        self.collision = collision_ns(node_count, settings)
        first = not_pending_ns(hold_ns(node_count, settings), settings)
        largest = empty_slot + 8 * max(f.frame_bytes for f in self.flows) * self.bit
        self.first_time = deferral_ns(largest, node_count, settings)
        self.first_idle = first + self.silent - IPG_BT * self.bit - self.collision

    # -- lives ------------------------------------------------------------------------------

    def lengthen(self, lives: list[int]) -> int:
        """Let frames live longer in their nodes, to the delivery; by how much that matters."""
        self.life = [max(new, old) for new, old in zip(lives, self.life, strict=True)]
        before = self.around
        # What is sent before an instant has arrived at least its own bits before that instant.
        self.around = [
            min(life + self.late + jitter, born) - bits
            for life, jitter, born, bits in zip(
                self.life, self.arrival_jitter, self.born, self.bits, strict=True
            )
        ]
        # Up to these windows no flow of the node can have a second frame around.
        self.node_around = [self.around[a:b] for a, b in pairwise(self.first)]
        gaps = [t - around for t, around in zip(self.period, self.around, strict=True)]
        self.until = sorted((min(gaps[a:b]), k) for k, (a, b) in enumerate(pairwise(self.first)))
        return max(new - old for new, old in zip(self.around, before, strict=True))

    # -- what others send -------------------------------------------------------------------

    def others(self, node: int, window: int, rounds: int) -> tuple[int, int, int]:
        """Time other nodes take in a window, and how much they can take beyond the rounds.

        The third value is a window, not shorter, up to which both stay the same. The silent TOs
        that the frames replace are taken off. As many frames count as can be around, inside the
        rounds no more than the rounds allow, the longest first.
        """
        alone = self.alone_cost.get(rounds)
        if alone is None:
            rows = [self._node_alone(k, rounds) for k in range(len(self.senders))]
            sums = sum(r[0] for r in rows), sum(r[1] for r in rows)
            alone = self.alone_cost[rounds] = [*rows, sums]
        inside, everything = alone[-1]
        own_inside, own_everything = alone[node]
        inside -= own_inside
        everything -= own_everything
        same_for = LONGEST_WAIT_NS
        for until, k in self.until:
            if window <= until:
                same_for = min(same_for, until - window)
                break
            if k != node:
                more_inside, more, rest = self._node(k, window, rounds)
                inside += more_inside - alone[k][0]
                everything += more - alone[k][1]
                if rest < same_for:
                    same_for = rest
        return inside, everything - inside, window + same_for

    def _node_alone(self, node: int, rounds: int) -> tuple[int, int]:
        """One frame of each flow: inside the rounds, and in all."""
        sums = self.sums[node]
        flows = len(sums) - 1
        sent = min(rounds * self.per_round[node], flows)
        if self.per_round[node] == 1:
            return sums[sent], sums[flows]
        inside = sums[sent] + self._burst_extra(node, sent, rounds)
        return inside, max(inside, sums[flows] + flows * self.burst_hold)

    def _node(self, node: int, window: int, rounds: int) -> tuple[int, int, int]:
        """What one node takes in a window: inside the rounds, in all, and until what growth."""
        size = self.per_round[node]
        room = limit = rounds * size
        inside = everything = frames = 0
        same_for = LONGEST_WAIT_NS
        for around, (period, cost) in zip(
            self.node_around[node], self.node_rows[node], strict=True
        ):
            span = window + around
            count = -(-span // period)
            rest = count * period - span
            if rest < same_for:
                same_for = rest
            if count <= 0:
                continue
            frames += count
            everything += count * cost
            if count <= room:
                room -= count
                inside += count * cost
            elif room:
                inside += room * cost
                room = 0
        if size > 1:
            inside += self._burst_extra(node, limit - room, rounds)
            everything += frames * self.burst_hold
            inside = min(inside, everything)
        return inside, everything, same_for

    def _burst_extra(self, node: int, frames: int, rounds: int) -> int:
        """Wider gaps, holds of bursts that end early, and silent TOs that bursts do not replace."""
        size = self.per_round[node]
        used = -(-frames // size)
        partly = min(frames, rounds, size * rounds - frames)
        return (frames - used) * (self.wider + self.silent) + partly * self.burst_hold

    # -- one busy window ---------------------------------------------------------------------

    def start(self, group: _Group, own: int, ahead: int, window: int) -> tuple[int, int, int, int]:
        """Start of the TO of the last of ``own`` frames if others send for ``window``.

        Gives the start, the part of logical collisions, the own frames' part, and up to which
        window they stay the same.
        """
        size = self.per_round[group.node]
        if size > 1:
            largest = self.slot[self.first[group.node]] + self.wider
            ahead += (own - 1) * self.wider + min(own, size) * largest - largest
        rounds = -(-own // size)
        cost, beyond, until = self.others(group.node, window, rounds)
        collided = 0
        if self.collision:
            collided = rounds * self.collision + min(self.first_time, self.first_idle + beyond)
        begin = self.miss + rounds * self.round_rest + cost + collided + ahead
        return begin, collided, ahead, until

    def total(self, group: _Group, wait: _Wait) -> int:
        """Delay from the arrival to the last bit received."""
        return wait.wait_ns + group.last_ns - self.loop + self.phy

    def leg(self, flow: int, group: _Group, wait: _Wait) -> LegDelay:
        """Parts of the delay of one flow."""
        total = self.total(group, wait)
        wire = self.bits[flow] + self.phy
        collided = min(wait.collision_ns, total - wire)
        queue = min(wait.ahead_ns, total - wire - collided)
        return LegDelay(queue, total - wire - collided - queue, wire, collided, total)


def _longest_wait(line: _Line, group: _Group, known: _Wait | None) -> _Wait | None:
    """Longest wait of a group over all arrivals in its busy window; None if it stays open."""
    start = first_start = known.first_start_ns if known else 0
    offset, slack = 0, LONGEST_WAIT_NS
    best: tuple[int, int, int] | None = None
    for number in range(OFFSETS_MOST):
        own, own_ns = int(group.low_ns > 0), group.low_ns
        following = LONGEST_WAIT_NS
        for j in group.same:
            arrived = (offset + line.arrival_jitter[j]) // line.period[j] + 1
            own += arrived
            own_ns += arrived * line.slot[j]
            following = min(following, arrived * line.period[j] - line.arrival_jitter[j])
        found = _settle(line, group, own, own_ns, start)
        if found is None:
            return None
        start, collided, ahead, end, spare = found
        slack = min(slack, spare)
        if number == 0:
            first_start = start
        if best is None or start - offset > best[0]:
            best = start - offset, collided, ahead
        if end <= following:
            return _Wait(*best, first_start, slack)
        offset = following
    return None


def _settle(
    line: _Line, group: _Group, own: int, own_ns: int, start: int
) -> tuple[int, int, int, int, int] | None:
    """Least fixed point for ``own`` frames.

    Gives start, collisions, own part, end of the window, and by how much lives may grow without
    changing anything. The search begins at ``start``, which must not be above the fixed point.
    """
    if group.higher:
        return _settle_with_higher(line, group, own, own_ns, start)
    ahead_ns = own_ns - group.last_ns
    for _ in range(STEPS_MOST):
        again, collided, ahead, until = line.start(group, own, ahead_ns, start)
        if again <= until:  # nothing changes between the two
            start = max(start, again)
            return start, collided, ahead, start + group.last_ns, until - start
        start = again
        if start > LONGEST_WAIT_NS:
            break
    return None


def _settle_with_higher(
    line: _Line, group: _Group, own: int, own_ns: int, start: int
) -> tuple[int, int, int, int, int] | None:
    """Like :func:`_settle`; higher frames come until the MAC takes the last frame.

    It takes it when the frame before is out. The window itself lasts until no frame of the class
    or above is left.
    """
    taken, slack = 0, LONGEST_WAIT_NS
    for _ in range(STEPS_MOST):
        more, more_ns = _higher(line, group, taken)
        count, ahead_ns = own + more, own_ns + more_ns - group.last_ns
        again, until = 0, LONGEST_WAIT_NS
        if count > 1:
            # Up to the end of the frame before: one frame, and its own time ahead, less.
            again, _, _, until = line.start(group, count - 1, ahead_ns, taken)
        if again <= taken:
            slack = min(slack, until - taken)
            break
        taken = again
        if taken > LONGEST_WAIT_NS:
            return None
    else:
        return None
    for _ in range(STEPS_MOST):
        again, collided, ahead, until = line.start(group, count, ahead_ns, start)
        if again <= until:
            start = max(start, again)
            slack = min(slack, until - start)
            break
        start = again
        if start > LONGEST_WAIT_NS:
            return None
    else:
        return None
    end = start + group.last_ns
    for _ in range(STEPS_MOST):
        more, more_ns = _higher(line, group, end)
        ahead_ns = own_ns + more_ns - group.last_ns
        again, _, _, until = line.start(group, own + more, ahead_ns, end)
        again += group.last_ns
        if again <= end:
            return start, collided, ahead, end, min(slack, until - end)
        end = again
        if end > LONGEST_WAIT_NS:
            return None
    return None


def _higher(line: _Line, group: _Group, window: int) -> tuple[int, int]:
    """Frames of higher classes that can have arrived by ``window``, and their TOs' time."""
    count = time = 0
    for j in group.higher:
        arrived = (window + line.arrival_jitter[j]) // line.period[j] + 1
        count += arrived
        time += arrived * line.slot[j]
    return count, time
