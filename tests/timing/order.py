"""Compare simulation, response-time bound and linear bound on one segment or network."""

from __future__ import annotations

from random import Random

from partitioner.timing.critical import critical_search
from partitioner.timing.layout_timing import NetworkTraffic, analyse
from partitioner.timing.line import linear_bound
from partitioner.timing.response import busy_window_bound, response_bound
from partitioner.timing.simulate import Releases, simulate
from tests.timing.one_line import line_traffic
from tests.timing.random_traffic import Segment

LONGEST_RUN_NS = 1_000_000_000


def broken_order(segment: Segment, seed: int, searched: int = 1, tries: int = 12) -> list[str]:
    """Sentences about streams that come later than a bound, or bounds in the wrong order.

    ``searched`` streams are driven towards their bound with ``tries`` simulations each. Segments
    on which a stream outlives its window say nothing (the bounds rest on the windows) and are
    reported as such by :func:`is_judged`.
    """
    nodes, count, settings = segment
    linear = linear_bound(nodes, count, settings).legs
    response = response_bound(nodes, count, settings).legs
    alone = busy_window_bound(nodes, count, settings)
    traffic = line_traffic(nodes, count, settings)
    keys = {f.id: (n.id, f.id) for n in nodes for f in n.flows}
    bounds = {stream: response[key].total_ns for stream, key in keys.items() if key in response}
    wrong = []
    for stream, ns in bounds.items():
        key = keys[stream]
        if key in linear and ns > linear[key].total_ns:
            wrong.append(f"{stream}: response {ns} above linear {linear[key].total_ns}")
    if len(bounds) < len(keys) or any(bounds[s.id] > s.deadline_ns for s in traffic.streams):
        return wrong
    longest = max(s.period_ns for s in traffic.streams)
    seen: dict[str, int] = {}
    for releases in Releases:
        result = simulate(traffic, min(20 * longest, LONGEST_RUN_NS), seed, releases)
        for (stream, _), row in result.seen.items():
            seen[stream] = max(seen.get(stream, 0), row.worst_ns)
    for stream in Random(seed).sample(sorted(bounds), min(searched, len(bounds))):
        found = critical_search(
            traffic, stream, "listener", seed=seed, tries=tries, span_ns=bounds[stream]
        )
        seen[stream] = max(seen.get(stream, 0), found)
    for stream, worst in seen.items():
        key = keys[stream]
        least = min(bounds[stream], alone[key].total_ns if key in alone else bounds[stream])
        if worst > least:
            wrong.append(f"{stream}: seen {worst}, bound {least}")
    return wrong


def is_judged(segment: Segment) -> bool:
    """Whether every stream of a segment keeps its window, so that the bounds can be compared."""
    nodes, count, settings = segment
    legs = response_bound(nodes, count, settings).legs
    rows = [(legs.get((n.id, f.id)), f.window_ns) for n in nodes for f in n.flows]
    return all(leg is not None and leg.total_ns <= window for leg, window in rows)


def broken_network_order(
    traffic: NetworkTraffic, seed: int, searched: int = 1, tries: int = 12
) -> list[str]:
    """The same for a network; bounds there hold for late streams too."""
    bounds = analyse(traffic)
    wrong = []
    judged = {}
    for key, row in bounds.bounds.items():
        if row.linear_ns is not None and row.response_ns is not None:
            if row.response_ns > row.linear_ns:
                wrong.append(f"{key}: response {row.response_ns} above linear {row.linear_ns}")
            if any(leg.response_ns > leg.linear_ns for leg in row.legs):
                wrong.append(f"{key}: a leg's response is above its linear bound")
        if row.response_ns is not None:
            judged[key] = row.response_ns
            if sum(leg.response_ns for leg in row.legs) != row.response_ns:
                wrong.append(f"{key}: the legs do not add up")
    seen: dict[tuple[str, str], int] = {}
    for releases in Releases:
        for key, row in simulate(traffic, 200_000_000, seed, releases).seen.items():
            seen[key] = max(seen.get(key, 0), row.worst_ns)
    for key in Random(seed).sample(sorted(judged), min(searched, len(judged))):
        found = critical_search(traffic, *key, seed=seed, tries=tries, span_ns=judged[key])
        seen[key] = max(seen.get(key, 0), found)
    wrong += [
        f"{key}: seen {worst}, bound {judged[key]}"
        for key, worst in seen.items()
        if key in judged and worst > judged[key]
    ]
    return wrong
