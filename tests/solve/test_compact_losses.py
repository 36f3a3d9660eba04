"""Failure rules over a backbone in the compact model, against what is counted in a placement."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from partitioner.model.problem import FailureRule
from partitioner.solve import compact_model
from partitioner.solve.compact_losses import LossRows
from partitioner.solve.compact_model import CompactModel
from partitioner.solve.compact_ports import PortModel
from partitioner.solve.cpsat import Effort
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.losses import Losses
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted

OTHER_RULES = (
    "_ports_suffice", "_lines_hold_their_devices", "_pathways_hold_the_segments",
)


@pytest.mark.parametrize("seed", [2, 4])
@pytest.mark.parametrize("most_lost", [8, 10])
def test_rows_refuse_what_the_count_of_losses_refuses(
    seed: int, most_lost: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = planted(40, seed).problem
    choice = random.Random(seed)
    watched = set(choice.sample(sorted(problem.devices), 14))
    problem = replace(
        problem,
        devices={
            d: replace(device, function="watched") if d in watched else device
            for d, device in problem.devices.items()
        },
        failure_rules=(FailureRule("few", None, "watched", most_lost),),
    )
    run = DirectRun(problem, PlanSettings(work_limit=40))
    inst, backbone = run.instance, run.backbone
    assert inst.switch_count > 2
    inst.apart_switch.clear()
    # A way through all switches: every failure of it cuts something off.
    built = {
        k: link.grades[0] for k, link in enumerate(backbone.links)
        if abs(link.ends[0] - link.ends[1]) == 1 and link.grades
    }
    assert len(built) == inst.switch_count - 1
    for name in OTHER_RULES:
        monkeypatch.setattr(PortModel, name, lambda _: None)
    monkeypatch.setattr(compact_model, "LegRows", lambda _: None)
    compact = CompactModel(run.builder, backbone, built, inst.switch_count, {}, 0.0)
    LossRows(compact)
    losses = Losses(inst, backbone)
    refused = 0
    for _ in range(60):
        near = choice.sample(range(inst.switch_count), choice.randint(1, inst.switch_count))
        slots = {}
        for u in range(len(compact.units)):
            there = [k for k, slot in enumerate(compact.slots) if (u, k) in compact.hangs
                     and slot.switch in near]
            slots[u] = choice.choice(
                there or [k for k in range(len(compact.slots)) if (u, k) in compact.hangs]
            )
        home = {
            i: (compact.slots[k].switch, k) for u, k in slots.items() for i in compact.units[u]
        }
        is_refused = bool(losses.refused(home, range(inst.switch_count), built))
        found = compact.solve(slots, (), Effort(20.0))
        assert (found is None) == is_refused
        refused += is_refused
    assert 5 < refused < 55
