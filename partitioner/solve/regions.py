"""Large problems cut into regions that the heuristic can take one at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from partitioner.solve.instance import Instance

NEAR_SWITCHES = 3
"""Each device brings its nearest switches into its region."""


@dataclass(frozen=True, slots=True)
class Region:
    """Devices that lie together and how many ports of each class they may use."""

    members: tuple[int, ...]
    ports: dict[int, int]


def cut(instance: Instance, grade: int, members: Sequence[int], most: int, shift: float) -> list[
    Region
]:
    """Cut devices into regions of at most ``most`` by halving along the longer side.

    ``shift`` (0..1) moves the cuts, so that a second round has its borders elsewhere. Ports of a
    switch are shared out among the regions by how many of their devices have it nearest.
    """
    ids = np.asarray(members, dtype=np.int64)
    if not len(ids):
        return []
    where = np.array(
        [instance.network.position_um(instance.device_ids[i]) for i in ids], dtype=float
    )
    parts = [np.arange(len(ids))]
    done: list[np.ndarray] = []
    while parts:
        part = parts.pop()
        if len(part) <= most:
            done.append(part)
            continue
        points = where[part]
        axis = int(np.argmax(points.max(axis=0) - points.min(axis=0)))
        order = part[np.argsort(points[:, axis], kind="stable")]
        middle = round(len(order) * (0.5 + 0.25 * (shift if len(part) <= 2 * most else 0.0)))
        parts += [order[middle:], order[:middle]]
    return _with_ports(instance, grade, ids, done)


def _with_ports(
    instance: Instance, grade: int, ids: np.ndarray, parts: list[np.ndarray]
) -> list[Region]:
    serving = sorted({p.switch for p in instance.port_classes if p.grade == grade})
    far = np.int64(2**50)
    reach = np.where(
        instance.may_hang[np.ix_(ids, serving)].T, instance.switch_um[np.ix_(serving, ids)], far
    )
    near = np.argsort(reach, axis=0, kind="stable")[:NEAR_SWITCHES]
    votes = np.zeros((len(parts), len(serving)))
    for r, part in enumerate(parts):
        for rank in range(near.shape[0]):
            np.add.at(votes[r], near[rank, part], 1.0 / 4**rank)
    share = votes / np.maximum(votes.sum(axis=0, keepdims=True), 1e-9)
    regions = []
    for r, part in enumerate(parts):
        ports: dict[int, int] = {}
        for column, s in enumerate(serving):
            for p in instance.ports_of[s, grade]:
                ports[p] = int(instance.port_classes[p].count * share[r, column] + 1e-9)
        regions.append(Region(tuple(int(i) for i in sorted(ids[part])), ports))
    return regions


def near_ports(instance: Instance, device: int, most: int) -> list[tuple[int, int]]:
    """(switch, grade) pairs with a port the device can use, per grade at most ``most`` nearest."""
    found = []
    for grade in np.nonzero(instance.can[device])[0]:
        serving = [
            s
            for s in range(instance.switch_count)
            if instance.may_hang[device, s] and (s, int(grade)) in instance.ports_of
        ]
        serving.sort(key=lambda s: (int(instance.switch_um[s, device]), s))
        found += [(s, int(grade)) for s in serving[:most]]
    return found
