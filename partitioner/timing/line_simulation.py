"""One PLCA line, simulated event by event.

Time advances over what happens on the line: a transmit opportunity (TO) that is used, the start of
a frame's bits, its end, the end of a burst's hold. Runs of silent TOs and BEACONs are skipped by
arithmetic, so an idle line costs nothing; the instants are still those of the bit times.

Each node is a MAC with its PLCA reconciliation layer, as the state diagrams of IEEE Std 802.3
Clause 148 describe them, in our own reduction:

- A MAC takes a frame when it is free, waits until the carrier it sees has been off for the gap,
  and starts. It sees no carrier while another node holds the line with COMMIT, and does not look
  in the last third of its gap.
- Its bits go into the delay line. If its TO comes while they are there, they go out at once.
- If another node commits or sends first, or the delay line fills, a collision is reported to the
  MAC: preamble and jam run out, and for the pending timer the node asks for nothing. Then it is
  pending until its TO, commits, and the MAC sends after its gap.
- With ``logical_collision`` off a node is pending from the arrival on, and commits in its TO.

Nothing is shared with the analyses but the constants.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from heapq import heappop, heappush
from random import Random
from typing import Generic, TypeVar

from partitioner.model.problem import QueueOrder
from partitioner.timing import constants as c
from partitioner.timing.line import LineSettings

NEVER = 1 << 62

Payload = TypeVar("Payload")
Frame = tuple[int, int, Payload]
"""Length in bytes, PCP, and what the caller wants back when it is delivered."""
Schedule = Callable[[int, Callable[[int], None]], None]
"""``schedule(time, action)`` asks that ``action(time)`` be called when that time has come."""


class SimulatedNode(Generic[Payload]):
    """MAC and queue of one sender. ``frame`` is the frame the MAC has taken."""

    __slots__ = (
        "attempt",
        "burst_count",
        "burst_left",
        "frame",
        "pcp_order",
        "pending",
        "plca_id",
        "queue",
        "ready",
    )

    def __init__(self, plca_id: int, order: QueueOrder, burst_count: int):
        self.plca_id = plca_id
        self.pcp_order = order is QueueOrder.PCP
        self.burst_count = burst_count
        self.burst_left = 0
        self.queue: list[tuple[int, int, Frame[Payload]]] = []
        self.frame: Frame[Payload] | None = None
        self.ready = 0
        self.attempt = 0
        """When the MAC starts on its own, NEVER while it defers to a carrier."""
        self.pending = NEVER
        """After a collision: from when on the node is pending."""


class SimulatedLine(Generic[Payload]):
    """A line; ``deliver(time, frame)`` tells what it has carried.

    ``vary`` draws each loop delay between half of the longest and the longest.
    """

    def __init__(
        self,
        node_count: int,
        settings: LineSettings,
        schedule: Schedule,
        deliver: Callable[[int, Frame[Payload]], None],
        vary: Random | None,
    ):
        bit = settings.bit_ns
        self.count = node_count
        self.plain = settings.logical_collision
        self.to = settings.to_timer_bt * bit
        self.gap = c.IPG_BT * bit
        self.deaf = c.IPG_DEAF_BT * bit
        self.preamble = c.PREAMBLE_SFD_BT * bit
        self.byte = 8 * bit
        self.esd = c.ESD_BT * bit
        self.jam = c.JAM_BT * bit
        self.backoff = c.PENDING_TIMER_BT * bit
        self.delay_line = settings.delay_line_bt * bit
        self.hold = settings.burst_timer_bt * bit
        self.beacon = c.BEACON_BT * bit
        self.loop = self.loop_most = settings.loop_delay_ns
        self.after = settings.phy_ns + settings.propagation_ns
        self.schedule = schedule
        self.deliver = deliver
        self.vary = vary
        self.version = 0
        self.sequence = 0
        self.ref_time = self.beacon + self.loop
        self.ref_id = 0
        self.busy = False
        self.action: Callable[[SimulatedNode[Payload], int], None]
        self.node: SimulatedNode[Payload]
        self.sender: SimulatedNode[Payload] | None = None
        self.commit_start = 0
        self.carrier_off = -NEVER
        self.data_start = -NEVER
        self.frame_end = 0
        self.in_data = False
        self.waiting: dict[int, SimulatedNode[Payload]] = {}

    # -- arrivals ---------------------------------------------------------------------------

    def arrive(self, node: SimulatedNode[Payload], frame: Frame[Payload], now: int) -> None:
        """Put a frame into a node's queue."""
        self.sequence += 1
        rank = -frame[1] if node.pcp_order else 0
        heappush(node.queue, (rank, self.sequence, frame))
        if node.frame is not None:
            return
        self._take(node, now)
        if not self.busy:
            self._plan(now)
        elif node is self.sender:  # its last burst frame is out and it holds the line
            self._burst_goes_on(node, now)

    def _take(self, node: SimulatedNode[Payload], now: int) -> None:
        """Let the MAC take the next frame, if there is one."""
        if not node.queue:
            node.frame = None
            self.waiting.pop(node.plca_id, None)
            return
        node.frame = heappop(node.queue)[2]
        node.ready = now
        node.pending = NEVER
        node.attempt = max(now, self.carrier_off + self.gap)
        if self.in_data and node is not self.sender:
            in_gap = now < self.carrier_off + self.gap <= self.data_start + self.deaf
            if self.plain and in_gap:
                node.pending = self._collided(node, node.attempt)
            else:
                node.attempt = NEVER
        self.waiting[node.plca_id] = node

    # -- transmit opportunities -------------------------------------------------------------

    def _own_start(self, plca_id: int, earliest: int) -> int:
        """First start of a node's TO, at ``earliest`` or later, if the line stays silent."""
        ahead = plca_id - self.ref_id
        start = self.ref_time + ahead * self.to
        cycle = self.count * self.to + self.beacon + self.loop
        if ahead < 0:
            start += cycle
        if start < earliest:
            start += -(-(earliest - start) // cycle) * cycle
        return start

    def _plan(self, now: int) -> None:
        """Find the next TO that will be used if nothing else arrives."""
        self.version += 1
        best = NEVER
        chosen: SimulatedNode[Payload] | None = None
        for node in self.waiting.values():
            start = self._used_start(node, now)
            if start < best:
                best, chosen = start, node
        if chosen is not None:
            self._at(best, self._commit, chosen)

    def _used_start(self, node: SimulatedNode[Payload], now: int) -> int:
        if not self.plain:
            return self._own_start(node.plca_id, max(node.ready, now))
        if node.pending == NEVER:
            start = self._own_start(node.plca_id, max(node.attempt, now))
            full = node.attempt + self.delay_line
            if start <= full:
                return start
            return self._own_start(node.plca_id, max(self._collided(node, full), now))
        return self._own_start(node.plca_id, max(node.pending, now))

    def _collided(self, node: SimulatedNode[Payload], instant: int) -> int:
        """When a node that collides at ``instant`` is pending again."""
        return max(node.attempt + self.preamble, instant) + self.jam + self.backoff

    # -- events -----------------------------------------------------------------------------

    def _at(
        self,
        time: int,
        action: Callable[[SimulatedNode[Payload], int], None],
        node: SimulatedNode[Payload],
    ) -> None:
        """Ask for an event of a node, in place of the one asked for before."""
        self.action, self.node = action, node
        self.schedule(time, partial(self._wake, self.version))

    def _wake(self, version: int, now: int) -> None:
        """Handle an event asked for earlier; outdated ones are ignored."""
        if version == self.version:
            self.action(self.node, now)

    def _commit(self, node: SimulatedNode[Payload], now: int) -> None:
        self.busy = True
        self.in_data = False
        self.sender = node
        node.burst_left = node.burst_count
        self.commit_start = now
        held_back = self.plain and node.pending == NEVER and now <= node.attempt + self.delay_line
        self._start_data_at(node, now if held_back else now + self.gap, now)

    def _start_data_at(self, node: SimulatedNode[Payload], start: int, now: int) -> None:
        if start == now:
            self._data(node, now)
            return
        self.version += 1
        self._at(start, self._data, node)

    def _data(self, node: SimulatedNode[Payload], now: int) -> None:
        """The frame's first bit is on the line; MACs that got in between have collided."""
        frame = node.frame
        assert frame is not None, "only nodes with a frame wait for a TO or go on with a burst"
        if self.plain:
            self._collide_others(now + self.deaf)
            for other in self.waiting.values():
                if other is not node and other.pending == NEVER:
                    other.attempt = NEVER
        self.data_start = now
        self.in_data = True
        self.version += 1
        end = now + self.preamble + frame[0] * self.byte + self.esd
        self._at(end, self._end, node)

    def _collide_others(self, until: int) -> None:
        """Nodes that start before ``until`` meet a COMMIT or a frame, or fill their delay line."""
        for other in self.waiting.values():
            if other is self.sender or other.pending != NEVER or other.attempt >= until:
                continue
            full = other.attempt + self.delay_line
            met = max(other.attempt, self.commit_start)
            other.pending = self._collided(other, min(full, met))

    def _end(self, node: SimulatedNode[Payload], now: int) -> None:
        frame = node.frame
        assert frame is not None, "the MAC keeps its frame until it is out"
        if self.vary is not None:
            self.loop = self.vary.randint(self.loop_most // 2, self.loop_most)
        self.in_data = False
        self.frame_end = self.commit_start = now
        self.carrier_off = now + self.loop
        self._take(node, now)
        node.attempt = now + self.gap
        for other in self.waiting.values():
            if other.attempt == NEVER:  # it deferred to the frame
                other.attempt = self.carrier_off + self.gap
        self.deliver(now + self.after, frame)
        if not node.burst_left:
            self._next_opportunity(node, now)
            return
        self.version += 1
        self._at(now + self.hold, self._over, node)
        if node.frame is not None:
            self._burst_goes_on(node, now)

    def _burst_goes_on(self, node: SimulatedNode[Payload], now: int) -> None:
        """Send one more frame in the same TO if the MAC is ready before the hold is over."""
        start = max(now, self.frame_end + self.gap)
        if start > self.frame_end + self.hold:
            return
        node.burst_left -= 1
        self.version += 1
        self._at(start, self._data, node)

    def _over(self, node: SimulatedNode[Payload], now: int) -> None:
        """Give the TO up after the hold; who started during the COMMIT has collided."""
        self.carrier_off = now + self.loop
        if self.plain:
            self._collide_others(now)
        self._next_opportunity(node, now)

    def _next_opportunity(self, node: SimulatedNode[Payload], now: int) -> None:
        self.ref_time = now + self.loop
        self.ref_id = node.plca_id + 1
        if self.ref_id == self.count:
            self.ref_time += self.beacon + self.loop
            self.ref_id = 0
        self.busy = False
        self.sender = None
        self._plan(now)
