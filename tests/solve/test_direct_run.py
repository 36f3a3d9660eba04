"""A run over all devices at once."""

from __future__ import annotations

import pytest

from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted


def test_ports_are_chosen_anew_until_time_is_up_where_regions_lead_no_further(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = 0.0
    run = DirectRun(planted(20, 9).problem, PlanSettings(time_limit_s=60.0), lambda: now)
    assert CompactSearch(run.search).run(lambda: False)
    monkeypatch.setattr(run.search, "sweep", lambda size: False)

    def walked(seconds: float) -> bool:
        nonlocal now
        now += seconds
        return False

    monkeypatch.setattr(run, "_cheaper_ports", walked)
    run.improve()
    assert now >= 60.0
    assert run.ending(False) == "time limit"
