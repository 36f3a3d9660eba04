"""Lower bounds on what finishing a line still costs, for walks that remember near devices.

Each device has a few near ones. A bound depends on the innermost device, on which of its near
devices the walk has passed, and on the weight left. Stepping on, a walk remembers what is near
both to the device it leaves and to the one it enters, and that it was at the former. Whoever
remembers at least that much can never finish cheaper.

A walk goes inward along its first arm. Where lines may pass through their switch it may go on
outward along a second arm of at most the first one's weight.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from partitioner.solve.arrays import Bools, Floats, Ints
from partitioner.solve.bound.line_model import FAR, LineModel
from partitioner.solve.bound.resources import Words, holds
from partitioner.solve.bound.walks import Priced

QUICK_CELLS = 3_000_000
CELLS = 30_000_000
"""Table cells times layers that one set of bounds may take; near lists are cut to fit."""
MOST_NEAR = 7


class NearLists:
    """Near devices of each device and how memories carry over from one to the next.

    Parameters
    ----------
    memory
        bool (k, k) or None: only devices in a row may be near to that row's device.
    cells
        Most table cells times layers.
    look
        Called often; may raise to end the work.

    Attributes
    ----------
    inward, across, outward
        int32 (from, memory, to): position in the table of bounds after a step along the first
        arm, through the switch, along the second arm. Blocked steps lead to a last position that
        holds FAR. ``across`` and ``outward`` are None if lines end at their switch.
    """

    def __init__(
        self, model: LineModel, memory: Bools | None, cells: int, look: Callable[[], object]
    ):
        self.model, self._look = model, look
        k, states = model.k, model.states
        layers = max(1, model.capacity) * (3 if model.through else 1)
        size = 0
        while size < min(MOST_NEAR, k - 1) and states * states * layers * 2 ** (size + 1) <= cells:
            size += 1
        self.size = size
        self.masks = 1 << size
        usable = model.may_follow | model.may_follow.T
        if memory is not None:
            usable &= memory
        way = np.where(usable, model.way_um, np.int64(2**60))
        order = np.argsort(way, axis=1, kind="stable")[:, :size]
        self.near = np.where(np.take_along_axis(usable, order, axis=1), order, -1)
        self.place = np.full((k, k), -1, dtype=np.int64)
        for p in range(size):
            there = np.nonzero(self.near[:, p] >= 0)[0]
            self.place[there, self.near[there, p]] = p
        carried = self._carry()
        device = model.device
        self.inward = self._positions(carried[device][:, :, device], states)
        self.across: npt.NDArray[np.int32] | None = None
        self.outward: npt.NDArray[np.int32] | None = None
        if model.through:
            self.across = self._positions(carried[device], k)
            self.outward = self._positions(carried, k)

    def _carry(self) -> npt.NDArray[np.int16]:
        """int16 (k, masks, k): memory after each step, -1 where the device is remembered."""
        k = self.model.k
        mask = np.arange(self.masks)
        after = np.zeros((k, self.masks, k), dtype=np.int16)
        outer = np.arange(k)
        for p in range(self.size):
            self._look()
            third = self.near[:, p]
            known = np.where(third[None, :] >= 0, self.place[:, np.maximum(third, 0)], -1)
            itself = third[None, :] == outer[:, None]
            bit = (mask[None, :, None] >> np.maximum(known, 0)[:, None, :]) & 1
            bit = np.where(known[:, None, :] >= 0, bit, 0) | itself[:, None, :]
            after |= (bit << p).astype(np.int16)
        passed = (mask[None, :, None] >> np.maximum(self.place, 0)[:, None, :]) & 1
        after[(self.place[:, None, :] >= 0) & (passed == 1)] = -1
        return after

    def _positions(self, carried: npt.NDArray[np.int16], targets: int) -> npt.NDArray[np.int32]:
        self._look()
        position = carried.astype(np.int32)
        position += (np.arange(targets) * self.masks).astype(np.int32)[None, None, :]
        position[carried < 0] = targets * self.masks
        return position

    def mask_of(self, words: Words, device: Ints) -> Ints:
        """Which near devices of ``device`` are in each row of bit words."""
        mask = np.zeros(len(device), dtype=np.int64)
        for p in range(self.size):
            near = self.near[device, p]
            held = (near >= 0) & holds(words, np.maximum(near, 0))
            mask |= held.astype(np.int64) << p
        return mask


class Completions:
    """Bounds by weight left, innermost state and its near memory.

    ``inner`` float (capacity + 1, states x masks + 1): on the first arm, the innermost device's
    own piece included. ``outer`` float (capacity + 1, k x masks + 1): on the second arm.
    ``look`` is called before each layer; it may raise to end the work.
    """

    def __init__(
        self, model: LineModel, priced: Priced, near: NearLists, look: Callable[[], object]
    ):
        self.model, self.priced, self.near = model, priced, near
        cap, masks = model.capacity, near.masks
        weight = model.weight[model.device]
        self.end = (model.close + priced.fee[:, None]).min(axis=0) + model.line_end
        self.step = model.piece + priced.node[None, :]
        self.outer: Floats | None = None
        if model.through:
            self.out_step = model.out_piece + priced.node[None, : model.k]
            self.cross = self._cross()
            self.outer = np.full((cap + 1, model.k * masks + 1), FAR)
            assert near.outward is not None
            for left in range(cap + 1):
                look()
                total = self._stepped(self.outer, near.outward, self.out_step, left, model.weight)
                self.outer[left, :-1] = np.minimum(0.0, total)
        self.inner = np.full((cap + 1, model.states * masks + 1), FAR)
        for left in range(cap + 1):
            look()
            total = self._stepped(self.inner, near.inward, self.step, left, weight)
            best = np.minimum(np.repeat(self.end, masks), total)
            if model.through:
                assert near.across is not None
                assert self.outer is not None
                # The second arm weighs at most what the first one does.
                room = min(left, cap - left)
                total = self._stepped(self.outer, near.across, self.cross, room, model.weight)
                best = np.minimum(best, total)
            self.inner[left, :-1] = np.minimum(best, FAR)

    def _cross(self) -> Floats:
        """Float (E, k): least cost of passing through a switch to a first device beyond it."""
        model = self.model
        k = model.k
        once = model.close + self.priced.fee[:, None]
        value = np.full((model.states, k), FAR)
        for s in range(len(model.switches)):
            value = np.minimum(value, once[s][:, None] + model.close[s][None, :k])
        value += self.priced.node[None, :k] + float(model.line_through.min())
        value[~model.may_share[model.device]] = FAR
        return value

    def _stepped(
        self, table: Floats, position: npt.NDArray[np.int32], step: Floats, left: int, weight: Ints
    ) -> Floats:
        """Best by one step more, flat over (from, memory); FAR if no weight is left for one."""
        if left < int(weight.min()):
            return np.full(len(step) * self.near.masks, FAR)
        if self.model.counts_devices:
            total = np.take(table[left - 1], position, mode="clip")
        else:
            row = left - weight
            total = table.reshape(-1)[
                position + (np.maximum(row, 0) * table.shape[1])[None, None, :]
            ]
            total[:, :, row < 0] = FAR
        total += step[:, None, :]
        least: Floats = total.min(axis=2)
        return least.reshape(-1)

    def on_first(self, left: Ints | int, state: npt.NDArray[np.int32] | Ints, mask: Ints) -> Floats:
        """Bounds of walks on their first arm."""
        bound: Floats = self.inner[left, state * self.near.masks + mask]
        return bound

    def on_second(
        self, left: npt.NDArray[np.int32] | int, device: npt.NDArray[np.int32], mask: Ints
    ) -> Floats:
        """Bounds of walks on their second arm, which may gain at most ``left``."""
        assert self.outer is not None
        bound: Floats = self.outer[left, device * self.near.masks + mask]
        return bound

    def after_step(self, table: Floats, position: npt.NDArray[np.int32], left: Ints) -> Floats:
        """Float (from, to): bounds after each step when only the device left is known.

        ``left`` int (to,): weight left after each device.
        """
        value = table[np.maximum(left, 0)[None, :], position[:, 0, :]]
        value[:, left < 0] = FAR
        return value
