"""Ports of regions chosen anew for less, and what is offered of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Selection
from partitioner.solve.planner import PlanSettings
from partitioner.solve.port_regions import PortRegions
from partitioner.solve.search import Study
from tests.bench.planted import Planted, planted


def _never() -> bool:
    return False


def _begun(machine: Planted, study: Study | None = None) -> DirectRun:
    """A run that has a layout of the compact model."""
    run = DirectRun(machine.problem, PlanSettings(work_limit=20), study=study)
    assert CompactSearch(run.search).run(_never)
    return run


def _best(run: DirectRun) -> Selection:
    assert run.search.incumbent is not None
    return run.search.incumbent


@pytest.mark.parametrize("seed", [0, 3])
def test_what_is_offered_is_cheaper_and_keeps_all_rules(seed: int) -> None:
    machine = planted(20, seed)
    run = _begun(machine)
    before = _best(run).cost
    regions = PortRegions(run.search)
    gained = regions.run(24, 3.0, _never)
    assert gained >= 1
    found = _best(run)
    assert found.cost < before
    seen = assess(machine.problem, to_layout(run.instance, run.backbone, found))
    assert not seen.findings
    assert seen.cost.objective_money == found.cost


def test_it_goes_on_from_a_layout_found_elsewhere() -> None:
    run = _begun(planted(20, 0))
    dear = _best(run)
    regions = PortRegions(run.search)
    while regions.run(24, 3.0, _never):
        pass
    cheap = _best(run)
    tried = dict(regions._tried)
    assert tried
    # Nothing is tried again where nothing has changed.
    assert not regions.run(24, 3.0, _never)
    assert regions._tried == tried
    run.search.incumbent, run.search.incumbent_value = dear, dear.cost
    assert regions.run(24, 3.0, _never)
    assert cheap.cost <= _best(run).cost < dear.cost


def test_units_stay_off_switches_that_are_closed() -> None:
    run = _begun(planted(20, 0))
    best = _best(run)
    closed = best.open_switches[0]
    moved = {
        u for u, unit in enumerate(dict.fromkeys(run.instance.unit_of))
        if any(c.column.switch == closed and unit[0] in c.column.devices for c in best.choices)
    }
    assert moved
    run.search.incumbent = replace(best, open_switches=best.open_switches[1:])
    regions = PortRegions(run.search)
    switches = regions._switches()
    assert moved == {u for u in switches if switches[u] == closed}
    rest = set(regions._slots) - moved
    assert regions._solve(rest, 3.0, _never, best.cost) is None, "those there cannot stay"
    assert regions._model.has_none


def test_a_price_of_change_counts_for_what_is_kept() -> None:
    """What a study adds to each choice makes all but the first layout too dear."""
    first: list[Selection] = []

    def charge(selection: Selection) -> int:
        if not first:
            first.append(selection)
        return 0 if selection.choices == first[0].choices else 2**40

    run = _begun(planted(20, 1), Study(charge=charge))
    assert PortRegions(run.search).run(24, 3.0, _never) == 0
    assert _best(run) is first[0]
