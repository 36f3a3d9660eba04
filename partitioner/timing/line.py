"""Linear bound of a shared PLCA line: fast, safe, built from sums and maxima.

A frame that waits in a node is served in one of the node's transmit opportunities (TO), one or
``1 + burst_count`` frames per cycle. With at most ``Q`` frames of the node to serve, the frame
itself included, its delay to the last receiver is at most::

    rounds * (C + K) + deferral + partial + miss + phy + propagation
    rounds = ceil(Q / (1 + burst_count))

- ``C`` (:func:`cycle_ns`): the longest cycle. BEACON, one loop delay, and for every node ID its
  longest TO.
- ``K`` (:func:`collision_ns`): what a logical collision of a plain half-duplex MAC can cost each
  frame; ``deferral`` (:func:`deferral_ns`): what it can cost the first one besides. Both are 0
  when switched off.
- ``partial`` (:func:`partial_ns`): own frames at the end of a burst under way; 0 without bursts.
- ``miss`` (:func:`miss_ns`): the frame came just after its own TO was given up and pays that
  silent TO too.
- ``Q`` (:func:`frames_ahead`): at any instant the frames of stream j that wait were released
  within the last ``window + jitter``, so there are at most ``ceil((window + jitter) / period)``
  of them, as long as no frame lives longer than its window. An assessment of a whole layout
  proves that by induction over time.

Every term grows with every device, stream and byte added, so the bound may be used while a line
is being built. The arithmetic helpers work on numpy integer arrays as well as on integers.

Sources of the figures: :mod:`partitioner.timing.constants`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from partitioner.model.problem import Problem, QueueOrder
from partitioner.timing.constants import (
    BEACON_BT,
    DELAY_LINE_MOST_BT,
    ESD_BT,
    IPG_BT,
    JAM_BT,
    PENDING_TIMER_BT,
    PREAMBLE_SFD_BT,
    TIMER_TOLERANCE_NS,
)
from partitioner.units import BT_NS, PPM, UM_PER_M, ceil_div

FIXED_POINT_STEPS = 10_000
"""A fixed point that takes more steps than this is declared an overload."""
LONGEST_WAIT_NS = 60_000_000_000
"""A wait above this (one minute) is declared an overload: no layout waits so long on purpose."""


@dataclass(frozen=True, slots=True)
class LineFlow:
    """One stream as a node of a line sends it.

    ``jitter_ns`` is the release jitter at the stream's source. ``window_ns`` is the assumed
    longest time from release to full delivery at the last destination: the deadline, or more
    when the stream is late. ``inherited_ns`` is by how much the way from the source to this node
    varies (0 at the source itself; ``window_ns`` is always safe); only the response-time analysis
    uses it. ``pcp`` is the 802.1Q priority 0..7.
    """

    id: str
    frame_bytes: int
    period_ns: int
    jitter_ns: int
    window_ns: int
    pcp: int = 0
    inherited_ns: int = 0


@dataclass(frozen=True, slots=True)
class LineNode:
    """One sender on a line: a device, or the switch port (PLCA ID 0)."""

    id: str
    flows: tuple[LineFlow, ...]
    queue: QueueOrder = QueueOrder.FIFO
    burst_count: int = 0


@dataclass(frozen=True, slots=True)
class LineSettings:
    """What all nodes of a line have in common.

    ``loop_delay_ns``: longest time from the end of a transmission until every node has seen the
    carrier go off, propagation included. ``phy_ns``: sending plus receiving PHY.
    ``delay_line_bt``: bits of a frame a node can hold back before its TO comes.
    """

    to_timer_bt: int = 32
    burst_timer_bt: int = 128
    logical_collision: bool = True
    loop_delay_ns: int = 1_560
    phy_ns: int = 4_440
    propagation_ns: int = 0
    delay_line_bt: int = DELAY_LINE_MOST_BT
    bit_ns: int = BT_NS

    def without_cable(self) -> LineSettings:
        """The same settings on a line without length."""
        loop = self.loop_delay_ns - self.propagation_ns
        return replace(self, loop_delay_ns=loop, propagation_ns=0)


class LegDelay(NamedTuple):
    """Parts of a leg's worst-case delay in ns; ``total_ns`` is their sum."""

    queue_ns: int
    access_ns: int
    wire_ns: int
    collision_ns: int
    total_ns: int


@dataclass(frozen=True, slots=True)
class LineBound:
    """Bounds of all legs that start on one line.

    ``overload`` is None, or a sentence that names the node and the stream that cause it; legs
    without a bound are then missing from ``legs``, whose keys are (node id, flow id).
    ``load_ppm`` is the share of time the line carries frames, their gaps included.
    """

    cycle_ns: int
    load_ppm: int
    overload: str | None
    legs: dict[tuple[str, str], LegDelay]


def propagation_ns(problem: Problem, grade: str, length_um: int) -> int:
    """Time a signal takes along ``length_um`` of a grade's cable, rounded up."""
    per_m = problem.catalogue.cables[problem.catalogue.grades[grade].cable].propagation_ns_per_m
    picoseconds_per_m = ceil_div(round(per_m * 1_000_000), 1_000)
    return ceil_div(length_um * picoseconds_per_m, UM_PER_M * 1_000)


def line_settings(problem: Problem, grade: str, length_um: int) -> LineSettings:
    """Gather the settings of a line of a half-duplex grade and length.

    The propagation counts with ``length_um``: the limit of the grade for a bound that does not
    depend on the route, the real length for the tighter one.
    """
    row = problem.catalogue.grades[grade]
    along_ns = propagation_ns(problem, grade, length_um)
    return LineSettings(
        to_timer_bt=problem.plca.to_timer_bt,
        burst_timer_bt=problem.plca.burst_timer_bt,
        logical_collision=problem.plca.logical_collision,
        loop_delay_ns=row.loop_delay_max_ns + along_ns,
        phy_ns=row.phy_tx_ns + row.phy_rx_ns,
        propagation_ns=along_ns,
        bit_ns=ceil_div(1_000_000_000, row.rate_bps),
    )


def slot_ns(frame_bytes: int, settings: LineSettings, burst_count: int = 0) -> int:
    """Longest TO of a node whose largest frame is ``frame_bytes`` long.

    Per frame: gap (held as COMMIT), preamble, frame, ESD and one loop delay. Between two frames
    of a burst the gap may grow up to the burst timer. A burst that ends early holds the line for
    the burst timer once more, which is shorter than one more frame. A burst timer that is too
    short for the gap leaves one frame per TO and the hold.
    """
    bits = IPG_BT + PREAMBLE_SFD_BT + 8 * frame_bytes + ESD_BT
    one = bits * settings.bit_ns + settings.loop_delay_ns
    if settings.burst_timer_bt <= IPG_BT:
        return one + min(burst_count, 1) * settings.burst_timer_bt * settings.bit_ns
    return one + burst_count * (one + wider_gap_ns(settings))


def wider_gap_ns(settings: LineSettings) -> int:
    """By how much a gap inside a burst can exceed the MAC's own gap."""
    return max(0, settings.burst_timer_bt - IPG_BT) * settings.bit_ns


def silent_ns(settings: LineSettings) -> int:
    """Give the length of a TO in which nobody sends."""
    return settings.to_timer_bt * settings.bit_ns


def start_ns(settings: LineSettings) -> int:
    """Give what a cycle costs before its first TO: the BEACON and one loop delay."""
    return BEACON_BT * settings.bit_ns + settings.loop_delay_ns


def cycle_ns(slots_ns: Iterable[int], node_count: int, settings: LineSettings) -> int:
    """Longest cycle of a line whose senders have these longest TOs (:func:`slot_ns`).

    IDs beyond them, up to the PLCA node count, cost a silent TO each.
    """
    total, used = start_ns(settings), 0
    for slot in slots_ns:
        total += slot
        used += 1
    return total + (node_count - used) * silent_ns(settings)


def hold_ns(node_count: int, settings: LineSettings) -> int:
    """Longest time a frame sits in the delay line and its own TO has not come.

    Whichever ends first: the delay line is full, or a silent cycle has brought the own TO.
    """
    cycle = start_ns(settings) + node_count * silent_ns(settings)
    return min(settings.delay_line_bt * settings.bit_ns, cycle)


def hold_again_ns(node_count: int, settings: LineSettings) -> int:
    """Like :func:`hold_ns`, for a frame that follows another one of its node.

    Its MAC starts one gap after the own TO, so the next own TO is a silent cycle less that gap
    away; where the cycle is shorter than the gap, at most another cycle.
    """
    rest = start_ns(settings) + (node_count - 1) * silent_ns(settings)
    gap = IPG_BT * settings.bit_ns
    away = max(rest - gap, min(rest + silent_ns(settings), gap + silent_ns(settings)))
    return min(settings.delay_line_bt * settings.bit_ns, away)


def not_pending_ns(held_ns: int, settings: LineSettings) -> int:
    """From a free line to being pending again when a logical collision comes in between.

    The MAC waits its gap, fills the delay line for ``held_ns``, collides, sends the rest of its
    preamble and the jam, and asks for nothing during the pending timer.
    """
    sent = max(PREAMBLE_SFD_BT * settings.bit_ns, held_ns)
    bits = IPG_BT + JAM_BT + PENDING_TIMER_BT
    return sent + bits * settings.bit_ns + TIMER_TOLERANCE_NS


def collision_ns(node_count: int, settings: LineSettings) -> int:
    """Most that a logical collision can cost each frame of a node, in ns (0: switched off).

    The own TO may pass at any time until the node is pending again; the last one that passes
    still has to run out. What the first frame can suffer beyond: :func:`deferral_ns`. Derivation:
    ``docs/explanation/timing.md``; it is ours, not published.
    """
    if not settings.logical_collision:
        return 0
    return not_pending_ns(hold_again_ns(node_count, settings), settings) + silent_ns(settings)


def deferral_ns(largest_slot_ns: int, node_count: int, settings: LineSettings) -> int:
    """What only the first frame of a queue can suffer besides (0: no logical collision).

    Its MAC may have to let a frame of another node pass before it starts, which takes at most
    ``largest_slot_ns``, the longest TO with one frame; and it may wait longer in the delay line.
    """
    if not settings.logical_collision:
        return 0
    longer = hold_ns(node_count, settings), hold_again_ns(node_count, settings)
    first, again = (not_pending_ns(held, settings) for held in longer)
    return largest_slot_ns + first - again


def miss_ns(settings: LineSettings) -> int:
    """Give what is left of the own TO just missed: a silent one, or the own last frame's end."""
    return max(silent_ns(settings), settings.loop_delay_ns)


def rounds(frames: int, burst_count: int, settings: LineSettings) -> int:
    """TOs a node needs for ``frames`` frames.

    A burst goes on only if the MAC's gap fits into the burst timer.
    """
    if settings.burst_timer_bt <= IPG_BT:
        return frames
    return -(-frames // (1 + burst_count))


def partial_ns(frames: int, burst_count: int, slot_one_ns: int, settings: LineSettings) -> int:
    """Time of own frames that end a burst which is already running (0 without bursts).

    They use up a TO that is not counted in :func:`rounds`. ``slot_one_ns`` is the longest TO of
    the node with one frame.
    """
    if not burst_count or settings.burst_timer_bt <= IPG_BT:
        return 0
    return min(frames - 1, burst_count) * (slot_one_ns + wider_gap_ns(settings))


def leg_ns(
    rounds_needed: int, cycle: int, collision: int, settings: LineSettings, extra: int = 0
) -> int:
    """Linear bound of a leg: ``rounds * (C + K) + extra + miss + phy + propagation``.

    ``extra`` is :func:`deferral_ns` plus :func:`partial_ns`.
    """
    return (
        rounds_needed * (cycle + collision)
        + extra
        + miss_ns(settings)
        + settings.phy_ns
        + settings.propagation_ns
    )


def waiting_frames(flow: LineFlow) -> int:
    """Most frames of a stream that exist at one instant, from release to full delivery."""
    return -(-(flow.window_ns + flow.jitter_ns) // flow.period_ns)


def frames_ahead(
    node: LineNode, flow: LineFlow, service_ns: int, settings: LineSettings, deferral: int = 0
) -> int | None:
    """Frames a node sends until a frame of ``flow`` is out, that frame included.

    ``service_ns`` is the longest time per TO of the node: cycle plus collision. In a FIFO the
    count is the sum of :func:`waiting_frames`. With PCP order, frames of the same priority wait
    likewise, one lower frame may be on its way, and higher ones may come until the frame is
    taken: a fixed point. None: it does not close, the node is overloaded.
    """
    if node.queue is QueueOrder.FIFO:
        return sum([waiting_frames(f) for f in node.flows])
    same = sum([waiting_frames(f) for f in node.flows if f.pcp == flow.pcp])
    lower = any(f.pcp < flow.pcp for f in node.flows)
    frames = least = same + lower
    higher = [(f.window_ns + f.jitter_ns, f.period_ns) for f in node.flows if f.pcp > flow.pcp]
    slot_one = slot_ns(max([f.frame_bytes for f in node.flows]), settings)
    once = miss_ns(settings) + deferral
    for _ in range(FIXED_POINT_STEPS):
        wait = rounds(frames, node.burst_count, settings) * service_ns + once
        wait += partial_ns(frames, node.burst_count, slot_one, settings)
        if wait > LONGEST_WAIT_NS:
            return None
        again = least + sum([-(-(wait + window) // period) for window, period in higher])
        if again == frames:
            return frames
        frames = again
    return None


def load_ppm(nodes: Iterable[LineNode], settings: LineSettings) -> int:
    """Share of time a line carries frames, gaps and loop delays included; rounded up."""
    one = settings.bit_ns
    fixed = slot_ns(0, settings)
    scale = PPM * 1_000
    parts = 0
    for node in nodes:
        for f in node.flows:
            parts -= -(fixed + 8 * f.frame_bytes * one) * scale // f.period_ns
    return ceil_div(parts, 1_000)


def overload_sentence(nodes: Iterable[LineNode], load: int, settings: LineSettings) -> str:
    """Say that a line has more to carry than fits, and what loads it most."""
    # Ties go to the smaller ids.
    _, node_id, flow_id = min(
        (-slot_ns(f.frame_bytes, settings) * PPM // f.period_ns, node.id, f.id)
        for node in nodes
        for f in node.flows
    )
    return (
        f"the line is asked to carry {load / 10_000:.1f} % of its time; "
        f"stream {flow_id} of {node_id} is the largest part"
    )


def priced_frames_ahead(node: LineNode, flow: LineFlow) -> int:
    """Frames that the price of latency counts ahead of one of ``flow``, that frame included.

    What the node releases within one period of each stream: one frame, and one more for every
    begun period of jitter, of the own class and those above, and one lower frame. Unlike
    :func:`frames_ahead` it depends on nothing but the streams of the node.
    """
    fifo = node.queue is QueueOrder.FIFO
    frames = sum(
        1 + ceil_div(f.jitter_ns, f.period_ns) for f in node.flows if fifo or f.pcp >= flow.pcp
    )
    return frames + (not fifo and any(f.pcp < flow.pcp for f in node.flows))


def linear_bound(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings, *, priced: bool = False
) -> LineBound:
    """Linear bound of every leg on a line.

    ``nodes`` are all that have a PLCA ID, in any order; those without flows cost a silent TO. The
    PLCA node count is that set at the coordinator. Take the limit length for the propagation.
    ``priced`` counts the frames ahead by :func:`priced_frames_ahead`, whatever the windows are:
    then ``total_ns`` is what the price of latency counts, given ``settings`` without cable.

    Raises
    ------
    ValueError
        If there are more nodes than ``node_count``.
    """
    if node_count < len(nodes):
        raise ValueError("more nodes than the PLCA node count")
    senders = [n for n in nodes if n.flows]
    largest = [max([f.frame_bytes for f in n.flows]) for n in senders]
    slots_one = [slot_ns(most, settings) for most in largest]
    slots = [
        slot_ns(most, settings, n.burst_count) if n.burst_count else one
        for n, most, one in zip(senders, largest, slots_one, strict=True)
    ]
    cycle = cycle_ns(slots, node_count, settings)
    load = load_ppm(senders, settings)
    if load >= PPM:
        return LineBound(cycle, load, overload_sentence(senders, load, settings), {})
    collision = collision_ns(node_count, settings)
    longest = max(slots_one, default=slot_ns(0, settings))
    deferral = deferral_ns(longest, node_count, settings)
    legs: dict[tuple[str, str], LegDelay] = {}
    overload = None
    bit = settings.bit_ns
    beside_frame = (PREAMBLE_SFD_BT + ESD_BT) * bit
    beside_frame += settings.phy_ns + settings.propagation_ns
    for node, slot_one in zip(senders, slots_one, strict=True):
        for alike in _alike(node):
            frames = (
                priced_frames_ahead(node, alike[0])
                if priced
                else frames_ahead(node, alike[0], cycle + collision, settings, deferral)
            )
            if frames is None:
                overload = (
                    f"node {node.id} never catches up with the streams ahead of {alike[0].id}"
                )
                continue
            needed = rounds(frames, node.burst_count, settings)
            partial = partial_ns(frames, node.burst_count, slot_one, settings)
            total = leg_ns(needed, cycle, collision, settings, deferral + partial)
            queue = (needed - 1) * cycle + partial
            collisions = needed * collision + deferral
            rest = total - queue - collisions
            for flow in alike:
                wire = beside_frame + 8 * flow.frame_bytes * bit
                access = rest - wire
                legs[node.id, flow.id] = LegDelay(queue, access, wire, collisions, total)
    return LineBound(cycle, load, overload, legs)


def _alike(node: LineNode) -> list[list[LineFlow]]:
    """Flows of a node with the same frames ahead: all in a FIFO, else by priority."""
    if node.queue is QueueOrder.FIFO:
        return [list(node.flows)]
    classes: dict[int, list[LineFlow]] = {}
    for flow in node.flows:
        classes.setdefault(flow.pcp, []).append(flow)
    return list(classes.values())
