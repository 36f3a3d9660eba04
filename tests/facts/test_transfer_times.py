"""Bulk transfers: bounds that are analysed, no shorter than the bits, no shorter than simulated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess, assess_facts
from partitioner.errors import InternalFault
from partitioner.facts import transfer_times as study
from partitioner.model.problem import Transfer
from partitioner.pages.layout import study_layout
from partitioner.pages.transfers import transfers_section
from tests.check.ground import MS, facts_of, ground_layout, ground_problem

UPDATE = Transfer("update", "brain", ("lamp-1", "lamp-2"), 100_001, 10_000 * MS, 1_000)
LOG = Transfer("log", "motor-1", ("brain",), 50_000, None, 500)


def facts_with(*transfers: Transfer):
    problem = replace(ground_problem(), transfers={t.id: t for t in transfers})
    return facts_of(problem)


@pytest.fixture(scope="module")
def timed():
    facts = facts_with(UPDATE, LOG)
    return facts, study.transfer_times(facts)


def test_stated_pace_is_the_longest_time_over_the_frames(timed) -> None:
    update = timed[1].rows[0]
    assert update.stated.frames == 101
    # 10 s / 101 rounded down, 100 paces and the bound of the last frame.
    assert update.stated.pace_ns == 99_009_900
    assert update.stated.total_ns == 100 * 99_009_900 + update.stated.frame_bound_ns
    assert update.stated.total_ns <= UPDATE.longest_ns
    assert timed[1].rows[1].stated is None


def test_fast_pace_keeps_every_deadline_and_leaves_room_for_the_bits(timed) -> None:
    _, times = timed
    for row in times.rows:
        fast = row.fastest
        assert fast.total_ns == (fast.frames - 1) * fast.pace_ns + fast.frame_bound_ns
        # 8 + 22 bytes more than the payload and 12 of gap, 100 ns a bit on the line.
        assert fast.pace_ns > (row.transfer.frame_payload_bytes + 42) * 800
        # The pace as a longest time: the check, by its own road, accepts it too.
        longest_ns = fast.pace_ns * fast.frames
        alone = replace(row.transfer, longest_ns=max(longest_ns, fast.total_ns + fast.pace_ns))
        problem = replace(ground_problem(), transfers={alone.id: alone})
        late = [f for f in assess(problem, ground_layout()).findings if f.rule != "load"]
        assert [f for f in late if f.rule in ("deadline", "overload")] == []


def test_totals_are_sums_and_at_once_is_no_faster_than_the_slowest(timed) -> None:
    _, times = timed
    update, log = (row.fastest.total_ns for row in times.rows)
    assert times.one_after_another_ns(["update", "log"]) == update + log
    assert times.one_after_another_ns(["log"]) == log
    assert max(update, log) <= times.at_once_ns


def test_simulated_never_longer_and_near(timed) -> None:
    facts, times = timed
    seen = study.simulated(facts, times, 300 * MS, seed=5)
    for row in seen.rows:
        assert row.seen_for_ns == min(300 * MS, row.fastest.total_ns)
        assert row.seen_ns <= row.fastest.total_ns
        # All but the last frame is pace, so the two cannot lie far apart.
        assert row.seen_ns > 0.9 * row.fastest.total_ns


def test_a_bound_that_is_too_low_is_our_fault(timed) -> None:
    facts, times = timed
    low = tuple(
        replace(row, fastest=replace(row.fastest, frame_bound_ns=1_000)) for row in times.rows
    )
    with pytest.raises(InternalFault, match="longer than its bound"):
        study.simulated(facts, replace(times, rows=low), 50 * MS)


def test_a_late_layout_has_no_fast_pace() -> None:
    problem = replace(ground_problem(), transfers={"log": LOG})
    late = replace(problem.streams["speed"], deadline_ns=1_000)
    problem = replace(problem, streams={**problem.streams, "speed": late})
    times = study.transfer_times(facts_of(problem))
    assert times.rows[0].fastest is None
    assert times.unsearched == 1
    assert times.one_after_another_ns(["log"]) is None


def test_larger_transfers_take_longer() -> None:
    small, large = (
        study.transfer_times(facts_with(replace(LOG, size_bytes=size))).rows[0].fastest
        for size in (50_000, 100_000)
    )
    assert large.pace_ns == small.pace_ns
    assert large.total_ns == small.total_ns + 100 * small.pace_ns


def test_section_has_every_device_segment_and_the_whole(timed) -> None:
    facts, times = timed
    section = transfers_section(facts, times)
    rows, totals = (t.rows for t in section.tables)
    assert [row[5] for row in rows] == ["ok", "warn"]
    names = {(row[0], row[1]) for row in totals}
    assert names == {
        ("device", "lamp-1"),
        ("device", "lamp-2"),
        ("device", "brain"),
        ("device", "motor-1"),
        ("segment", "line-front"),
        ("segment", "link-brain"),
        ("segment", "line-rear"),
        ("whole unit", "one after another"),
        ("whole unit", "all at once"),
    }
    by_name = {row[1]: row[3] for row in totals}
    assert by_name["brain"] == pytest.approx(by_name["lamp-1"] + by_name["motor-1"])
    assert by_name["one after another"] == pytest.approx(by_name["brain"])
    assert transfers_section(facts, study.TransferTimes((), None)) is None


def test_the_report_adds_what_fits_the_layout() -> None:
    problem = replace(ground_problem(), transfers={"update": UPDATE})
    facts = facts_of(problem)
    steps: list[str] = []
    sections = study_layout(
        facts, assess_facts(facts), on_step=steps.append, simulate_ns=100_000_000
    )
    ids = ["timers", "every-build", "growth", "transfers", "failures"]
    assert [s.id for s in sections if s.id in ids] == ids
    assert any(s.id.startswith("sheet-") for s in sections)
    assert steps == [
        "checking every build",
        "timing bulk transfers",
        "making the lists for harness shop and software",
        "looking at the next best places",
    ]
    transfers = next(s for s in sections if s.id == "transfers").tables[0]
    assert transfers.rows[0][-1] == pytest.approx(0.1)


def test_a_layout_that_gives_no_transfer_a_way_has_no_times() -> None:
    layout = ground_layout()
    nowhere = replace(layout, segments=layout.segments[:0])
    problem = replace(ground_problem(), transfers={UPDATE.id: UPDATE})
    times = study.transfer_times(facts_of(problem, nowhere))
    assert [row.is_joined for row in times.rows] == [False]
    assert times.at_once_ns is None
