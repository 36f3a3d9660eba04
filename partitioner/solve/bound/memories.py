"""Memories of walks along long lines: near devices at first, more where walks repeat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from partitioner.solve.arrays import Bools
from partitioner.solve.bound.line_model import LineModel
from partitioner.solve.bound.relaxed_master import MasterColumn
from partitioner.solve.columns import Arms

FIRST_MEMORY = 6
"""Devices a walk along a long line remembers at first, besides the one it is at."""
MOST_MEMORY = 14
"""Devices it remembers at most."""


@dataclass(frozen=True, slots=True)
class _Repetition:
    """A device that a walk visits again, and the devices passed in between."""

    device: int
    between: tuple[int, ...]


class Memories:
    """What walks remember in each line model: bool (k, k), row: where the walk is."""

    def __init__(self, models: Sequence[LineModel]):
        self._models = models
        self.of_models = [_nearest(m, FIRST_MEMORY) for m in models]

    def grow(self, column: MasterColumn, arms: Arms) -> int:
        """Remember what a walk of the relaxation repeats; how many entries were added."""
        grown = 0
        for again in _repetitions(arms):
            for model, memory in zip(self._models, self.of_models, strict=True):
                at = [model.local.get(d, -1) for d in again.between]
                d = model.local.get(again.device, -1)
                if d < 0 or min(at) < 0 or column.switch not in model.switches:
                    continue
                new = [a for a in at if not memory[a, d]]
                if any(memory[a].sum() > MOST_MEMORY for a in new):
                    continue
                memory[new, d] = True
                grown += len(new)
        return grown

    def allow(self, column: MasterColumn, arms: Arms | None) -> bool:
        """Whether a walk repeats nothing that it would remember."""
        if all(times == 1 for _, times in column.visits):
            return True
        return arms is not None and not any(
            self._remembered(column, again) for again in _repetitions(arms)
        )

    def _remembered(self, column: MasterColumn, again: _Repetition) -> bool:
        for model, memory in zip(self._models, self.of_models, strict=True):
            devices = {again.device, *again.between}
            if column.switch in model.switches and devices <= model.local.keys():
                at = model.local[again.device]
                return all(memory[model.local[d], at] for d in again.between)
        return False


def _repetitions(arms: Arms) -> list[_Repetition]:
    found = []
    for arm in arms:
        last: dict[int, int] = {}
        for place, device in enumerate(arm):
            if device in last:
                found.append(_Repetition(device, arm[last[device] + 1 : place]))
            last[device] = place
    return found


def _nearest(model: LineModel, size: int) -> Bools:
    """Memory of the ``size`` nearest devices of each."""
    memory = np.eye(model.k, dtype=bool)
    for row in range(model.k):
        order = np.argsort(model.way_um[row], kind="stable")
        memory[row, order[: size + 1]] = True
    return memory
