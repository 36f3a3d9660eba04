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
The counts: :mod:`partitioner.timing.line_window`.

The proof sketch with every assumption is in ``docs/explanation/timing.md``. No code is shared
with the simulation, and with the linear bound only what a single TO costs.
"""

from __future__ import annotations

from typing import NamedTuple

from partitioner.timing.line import (
    LONGEST_WAIT_NS,
    LegDelay,
    LineBound,
    LineNode,
    LineSettings,
    linear_bound,
)
from partitioner.timing.line_window import Line, Queue

PASSES_MOST = 40
"""In which the lives may grow; after that the lives are the linear bound or the windows."""
OFFSETS_MOST = 100
"""Arrivals looked at in one busy window; beyond, the window counts as open (no own bound)."""
STEPS_MOST = 500


def response_bound(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> LineBound:
    """Bound every leg on a line by response-time analysis, never above the linear bound.

    ``nodes`` are all that have a PLCA ID, no more than ``node_count``. The flows' ``inherited_ns``
    says how much their arrivals vary beyond their release jitter; ``window_ns`` is the assumed
    longest life of a frame. The propagation in the settings is that of the real length. Legs count
    from the arrival in the node's queue to the last bit at the last receiver. A leg for which the
    busy window does not close has the linear bound.

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
    ceilings_ns = {key: leg.total_ns for key, leg in (ceilings or {}).items()}
    line = Line(senders, node_count, settings, ceilings_ns)
    legs: dict[tuple[str, str], LegDelay] = {}
    for queue, wait in zip(line.queues, longest_waits(line), strict=True):
        if wait is not None:
            total = line.life(queue, wait.wait_ns)
            wire = 0
            for flow in queue.flows:
                if line.bits[flow] + line.phy != wire:  # equal frames have equal legs
                    wire = line.bits[flow] + line.phy
                    collided = min(wait.collision_ns, total - wire)
                    ahead = min(wait.ahead_ns, total - wire - collided)
                    access = total - wire - collided - ahead
                    leg = LegDelay(ahead, access, wire, collided, total)
                legs[line.keys[flow]] = leg
    return legs


class Settled(NamedTuple):
    """Last frame of a queue up to an arrival in its busy window: when its TO starts, and why."""

    start_ns: int
    """Since the queue was last empty."""
    collision_ns: int
    ahead_ns: int
    end_ns: int
    """When none of the frames is left, if no other arrives."""
    slack_ns: int
    """While lives in other nodes grow by no more than this, no count changes."""


class Wait(NamedTuple):
    """Longest time from a frame's arrival to the start of its TO, and what it is made of."""

    wait_ns: int
    collision_ns: int
    ahead_ns: int
    slack_ns: int
    settled: list[Settled]
    """By number of the arrival in the busy window."""


def longest_waits(line: Line) -> list[Wait | None]:
    """Longest wait of every queue: lives grow until they agree with the waits."""
    waits: list[Wait | None] = [None] * len(line.queues)
    grown_ns = [0] * len(line.queues)
    """By queue: by how much lives in other nodes have grown since its wait was found."""
    asked = list(range(len(line.queues)))
    for attempt in range(PASSES_MOST + 1):
        lives: list[tuple[Queue, int | None]] = []
        for index in asked:
            queue = line.queues[index]
            wait = _longest_wait(line, queue, waits[index], grown_ns[index])
            waits[index], grown_ns[index] = wait, 0
            lives.append((queue, None if wait is None else line.life(queue, wait.wait_ns)))
        if attempt >= PASSES_MOST - 1:
            lives = [(queue, None) for queue in line.queues]
        grown = line.lengthen(lives)
        most = max(grown)
        if not most:
            break
        first = grown.index(most)
        others = max(grown[:first] + grown[first + 1 :], default=0)
        asked = []
        for index, wait in enumerate(waits):
            if wait is not None:
                grown_ns[index] += others if line.queues[index].node == first else most
                if grown_ns[index] > wait.slack_ns:
                    asked.append(index)
    return waits


def _longest_wait(line: Line, queue: Queue, before: Wait | None, grown_ns: int) -> Wait | None:
    """Longest wait of a queue over all arrivals in its busy window; None if it stays open.

    ``before`` is what was found when lives in other nodes were up to ``grown_ns`` shorter.
    """
    settle = _settle_with_higher if queue.higher else _settle
    known = before.settled if before else []
    settled: list[Settled] = []
    start = offset = longest = 0
    slack = LONGEST_WAIT_NS
    worst: Settled | None = None
    for number in range(OFFSETS_MOST):
        own, own_ns, following = queue.step(number)
        found: Settled | None = known[number] if number < len(known) else None
        if found is not None and found.slack_ns >= grown_ns:
            if grown_ns:
                start, collided, ahead, end, spare = found
                found = Settled(start, collided, ahead, end, spare - grown_ns)
        else:
            if found is not None and found.start_ns > start:
                start = found.start_ns
            found = settle(line, queue, own, own_ns, start)
            if found is None:
                return None
        settled.append(found)
        start = found.start_ns
        if found.slack_ns < slack:
            slack = found.slack_ns
        if worst is None or start - offset > longest:
            longest, worst = start - offset, found
        if found.end_ns <= following:
            return Wait(longest, worst.collision_ns, worst.ahead_ns, slack, settled)
        offset = following
    return None


def _settle(line: Line, queue: Queue, own: int, own_ns: int, start: int) -> Settled | None:
    """Least fixed point for ``own`` frames: the start agrees with what others send until then.

    The search begins at ``start``, which must not be above the fixed point.
    """
    opening, rounds, ahead = line.opening(queue, own, own_ns)
    node = queue.node
    for _ in range(STEPS_MOST):
        cost, first, until = line.others(node, start, rounds)
        again = opening + cost + first
        if again > start:
            start = again
        if start <= until:  # nothing changes between the two
            collided = rounds * line.collision + first
            return Settled(start, collided, ahead, start + queue.last_ns, until - start)
        if start > LONGEST_WAIT_NS:
            break
    return None


def _settle_with_higher(
    line: Line, queue: Queue, own: int, own_ns: int, start: int
) -> Settled | None:
    """Like :func:`_settle`; higher frames come until the MAC takes the last frame.

    It takes it when the frame before is out. The window itself lasts until no frame of the class
    or above is left.
    """
    taken, slack = 0, LONGEST_WAIT_NS
    more, more_ns = queue.higher_until(taken)
    for _ in range(STEPS_MOST):
        if own + more == 1:
            break
        # Up to the end of the frame before: one frame, and its own time ahead, less.
        opening, rounds, _ = line.opening(queue, own + more - 1, own_ns + more_ns)
        cost, first, until = line.others(queue.node, taken, rounds)
        taken = max(taken, opening + cost + first)
        if taken > LONGEST_WAIT_NS:
            return None
        before = more
        more, more_ns = queue.higher_until(taken)
        if more == before and taken <= until:
            slack = until - taken
            break
    else:
        return None
    found = _settle(line, queue, own + more, own_ns + more_ns, start)
    if found is None:
        return None
    start, collided, ahead, end, spare = found
    slack, until = min(slack, spare), start + spare
    for _ in range(STEPS_MOST):
        before = more
        more, more_ns = queue.higher_until(end)
        if more == before and end <= until:
            return Settled(start, collided, ahead, end, min(slack, until - end))
        opening, rounds, _ = line.opening(queue, own + more, own_ns + more_ns)
        cost, first, until = line.others(queue.node, end, rounds)
        end = max(end, opening + cost + first + queue.last_ns)
        if end > LONGEST_WAIT_NS:
            return None
    return None
