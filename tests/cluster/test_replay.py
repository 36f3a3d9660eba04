"""The list scheduler of the bench, on tasks whose end is known by hand."""

from __future__ import annotations

import pytest

from tests.bench.big_plan import LINK_BYTES_PER_S, replay

MASTER = {"alone": "first master", "s": 3.0}


def task(kind: str, work_s: float, **more: object) -> dict[str, object]:
    still = {"make_s": 0.0, "take_s": 0.0, "bytes": 0, "bytes_back": 0}
    return {"task": kind, "work_s": work_s, **still, **more}


def region(number: int, *touches: int) -> dict[str, object]:
    return task("RegionTask", 10.0, region=number, touches=list(touches), sweep=0)


def test_parts_are_shared_out_and_steps_alone_are_not() -> None:
    trace = [MASTER, *[task("PlanTask", 10.0)] * 4]
    assert [replay(trace, n).total_s for n in (1, 2, 3, 4, 64)] == [43.0, 23.0, 23.0, 13.0, 13.0]
    assert replay(trace, 64).alone_s == 3.0


def test_regions_that_touch_wait_for_each_other() -> None:
    chain = [region(0, 1), region(1, 0, 2), region(2, 1)]
    assert replay([MASTER, *chain], 64).total_s == 23.0
    apart = [region(k) for k in range(3)]
    assert replay([MASTER, *apart], 64).total_s == 13.0


def test_what_the_program_does_for_a_task_is_done_one_by_one() -> None:
    slow = [task("PlanTask", 10.0, make_s=1.0, take_s=2.0) for _ in range(3)]
    done = replay([MASTER, *slow], 64)
    # Made after 1, 2 and 3 s, back after 11, 12 and 13 s, taken in one after the other.
    assert done.total_s == 3.0 + 11.0 + 2.0 * 3
    assert done.coordinating_s == 9.0


def test_sending_takes_the_time_of_the_link() -> None:
    heavy = task("PlanTask", 1.0, bytes=LINK_BYTES_PER_S, bytes_back=2 * LINK_BYTES_PER_S)
    done = replay([MASTER, heavy], 2)
    assert done.total_s == pytest.approx(3.0 + 1.0 + 1.0 + 2.0)
    assert done.sending_s == pytest.approx(3.0)


def test_the_longest_task_of_a_stage_is_told() -> None:
    trace = [task("SeedTask", 2.0), MASTER, region(0), task("SeedTask", 30.0)]
    told = {name: (s, longest) for name, s, longest in replay(trace, 64).stages}
    assert told["first lines"] == (2.0, 2.0)
    assert told["regions of the bound, sweep 1"] == (30.0, 30.0)
