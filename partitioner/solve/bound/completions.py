"""Lower bounds on what finishing a line still costs, for walks that remember near devices.

Each device has a few near ones. A bound depends on the innermost device, on which of its near
devices the walk has passed, and on the weight left. Stepping inward, a walk remembers what is near
both to the device it leaves and to the one it enters, and that it was at the former. Whoever
remembers at least that much can never finish cheaper.
"""

from __future__ import annotations

import numpy as np

from partitioner.solve.bound.line_model import FAR, LineModel
from partitioner.solve.bound.walks import Priced

CELLS = 12_000_000
"""Table cells times layers that one set of bounds may take; near lists are cut to fit."""
MOST_NEAR = 7


class NearLists:
    """Near devices of each device and how memories carry over from one to the next.

    Parameters
    ----------
    model
        The lines.
    memory
        bool (k, k) or None: only devices in a row may be near to that row's device.
    """

    def __init__(self, model: LineModel, memory: np.ndarray | None):
        self.model = model
        k, states = model.k, model.states
        layers = max(1, model.capacity)
        size = 0
        while (
            size < min(MOST_NEAR, k - 1)
            and states * states * layers * 2 ** (size + 1) <= CELLS
        ):
            size += 1
        self.size = size
        self.masks = 1 << size
        usable = np.zeros((k, k), dtype=bool)
        ok = model.piece < FAR / 2
        np.logical_or.at(usable, (model.device[:, None], model.device[None, :]), ok | ok.T)
        if memory is not None:
            usable &= memory
        np.fill_diagonal(usable, False)
        way = np.where(usable, model.way_um, np.int64(2**60))
        order = np.argsort(way, axis=1, kind="stable")[:, :size]
        self.near = np.where(np.take_along_axis(usable, order, axis=1), order, -1)
        self.place = np.full((k, k), -1, dtype=np.int64)
        for p in range(size):
            there = np.nonzero(self.near[:, p] >= 0)[0]
            self.place[there, self.near[there, p]] = p
        self._build_steps()

    def _build_steps(self) -> None:
        """Flat table positions after each step, by outer state, memory and inner state."""
        model = self.model
        device = model.device
        states, masks = model.states, self.masks
        outer, inner = device[:, None], device[None, :]
        mask = np.arange(masks)
        # [outer, mask, inner]
        after = np.zeros((states, masks, states), dtype=np.int32)
        for p in range(self.size):
            third = self.near[inner[0], p]
            known = np.where(third >= 0, self.place[outer, np.maximum(third, 0)[None, :]], -1)
            itself = (third[None, :] == outer) & (third >= 0)[None, :]
            carried = (mask[None, :, None] >> np.maximum(known, 0)[:, None, :]) & 1
            carried = np.where(known[:, None, :] >= 0, carried, 0)
            after |= ((carried | itself[:, None, :]) << p).astype(np.int32)
        after += (np.arange(states) * masks).astype(np.int32)[None, None, :]
        seat = self.place[outer, inner]
        passed = (mask[None, :, None] >> np.maximum(seat, 0)[:, None, :]) & 1
        blocked = (seat[:, None, :] >= 0) & (passed == 1)
        # One seat beyond the table holds FAR: steps to a device that is remembered.
        after[blocked] = states * masks
        self.after = after
        self.first_after = after[:, 0, :]

    def mask_of(self, words: np.ndarray, device: np.ndarray) -> np.ndarray:
        """Which near devices of ``device`` are in each row of bit words."""
        mask = np.zeros(len(device), dtype=np.int64)
        rows = np.arange(len(device))
        for p in range(self.size):
            near = self.near[device, p]
            at = np.maximum(near, 0)
            bit = (words[rows, at // 64] >> (at % 64).astype(np.uint64)) & np.uint64(1)
            mask |= np.where(near >= 0, bit.astype(np.int64), 0) << p
        return mask


class Completions:
    """Bounds by weight left, innermost state and its near memory, own piece included.

    ``table`` float (capacity + 1, states x masks + 1).
    """

    def __init__(
        self,
        model: LineModel,
        priced: Priced,
        near: NearLists,
        other_arm: np.ndarray | None = None,
    ):
        self.model, self.priced, self.near = model, priced, near
        cap, states, masks = model.capacity, model.states, near.masks
        width = states * masks + 1
        self.table = np.full((cap + 1, width), FAR)
        weight = model.weight[model.device]
        step = (model.piece + priced.node[None, :])[:, None, :]
        flat = self.table.reshape(-1)
        for left in range(cap + 1):
            attach = self._attach(left, other_arm)
            best = np.repeat(attach, masks)
            if left >= int(weight.min()):
                if model.counts_devices:
                    total = self.table[left - 1][near.after]
                else:
                    row = left - weight
                    position = near.after + (np.maximum(row, 0) * width)[None, None, :]
                    total = flat[position]
                    total[:, :, row < 0] = FAR
                total += step
                best = np.minimum(best, total.min(axis=2).reshape(-1))
            self.table[left, : width - 1] = np.minimum(best, FAR)

    def _attach(self, left: int, other_arm: np.ndarray | None) -> np.ndarray:
        """Least cost of ending each state's arm at a switch with weight ``left`` to spare."""
        model = self.model
        total = model.close + self.priced.fee[:, None]
        value = total.min(axis=0) + model.line_end
        if other_arm is not None and left > 0:
            both = (total + other_arm[:, left][:, None]).min(axis=0)
            value = np.minimum(value, both + float(model.line_through.min()))
        return value

    def of(self, left: np.ndarray | int, state: np.ndarray, mask: np.ndarray) -> np.ndarray:
        """Bounds of walks with weight left, innermost state and near memory."""
        return self.table[left, state * self.near.masks + mask]

    def after_step(self, left: np.ndarray) -> np.ndarray:
        """Float (outer, inner): bounds after each step when only the outer device is known.

        ``left`` int (states,): weight left after each inner state.
        """
        row = np.maximum(left, 0)
        value = self.table[row[None, :], self.near.first_after]
        value[:, left < 0] = FAR
        return value

    def least(self) -> float:
        """Least reduced cost of any walk."""
        model = self.model
        device = np.arange(model.k)
        left = model.capacity - model.weight
        fits = left >= 0
        value = priced_start(self.priced, model)[fits] + self.of(
            left[fits], device[fits], np.zeros(int(fits.sum()), dtype=np.int64)
        )
        return float(value.min(initial=FAR))


def priced_start(priced: Priced, model: LineModel) -> np.ndarray:
    """Node costs of the states a walk can start in: each device at a far end."""
    return priced.node[: model.k]
