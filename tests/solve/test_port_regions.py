"""Ports of regions chosen anew for less, and what is offered of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.solve import port_regions
from partitioner.solve.backbone import BackboneData
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.exchange_columns import NEAR, NEAREST_SWITCHES, exchange_columns
from partitioner.solve.instance import Instance
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Selection
from partitioner.solve.planner import PlanSettings
from partitioner.solve.port_regions import IDLE_STRETCHES, PortRegions
from partitioner.solve.search import Study
from partitioner.solve.verify import Verdict
from tests.bench.planted import Planted, planted


@pytest.fixture(autouse=True)
def short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few steps to a stretch, since problems here are small."""
    monkeypatch.setattr(port_regions, "STRETCH", 8)


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


@pytest.mark.parametrize("seed", [1, 3])
def test_what_is_offered_is_cheaper_and_keeps_all_rules(seed: int) -> None:
    machine = planted(20, seed)
    run = _begun(machine)
    before = _best(run).cost
    regions = PortRegions(run.search)
    assert any(regions.run(_never, 1) for _ in range(3))
    found = _best(run)
    assert found.cost < before
    seen = assess(machine.problem, to_layout(run.instance, run.backbone, found))
    assert not seen.findings
    assert seen.cost.objective_money == found.cost


def test_it_goes_on_from_a_layout_found_elsewhere() -> None:
    run = _begun(planted(20, 1))
    dear = _best(run)
    regions = PortRegions(run.search)
    while any(regions.run(_never, 1) for _ in range(3)):
        pass
    cheap = _best(run)
    run.search.incumbent, run.search.incumbent_value = dear, dear.cost
    assert regions.run(_never, 1)
    assert cheap.cost <= _best(run).cost < dear.cost


def test_it_leaves_a_layout_that_no_region_makes_cheaper(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each layout walked over keeps all rules, costs little more, and differs."""
    monkeypatch.setattr(port_regions, "DEVIATION", 0.05)
    monkeypatch.setattr(port_regions, "DEARER", 0.05)
    run = _begun(planted(20, 0))
    regions = PortRegions(run.search)
    walked: list[Selection] = []
    judged = run.search.judged

    def watch(selection: Selection, *, with_cuts: bool = True) -> Verdict:
        verdict = judged(selection, with_cuts=with_cuts)
        if verdict.holds and not with_cuts:
            walked.append(selection)
        return verdict

    run.search.judged = watch  # type: ignore[method-assign]
    regions.run(_never, 1)
    best = _best(run)
    others = [s for s in walked if set(s.choices) != set(best.choices)]
    assert others
    assert all(s.cost <= 1.05 * best.cost for s in walked)
    for other in others[:3]:
        seen = assess(run.instance.problem, to_layout(run.instance, run.backbone, other))
        assert not seen.findings


def test_what_was_met_in_different_steps_comes_together() -> None:
    """Of two layouts that are each cheaper elsewhere, the segments make one that is cheaper."""
    run = _begun(planted(40, 2))
    begun, value = _best(run), run.search.incumbent_value
    met = []
    for seed in (0, 1):
        run.search.incumbent, run.search.incumbent_value = begun, value
        run.search.limits.seed = seed
        calls = iter(range(2**30))
        PortRegions(run.search).run(lambda calls=calls: next(calls) > 40)  # type: ignore[misc]
        met.append(_best(run))
    assert met[0].choices != met[1].choices
    run.search.incumbent, run.search.incumbent_value = begun, value
    regions = PortRegions(run.search)
    regions._met = dict.fromkeys(c.column for s in met for c in s.choices)
    regions._combine(_never)
    assert _best(run).cost <= min(s.cost for s in met)


def test_where_steps_gain_nothing_no_exchange_of_units_makes_it_cheaper(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without a step, it ends where moving a unit, or exchanging two, is no cheaper."""
    monkeypatch.setattr(port_regions, "STRETCH", 0)
    run = _begun(planted(40, 2))
    regions = PortRegions(run.search)
    assert regions.run(_never, 8)
    best = _best(run)
    near = exchange_columns(run.builder, best.columns, (), NEAR, NEAREST_SWITCHES, _never)
    run.search.master_over_pool([*best.columns, *near], 10.0, soft=False)
    assert _best(run).cost == best.cost
    assert not assess(
        run.instance.problem, to_layout(run.instance, run.backbone, best)
    ).findings


def test_another_link_takes_the_place_of_one() -> None:
    """Three switches with all three links between them: two other trees."""
    backbone = BackboneData(Instance(planted(40, 3).problem))
    built = {0: backbone.links[0].grades[0], 1: backbone.links[1].grades[0]}
    trees = backbone.exchanges(built)
    assert sorted(sorted(tree) for tree in trees) == [[0, 2], [1, 2]]
    for tree in trees:
        assert all(g in backbone.links[k].grades for k, g in tree.items())
        assert all(tree[k] == built[k] for k in tree.keys() & built)


def test_a_backbone_that_is_fixed_has_no_other() -> None:
    backbone = BackboneData(Instance(planted(40, 0).problem))
    built = {k: link.grades[0] for k, link in enumerate(backbone.links)}
    assert backbone.exchanges(built) == []


def test_the_walk_goes_on_over_another_backbone() -> None:
    run = _begun(planted(40, 3))
    regions = PortRegions(run.search)
    over = {frozenset(dict(_best(run).backbone))}
    for _ in range(4):
        regions._relink(_never)
        over.add(frozenset(regions._built))
    assert len(over) > 1


def test_the_walk_begins_anew_after_a_few_stretches_without_gain(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """However many stretches it is asked for at once."""
    regions = PortRegions(_begun(planted(20, 1)).search)
    monkeypatch.setattr(regions, "_step", lambda over: None)
    begun = list[int]()

    def begin(over: Callable[[], bool]) -> None:
        begun.append(len(stretches))
        regions._go_to_best()

    monkeypatch.setattr(regions, "_relink", begin)
    stretches = list[int]()
    while len(stretches) <= 2 * IDLE_STRETCHES:
        stretches.append(1)
        regions.run(_never, 1)
    assert begun == [IDLE_STRETCHES, 2 * IDLE_STRETCHES]


def test_what_a_refuted_choice_teaches_does_not_forbid_the_present_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else no region had any choice until the walk begins anew."""
    run = _begun(planted(20, 1))
    regions = PortRegions(run.search)
    judged = run.search.judged
    late_ns = {
        (j, target.key): stream.limit_ns
        for j, stream in enumerate(run.instance.streams) for target in stream.targets
    }
    refuted = []

    def all_late(selection: Selection, *, with_cuts: bool = True) -> Verdict:
        refuted.append(selection)
        return replace(judged(selection, with_cuts=with_cuts), late_ns=late_ns)

    monkeypatch.setattr(run.search, "judged", all_late)
    for _ in range(10):
        regions._step(_never)
    assert refuted
    assert regions._model.solve(regions._slots, (), Effort(10.0)) == regions._slots


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
    assert regions._solve(rest, _never, best.cost) is None, "those there cannot stay"
    assert regions._model.has_none


def test_a_price_of_change_counts_for_what_is_kept() -> None:
    """What a study adds to each choice makes all but the first layout too dear."""
    first: list[Selection] = []

    def charge(selection: Selection) -> int:
        if not first:
            first.append(selection)
        return 0 if selection.choices == first[0].choices else 2**40

    run = _begun(planted(20, 1), Study(charge=charge))
    assert not PortRegions(run.search).run(_never, 1)
    assert _best(run) is first[0]
