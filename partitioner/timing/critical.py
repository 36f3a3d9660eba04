"""Search for releases that bring one stream close to its bound.

The first guess is the critical instant of the analysis: everything is released at once, just after
the node of the stream has let its transmit opportunity pass, and every stream comes as often as
its jitter allows from then on. With logical collisions the node is also left alone at first, with
shorter delay lines too, since their length is the implementer's choice: its frames collide, and
find the line busy when they are pending again. From there single releases are moved at random; a
move that delays the stream more is kept. What is found is a delay that can happen, so a lower
bound of the worst case; how near it comes to the upper bound says how tight that is.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import replace
from random import Random

from partitioner.timing.constants import ESD_BT, IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.layout_timing import LineMedium, NetworkTraffic, StreamTraffic
from partitioner.timing.simulate import own_opportunity_ns, run

SHORT_DELAY_LINES_BT = (396, 64, 0)


def critical_search(
    traffic: NetworkTraffic,
    stream: str,
    destination: str,
    *,
    seed: int,
    tries: int = 100,
    span_ns: int | None = None,
) -> int:
    """Find a long delay of one stream to one destination, in ns; 0 if no frame was delivered.

    ``tries`` simulations are spent. Releases are moved by no more than ``span_ns``, and a run is
    watched for so long; the bound of the stream is a good choice. Without it, its deadline.
    """
    rng = Random(seed)
    target = next(s for s in traffic.streams if s.id == stream)
    span = span_ns or target.deadline_ns
    instant, cycle = _just_missed(traffic, target)
    guesses = _guesses(traffic, target, cycle, 16 * span)
    trial = next(guesses)
    assert trial is not None
    movable = [s.id for s in traffic.streams]
    best, kept = -1, trial
    for attempt in range(tries):
        seen = _worst(trial[1], trial[0], instant, span, stream, destination)
        if seen >= best:
            best, kept = seen, trial
        following = next(guesses) if attempt == 0 else guesses.send(seen)
        if following is not None:
            trial = following
            continue
        trial = (dict(kept[0]), kept[1])
        for _ in range(1 + (rng.random() < 0.4)):
            trial[0][rng.choice(movable)] = _moved(rng, span, attempt)
    return max(best, 0)


Trial = tuple[dict[str, int], NetworkTraffic]
"""Releases by stream, relative to the critical instant, and the layout to run."""


def _guesses(
    traffic: NetworkTraffic, target: StreamTraffic, cycle: int, never: int
) -> Generator[Trial | None, int, None]:
    """Yield releases worth trying, then None for ever; what was seen comes back by ``send``.

    With logical collisions: first the node of the target alone, whose frames collide with nothing
    but their full delay line (or after they let another node's longest frame pass); then the same
    with all others released just after its last lost opportunity.
    """
    start = {s.id: _first_guess(s, target) for s in traffic.streams}
    yield start, traffic
    line = _first_line(traffic, target)
    if line is not None and line.settings.logical_collision:
        own = _own_streams(traffic, target)
        setting = line.settings
        bits = IPG_BT + PREAMBLE_SFD_BT + 8 * target.frame_bytes + ESD_BT
        sending = bits * setting.bit_ns + setting.phy_ns + setting.propagation_ns
        for passed in (None, _longest_neighbour(traffic, line, own)):
            shift, offsets = 0, {}
            if passed is not None:
                ids = {s.id: s.plca_id for s in line.senders}
                ahead = ids[passed[1]] - ids[_first_sender(target)]
                shift = ahead * setting.to_timer_bt * setting.bit_ns % max(cycle, 1)
                offsets = {passed[0]: shift - 5}
                shift += 500
            for delay_line_bt in SHORT_DELAY_LINES_BT:
                shorter = _with_delay_line(traffic, delay_line_bt)
                alone = {s: start[s] + shift if s in own else offsets.get(s, never) for s in start}
                seen = yield alone, shorter
                late = start[target.id] + shift + seen - sending - cycle + 1
                yield {s: late if ns == never else ns for s, ns in alone.items()}, shorter
    while True:
        yield None


def _first_sender(target: StreamTraffic) -> str:
    return next((r.hops[0].sender for r in target.routes if r.hops), "")


def _first_line(traffic: NetworkTraffic, target: StreamTraffic) -> LineMedium | None:
    """Line on which a stream starts; None if it starts elsewhere."""
    media = {r.hops[0].medium for r in target.routes if r.hops}
    return next((m for m in traffic.lines if m.id in media), None)


def _longest_neighbour(
    traffic: NetworkTraffic, line: LineMedium, own: set[str]
) -> tuple[str, str] | None:
    """Stream and sender of the longest frame that another node sends first on the line."""
    rows = [
        (s.frame_bytes, s.id, _first_sender(s))
        for s in traffic.streams
        if s.id not in own and _first_line(traffic, s) is line
    ]
    return max(rows)[1:] if rows else None


def _own_streams(traffic: NetworkTraffic, target: StreamTraffic) -> set[str]:
    """Streams that leave the same node as the target at its first hop."""
    first = {(r.hops[0].medium, r.hops[0].sender) for r in target.routes if r.hops}
    return {
        s.id
        for s in traffic.streams
        if any(r.hops and (r.hops[0].medium, r.hops[0].sender) in first for r in s.routes)
    }


def _with_delay_line(traffic: NetworkTraffic, most_bt: int) -> NetworkTraffic:
    """Give all nodes of all lines a delay line of at most ``most_bt``."""
    lines = tuple(
        replace(
            m, settings=replace(m.settings, delay_line_bt=min(most_bt, m.settings.delay_line_bt))
        )
        for m in traffic.lines
    )
    return replace(traffic, lines=lines)


def _first_guess(stream: StreamTraffic, target: StreamTraffic) -> int:
    """Lower priorities first, then everybody, the stream itself last; 1 ns apart."""
    if stream.id == target.id:
        return 2
    return 0 if stream.pcp < target.pcp else 1


def _moved(rng: Random, span: int, attempt: int) -> int:
    """Draw a release relative to the critical instant: near or far, rather before than after."""
    scale = span * rng.random() ** (1 + attempt % 4)
    return int(rng.uniform(-1.0, 0.5) * scale)


def _just_missed(traffic: NetworkTraffic, target: StreamTraffic) -> tuple[int, int]:
    """An instant just after the stream's first node has let its own TO pass; a silent cycle."""
    after = max(s.jitter_ns for s in traffic.streams) + 2 * target.deadline_ns
    for route in target.routes:
        for hop in route.hops:
            for line in traffic.lines:
                if line.id == hop.medium:
                    plca_id = next(s.plca_id for s in line.senders if s.id == hop.sender)
                    first = own_opportunity_ns(plca_id, 0, line.node_count, line.settings)
                    second = own_opportunity_ns(plca_id, 1, line.node_count, line.settings)
                    cycles = -(-after // (second - first))
                    return first + cycles * (second - first), second - first
    return after, 0


def _releases(stream: StreamTraffic, first: int, until: int) -> Iterator[int]:
    """Release times: the first late by its whole jitter, the next ones not late at all."""
    nominal, last = first - stream.jitter_ns, first
    while last <= until:
        yield last
        nominal += stream.period_ns
        last = max(last, nominal)


def _worst(
    traffic: NetworkTraffic,
    offsets: dict[str, int],
    instant: int,
    span: int,
    stream: str,
    destination: str,
) -> int:
    until = instant + span
    plan = {s.id: _releases(s, max(0, instant + 1 + offsets[s.id]), until) for s in traffic.streams}
    result = run(traffic, plan, {}, None)
    seen = result.seen.get((stream, destination))
    return 0 if seen is None else seen.worst_ns
