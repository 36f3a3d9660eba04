"""Speed and tightness of the timing analysis: ``python -m tests.bench.timing [part ...]``.

Parts: ``speed`` (line analysis, simulation), ``layout`` (a whole layout of ``problems/city-bus``,
planned first unless ``--layout`` names one), ``tightness`` (seen against bound over random
segments; ``--figures DIR`` writes the distribution as SVG), ``order`` (IDs along the line or by
urgency). Without parts: all. Random inputs are seeded; times are those of this machine.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

from partitioner.application.plan import plan
from partitioner.application.reading import read_layout_of, read_problem
from partitioner.application.search import Search
from partitioner.check.facts import gather_facts
from partitioner.model.problem import QueueOrder
from partitioner.timing.critical import critical_search
from partitioner.timing.layout_timing import analyse
from partitioner.timing.line import LineFlow, LineNode, LineSettings, linear_bound, slot_ns
from partitioner.timing.response import response_bound
from partitioner.timing.simulate import Releases, simulate
from tests.timing.one_line import line_traffic
from tests.timing.order import is_judged
from tests.timing.random_traffic import Segment, random_segment

ROOT = Path(__file__).parent.parent.parent
MS = 1_000_000


def typical_segment(seed: int, *, collision: bool, load: float = 0.5) -> Segment:
    """8 nodes, 20 streams, short frames; the switch port queues by PCP, the devices FIFO."""
    rng = Random(seed)
    settings = LineSettings(logical_collision=collision)
    rows = [(rng.choice((64, 64, 72, 100, 200)), rng.choice((1, 2, 4, 10, 20))) for _ in range(20)]
    unit_ns = sum(slot_ns(n, settings) / p for n, p in rows) / load
    flows: list[list[LineFlow]] = [[] for _ in range(8)]
    for i, (length, period) in enumerate(rows):
        period_ns = int(period * unit_ns)
        flow = LineFlow(f"f{i}", length, period_ns, period_ns // 20, period_ns, rng.randrange(8))
        flows[rng.randrange(8)].append(flow)
    nodes = tuple(
        LineNode(f"n{i}", tuple(own), QueueOrder.FIFO if i else QueueOrder.PCP)
        for i, own in enumerate(flows)
    )
    return nodes, 8, settings


def best_ms(action: Callable[[], object], repeats: int = 7) -> float:
    """Shortest processor time of some repeats, so that other work on the machine counts little."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        action()
        times.append(time.process_time() - start)
    return min(times) * 1_000


def speed() -> None:
    """Print the times of the analyses of one line and of a simulated second."""
    print("analysis of a line with 8 nodes and 20 streams, ms (median of 100, best of 7 each)")
    for collision in (False, True):
        for load in (0.2, 0.5):
            made = [typical_segment(s, collision=collision, load=load) for s in range(100)]
            for name, bound in (("linear", linear_bound), ("response-time", response_bound)):
                median = statistics.median(best_ms(lambda a=a, b=bound: b(*a)) for a in made)
                print(f"  {name}, {load:.0%} load, logical collision {collision}: {median:.3f}")
    for collision in (False, True):
        traffic = line_traffic(*typical_segment(1, collision=collision))
        took = best_ms(lambda t=traffic: simulate(t, 1_000 * MS, 1), 3)
        frames = simulate(traffic, 1_000 * MS, 1).frames
        print(
            f"one second of an 8-node line at 50 % load, logical collision {collision}: "
            f"{took:.0f} ms for {frames} frames"
        )


def layout(path: Path | None) -> None:
    """Print the time of the whole analysis of a layout, and how much tighter one bound is."""
    problem_path = ROOT / "problems" / "city-bus" / "problem.yaml"
    problem = read_problem(problem_path)
    if path is None:
        chosen = plan(problem, Search(time_limit_s=30.0)).outcome.layout
    else:
        chosen = read_layout_of(problem, path).layout
    facts = gather_facts(problem, chosen)
    traffic = facts.timing.traffic
    took = best_ms(lambda: analyse(traffic), 5)
    rows = [
        r for r in analyse(traffic).bounds.values() if r.response_ns and r.linear_ns is not None
    ]
    ratios = sorted(r.response_ns / r.linear_ns for r in rows)
    print(
        f"city-bus: {len(traffic.lines)} lines, {len(traffic.links)} link directions, "
        f"{len(traffic.streams)} streams: {took:.0f} ms; response / linear end to end: "
        f"median {statistics.median(ratios):.2f}, least {ratios[0]:.2f}"
    )


def tightness(segments: int, tries: int, figures: Path | None) -> None:
    """Print seen / bound over random segments, and draw the distribution."""
    all_segments: list[float] = []
    for collision in (False, True):
        by_segment: list[float] = []
        by_stream: list[float] = []
        for seed in range(segments):
            segment = random_segment(seed, collision=collision)
            if not is_judged(segment):
                continue
            reached = _reached(segment, seed, tries)
            by_segment.append(statistics.median(reached))
            by_stream += reached
        by_segment.sort()
        all_segments += by_segment
        print(
            f"tightness, logical collision {collision}: {len(by_segment)} segments, seen / bound "
            f"median {statistics.median(by_segment):.3f}, lower tenth "
            f"{by_segment[len(by_segment) // 10]:.3f}, least {by_segment[0]:.3f}; over "
            f"{len(by_stream)} streams median {statistics.median(by_stream):.3f}; "
            f"highest {max(by_stream):.4f}"
        )
        if figures is not None:
            name = "with-collision" if collision else "without-collision"
            title = f"Seen / bound, {name.replace('-', ' ')}: {len(by_segment)} random segments"
            figures.mkdir(parents=True, exist_ok=True)
            target = figures / f"timing-tightness-{name}.svg"
            target.write_text(distribution_svg(by_segment, title), encoding="utf-8")
    print(f"tightness over all {len(all_segments)}: median {statistics.median(all_segments):.3f}")


def _reached(segment: Segment, seed: int, tries: int) -> list[float]:
    """Share of the bound that the adversary reaches, for up to four streams of a segment."""
    nodes, count, settings = segment
    legs = response_bound(nodes, count, settings).legs
    traffic = line_traffic(nodes, count, settings)
    dense = simulate(traffic, 200 * MS, seed, Releases.DENSE).seen
    keys = sorted(legs)
    shares = []
    for key in Random(seed).sample(keys, min(4, len(keys))):
        bound = legs[key].total_ns
        found = critical_search(traffic, key[1], "listener", seed=seed, tries=tries, span_ns=bound)
        row = dense.get((key[1], "listener"))
        shares.append(max(found, row.worst_ns if row else 0) / bound)
    return shares


def distribution_svg(shares: list[float], title: str) -> str:
    """Histogram of shares 0..1 in 20 bins as a small SVG with text as text."""
    bins = [0] * 20
    for share in shares:
        bins[min(19, int(share * 20))] += 1
    most = max(bins)
    bars, labels = [], []
    for i, n in enumerate(bins):
        height = round(200 * n / most)
        bars.append(f'<rect x="{50 + 25 * i}" y="{240 - height}" width="21" height="{height}"/>')
        if n:
            labels.append(f'<text x="{60 + 25 * i}" y="{234 - height}">{n}</text>')
    ticks = "".join(f'<text x="{50 + 125 * i}" y="258">{i * 0.25:g}</text>' for i in range(5))
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 580 290" role="img" '
        'aria-labelledby="t" font-family="sans-serif" font-size="11" text-anchor="middle">'
        f'<title id="t">{title}</title><rect width="580" height="290" fill="#ffffff"/>'
        f'<text x="290" y="18" font-size="13" fill="#1b1f24">{title}</text>'
        f'<g fill="#0B63A5">{"".join(bars)}</g><g fill="#1b1f24">{"".join(labels)}{ticks}'
        '<text x="300" y="278">longest delay found / response-time bound (median of a segment)'
        '</text></g><line x1="48" y1="240.5" x2="552" y2="240.5" stroke="#57606a"/></svg>\n'
    )


def order(segments: int) -> None:
    """Print whether the order of PLCA IDs matters to the delays seen."""
    gains = []
    for seed in range(segments):
        nodes, count, settings = typical_segment(seed, collision=False)
        urgent = min((f for n in nodes for f in n.flows), key=lambda f: (f.window_ns, f.id))
        home = next(n for n in nodes if urgent in n.flows)
        rest = [n for n in nodes if n is not home]
        first, last = (home, *rest), (*rest, home)
        bounds = [
            response_bound(row, count, settings).legs[home.id, urgent.id] for row in (first, last)
        ]
        assert bounds[0] == bounds[1]
        worst = []
        for row in (first, last):
            result = simulate(line_traffic(row, count, settings), 300 * MS, seed)
            seen = result.seen[urgent.id, "listener"]
            worst.append(seen.worst_ns)
        gains.append(worst[1] / worst[0])
    print(
        f"ID order: bounds are equal; worst seen with the most urgent node last / first, median "
        f"{statistics.median(gains):.3f} over {segments} segments"
    )


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=["speed", "layout", "tightness", "order", []])
    parser.add_argument("--layout", type=Path)
    parser.add_argument("--figures", type=Path)
    parser.add_argument("--segments", type=int, default=200)
    parser.add_argument("--tries", type=int, default=100)
    asked = parser.parse_args()
    parts = asked.parts or ["speed", "layout", "tightness", "order"]
    if "speed" in parts:
        speed()
    if "layout" in parts:
        layout(asked.layout)
    if "tightness" in parts:
        tightness(asked.segments, asked.tries, asked.figures)
    if "order" in parts:
        order(min(asked.segments, 50))


if __name__ == "__main__":
    main()
