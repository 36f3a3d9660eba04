"""What walks remember where devices are in several line models."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from partitioner.solve.bound.memories import Memories


def line_model(*members: int) -> SimpleNamespace:
    count = len(members)
    return SimpleNamespace(
        k=count, switches=[0], local={d: a for a, d in enumerate(members)},
        way_um=np.zeros((count, count), dtype=np.int64),
    )


def test_a_walk_is_held_against_the_model_that_has_all_its_devices() -> None:
    """Device 1 may mix with 2, and with 3, which never share a line."""
    memories = Memories([line_model(1, 2), line_model(1, 3)])  # type: ignore[list-item]
    memories.of_models[0][:] = False
    walk = SimpleNamespace(switch=0, visits=((1, 2), (3, 1)))
    assert not memories.allow(walk, ((1, 3, 1), ()))  # type: ignore[arg-type]
    memories.of_models[1][:] = False
    assert memories.allow(walk, ((1, 3, 1), ()))  # type: ignore[arg-type]
