"""Bulk transfers as evenly paced streams; the arithmetic is in the comments."""

from __future__ import annotations

from dataclasses import replace

from partitioner.check.judge import assess
from partitioner.model.problem import ReleaseKind, Transfer
from partitioner.network.transfers import (
    carried_streams,
    frame_count,
    pace_ns,
    transfer_streams,
)
from tests.check.ground import MS, ground_layout, ground_problem

UPDATE = Transfer("update", "brain", ("lamp-1", "lamp-2"), 100_001, 10_000 * MS, 1_000)


def with_transfers(*transfers: Transfer):
    return replace(ground_problem(), transfers={t.id: t for t in transfers})


def test_frames_and_pace():
    # 100 full frames and one byte more; 10 s / 101 = 99.0099009... ms, rounded down.
    assert frame_count(UPDATE) == 101
    assert pace_ns(UPDATE) == 99_009_900
    assert frame_count(replace(UPDATE, size_bytes=100_000)) == 100
    assert pace_ns(replace(UPDATE, longest_ns=None)) is None


def test_a_transfer_is_a_sporadic_stream_of_the_lowest_priority():
    (stream,) = transfer_streams(with_transfers(UPDATE)).values()
    assert stream.id == "transfer update"
    assert (stream.source, stream.destinations) == ("brain", ("lamp-1", "lamp-2"))
    assert (stream.period_ns, stream.deadline_ns) == (99_009_900, 99_009_900)
    assert (stream.kind, stream.pcp) == (ReleaseKind.SPORADIC, 0)


def test_without_a_longest_time_nothing_is_carried():
    problem = with_transfers(replace(UPDATE, longest_ns=None))
    assert carried_streams(problem) == problem.streams


def test_transfers_count_in_loads_and_bounds_but_not_in_cost():
    quiet = assess(ground_problem(), ground_layout())
    busy = assess(with_transfers(UPDATE), ground_layout())
    assert busy.findings == ()
    assert [s.stream for s in busy.streams] == [s.stream for s in quiet.streams]
    # 1000 + 22 bytes on line-front: 96 + 64 + 8176 + 8 = 8344 bit times of 100 ns and a loop delay
    # of 1.56 µs plus 5.2 m at 5 ns/m: 835.986 µs every 99.0099 ms = 0.84434 % more.
    more_ppm = busy.segments[0].load_share_ppm - quiet.segments[0].load_share_ppm
    assert more_ppm in (8_443, 8_444)
    for a, b in zip(quiet.streams, busy.streams, strict=True):
        assert b.bound_ns >= a.bound_ns
    assert busy.cost.money == quiet.cost.money


def test_latency_weight_leaves_transfers_out():
    aim = replace(ground_problem().objective, latency_price_per_ms_money=1_000)
    problem = replace(with_transfers(UPDATE), objective=aim)
    found = assess(problem, ground_layout())
    legs = {
        (s.stream, leg.kind, leg.where): leg.priced_ns
        for s in found.streams
        for leg in s.legs
        if leg.kind.value.startswith(("line", "link"))
    }
    assert found.cost.latency_ns == sum(legs.values())
