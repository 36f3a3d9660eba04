"""Random segments and random networks for the comparison of simulation and bounds."""

from __future__ import annotations

from random import Random

from partitioner.model.assessment import LegKind
from partitioner.model.problem import QueueOrder
from partitioner.timing.layout_timing import (
    Hop,
    LineMedium,
    LineSender,
    LinkMedium,
    NetworkTraffic,
    Route,
    StreamTraffic,
)
from partitioner.timing.line import LineFlow, LineNode, LineSettings, slot_ns

Segment = tuple[tuple[LineNode, ...], int, LineSettings]

FRAMES_BYTES = (64, 64, 72, 100, 200, 1_518)
RELATIVE_PERIODS = (1, 2, 4, 10)


def random_segment(seed: int, *, collision: bool | None = None) -> Segment:
    """2 to 16 nodes, 5 to 90 % load, bursts, jitter up to 1.5 periods, FIFO and PCP.

    ``collision`` None: logical collisions in every second segment.
    """
    rng = Random(seed)
    nodes = rng.randint(2, 16)
    settings = LineSettings(
        to_timer_bt=rng.choice((24, 32, 32, 48)),
        burst_timer_bt=rng.choice((64, 128, 128, 255)),
        logical_collision=seed % 2 == 0 if collision is None else collision,
        loop_delay_ns=rng.choice((760, 1_560, 1_685)),
        propagation_ns=rng.choice((0, 125, 250)),
        delay_line_bt=rng.choice((396, 396, 100, 20)),
    )
    load = rng.uniform(0.05, 0.9)
    burst = rng.choice((0, 0, 1, 3))
    rows = [
        (rng.choice(FRAMES_BYTES), rng.choice(RELATIVE_PERIODS), rng.random())
        for _ in range(rng.randint(2, 24))
    ]
    unit_ns = sum(slot_ns(length, settings) / period for length, period, _ in rows) / load
    flows: list[list[LineFlow]] = [[] for _ in range(nodes)]
    for index, (length, period, share) in enumerate(rows):
        period_ns = int(period * unit_ns)
        jitter_ns = int(share * share * period_ns * rng.choice((0, 0, 0.5, 1.5)))
        window_ns = period_ns * rng.choice((1, 1, 2, 5))
        flows[rng.randrange(nodes)].append(
            LineFlow(f"f{index}", length, period_ns, jitter_ns, window_ns, rng.randrange(8))
        )
    line = tuple(
        LineNode(f"n{i}", tuple(own), rng.choice(list(QueueOrder)), rng.choice((0, burst)))
        for i, own in enumerate(flows)
    )
    return line, nodes + rng.choice((0, 0, 3)), settings


def random_network(seed: int) -> NetworkTraffic:
    """One to three switches in a row, lines, links, multicast, up to 20 streams."""
    rng = Random(seed)
    switches = rng.randint(1, 3)
    lines: list[LineMedium] = []
    links: list[LinkMedium] = []
    homes: dict[str, tuple[int, str, bool]] = {}
    for s in range(switches):
        for number in range(rng.randint(1, 2)):
            _add_line(rng, s, number, lines, homes)
        for number in range(rng.randint(0, 2)):
            device = f"p{s}{number}"
            homes[device] = (s, device, False)
            for a, b, order in (
                (device, f"sw{s}", rng.choice(list(QueueOrder))),
                (f"sw{s}", device, QueueOrder.PCP),
            ):
                along = rng.randint(0, 75)
                links.append(LinkMedium(f"{a}>{b}", a, 100_000_000, order, 1_320, 75, along))
    for s in range(switches - 1):
        rate = rng.choice((100_000_000, 10_000_000))
        for a, b in ((s, s + 1), (s + 1, s)):
            links.append(LinkMedium(f"sw{a}>sw{b}", f"sw{a}", rate, QueueOrder.PCP, 2_000, 20, 20))
    streams = [_random_stream(rng, f"s{k}", homes) for k in range(rng.randint(3, 20))]
    return NetworkTraffic(tuple(lines), tuple(links), tuple(s for s in streams if s.routes))


def _add_line(
    rng: Random,
    switch: int,
    number: int,
    lines: list[LineMedium],
    homes: dict[str, tuple[int, str, bool]],
) -> None:
    line_id = f"line{switch}{number}"
    settings = LineSettings(
        logical_collision=rng.random() < 0.4, loop_delay_ns=1_560 + rng.randint(0, 250)
    )
    senders = [LineSender(f"sw{switch}", 0, QueueOrder.PCP, rng.choice((0, 0, 2)))]
    for i in range(rng.randint(1, 5)):
        device = f"d{switch}{number}{i}"
        homes[device] = (switch, line_id, True)
        order = rng.choice(list(QueueOrder))
        senders.append(LineSender(device, i + 1, order, rng.choice((0, 0, 1))))
    spare = rng.choice((0, 2))
    lines.append(LineMedium(line_id, tuple(senders), len(senders) + spare, settings, settings))


def _random_stream(
    rng: Random, stream: str, homes: dict[str, tuple[int, str, bool]]
) -> StreamTraffic:
    source = rng.choice(list(homes))
    others = [d for d in homes if d != source]
    wanted = rng.sample(others, min(len(others), rng.choice((1, 1, 1, 2, 3))))
    period_ns = rng.choice((5, 10, 20)) * 1_000_000
    return StreamTraffic(
        stream,
        rng.choice((64, 64, 100, 300, 1_518)),
        period_ns,
        rng.choice((0, period_ns // 10, period_ns // 2)),
        period_ns * rng.choice((1, 2)),
        rng.randrange(8),
        tuple(Route(d, route(homes, source, d)) for d in wanted),
        rng.random() < 0.2,
    )


def route(homes: dict[str, tuple[int, str, bool]], source: str, target: str) -> tuple[Hop, ...]:
    """Hops along the row of switches; one hop on a line of both."""
    at, medium, on_line = homes[source]
    to, target_medium, target_on_line = homes[target]
    if on_line and medium == target_medium:
        return (Hop(LegKind.LINE, medium, medium, source),)
    up = Hop(LegKind.LINE, medium, medium, source)
    if not on_line:
        up = Hop(LegKind.LINK, source, f"{source}>sw{at}", source)
    hops = [up, Hop(LegKind.SWITCH, f"sw{at}", delay_ns=5_000)]
    while at != to:
        following = at + (1 if to > at else -1)
        link = f"sw{at}>sw{following}"
        hops.append(Hop(LegKind.BACKBONE, link, link, f"sw{at}"))
        hops.append(Hop(LegKind.SWITCH, f"sw{following}", delay_ns=5_000))
        at = following
    if target_on_line:
        hops.append(Hop(LegKind.LINE_DOWN, target_medium, target_medium, f"sw{to}"))
    else:
        hops.append(Hop(LegKind.LINK_DOWN, target, f"sw{to}>{target}", f"sw{to}"))
    return tuple(hops)
