"""The choice of a port for every device, and the layout that comes of it."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from partitioner.check.judge import assess
from partitioner.solve import compact_search, port_choice
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_search import CompactSearch
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.instance import Delivery
from partitioner.solve.layout_out import to_layout
from partitioner.solve.planner import PlanSettings
from partitioner.solve.port_choice import _fewest
from tests.bench.planted import Planted, planted

SEEDS = (0, 1, 5)
"""Planted machines with and without collisions, with switches at the end and anywhere."""

EFFORT = Effort(60.0, work_limit=20.0)


def _never() -> bool:
    return False


def _run(machine: Planted) -> DirectRun:
    return DirectRun(machine.problem, PlanSettings(work_limit=40))


def _model(run: DirectRun, ease: float = 0.0, *, may_wait: bool = False) -> CompactModel:
    built = run.backbone.quick_backbones()[0]
    model = CompactModel(run.builder, run.backbone, built, 3, {}, ease, may_wait)
    model.deadlines_hold({})
    return model


def _solved(model: CompactModel, start: dict[int, int] | None = None) -> dict[int, int] | None:
    free = None if start is None else set(range(len(model.units))) - set(start)
    return model.solve(start or {}, free, EFFORT)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_layout_is_found_that_the_judge_accepts(seed: int) -> None:
    machine = planted(20, seed)
    run = _run(machine)
    assert CompactSearch(run.search).run(_never)
    found = run.search.incumbent
    assert found is not None
    assert not found.left_out
    assert not assess(machine.problem, to_layout(run.instance, run.backbone, found)).findings


def _hidden(machine: Planted, run: DirectRun, model: CompactModel) -> dict[int, int]:
    """Slot by unit in the layout that a machine was written around."""
    inst = run.instance
    used: Counter[tuple[int, int]] = Counter()
    start: dict[int, int] = {}
    for segment in machine.hidden.segments:
        key = inst.switch_index[segment.switch], inst.grade_index[segment.grade]
        k = model.slots_of(key[1], key[0])[used[key]]
        used[key] += 1
        start |= {model.unit_no[inst.index[d]]: k for d in segment.devices}
    return start


@pytest.mark.parametrize("seed", SEEDS)
def test_the_hidden_layout_is_one_of_the_choices(seed: int) -> None:
    machine = planted(20, seed)
    run = _run(machine)
    # Estimates may be a little above the truth.
    model = _model(run, ease=0.03)
    start = _hidden(machine, run, model)
    assert _solved(model, start) == start


@pytest.mark.parametrize("devices", [20, 40])
@pytest.mark.parametrize("seed", SEEDS)
def test_units_that_wait_for_a_port_never_make_a_choice_impossible(
    devices: int, seed: int
) -> None:
    machine = planted(devices, seed)
    run = _run(machine)
    model = _model(run, ease=0.03, may_wait=True)
    start = _hidden(machine, run, model)
    some = random.Random(seed)
    for share in (0.2, 0.5, 0.8, 1.0):
        waiting = set(some.sample(sorted(start), round(share * len(start))))
        found = model.solve(start, (), EFFORT, waiting=waiting)
        assert found == {u: k for u, k in start.items() if u not in waiting}


def test_units_that_wait_keep_rules_at_switches_and_deadlines() -> None:
    run = _run(planted(20, 1))
    inst = run.instance
    inst.apart_switch.append(tuple(range(inst.n)))
    model = _model(run, may_wait=True)
    everyone = set(range(len(model.units)))

    def waits() -> dict[int, int] | None:
        return model.solve({}, None, EFFORT, waiting=everyone)

    assert inst.n > inst.switch_count
    assert waits() is None, "no two of them at one switch"
    inst.apart_switch.pop()
    model = _model(run, may_wait=True)
    assert waits() == {}
    j, key = next(
        (j, target.key) for j, s in enumerate(inst.streams) for target in s.targets
        if s.source_device is not None and target.device is None
    )
    model.tighten((j, key), inst.streams[j].limit_ns)
    assert waits() is None


def test_ports_chosen_some_at_a_time_make_a_layout(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = planted(40, 5)
    run = _run(machine)
    monkeypatch.setattr(compact_search, "WINDOW", 16)
    monkeypatch.setattr(compact_search, "STEP", 8)
    solve = CompactModel.solve
    asked: list[tuple[int, int]] = []

    def told(
        self: CompactModel, start: Any, free: Any, effort: Any, *, waiting: Any = (), **rest: Any
    ) -> Any:
        asked.append((len(free), len(waiting)))
        assert not set(free) & set(waiting)
        return solve(self, start, free, effort, waiting=waiting, **rest)

    monkeypatch.setattr(CompactModel, "solve", told)
    search = CompactSearch(run.search)
    count = len(search._model.units)
    order = search._order()
    assert sorted(order) == list(range(count))
    assert search.run(_never)
    found = run.search.incumbent
    assert found is not None
    assert not assess(machine.problem, to_layout(run.instance, run.backbone, found)).findings
    assert asked[0] == (16, count - 16)
    assert any(waiting == 0 for _, waiting in asked)


def test_what_was_kept_apart_stays_apart_and_homes_refused_are_not_taken() -> None:
    run = _run(planted(20, 1))
    model = _model(run)
    found = _solved(model)
    assert found is not None
    counts = Counter(found.values())
    k = next(k for k, n in counts.items() if n > 2)
    pair = [u for u in found if found[u] == k][:2]
    slot = model.slots[k]
    model.keep_apart(pair, model.slots_of(slot.grade))
    alone = model.units[pair[0]][0]
    again = _solved(model)
    assert again is not None
    assert again[pair[0]] != again[pair[1]]
    switch = model.slots[again[pair[0]]].switch
    model.forbid_homes([(alone, switch)])
    moved = _solved(model)
    assert moved is None or model.slots[moved[pair[0]]].switch != switch


def test_a_margin_makes_a_choice_impossible_once_it_is_too_large() -> None:
    run = _run(planted(20, 1))
    model = _model(run)
    assert _solved(model) is not None
    stream = run.instance.streams[0]
    model.tighten((0, stream.targets[0].key), stream.limit_ns)
    assert _solved(model) is None


def test_units_that_are_not_free_stay() -> None:
    run = _run(planted(20, 1))
    model = _model(run)
    found = _solved(model)
    assert found is not None
    kept = dict(list(found.items())[5:])
    again = _solved(model, kept)
    assert again is not None
    assert kept.items() <= again.items()


def test_nothing_is_claimed_where_there_are_too_few_ports() -> None:
    machine = planted(20, 1)
    problem = machine.problem
    name, switch = next(iter(problem.switches.items()))
    groups = tuple(replace(g, count=1) for g in switch.port_groups)
    switches = {**problem.switches, name: replace(switch, port_groups=groups)}
    run = DirectRun(replace(problem, switches=switches), PlanSettings(work_limit=40))
    assert not CompactSearch(run.search).run(_never)
    assert run.search.incumbent is None


def test_one_that_is_late_without_its_partner_is_not_kept_off_all_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = _run(planted(20, 1))
    search = CompactSearch(run.search)
    found = _solved(search._model)
    assert found is not None
    k, count = Counter(found.values()).most_common(1)[0]
    assert count > 2
    units = [u for u in found if found[u] == k]
    search._slots = dict.fromkeys(units, k)
    kept: list[list[int]] = []
    monkeypatch.setattr(search._model, "keep_apart", lambda few, slots: kept.append(list(few)))
    monkeypatch.setattr(search, "_laid", lambda slot, us: None)
    monkeypatch.setattr(search, "_is_slow", lambda slot, us: units[0] in us)
    assert search._lay() == set(units)
    monkeypatch.setattr(search, "_is_slow", lambda slot, us: set(units[:2]) <= set(us))
    search._lay()
    assert kept == [units, units[:2]]


def test_few_units_are_blamed() -> None:
    assert _fewest([1, 2, 3, 4, 5], lambda units: {2, 4} <= set(units)) == [2, 4]


def test_repairs_that_lead_nowhere_end_over_other_links(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = planted(60, 9)
    run = _run(machine)
    search = CompactSearch(run.search)
    trees = search._backbones
    assert len(trees) > 2, "there is no choice of links"
    built: list[dict[int, str]] = []

    def lay() -> set[int]:
        built.append(dict(search._built))
        return {0}

    monkeypatch.setattr(search, "_lay", lay)
    monkeypatch.setattr(compact_search, "MOST_REPAIRS", 2)
    monkeypatch.setattr(compact_search, "COUNTED_TRIES", 6)
    assert not search.run(_never)
    seen = list(dict.fromkeys(tuple(sorted(b.items())) for b in built))
    assert len(seen) > 1
    assert all(dict(b) in trees for b in seen)


@pytest.mark.parametrize("ease", [0.0, compact_search.MOST_EASE])
@pytest.mark.parametrize("seed", SEEDS)
def test_margins_allow_what_was_in_time_and_refuse_what_was_late(seed: int, ease: float) -> None:
    machine = planted(20, seed)
    run = _run(machine)
    search = CompactSearch(run.search)
    assert search.run(_never)
    best = run.search.incumbent
    assert best is not None
    judge = run.search.judge
    columns = [c.column for c in best.choices]
    delays = judge._delays.of(columns, judge.ways(best), best.backbone)
    slots, usual = search._slots, search._switches()

    def is_allowed(total_ns: dict) -> bool:
        model = CompactModel(run.builder, run.backbone, dict(best.backbone), 3, usual, ease)
        model.deadlines_hold({})
        model.estimate_anew(usual, delays.behind_ns)
        model.deadlines_hold(model.margins_ns(slots, total_ns, {}))
        return _solved(model, slots) == slots

    streams = run.instance.streams
    for (j, _), ns in delays.total_ns.items():
        assert ns is not None
        assert ns <= streams[j].limit_ns
    assert is_allowed(dict(delays.total_ns))
    for j, key in random.Random(seed).sample(sorted(delays.total_ns, key=repr), 5):
        late = 2 * streams[j].limit_ns
        assert not is_allowed({**delays.total_ns, (j, key): late})
        assert not is_allowed({**delays.total_ns, (j, key): None}), "it has no bound"


def _deliveries(run: DirectRun) -> list[Delivery]:
    """From a device to a device or a switch, each of a stream of its own."""
    return [
        (j, s.targets[0].key) for j, s in enumerate(run.instance.streams)
        if s.source_device is not None
    ]


def test_a_delivery_may_stay_late_where_that_is_left_open() -> None:
    run = _run(planted(20, 1))
    model = _model(run)
    hopeless, *others = _deliveries(run)
    model.tighten(hopeless, run.instance.streams[hopeless[0]].limit_ns)

    def choice(**left_open: Any) -> set[Delivery] | None:
        found = model.solve({}, None, EFFORT, **left_open)
        return None if found is None else model.late

    assert choice() is None
    assert model.has_none
    assert choice(late=[hopeless]) == {hopeless}
    assert choice(late=others) is None
    assert choice(soft=[hopeless, others[0]]) == {hopeless}
    assert choice(soft=[hopeless]) is None, "one at least comes to be in time"
    assert choice(soft=[hopeless, *others], most_late=0) is None
    late = choice(soft=[hopeless, *others], most_late=2)
    assert late is not None
    assert hopeless in late
    assert len(late) <= 2


def test_what_cannot_be_in_time_yet_does_not_keep_others_late() -> None:
    machine = planted(40, 5)
    run = _run(machine)
    search = CompactSearch(run.search)
    assert search.run(_never)
    before = dict(search._slots)
    hopeless, *others = _deliveries(run)
    search._model.tighten(hopeless, run.instance.streams[hopeless[0]].limit_ns)
    search._late = {hopeless}
    assert not search._less_is_late(_never)
    assert search._slots == before
    search._late = {hopeless, *others[:3]}
    assert search._less_is_late(_never)
    assert search._slots.keys() == before.keys()


def test_units_stay_where_they_are_when_more_switches_come_into_question() -> None:
    run = _run(planted(40, 5))
    search = CompactSearch(run.search)
    assert search.run(_never)
    slots = search._slots
    hangs = {u: search._model.slots[k] for u, k in slots.items()}
    homes = sum(map(len, search._model.homes))
    again = search._look_further(slots)
    assert {u: search._model.slots[k] for u, k in again.items()} == hangs
    assert sum(map(len, search._model.homes)) > homes
    # Who shared a port still does.
    for a, b in pairwise(sorted(slots)):
        assert (slots[a] == slots[b]) == (again[a] == again[b])


def test_who_is_late_again_is_late_by_the_estimate_too() -> None:
    run = _run(planted(20, 1))
    search = CompactSearch(run.search)
    assert search.run(_never)
    best = run.search.incumbent
    assert best is not None
    verdict = run.search.judged(best, with_cuts=False)
    late = _deliveries(run)[0]
    limit_ns = run.instance.streams[late[0]].limit_ns
    missed = replace(
        verdict, late_ns={late: 1_000},
        delays=replace(
            verdict.delays, total_ns={**verdict.delays.total_ns, late: limit_ns + 1_000}
        ),
    )
    slots = dict(search._slots)
    search._estimate_as(missed)
    assert search._margin_ns[late] == 1_000
    assert _solved(search._model, slots) == slots, "the estimate is far too low for that"
    least_ns = int(port_choice.LEAST_MARGIN * limit_ns)
    for times in (1, 2, 3):
        search._estimate_as(missed)
        assert search._margin_ns[late] >= 1_000 + times * least_ns
        assert _solved(search._model, slots) is None
    search._estimate_as(verdict)
    assert search._margin_ns.get(late, 0) <= 0


def test_a_search_without_an_end_is_made_the_other_way_then_with_more_switches(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = _run(planted(20, 1))
    search = CompactSearch(run.search)
    asked: list[tuple[int, int]] = []

    def no_end(*args: object, **kwargs: object) -> None:
        asked.append((search._seed % 2, search._near))

    monkeypatch.setattr(search, "_solve", no_end)
    assert search._choose_all(_never) is None
    few, more = compact_search.FIRST_NEAR, compact_search.NEAR
    assert asked == [(0, few), (1, few), (1, more), (0, more)]


def test_what_keeps_all_from_a_port_stays_late_for_now(monkeypatch: pytest.MonkeyPatch) -> None:
    run = _run(planted(20, 1))

    def chosen() -> set[Delivery] | None:
        search = CompactSearch(run.search)
        search._near = compact_search.NEAR
        search._model = search._new_model({})
        for delivery in hopeless:
            search._model.tighten(delivery, run.instance.streams[delivery[0]].limit_ns)
        return None if search._choose_all(_never) is None else search._late

    hopeless = _deliveries(run)[: compact_search.FEW_LATE + 1]
    assert chosen() is None, "few devices are chosen for at once, with all deadlines"
    monkeypatch.setattr(compact_search, "WINDOW", 12)
    monkeypatch.setattr(compact_search, "STEP", 8)
    assert chosen() is None, "one of thirty devices may be late, but two in any case"
    monkeypatch.setattr(compact_search, "SOME_LATE", 0.3)
    late = chosen()
    assert late is not None
    assert late.issuperset(hopeless)


@pytest.mark.parametrize("is_slow", [True, False])
def test_more_may_stay_late_where_a_search_had_no_end(
    monkeypatch: pytest.MonkeyPatch, is_slow: bool
) -> None:
    run = _run(planted(20, 1))
    search = CompactSearch(run.search)
    search._model = search._new_model({})
    asked: list[int] = []

    def none(*args: object, most_late: int, **kwargs: object) -> None:
        asked.append(most_late)

    monkeypatch.setattr(search, "_solve", none)
    monkeypatch.setattr(compact_search, "SOME_LATE", 0.25)
    assert search._choose_some_late({0}, _never, {}, (), is_none=not is_slow) is None
    assert asked == ([5, len(search._model.in_time)] if is_slow else [compact_search.FEW_LATE, 5])


def test_few_units_move_where_few_have_to() -> None:
    run = _run(planted(20, 1))
    model = _model(run)
    start = _solved(model)
    assert start is not None
    moved: dict[bool, list[int]] = {True: [], False: []}
    for u, k in start.items():
        for few_move, counts in moved.items():
            found = model.solve(
                start, None, EFFORT, rows=[model.hangs[u, k] == 0], few_move=few_move
            )
            if found is not None:
                counts.append(sum(found[v] != k for v, k in start.items()))
    assert len(moved[True]) == len(moved[False]) > 0
    assert all(0 < few <= some for few, some in zip(moved[True], moved[False], strict=True))
    assert sum(moved[True]) < sum(moved[False])


def test_a_unit_that_has_to_move_goes_to_the_nearest_line_that_takes_it() -> None:
    run = _run(planted(40, 1))
    model = _model(run)
    start = _solved(model)
    assert start is not None
    inst = run.instance

    def away_um(u: int, k: int) -> int:
        on = [i for v, at in start.items() if at == k for i in model.units[v]]
        slot = model.slots[k]
        if on and inst.grades[slot.grade].is_line:
            return int(inst.way_um(list(model.units[u]), on).min())
        return int(inst.switch_um[slot.switch, list(model.units[u])].min())

    compared = 0
    for u, k in list(start.items())[::2]:
        left = [model.hangs[u, k] == 0]
        found = model.solve(start, None, EFFORT, rows=left, few_move=True)
        if found is None or sum(found[v] != at for v, at in start.items()) != 1:
            continue
        for at in [at for at in model.on_slot if (u, at) in model.hangs and at != k]:
            if away_um(u, at) < 0.9 * away_um(u, found[u]):
                compared += 1
                there = [*left, model.hangs[u, at] == 1]
                assert model.solve(start, {u}, EFFORT, rows=there) is None
    assert compared


def test_what_is_found_is_made_better_for_so_long(monkeypatch: pytest.MonkeyPatch) -> None:
    run = _run(planted(40, 2))
    search = CompactSearch(run.search)
    assert search.run(_never)
    efforts: list[Effort] = []
    solve = CompactModel.solve

    def told(self: CompactModel, start: Any, free: Any, effort: Effort, **rest: Any) -> Any:
        efforts.append(effort)
        return solve(self, start, free, effort, **rest)

    monkeypatch.setattr(CompactModel, "solve", told)
    units = set(range(len(search._model.units)))
    counted = run.search.limits
    for limits in (counted, replace(counted, work_limit=None)):
        run.search.limits = limits
        assert search._solve(units, _never) is not None
    assert [e.better_s for e in efforts] == [None, compact_search.BETTER_S], "answers repeat"
