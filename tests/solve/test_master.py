"""The master on its own: what is fixed already counts for the rules over switches too."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.model.problem import Group, GroupKind
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.cpsat import Effort
from partitioner.solve.instance import Instance
from partitioner.solve.master import Choice, Master
from tests.brute.random_problems import random_problem


@pytest.mark.parametrize(("switches", "is_allowed"), [((0, 0), False), ((0, 1), True)])
def test_fixed_segments_alone_may_break_a_group_apart(
    switches: tuple[int, int], is_allowed: bool
) -> None:
    problem = random_problem(1, 6, links=True)
    pair = tuple(problem.devices)[:2]
    group = Group("pair", GroupKind.APART_SWITCH, pair)
    free = {d: replace(row, pinned_switches=None) for d, row in problem.devices.items()}
    inst = Instance(replace(problem, devices=free, groups=(group,), streams={}))
    builder = ColumnBuilder(inst)
    fixed = []
    for device, switch in zip(pair, switches, strict=True):
        p, port = next((p, c) for p, c in enumerate(inst.port_classes) if c.switch == switch)
        column = builder.alone(switch, port.grade, inst.index[device])
        assert column is not None
        fixed.append(Choice(column, p))
    master = Master(inst, BackboneData(inst), [], fixed=fixed, cover=())
    result = master.solve(Effort(5.0))
    assert result.proved
    assert (result.selection is not None) == is_allowed
