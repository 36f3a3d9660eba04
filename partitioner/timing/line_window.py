"""What can be sent on a PLCA line while a frame waits: the counts of the response-time analysis.

Own frames of a queue are counted by their arrivals (:class:`Queue`). What the other nodes send
meanwhile (:meth:`Line.others`) is bounded twice, by the number of rounds and by what can be around
for them. A count is a step function of the window: it comes with a window up to which it stays the
same, so that nobody asks again before.

How the counts are put together: :mod:`partitioner.timing.response`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from operator import attrgetter
from typing import NamedTuple

from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import ESD_BT, IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.line import (
    LONGEST_WAIT_NS,
    LineFlow,
    LineNode,
    LineSettings,
    collision_ns,
    deferral_ns,
    hold_ns,
    miss_ns,
    not_pending_ns,
    silent_ns,
    slot_ns,
    start_ns,
    wider_gap_ns,
)

Arrivals = list[tuple[int, int, int]]
"""Of each flow of some: jitter of its arrivals, its period and its longest TO, in ns."""


@dataclass(slots=True)
class Queue:
    """A node's queue (FIFO) or one priority class of it; flows by index, longest first.

    ``low_ns`` is the longest TO of a lower frame that may be in the MAC already (0: none),
    ``last_ns`` the shortest TO of the class: the last frame's own.
    """

    node: int
    flows: Sequence[int]
    arrivals: Arrivals
    higher: Arrivals
    low_ns: int
    last_ns: int
    _steps: list[tuple[int, int, int]] = field(default_factory=list)

    def step(self, number: int) -> tuple[int, int, int]:
        """For the arrival with this number: own frames until then, their TOs' time, next arrival.

        The first arrival, number 0, is at 0; arrivals are asked for in order.
        """
        if number == len(self._steps):
            at = self._steps[-1][2] if number else 0
            own, own_ns = int(self.low_ns > 0), self.low_ns
            following = LONGEST_WAIT_NS
            for jitter, period, slot in self.arrivals:
                arrived = (at + jitter) // period + 1
                own += arrived
                own_ns += arrived * slot
                after = arrived * period - jitter
                if after < following:
                    following = after
            self._steps.append((own, own_ns, following))
        return self._steps[number]

    def higher_until(self, window: int) -> tuple[int, int]:
        """Frames of higher classes that can have arrived by ``window``, and their TOs' time."""
        count = time = 0
        for jitter, period, slot in self.higher:
            arrived = (window + jitter) // period + 1
            count += arrived
            time += arrived * slot
        return count, time


class _Alone(NamedTuple):
    """What nodes take in a number of rounds with one frame of each flow, by node and in all.

    ``inside_ns`` fits into the rounds, ``beyond_ns`` is left over. From the window ``full_from_ns``
    on so much of the others is left over that the first frame suffers all that it can.
    """

    inside_ns: list[int]
    beyond_ns: list[int]
    all_inside_ns: int
    all_beyond_ns: int
    full_from_ns: list[int]


class Line:
    """A line with its flows sorted by node, within a node by length, longest first.

    ``ceilings_ns``: by (node id, flow id), other bounds that no life needs to exceed.
    """

    def __init__(
        self,
        senders: list[LineNode],
        node_count: int,
        settings: LineSettings,
        ceilings_ns: dict[tuple[str, str], int],
    ):
        bit = settings.bit_ns
        lone = settings.burst_timer_bt <= IPG_BT
        self.hold = settings.burst_timer_bt * bit
        self.silent = silent_ns(settings)
        self.wider = wider_gap_ns(settings)
        self.beside_frame = max(self.hold, self.wider + self.silent)
        """Most that a burst adds to the TO of a frame, which ends the burst early, or comes after a
        wider gap and replaces no silent TO."""
        self.miss = miss_ns(settings)
        self.phy = phy = settings.phy_ns + settings.propagation_ns
        self.beside_to = phy - settings.loop_delay_ns
        """From the end of a TO to the delivery."""
        self.collision = collision_ns(node_count, settings)
        self.round = start_ns(settings) + (node_count - 1) * self.silent + self.collision
        empty_slot = slot_ns(0, settings)
        empty_bits = (PREAMBLE_SFD_BT + ESD_BT) * bit
        late = max(0, -self.beside_to)  # a TO may end after the delivery
        self.first = [0]
        self.size: list[int] = []
        """By node: the most frames it sends in one TO."""
        self.keys: list[tuple[str, str]] = []
        self.bits: list[int] = []
        self.arrivals: Arrivals = []
        self.beside: list[int] = []
        """By flow: how long before an instant a frame that is sent then can have come, less its
        life. What is sent before an instant has arrived at least its own bits before that."""
        self.most: list[int] = []
        """By flow: the same with the longest life."""
        self.rows: list[list[int]] = []
        """By flow: the same with the life taken now; its period; cost of its TO over a silent one.
        """
        self.queues: list[Queue] = []
        by_length = attrgetter("frame_bytes")
        for node, sender in enumerate(senders):
            flows = sorted(sender.flows, key=by_length, reverse=True)
            extra = empty_slot + (self.hold if lone and sender.burst_count else 0)
            for f in flows:
                key = sender.id, f.id
                data = 8 * f.frame_bytes * bit
                slot, bits = extra + data, empty_bits + data
                jitter, window, inherited = f.jitter_ns, f.window_ns, f.inherited_ns
                floor = slot + phy  # no frame is gone before it is sent
                most = late - bits + jitter + (window if window > floor else floor)
                jitter += inherited if inherited < window else window
                beside = late - bits + jitter
                life = ceilings_ns.get(key, window)
                if life < floor:
                    life = floor
                if life + beside < most:
                    most = life + beside
                around = floor + beside if floor + beside < most else most
                self.keys.append(key)
                self.bits.append(bits)
                self.arrivals.append((jitter, f.period_ns, slot))
                self.beside.append(beside)
                self.most.append(most)
                self.rows.append([around, f.period_ns, slot - self.silent])
            self.size.append(1 if lone else 1 + sender.burst_count)
            self._add_queues(node, flows, sender.queue)
            self.first.append(len(self.keys))
        self.node_rows = [self.rows[a:b] for a, b in pairwise(self.first)]
        self.first_time = self.first_idle = 0
        if self.collision:
            longest = empty_slot + 8 * max(f.frame_bytes for n in senders for f in n.flows) * bit
            first = not_pending_ns(hold_ns(node_count, settings), settings)
            self.first_time = deferral_ns(longest, node_count, settings)
            self.first_idle = first + self.silent - IPG_BT * bit - self.collision
        self.sums = [[0, *accumulate(cost for _, _, cost in rows)] for rows in self.node_rows]
        """By node: what its longest flows take with one frame each, by their number."""
        self.has_bursts = max(self.size) > 1
        self._alone_by_rounds: dict[int, _Alone] = {}
        self.gaps = sorted([(self._gap(k), k) for k in range(len(senders))])
        """Up to which window no flow of a node can have a second frame around, and the node."""
        self.lengthen([(queue, self._least_life(queue)) for queue in self.queues])

    def _add_queues(self, node: int, flows: list[LineFlow], order: QueueOrder) -> None:
        begin, end = self.first[node], len(self.keys)
        if order is QueueOrder.FIFO or len(flows) == 1:
            own = self.arrivals[begin:end]
            self.queues.append(Queue(node, range(begin, end), own, [], 0, own[-1][2]))
            return
        for pcp in sorted({f.pcp for f in flows}, reverse=True):
            same = [j for j, f in enumerate(flows, begin) if f.pcp == pcp]
            own = [self.arrivals[j] for j in same]
            higher = [self.arrivals[j] for j, f in enumerate(flows, begin) if f.pcp > pcp]
            lower = [self.arrivals[j][2] for j, f in enumerate(flows, begin) if f.pcp < pcp]
            self.queues.append(Queue(node, same, own, higher, max(lower, default=0), own[-1][2]))

    # -- lives ------------------------------------------------------------------------------

    def life(self, queue: Queue, wait_ns: int) -> int:
        """Delay from the arrival to the last bit received, for a wait until the last TO."""
        return wait_ns + queue.last_ns + self.beside_to

    def _least_life(self, queue: Queue) -> int:
        """Life that no other can be below: nothing comes after the first instant."""
        own, own_ns, _ = queue.step(0)
        more, more_ns = queue.higher_until(0)
        opening, rounds, _ = self.opening(queue, own + more, own_ns + more_ns)
        cost, first, _ = self.others(queue.node, 0, rounds)
        return self.life(queue, opening + cost + first)

    def lengthen(self, lives: Iterable[tuple[Queue, int | None]]) -> list[int]:
        """Let frames live longer in their nodes, to the delivery; by how much that matters.

        Gives the most for each node. A life of None is the longest there is.
        """
        grown = [0] * len(self.size)
        for queue, life in lives:
            for j in queue.flows:
                around, row = self.most[j], self.rows[j]
                if life is not None and life + self.beside[j] < around:
                    around = life + self.beside[j]
                more = around - row[0]
                if more > 0:
                    row[0] = around
                    if more > grown[queue.node]:
                        grown[queue.node] = more
        if any(grown):
            self.gaps = sorted([(self._gap(k) if grown[k] else gap, k) for gap, k in self.gaps])
        return grown

    def _gap(self, node: int) -> int:
        return min([period - around for around, period, _ in self.node_rows[node]])

    # -- what others send -------------------------------------------------------------------

    def opening(self, queue: Queue, own: int, own_ns: int) -> tuple[int, int, int]:
        """For the last of ``own`` frames: start of its TO without others, rounds, own part."""
        ahead, rounds = own_ns - queue.last_ns, own
        size = self.size[queue.node]
        if size > 1:
            rounds = -(-own // size)
            largest = self.arrivals[self.first[queue.node]][2] + self.wider
            ahead += (own - 1) * self.wider + (min(own, size) - 1) * largest
        return self.miss + rounds * self.round + ahead, rounds, ahead

    def others(self, node: int, window: int, rounds: int) -> tuple[int, int, int]:
        """What other nodes and the first collision cost in a window and a number of rounds.

        Gives the time others take, the part of the first frame's collision, and a window, not
        shorter, up to which both stay the same. The silent TOs that the frames replace are taken
        off. As many frames count as can be around, inside the rounds no more than the rounds
        allow, the longest first.
        """
        alone = self._alone_by_rounds.get(rounds) or self._alone(rounds)
        alone_inside, alone_beyond, inside, beyond, full_from = alone
        inside -= alone_inside[node]
        beyond -= alone_beyond[node]
        full = window >= full_from[node]
        until = window + LONGEST_WAIT_NS
        sizes, node_rows = self.size, self.node_rows
        for same_until, k in self.gaps:
            if window <= same_until:
                if same_until < until:
                    until = same_until
                break
            if k == node:
                continue
            size = sizes[k]
            room = rounds * size
            brief = full and size == 1
            sent = left = frames = 0
            for around, period, cost in node_rows[k]:
                count = -(-(window + around) // period)
                if brief and count >= room:  # what the rounds do not take does not matter
                    sent += room * cost
                    break
                same_until = count * period - around
                if same_until < until:
                    until = same_until
                frames += count
                if count <= room:
                    sent += count * cost
                    room -= count
                else:
                    sent += room * cost
                    left += (count - room) * cost
                    room = 0
            if size > 1:
                everything = sent + left + frames * self.beside_frame
                sent += self._burst_extra(rounds * size - room, size, rounds)
                sent = min(sent, everything)
                left = everything - sent
            inside += sent - alone_inside[k]
            beyond += left - alone_beyond[k]
        if full or self.first_idle + beyond >= self.first_time:
            if not self.has_bursts:  # then ever more is left over the longer the window is
                full_from[node] = window
            return inside, self.first_time, until
        return inside, self.first_idle + beyond, until

    def _alone(self, rounds: int) -> _Alone:
        inside, beyond = [], []
        for size, sums in zip(self.size, self.sums, strict=True):
            frames = rounds * size
            if frames >= len(sums):
                frames = len(sums) - 1
            sent, everything = sums[frames], sums[-1]
            if size > 1:
                sent += self._burst_extra(frames, size, rounds)
                everything += (len(sums) - 1) * self.beside_frame
                sent = min(sent, everything)
            inside.append(sent)
            beyond.append(everything - sent)
        full_from = [2 * LONGEST_WAIT_NS if self.collision else 0] * len(self.size)
        alone = _Alone(inside, beyond, sum(inside), sum(beyond), full_from)
        self._alone_by_rounds[rounds] = alone
        return alone

    def _burst_extra(self, frames: int, size: int, rounds: int) -> int:
        """Wider gaps, holds of bursts that end early, and silent TOs that bursts do not replace."""
        used = -(-frames // size)
        partly = min(frames, rounds, size * rounds - frames)
        return (frames - used) * (self.wider + self.silent) + partly * self.hold
