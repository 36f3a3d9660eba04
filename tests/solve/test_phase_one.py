"""Phase one: incomplete layouts that keep all rules, until every device has a home."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import pytest

from partitioner.check.judge import assess
from partitioner.model.problem import BackboneShape, Group, GroupKind
from partitioner.solve.backbone import BackboneData
from partitioner.solve.basic_columns import basic_columns
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.exchange_columns import exchange_columns
from partitioner.solve.instance import Instance
from partitioner.solve.layout_in import columns_of
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Choice, Selection
from partitioner.solve.phase_one import PhaseOne
from partitioner.solve.planner import PlanSettings
from partitioner.solve.verify import Verdict
from tests.bench.planted import Planted, planted
from tests.brute.random_problems import random_problem


def _never() -> bool:
    return False


@pytest.fixture(scope="module")
def machine() -> Planted:
    return planted(20, 1)


@pytest.fixture(scope="module")
def run(machine: Planted) -> DirectRun:
    return DirectRun(machine.problem, PlanSettings(work_limit=40))


def test_exchanges_alone_lead_from_single_devices_to_a_layout(
    machine: Planted, run: DirectRun
) -> None:
    basics = basic_columns(run.builder, 8)
    assert PhaseOne(run.search).run(basics, [], _never, steps=60)
    found = run.search.incumbent
    assert found is not None
    assert not found.left_out
    layout = to_layout(run.instance, run.backbone, found)
    assert not assess(machine.problem, layout).findings


def test_steps_are_counted(machine: Planted) -> None:
    run = DirectRun(machine.problem, PlanSettings(work_limit=40))
    phase = PhaseOne(run.search)
    assert not phase.run(basic_columns(run.builder, 8), [], _never, steps=0)
    found = run.search.incumbent
    assert found is not None
    assert found.left_out, "one choice among single devices leaves some out"



def test_places_are_sought_in_turns_for_units_as_a_whole(
    machine: Planted, run: DirectRun
) -> None:
    inst = run.instance
    unit = inst.together[0]
    columns = [c for c in columns_of(run.builder, machine.hidden) if unit[0] not in c.devices]
    out = tuple(sorted(set(range(inst.n)).difference(*(c.devices for c in columns))))
    choices = tuple(Choice(c, inst.ports_of[c.switch, c.grade][0]) for c in columns)
    now = Selection(choices, tuple(range(inst.switch_count)), (), 0, out)
    phase = PhaseOne(run.search)
    phase.weight[unit[0]] = 2 * max(phase.weight)
    assert phase._sought(now).issuperset(unit), "the heaviest comes first, and with it its unit"
    for _ in out:
        phase._sought(now)
    assert all(phase.turns[i] for i in out), "nobody waits while another comes twice"


def test_small_neighbourhoods_are_those_nearest(machine: Planted, run: DirectRun) -> None:
    phase = PhaseOne(run.search)
    inst = run.instance
    columns = columns_of(run.builder, machine.hidden)
    choices = tuple(Choice(c, inst.ports_of[c.switch, c.grade][0]) for c in columns[1:])
    out = columns[0].devices
    now = Selection(choices, tuple(range(inst.switch_count)), (), 0, out)
    phase._near = 1
    free = phase._free(now, out)
    assert len(free) == 1, "one segment is as many devices as may move"
    way = [run.search.distance_between(out, c.column.devices) for c in choices]
    assert way[free.pop()] == min(way)


def test_exchanges_are_all_sets_one_unit_away() -> None:
    problem = random_problem(7, 7, switches=1, links=False, backbone=None)
    # Length is no matter, so the place of a device on its line is none either.
    limits = {g: replace(k, length_um=10 * k.length_um) for g, k in problem.limits.items()}
    problem = replace(problem, limits=limits)
    builder = ColumnBuilder(Instance(problem))
    inst = builder.instance
    lines = [c for c in (builder.line(0, 0, (0, 1)), builder.line(0, 0, (2, 3))) if c is not None]
    assert len(lines) == 2, "the problem lets both pairs share a line"
    made = exchange_columns(builder, lines, [4, 5], inst.n, 1, _never)
    movable = {0, 1, 2, 3, 4, 5}
    wanted = set()
    for line in lines:
        own = frozenset(line.devices)
        for less in (own, *(own - {i} for i in own)):
            wanted.add(less)
            wanted |= {less | {i} for i in movable - own}
    possible = {s for s in wanted if builder.orders(0, 0, s)}
    assert {frozenset(c.devices) for c in made} == possible
    assert len(made) == len(set(made))


def test_groups_that_must_be_together_move_together() -> None:
    machine = planted(60, 0)
    builder = ColumnBuilder(Instance(machine.problem))
    groups = [frozenset(g) for g in builder.instance.together]
    assert groups
    lines = columns_of(builder, machine.hidden)
    for column in exchange_columns(builder, lines, [], 6, 2, _never):
        inside = [g & set(column.devices) for g in groups]
        assert all(part in (set(), g) for part, g in zip(inside, groups, strict=True))


def test_chained_groups_are_one_unit() -> None:
    problem = random_problem(7, 7, switches=1, links=False, backbone=None)
    d = list(problem.devices)
    chained = tuple(
        Group(f"g{a}", GroupKind.TOGETHER, (d[b], d[a])) for a, b in ((0, 3), (3, 5))
    )
    instance = Instance(replace(problem, groups=chained))
    assert [instance.unit_of[i] for i in range(7)] == [
        (0, 3, 5), (1,), (2,), (0, 3, 5), (4,), (0, 3, 5), (6,),
    ]  # fmt: skip


def test_backbones_with_most_room_in_pathways_come_in_turn_with_the_quickest() -> None:
    problem = planted(60, 3).problem
    backbone = BackboneData(Instance(problem))
    ends = {frozenset(link.ends): k for k, link in enumerate(backbone.links) if link.grades}
    caps = {w.id: w.max_cables for w in problem.pathways if w.max_cables}
    shares = {
        k: sum(1 / caps[p] for p in backbone.link_passes(k) if p in caps) for k in ends.values()
    }
    taken = {
        links: sum(shares[k] for k in links)
        for tree in nx.SpanningTreeIterator(nx.Graph([tuple(e) for e in ends]))
        for links in [frozenset(ends[frozenset(e)] for e in tree.edges)]
    }
    first, second, *_ = (taken[frozenset(tree)] for tree in backbone.quick_backbones())
    assert first == pytest.approx(min(taken.values()))
    assert second > first
    wide = replace(problem, pathways=tuple(replace(w, max_cables=None) for w in problem.pathways))
    quickest = BackboneData(Instance(wide)).quick_backbones()[0]
    assert quickest == backbone.quick_backbones()[1]


def test_backbones_of_a_walk_are_trees_the_quickest_first() -> None:
    """Where no pathway is limited."""
    problem = planted(60, 2).problem
    problem = replace(
        problem, pathways=tuple(replace(w, max_cables=None) for w in problem.pathways)
    )
    backbone = BackboneData(Instance(problem))
    assert backbone.shape is BackboneShape.TREE
    trees = backbone.quick_backbones()
    quick = trees[0]
    rates = problem.catalogue.grades
    for k, grade in quick.items():
        assert rates[grade].rate_bps == max(rates[g].rate_bps for g in backbone.links[k].grades)
    ends = {frozenset(link.ends): k for k, link in enumerate(backbone.links) if link.grades}
    graph = nx.Graph([tuple(e) for e in ends])
    urgency = backbone._urgency()
    crossed = []
    for tree in nx.SpanningTreeIterator(graph):
        hops = nx.floyd_warshall_numpy(tree, range(len(urgency)))
        links = {ends[frozenset(e)] for e in tree.edges}
        crossed.append((float((hops * urgency).sum()), links))
    assert min(crossed, key=lambda c: c[0])[1] == set(quick)
    hops = backbone._hops_in(frozenset(quick))
    old = min(quick)
    others = set(ends.values()) - set(quick)
    after = dict(backbone._crossed_after(hops, old, others, urgency + urgency.T))
    assert after
    for new, value in after.items():
        tree = set(quick) - {old} | {new}
        assert value == pytest.approx(next(v for v, links in crossed if links == tree))
    rank = {frozenset(links): value for value, links in crossed}
    values = [rank[frozenset(tree)] for tree in trees]
    assert len(values) > 1
    assert values == sorted(values)


def test_a_device_is_taken_off_with_those_it_must_be_with(
    machine: Planted, run: DirectRun
) -> None:
    inst = run.instance
    columns = columns_of(run.builder, machine.hidden)
    choices = tuple(Choice(c, inst.ports_of[c.switch, c.grade][0]) for c in columns)
    selection = Selection(choices, tuple(range(inst.switch_count)), (), 0)
    assert inst.together
    for unit in (inst.together[0], next((i,) for i in range(inst.n) if not _grouped(inst, i))):
        shorter = PhaseOne(run.search)._without(selection, unit[0])
        assert shorter is not None
        assert shorter.left_out == tuple(sorted(unit))
        on = [i for c in shorter.choices for i in c.column.devices]
        assert sorted(on) == sorted(set(range(inst.n)) - set(unit))


def _grouped(instance: Instance, device: int) -> bool:
    return any(device in group for group in instance.together)


def test_all_that_is_late_is_taken_off_at_once_where_judging_takes_long(
    machine: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = DirectRun(machine.problem, PlanSettings(work_limit=40))
    search = run.search
    assert CompactSearch(search).run(_never)
    whole = search.incumbent
    assert whole is not None
    streams = run.instance.streams
    late = [
        (j, s.targets[0].key) for j, s in enumerate(streams) if s.source_device is not None
    ][:4]
    asked = []

    def judged(selection: Selection, *, with_cuts: bool = True) -> Verdict:
        asked.append(selection)
        gone = set(selection.left_out)
        missed = {
            (j, key): 1_000 for j, key in late
            if gone.isdisjoint({streams[j].source_device, key[0]})
        }
        return Verdict(crowded=False, cuts=(), late_ns=missed)

    monkeypatch.setattr(search, "judged", judged)
    phase = PhaseOne(search)
    first = judged(whole)
    assert not first.holds
    found = phase.shortened(whole, first, at_once=True)
    assert found is not None
    assert found[1].holds
    assert len(asked) == 2
    one_by_one = phase.shortened(whole, first)
    assert one_by_one is not None
    assert one_by_one[1].holds
    assert len(asked) > 3
    assert whole.left_out == ()
    assert 0 < len(found[0].left_out) <= len(late) * max(map(len, run.instance.unit_of))
