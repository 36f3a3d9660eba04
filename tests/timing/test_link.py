"""Egress analysis against published non-preemptive fixed-priority examples and by hand."""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from random import Random
from typing import NamedTuple

import pytest

from partitioner.model.problem import QueueOrder
from partitioner.timing.line import LineFlow
from partitioner.timing.link import (
    LinkBound,
    LinkQueue,
    _classes,
    _longest_waits,
    _Queue,
    linear_link_bound,
    link_load_ppm,
    response_link_bound,
)
from tests.timing.legacy import can_frame_ns
from tests.work import calls_in

US = 1_000
MS = 1_000_000


class Job(NamedTuple):
    """A flow as its queue sees it: times in ns, higher ranks go first."""

    rank: int
    period_ns: int
    jitter_ns: int
    busy_ns: int


def longest_wait(job: Job, jobs: list[Job]) -> int:
    found = _longest_waits(_classes(jobs)[job.rank], {job.busy_ns})[job.busy_ns]
    assert found is not None
    return found[0]


def busy_period_link_bound(link: LinkQueue) -> LinkBound:
    queue = _Queue(link)
    return queue.bound(queue.busy_period)


def responses(rows: list[tuple[int, int, int]]) -> list[int]:
    """Worst responses of (time, period, rank) in ns: wait and own time."""
    jobs = [Job(rank, period, 0, busy) for busy, period, rank in rows]
    return [longest_wait(job, jobs) + job.busy_ns for job in jobs]


def test_three_messages():
    """Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), the three-message example.

    All 1 ms long, periods 2.5, 3.5, 3.5 ms, priorities A > B > C: 2.0, 3.0, 3.5 ms. The worst of C
    is that of its second instance.
    """
    busy = can_frame_ns(8, 135_000)
    assert busy == MS
    rows = [(busy, 2_500_000, 3), (busy, 3_500_000, 2), (busy, 3_500_000, 1)]
    assert responses(rows) == [2_000_000, 3_000_000, 3_500_000]


def test_three_messages_as_ethernet_streams():
    """The same example with frames of 1 ms on a link of 1 Mb/s: 125 bytes with preamble and gap."""
    flows = tuple(
        LineFlow(name, 105, period, 0, 10 * MS, pcp)
        for name, period, pcp in (("a", 2_500_000, 7), ("b", 3_500_000, 6), ("c", 3_500_000, 5))
    )
    link = LinkQueue(flows, rate_bps=1_000_000)
    legs = response_link_bound(link).legs
    gap = 96_000  # the last bit is out one gap before the link is free
    assert [legs[n].total_ns + gap for n in "abc"] == [2_000_000, 3_000_000, 3_500_000]


SAE_CLASS_C = [
    # data bytes, period ms, published worst response ms; highest priority first
    (1, 1_000, 1.416),
    (2, 5, 2.016),
    (1, 5, 2.536),
    (2, 5, 3.136),
    (1, 5, 3.656),
    (2, 5, 4.256),
    (6, 10, 5.016),
    (1, 10, 8.376),
    (2, 10, 8.976),
    (2, 10, 9.576),
    (1, 100, 10.096),
    (4, 100, 19.096),
    (1, 100, 19.616),
    (1, 100, 20.136),
    (3, 1_000, 28.976),
    (1, 1_000, 29.496),
    (1, 1_000, 29.520),
]


def test_sae_class_c_messages():
    """SAE class C set of 17 messages at 125 kb/s, as printed by Nolte, Hansson, Norstrom.

    The published responses end before the 3-bit gap (24 us); the last row does not recompute
    (it has no lower frame to wait for, and comes out 0.024 ms lower).
    """
    rows = [
        (can_frame_ns(data, 125_000), period * MS, -rank)
        for rank, (data, period, _) in enumerate(SAE_CLASS_C)
    ]
    found = [(r - 24 * US) / MS for r in responses(rows)]
    published = [r for _, _, r in SAE_CLASS_C]
    assert found[:-1] == pytest.approx(published[:-1], abs=0.001)
    assert found[-1] == pytest.approx(29.496, abs=0.001)


def flow(name: str, length: int = 64, **changes) -> LineFlow:
    row = {
        "id": name,
        "frame_bytes": length,
        "period_ns": MS,
        "jitter_ns": 0,
        "window_ns": MS,
        "pcp": 0,
    }
    return LineFlow(**{**row, **changes})


def test_fifo_adds_up_by_hand():
    """100 Mb/s: 64 bytes take 5.76 us and a gap of 0.96 us; 1518 bytes keep the link 123.04 us."""
    queue = LinkQueue(
        (flow("small"), flow("large", 1_518, pcp=7)),
        100_000_000,
        QueueOrder.FIFO,
        phy_ns=1_320,
        propagation_ns=75,
    )
    legs = response_link_bound(queue).legs
    assert legs["small"].total_ns == 123_040 + 5_760 + 1_320 + 75
    assert legs["large"].total_ns == 6_720 + 122_080 + 1_320 + 75
    assert legs["small"].access_ns == 0
    assert link_load_ppm(queue) == 129_760  # 129.76 us of 1 ms


def test_one_lower_frame_blocks():
    queue = LinkQueue((flow("low", 1_518), flow("high", pcp=7)), 100_000_000)
    legs = response_link_bound(queue).legs
    assert (legs["high"].access_ns, legs["high"].queue_ns) == (123_040, 0)
    assert legs["high"].total_ns == 123_040 + 5_760
    # Low waits for the high frame that came at the same time.
    assert legs["low"].total_ns == 6_720 + 122_080


def test_inherited_jitter_counts_twice_in_a_window():
    """With jitter of a period and a bit, two high frames can come at once."""
    high = flow("high", pcp=7, jitter_ns=100, inherited_ns=MS)
    queue = LinkQueue((high, flow("low")), 100_000_000)
    legs = response_link_bound(queue).legs
    assert legs["low"].total_ns == 2 * 6_720 + 5_760


def test_linear_counts_what_the_window_allows():
    """Window and jitter 1.5 periods: two frames of the class wait at once."""
    late = flow("late", window_ns=MS, jitter_ns=MS // 2)
    queue = LinkQueue((late, flow("other")), 100_000_000)
    legs = linear_link_bound(queue).legs
    assert legs["other"].total_ns == 2 * 6_720 + 5_760
    assert legs["late"].total_ns == 2 * 6_720 + 5_760


def test_linear_is_never_below_response():
    flows = tuple(
        flow(f"f{i}", 64 + 97 * i, pcp=i % 3, jitter_ns=i * MS // 7, inherited_ns=i * MS // 9)
        for i in range(7)
    )
    for order in QueueOrder:
        queue = LinkQueue(flows, 100_000_000, order)
        linear, response = linear_link_bound(queue).legs, response_link_bound(queue).legs
        assert all(response[f.id].total_ns <= linear[f.id].total_ns for f in flows)


def test_overloaded_link():
    queue = LinkQueue((flow("a", 1_518), flow("b")), 10_000_000)
    for bound in (linear_link_bound(queue), response_link_bound(queue)):
        assert bound.legs == {}
        assert bound.overload.startswith("the link is asked to carry 129.8 % of its rate")
        assert "stream a" in bound.overload


def test_overload_starts_at_full_rate():
    almost = LinkQueue((flow("a", period_ns=6_721),), 100_000_000)
    assert response_link_bound(almost).overload is None
    full = replace(almost, flows=(flow("a", period_ns=6_720),))
    assert response_link_bound(full).overload is not None


def crowd(count: int) -> LinkQueue:
    """Many different streams that load a fast link by about a fifth."""
    flows = tuple(
        flow(
            f"f{i}",
            64 + 89 * i % 1_400,
            pcp=i % 8,
            period_ns=count * (30_000 + 17 * i),
            jitter_ns=i * US,
            inherited_ns=13 * i * US,
            window_ns=count * (30_000 + 17 * i),
        )
        for i in range(count)
    )
    return LinkQueue(flows, 1_000_000_000)


@pytest.mark.parametrize("bound", [linear_link_bound, busy_period_link_bound])
def test_work_grows_with_the_streams_not_with_their_pairs(bound):
    few, many = crowd(300), crowd(1_200)
    assert bound(many).overload is None
    assert calls_in(lambda: bound(many)) < 6 * calls_in(lambda: bound(few))


def nearly_full(seed: int, share: float, count: int = 12) -> list[Job]:
    """Jobs of four classes that keep a link busy for a share of the time."""
    rng = Random(seed)
    rows = [(rng.randint(6_720, 123_040), rng.uniform(1, 20)) for _ in range(count)]
    unit = sum(busy / period for busy, period in rows) / share
    jobs = []
    for i, (busy, relative) in enumerate(rows):
        period = ceil(unit * relative)
        jitter = rng.choice((0, rng.randrange(2 * period)))
        jobs.append(Job(i % 4, period, jitter, busy))
    return jobs


def wait_by_definition(job: Job, jobs: list[Job]) -> int:
    """Longest wait over all instants of the busy period at which a frame may come."""
    same = [j for j in jobs if j.rank == job.rank]
    higher = [j for j in jobs if j.rank > job.rank]
    lower = max((j.busy_ns for j in jobs if j.rank < job.rank), default=0)

    def come(rows: list[Job], by: int) -> int:
        return sum(((by + j.jitter_ns) // j.period_ns + 1) * j.busy_ns for j in rows)

    end = 0
    while (again := lower + come(same + higher, max(0, end - 1))) > end:
        end = again
    instants = {
        max(0, n * j.period_ns - j.jitter_ns)
        for j in same
        for n in range((end + j.jitter_ns) // j.period_ns + 1)
    }
    longest = 0
    for instant in (x for x in instants if x < end):
        first = lower + come(same, instant) - job.busy_ns
        wait = first
        while (again := first + come(higher, wait)) > wait:
            wait = again
        longest = max(longest, wait - instant)
    return longest


@pytest.mark.parametrize("share", [0.3, 0.9, 0.97])
def test_waits_are_what_every_instant_by_itself_comes_to(share):
    for seed in range(5):
        jobs = nearly_full(seed, share)
        for job in jobs:
            assert longest_wait(job, jobs) == wait_by_definition(job, jobs)


def test_nearly_full_link_counts_every_frame_once():
    """The longer busy period of six times the streams has some four times the frames."""
    few, many = nearly_full(2, 0.99, 20), nearly_full(2, 0.99, 120)

    def work(jobs: list[Job]) -> int:
        return calls_in(lambda: [longest_wait(job, jobs) for job in jobs[:4]])

    assert work(many) < 6 * work(few)
