"""What crosses the way of a delivery, as the compact model counts it once it may change."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import pytest
from ortools.sat.python import cp_model

from partitioner.solve.compact_crossing import Crossing
from partitioner.solve.compact_legs import STEP_NS, steps
from partitioner.solve.compact_model import FAR, CompactModel
from partitioner.solve.compact_search import MORE_WORTH, CompactSearch
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.instance import Delivery
from partitioner.solve.planner import PlanSettings
from partitioner.timing.frames import slot_on_link_ns
from tests.bench.planted import planted

EFFORT = Effort(60.0, work_limit=20.0)
Slots = dict[int, int]
Pair = tuple[int, int]


@pytest.fixture(scope="module")
def run() -> DirectRun:
    return DirectRun(planted(40, 5).problem, PlanSettings(work_limit=40))


@pytest.fixture
def model(run: DirectRun) -> CompactModel:
    built = run.backbone.quick_backbones()[0]
    model = CompactModel(run.builder, run.backbone, built, 3, {}, 0.0)
    model.deadlines_hold({})
    return model


def _choices(model: CompactModel) -> list[Slots]:
    """Some choices, the first of which is the usual one from then on."""
    choices: list[Slots] = []
    for seed in range(4):
        effort = Effort(60.0, seed=seed, work_limit=20.0)
        found = model.solve({}, None, effort, late=model.in_time)
        assert found is not None
        choices.append(found)
    model.estimate_anew({u: model.slots[k].switch for u, k in choices[0].items()}, {})
    model.deadlines_hold({})
    return choices


def _crossing(run: DirectRun, model: CompactModel, slots: Slots) -> dict[Pair, set[int]]:
    """Streams over each link in each direction."""
    graph = nx.Graph(run.backbone.links[k].ends for k in model.built)
    crossing: dict[Pair, set[int]] = {}
    for j, stream in enumerate(run.instance.streams):
        for target in stream.targets:
            start = _at(model, slots, stream.source_device, stream.source_switch)
            way = nx.shortest_path(graph, start, _at(model, slots, target.device, target.switch))
            for link in pairwise(way):
                crossing.setdefault(link, set()).add(j)
    return crossing


def _at(model: CompactModel, slots: Slots, device: int | None, switch: int) -> int:
    return switch if device is None else model.slots[slots[model.unit_no[device]]].switch


def _legs(run: DirectRun, model: CompactModel, slots: Slots, delivery: Delivery) -> int:
    """Steps of both legs, as the model estimates them."""
    j, (device, _) = delivery
    fixed = model.model.clone()
    for (u, k), var in model.hangs.items():
        fixed.add(var == int(slots[u] == k))
    legs = [] if run.instance.streams[j].source_device is None else [model.legs.up[j]]
    legs += [] if device is None else [model.legs.down[j, device]]
    fixed.minimize(cp_model.LinearExpr.sum(legs))
    solver = cp_model.CpSolver()
    assert solver.solve(fixed) == cp_model.OPTIMAL
    return round(solver.objective_value)


def test_a_way_takes_what_crosses_it_after_the_choice(run: DirectRun, model: CompactModel) -> None:
    usual, *others = _choices(model)
    streams, links = run.instance.streams, run.backbone.links
    rates = run.instance.problem.catalogue.grades
    rate_bps = {frozenset(links[k].ends): rates[g].rate_bps for k, g in model.built.items()}
    everybody = set(range(len(model.units)))
    before = _crossing(run, model, usual)
    changed = 0
    for slots in others:
        after = _crossing(run, model, slots)
        for delivery in list(model.in_time)[::7]:
            j, (device, switch) = delivery
            source = streams[j].source_device
            s = _at(model, slots, source, streams[j].source_switch)
            t = _at(model, slots, device, switch)
            if s == t or (source is not None and source == device):
                continue
            more = 0
            for link in pairwise(model.links.ways[s, t]):
                for other in before.get(link, set()) ^ after.get(link, set()):
                    if other != j and streams[other].pcp >= streams[j].pcp:
                        bits = streams[other].frame_bytes, rate_bps[frozenset(link)]
                        sign = 1 if other in after.get(link, set()) else -1
                        more += sign * steps(slot_on_link_ns(*bits))
            changed += more != 0
            legs = _legs(run, model, slots, delivery)
            takes = legs + steps(model.links.hop_ns(j, s, t)) + more
            late_by = 7
            model._margin_of[delivery] = streams[j].limit_ns - (takes - late_by) * STEP_NS
            # What moves is free, in one case everybody, in the other who has another slot.
            for free in (everybody, {u for u in slots if slots[u] != usual[u]}):
                excess = Crossing(model, delivery).excess(usual, free)
                found = model.solve(
                    usual, free, EFFORT, late=model.in_time, is_wide=False, few_move=True,
                    rows=[model.hangs[u, k] == 1 for u, k in slots.items()], excess=excess,
                )
                assert found == slots
                assert model.excess == late_by, delivery
    assert changed


def test_what_a_unit_gains_is_what_would_no_longer_cross(
    run: DirectRun, model: CompactModel
) -> None:
    usual, *_ = _choices(model)
    streams = run.instance.streams
    before = _crossing(run, model, usual)
    met = 0
    for delivery in list(model.in_time)[::11]:
        j, (device, switch) = delivery
        s = _at(model, usual, streams[j].source_device, streams[j].source_switch)
        way = list(pairwise(model.links.ways[s, _at(model, usual, device, switch)]))
        gains = Crossing(model, delivery).gains()
        met += len(gains)
        for u in range(len(model.units)):
            saved_ns = [0]
            for v, k in model.hangs:
                if v == u:
                    after = _crossing(run, model, {**usual, u: k})
                    saved_ns.append(sum(
                        model.links.slot_ns(other, link)
                        for link in way
                        for other in before.get(link, set()) - after.get(link, set())
                        if other != j and streams[other].pcp >= streams[j].pcp
                    ))
            # Where a stream still crosses on its way to another target, less is saved.
            assert max(saved_ns) <= gains.get(u, 0)
    assert met


def _excess(model: CompactModel, slots: Slots, delivery: Delivery) -> int:
    """Steps that a delivery is late by in a choice."""
    nobody: set[int] = set()
    excess = Crossing(model, delivery).excess(slots, nobody)
    found = model.solve(
        slots, nobody, EFFORT, late=model.in_time, is_wide=False, few_move=True, excess=excess
    )
    assert found == slots
    return model.excess


def test_what_a_late_delivery_waits_for_moves(run: DirectRun) -> None:
    search = CompactSearch(run.search)
    model = search._model
    slots = model.solve({}, None, EFFORT)
    assert slots is not None
    search._slots = slots
    model.estimate_anew(search._switches(), {})
    model.deadlines_hold({})
    # Others may be late in its place, whatever there is between.
    hopeless = next(d for d in model.in_time if not Crossing(model, d).gains())
    model.tighten(hopeless, run.instance.streams[hopeless[0]].limit_ns)
    assert model.solve(slots, set(), EFFORT) is None
    cleared = 0
    for delivery in list(model.in_time):
        gains = Crossing(model, delivery).gains()
        if not gains:
            continue
        # As late as what crosses its way takes there.
        late_by = sum(gains.values()) // STEP_NS
        limit_ns = run.instance.streams[delivery[0]].limit_ns
        model._margin_of[delivery] = limit_ns
        model._margin_of[delivery] -= (_excess(model, slots, delivery) - late_by) * STEP_NS
        assert _excess(model, slots, delivery) == late_by
        search._slots, search._late = dict(slots), {delivery}
        search._worth = 2 * FAR  # Any gain is worth a move; ways are short here.
        if search._clears_the_way([delivery], lambda: False):
            assert _excess(model, search._slots, delivery) < late_by
            assert search._late >= {delivery, hopeless}
            cleared += 1
        else:
            assert search._slots == slots
        if cleared == 3:
            break
        search._forget_choice()
    assert cleared
    search._worth = 1
    assert not search._clears_the_way((), lambda: False)
    assert search._worth == MORE_WORTH, "what has moved nothing is worth more the next time"
