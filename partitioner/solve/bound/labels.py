"""Lines without repeated devices, found layer by layer as labels in numpy arrays.

A label is an arm seen from its far end: its innermost state, the devices it remembers, its cost
and length. Two labels with the same memory and innermost state differ only in cost and length, so
only the undominated are kept; a label that cannot end below the threshold, by the completion
bounds of the relaxed walks, is dropped. When there are still too many, the least promising go,
and the best they could have become is kept in the result: whatever is cut off, the search says
how low a reduced cost may exist.

With a full memory the lines are elementary. With a partial memory (each device has a list of
neighbours it remembers) a device may come again after the walk has left its neighbourhood; that
is a relaxation still, and far cheaper for long lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from partitioner.solve.bound.completions import Completions, NearLists
from partitioner.solve.bound.line_model import FAR, LineModel
from partitioner.solve.bound.walks import (
    ArmWalks,
    Priced,
    Walk,
    arm_cost,
    cheapest_other_arm,
)
from partitioner.units import PPM, UM_PER_M

WORD = 64
STEPS_PER_LABEL = 8
"""Most steps looked at in one layer, per label it may keep."""
PAIR_LIMIT = 3_000_000
"""Most pairs of arms at one switch looked at in one search."""
_MIX = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0xD6E8FEB86659FD93],
    dtype=np.uint64,
)


@dataclass(frozen=True, slots=True)
class SubsetCut:
    """At most one line may hold two or more of three devices (local numbers); ``price`` >= 0."""

    devices: tuple[int, int, int]
    price: float


@dataclass(slots=True)
class Found:
    """Result of a search.

    ``walks`` in order of reduced cost (cut prices included). ``missed`` is a list of (reduced
    cost, weight): nothing that was left out has a reduced cost below the first with a weight
    below the second. ``complete`` says that nothing below the threshold was left out.
    """

    walks: list[Walk]
    missed: list[tuple[float, int]]
    complete: bool
    labels: int


@dataclass(slots=True)
class _Labels:
    """Parallel arrays of labels. ``add`` holds the additive resources, length first."""

    cost: np.ndarray
    state: np.ndarray
    words: np.ndarray
    add: np.ndarray
    option: np.ndarray
    budget: np.ndarray
    parent: np.ndarray

    def __len__(self) -> int:
        return len(self.cost)

    def take(self, index: np.ndarray) -> _Labels:
        return _Labels(*(getattr(self, name)[index] for name in self.__slots__))


def _joined(parts: Sequence[_Labels]) -> _Labels:
    if len(parts) == 1:
        return parts[0]
    return _Labels(*(np.concatenate([getattr(p, n) for p in parts]) for n in _Labels.__slots__))


class _PricedLength:
    """Completion bounds with a price on length: a walk within the limit pays at most its price."""

    def __init__(self, model: LineModel, priced: Priced, near: NearLists, price: float):
        self.model, self.price = model, price
        dearer = model.with_length_price(price)
        arms = ArmWalks(dearer, priced) if model.through else None
        self.other = None if arms is None else cheapest_other_arm(dearer, arms)
        self.rest = Completions(dearer, priced, near, self.other)
        self.least = self.rest.least() - float(self._allowed(np.zeros(1, dtype=np.int64))[0])

    def _allowed(self, length_um: np.ndarray) -> np.ndarray:
        """Most that what is still to come may pay for its length; one step up to be safe."""
        return np.floor((self.model.max_length_um - length_um) * self.price) + 1.0

    def promise(self, labels: _Labels, mask: np.ndarray, left: int) -> np.ndarray:
        """Bound on the reduced cost that each label can end with."""
        rest = self.rest.of(left, labels.state, mask)
        return labels.cost + rest - self._allowed(labels.add[:, 0])

    def with_partner(
        self, arm: np.ndarray, length_um: np.ndarray, left: np.ndarray, s: int
    ) -> np.ndarray:
        """Bound on an arm at switch s and its cheapest partner, what a line pays once left out."""
        assert self.other is not None
        partner = np.where(left > 0, self.other[s][np.maximum(left, 0)], FAR)
        return arm + partner - self._allowed(length_um)


class LabelSearch:
    """Search of one line model.

    Parameters
    ----------
    model
        The lines.
    memory
        bool (k, k): row i marks what a walk at device i remembers; None remembers everything.
    """

    LENGTH, UNIT, LOAD, SLOT = range(4)

    def __init__(self, model: LineModel, memory: np.ndarray | None = None):
        self.model = model
        self.full = memory is None
        k = model.k
        self.near = NearLists(model, memory)
        self.word_count = max(1, -(-k // WORD))
        self.word = np.arange(k) // WORD
        self.bit = (np.arange(k) % WORD).astype(np.uint64)
        self.own = self._rows(np.eye(k, dtype=bool))
        self.keep = None if memory is None else self._rows(memory | np.eye(k, dtype=bool))
        inst = model.instance
        conflict = inst.conflict[np.ix_(model.members, model.members)]
        self.block = self._rows(conflict) if self.full and conflict.any() else None
        least = model.builder.latency.least(model.grade)
        ids = model.members
        self.gain = np.stack(
            [
                np.zeros(k, dtype=np.int64),
                inst.unit_mul[ids],
                least.load_ppm[ids],
                least.slot_ns[ids],
            ],
            axis=1,
        ).astype(np.int64)
        self.budget = least.budget_ns[ids].astype(np.int64)
        self.base_cycle_ns = int(least.base_cycle_ns)
        caps = [model.max_length_um, int(model.data.unit_cap_mul), int(model.data.load_cap_ppm)]
        self.caps = np.array(caps, dtype=np.int64)
        # A partial memory forgets which devices were passed, so only the counted weight and the
        # length (kept by dominance) may cut labels off there.
        self.cycle_matters = self.full and bool((self.budget < 2**49).any())
        self.lengths_matter = self._lengths_matter()
        cable = model.instance.cable_value(model.grade, UM_PER_M) / UM_PER_M
        self.length_price = max(cable, 1e-3)
        self._rest_rounds = 0
        self._share: dict[int, int] = {-1: PPM}
        self._value: dict[tuple[int, bool], int] = {}

    def _rows(self, table: np.ndarray) -> np.ndarray:
        rows = np.zeros((len(table), self.word_count), dtype=np.uint64)
        for w in range(self.word_count):
            part = table[:, w * WORD : (w + 1) * WORD].astype(np.uint64)
            rows[:, w] = (part << np.arange(part.shape[1], dtype=np.uint64)).sum(
                axis=1, dtype=np.uint64
            )
        return rows

    def _lengths_matter(self) -> bool:
        model = self.model
        if not model.k:
            return False
        most = min(model.capacity, model.k)
        top = np.sort(model.arc_um.max(axis=1))[::-1][: most - 1].sum()
        return bool(top + 2 * model.close_um.max() + model.end_um > model.max_length_um)

    # -- options ------------------------------------------------------------------------------

    def _shares(self, option: np.ndarray) -> np.ndarray:
        unique, inverse = np.unique(option, return_inverse=True)
        return np.array([self._share_of(int(o)) for o in unique], dtype=np.int64)[inverse]

    def _devices_of(self, option: int) -> list[int]:
        """Some devices with exactly these options; -1 stands for always fitted ones."""
        model = self.model
        bits = model.instance.option_bit[model.members]
        if option == -1:
            return [int(model.members[int(np.argmax(bits == 0))])]
        picked = []
        rest = option
        while rest:
            low = rest & -rest
            picked.append(int(model.members[int(np.argmax(bits == low))]))
            rest ^= low
        return picked

    def _share_of(self, option: int) -> int:
        if option not in self._share:
            self._share[option] = self.model.instance.share_of(self._devices_of(option))
        return self._share[option]

    def _line_values(self, option: np.ndarray, at_end: bool) -> np.ndarray:
        unique, inverse = np.unique(option, return_inverse=True)
        values = []
        for o in unique:
            key = (int(o), at_end)
            if key not in self._value:
                self._value[key] = self.model.builder.line_value(
                    self.model.grade, self._devices_of(int(o)), at_end
                )
            values.append(self._value[key])
        return np.array(values, dtype=float)[inverse]

    def _cable(self, length_um: np.ndarray, option: np.ndarray) -> np.ndarray:
        inst = self.model.instance
        return inst.cable_values(self.model.grade, length_um, self._shares(option)).astype(float)

    # -- the search ---------------------------------------------------------------------------

    def run(
        self,
        priced: Priced,
        *,
        threshold: float = 0.0,
        limit: int = 20_000,
        most: int = 400,
        cuts: Sequence[SubsetCut] = (),
        every_switch: bool = False,
    ) -> Found:
        """Find lines of reduced cost below ``threshold``.

        Parameters
        ----------
        priced
            Node costs and port fees under the duals.
        limit
            Most labels extended per layer.
        most
            Most walks returned.
        cuts
            Subset cuts with their prices; only with full memory.
        every_switch
            Give each line at every switch below the threshold, not only at its cheapest.
        """
        model = self.model
        missed: list[tuple[float, int]] = []
        if not model.states or not model.capacity:
            return Found([], missed, True, 0)
        arms = ArmWalks(model, priced) if model.through else None
        other = cheapest_other_arm(model, arms) if arms is not None else None
        rest = Completions(model, priced, self.near, other)
        priced_lengths = self._priced_lengths(priced, rest)
        pending: list[list[_Labels]] = [[] for _ in range(model.capacity + 1)]
        self._start(pending, priced, rest, threshold)
        done: list[_Labels] = []
        weights: list[np.ndarray] = []
        total = 0
        cut_of = self._cuts_by_device(cuts)
        for q in range(1, model.capacity + 1):
            if not pending[q]:
                continue
            labels = _joined(pending[q])
            pending[q] = []
            labels = labels.take(self._undominated(labels))
            mask = self.near.mask_of(labels.words, model.device[labels.state])
            promise = labels.cost + rest.of(model.capacity - q, labels.state, mask)
            ok = promise < threshold
            for price in priced_lengths:
                ok &= price.promise(labels, mask, model.capacity - q) < threshold
            labels, promise = labels.take(np.nonzero(ok)[0]), promise[ok]
            if not len(labels):
                continue
            if len(labels) > limit:
                order = np.argpartition(promise, limit)
                missed.append((float(promise[order[limit:]].min()), q))
                labels = labels.take(np.sort(order[:limit]))
            done.append(labels)
            weights.append(np.full(len(labels), q))
            self._extend(
                pending, labels, total, q, priced, rest, threshold, cut_of, missed,
                STEPS_PER_LABEL * limit,
            )
            total += len(labels)
        if not done:
            return Found([], missed, not missed, 0)
        labels = _joined(done)
        weight = np.concatenate(weights)
        walks = self._finish(labels, weight, priced, other, threshold, most, missed, cuts,
                             every_switch, priced_lengths)
        return Found(walks, missed, not missed, total)

    def _priced_lengths(self, priced: Priced, rest: Completions) -> list[_PricedLength]:
        """Completion bounds that feel the length limit, at prices around the best one so far."""
        if not self.lengths_matter:
            return []
        if self._rest_rounds > 0:
            self._rest_rounds -= 1
            return []
        model = self.model
        tables = [
            _PricedLength(model, priced, self.near, self.length_price * factor) for factor in (0.5, 1.0, 2.0)
        ]
        worth = [t.least for t in tables]
        best = int(np.argmax(worth))
        self.length_price = tables[best].price
        if max(worth) <= rest.least():
            # The limit does not bind now: look again later, from a lower price.
            self._rest_rounds = 4
            self.length_price *= 0.5
            return []
        return tables

    def _start(
        self,
        pending: list[list[_Labels]],
        priced: Priced,
        rest: Completions,
        threshold: float,
    ) -> None:
        model = self.model
        device = np.arange(model.k)
        weight = model.weight
        option = np.where(model.fitted, -1, model.instance.option_bit[model.members])
        left = model.capacity - weight
        ok = left >= 0
        promise = np.full(model.k, FAR)
        none = np.zeros(int(ok.sum()), dtype=np.int64)
        promise[ok] = priced.node[: model.k][ok] + rest.of(left[ok], device[ok], none)
        ok &= promise < threshold
        add = self.gain.copy()
        ok &= self._within(add, self.budget, device)
        for q in np.unique(weight[ok]):
            pick = np.nonzero(ok & (weight == q))[0]
            pending[int(q)].append(
                _Labels(
                    cost=priced.node[pick].copy(),
                    state=pick.astype(np.int32),
                    words=self.own[pick],
                    add=add[pick],
                    option=option[pick].astype(np.int64),
                    budget=self.budget[pick],
                    parent=np.full(len(pick), -1, dtype=np.int64),
                )
            )

    def _within(self, add: np.ndarray, budget: np.ndarray, device: np.ndarray) -> np.ndarray:
        """Whether arms with these resources can be finished at all."""
        model = self.model
        # Every line has a second end slack, at the switch or at the far end of its other arm.
        ok = add[:, self.LENGTH] + model.nearest_um[device] + model.end_um <= model.max_length_um
        if self.full:
            ok &= add[:, self.UNIT] <= self.caps[1]
            ok &= add[:, self.LOAD] <= self.caps[2]
            if self.cycle_matters:
                ok &= self.base_cycle_ns + add[:, self.SLOT] <= budget
        return ok

    def _extend(
        self,
        pending: list[list[_Labels]],
        labels: _Labels,
        offset: int,
        q: int,
        priced: Priced,
        rest: Completions,
        threshold: float,
        cut_of: dict[int, list[tuple[int, int, float]]],
        missed: list[tuple[float, int]],
        most: int,
    ) -> None:
        """Put the labels' extensions by one device where their weight puts them."""
        model = self.model
        device = model.device
        weight = model.weight[device]
        left = model.capacity - q - weight
        fits = left >= 0
        if not fits.any() or not len(labels):
            return
        after = rest.after_step(left)
        step = model.piece + priced.node[None, :]
        value = step + after
        order = np.argsort(value, axis=1)
        ranked = np.take_along_axis(value, order, axis=1)
        count = _count_below(ranked, labels.state, threshold - labels.cost)
        total = int(count.sum())
        if total > most:
            # Only the most promising steps: the threshold moves down until they are few enough.
            low = float((labels.cost + ranked[labels.state, 0]).min())
            high = threshold
            for _ in range(12):
                middle = 0.5 * (low + high)
                count = _count_below(ranked, labels.state, middle - labels.cost)
                if int(count.sum()) > most:
                    high = middle
                else:
                    low = middle
            threshold = low
            count = _count_below(ranked, labels.state, threshold - labels.cost)
            total = int(count.sum())
            missed.append((threshold, q + 1))
        if not total:
            return
        source = np.repeat(np.arange(len(labels)), count)
        place = np.arange(total) - np.repeat(np.cumsum(count) - count, count)
        inner = order[labels.state[source], place]
        target = device[inner]
        free = self._free(labels, source, target)
        source, inner, target = source[free], inner[free], target[free]
        outer = labels.state[source]
        if model.instance.has_options:
            way = model.way_um[device[outer], target]
            piece = self._cable(way, labels.option[source])
            piece += self._cable(np.full(len(way), model.drop_um), labels.option[source])
            cost = labels.cost[source] + piece + priced.node[inner]
            option = np.where(
                (labels.option[source] == -1) | model.fitted[target],
                -1,
                labels.option[source] | model.instance.option_bit[model.members[target]],
            )
        else:
            cost = labels.cost[source] + step[outer, inner]
            option = labels.option[source]
        if cut_of:
            cost = cost + self._penalties(labels, source, target, cut_of)
        add = labels.add[source] + self.gain[target]
        add[:, self.LENGTH] += model.arc_um[device[outer], target]
        budget = np.minimum(labels.budget[source], self.budget[target])
        ok = cost + after[outer, inner] < threshold
        ok &= self._within(add, budget, target)
        if not ok.all():
            source, inner, target = source[ok], inner[ok], target[ok]
            cost, add, budget, option = cost[ok], add[ok], budget[ok], option[ok]
        words = labels.words[source]
        if self.keep is not None:
            words = words & self.keep[target]
        words = words | self.own[target]
        made = _Labels(
            cost=cost,
            state=inner.astype(np.int32),
            words=words,
            add=add,
            option=option,
            budget=budget,
            parent=source + offset,
        )
        if model.counts_devices:
            if len(made):
                pending[q + 1].append(made)
            return
        reached = q + weight[inner]
        for r in np.unique(reached):
            pending[int(r)].append(made.take(np.nonzero(reached == r)[0]))

    def _free(self, labels: _Labels, source: np.ndarray, target: np.ndarray) -> np.ndarray:
        """Whether the label does not remember the device, nor one in conflict with it."""
        held = (labels.words[source, self.word[target]] >> self.bit[target]) & np.uint64(1)
        free = held == 0
        if self.block is not None:
            for w in range(self.word_count):
                free &= (labels.words[source, w] & self.block[target, w]) == 0
        return free

    # -- cuts ---------------------------------------------------------------------------------

    def _cuts_by_device(
        self, cuts: Sequence[SubsetCut]
    ) -> dict[int, list[tuple[int, int, float]]]:
        if cuts and not self.full:
            raise ValueError("subset cuts need a full memory")
        by_device: dict[int, list[tuple[int, int, float]]] = {}
        for cut in cuts:
            a, b, c = cut.devices
            for j, x, y in ((a, b, c), (b, a, c), (c, a, b)):
                by_device.setdefault(j, []).append((x, y, cut.price))
        return by_device

    def _penalties(
        self,
        labels: _Labels,
        source: np.ndarray,
        target: np.ndarray,
        cut_of: dict[int, list[tuple[int, int, float]]],
    ) -> np.ndarray:
        """Prices of the cuts whose second device is the one added."""
        out = np.zeros(len(source))
        order = np.argsort(target.astype(np.int16), kind="stable")
        ranked = target[order]
        one = np.uint64(1)
        for j, rows in cut_of.items():
            lo, hi = np.searchsorted(ranked, [j, j + 1])
            if lo == hi:
                continue
            at = order[lo:hi]
            words = labels.words[source[at]]
            price = np.zeros(hi - lo)
            for x, y, value in rows:
                held_x = (words[:, x // WORD] >> self.bit[x]) & one
                held_y = (words[:, y // WORD] >> self.bit[y]) & one
                price += np.where(held_x != held_y, value, 0.0)
            out[at] = price
        return out

    # -- dominance ----------------------------------------------------------------------------

    def _undominated(self, labels: _Labels) -> np.ndarray:
        """Indices of labels that no other of the same memory and innermost state beats."""
        with np.errstate(over="ignore"):
            key = (labels.state.astype(np.uint64) + np.uint64(1)) * _MIX[3]
            for w in range(self.word_count):
                mixed = labels.words[:, w] * _MIX[w % 3] + np.uint64(w)
                mixed ^= mixed >> np.uint64(29)
                key = (key ^ mixed) * _MIX[0]
        order = np.argsort(key)
        state, words = labels.state[order], labels.words[order]
        # Labels are one group only if they really agree, whatever their keys say.
        new = np.ones(len(order), dtype=bool)
        new[1:] = (state[1:] != state[:-1]) | (words[1:] != words[:-1]).any(axis=1)
        start = np.nonzero(new)[0]
        group = np.cumsum(new) - 1
        cost = labels.cost[order]
        least = np.minimum.reduceat(cost, start)
        cheapest = cost == least[group]
        if not self.lengths_matter:
            return np.sort(order[_first_of_each(group, cheapest)])
        # Of the cheapest the shortest; and everything dearer that is shorter still.
        length = labels.add[:, self.LENGTH][order]
        shortest = np.minimum.reduceat(np.where(cheapest, length, np.int64(2**60)), start)
        keep = length < shortest[group]
        keep |= _first_of_each(group, cheapest & (length == shortest[group]))
        return np.sort(order[keep])

    # -- finishing ----------------------------------------------------------------------------

    def _arm_ends(self, labels: _Labels, s: int) -> tuple[np.ndarray, np.ndarray]:
        """Reduced cost and length of whole arms at a local switch, end slack included."""
        model = self.model
        device = model.device[labels.state]
        if model.instance.has_options:
            reach = model.instance.switch_um[model.switches[s], model.members[device]]
            cost = labels.cost + self._cable(reach, labels.option)
            for slack in (model.drop_um, model.end_um):
                cost = cost + self._cable(np.full(len(labels), slack), labels.option)
            least = model.data.spacing_min_um
            if least:
                cost[reach + model.drop_um < least] = FAR
        else:
            cost = labels.cost + model.close[s][labels.state]
        return cost, labels.add[:, self.LENGTH] + model.close_um[s][device]

    def _finish(
        self,
        labels: _Labels,
        weight: np.ndarray,
        priced: Priced,
        other: np.ndarray | None,
        threshold: float,
        most: int,
        missed: list[tuple[float, int]],
        cuts: Sequence[SubsetCut],
        every_switch: bool,
        priced_lengths: Sequence[_PricedLength],
    ) -> list[Walk]:
        model = self.model
        values = self._line_values(labels.option, True)
        rows: list[tuple[np.ndarray, ...]] = []
        best = np.full(len(labels), FAR)
        for s in range(len(model.switches)):
            if priced.fee[s] > FAR / 2:
                continue
            cost, length = self._arm_ends(labels, s)
            cost = cost + values + priced.fee[s]
            ok = (cost < threshold) & (length + model.end_um <= model.max_length_um)
            if not every_switch:
                ok &= cost < best
            pick = np.nonzero(ok)[0]
            best[pick] = np.minimum(best[pick], cost[pick])
            rows.append((cost[pick], pick, np.full(len(pick), -1), np.full(len(pick), s),
                         weight[pick]))
            if model.through:
                assert other is not None
                rows.append(
                    self._pairs(
                        labels, weight, priced, other, s, threshold, missed, cuts, priced_lengths
                    )
                )
        if not rows:
            return []
        cost, out, back, at, size = (np.concatenate(c) for c in zip(*rows, strict=True))
        order = np.lexsort((at, size, cost))
        order = order[self._first_of_each_set(labels, out[order], back[order],
                                              at[order] if every_switch else None)]
        if len(order) > most:
            # Whatever is left out is no better than the first of it, at any weight.
            dropped = order[most:]
            for q in np.unique(size[dropped]):
                missed.append((float(cost[dropped[size[dropped] == q]].min()), int(q)))
            order = order[:most]
        walks = []
        for r in order:
            arm_out = self._arm(labels, int(out[r]))
            arm_back = self._arm(labels, int(back[r])) if back[r] >= 0 else ()
            s = int(at[r])
            walks.append(
                Walk(
                    int(model.switches[s]),
                    int(priced.port[s]),
                    arm_out,
                    arm_back,
                    float(cost[r]),
                    int(size[r]),
                    int(self._walk_cost(s, arm_out, arm_back)),
                )
            )
        return walks

    def _first_of_each_set(
        self, labels: _Labels, out: np.ndarray, back: np.ndarray, at: np.ndarray | None
    ) -> np.ndarray:
        """Indices of the first walk of each set of devices (and switch), in order.

        With a partial memory different walks may remember the same; all of them are kept then.
        """
        if not self.full:
            return np.arange(len(out))
        words = labels.words[out]
        two = back >= 0
        words[two] |= labels.words[back[two]]
        keys = [words[:, w] for w in range(self.word_count)]
        if at is not None:
            keys.append(at)
        order = np.lexsort((np.arange(len(out)), *keys))
        new = np.ones(len(order), dtype=bool)
        changed = [k[order][1:] != k[order][:-1] for k in keys]
        new[1:] = np.logical_or.reduce(changed)
        return np.sort(order[new])

    def _walk_cost(self, s: int, out: tuple[int, ...], back: tuple[int, ...]) -> float:
        """Least objective money of a walk without its port."""
        model = self.model
        cost = arm_cost(model, s, out) + arm_cost(model, s, back)
        fitted = [d for d in out + back if model.fitted[d]]
        values = model.line_through if back else model.line_end
        if fitted:
            return cost + values[fitted[0]]
        return cost + max(values[d] for d in out + back)

    def _arm(self, labels: _Labels, index: int) -> tuple[int, ...]:
        out = []
        while index >= 0:
            out.append(int(self.model.device[labels.state[index]]))
            index = int(labels.parent[index])
        return tuple(out)

    def _pairs(
        self,
        labels: _Labels,
        weight: np.ndarray,
        priced: Priced,
        other: np.ndarray,
        s: int,
        threshold: float,
        missed: list[tuple[float, int]],
        cuts: Sequence[SubsetCut],
        priced_lengths: Sequence[_PricedLength],
    ) -> tuple[np.ndarray, ...]:
        """Lines through switch s: pairs of arms without a device in common."""
        model = self.model
        arm, length = self._arm_ends(labels, s)
        low = float(model.line_through.min()) + float(priced.fee[s])
        partner = other[s][np.maximum(model.capacity - weight, 0)]
        partner = np.where(model.capacity - weight > 0, partner, FAR)
        ok = arm + partner + low < threshold
        for price in priced_lengths:
            ok &= price.with_partner(arm, length, model.capacity - weight, s) + low < threshold
        pick = np.nonzero(ok)[0]
        none = np.zeros(0, dtype=np.int64)
        nothing = (np.zeros(0), none, none, none, none)
        if len(pick) < 2:
            return nothing
        pick = pick[np.argsort(arm[pick], kind="stable")]
        value = arm[pick]
        stop = np.searchsorted(value, threshold - low - value)
        count = np.maximum(stop - np.arange(1, len(pick) + 1), 0)
        full = int(count.sum())
        if full > PAIR_LIMIT:
            # Keep the pairs of the best arms; the first pair left out bounds all of them.
            kept = int(np.searchsorted(np.cumsum(count), PAIR_LIMIT))
            rest = np.nonzero(count[kept:])[0] + kept
            lowest = float((value[rest] + value[np.minimum(rest + 1, len(value) - 1)]).min())
            missed.append((lowest + low, 2 * int(weight[pick].min())))
            count[kept:] = 0
        total = int(count.sum())
        if not total:
            return nothing
        a = np.repeat(np.arange(len(pick)), count)
        b = a + 1 + np.arange(total) - np.repeat(np.cumsum(count) - count, count)
        out, back = pick[a], pick[b]
        ok = weight[out] + weight[back] <= model.capacity
        ok &= length[out] + length[back] <= model.max_length_um
        out, back = out[ok], back[ok]
        if self.full:
            blocked = labels.words if self.block is None else self._blocked(labels)
            clash = np.zeros(len(out), dtype=bool)
            for w in range(self.word_count):
                clash |= (blocked[out, w] & labels.words[back, w]) != 0
            both = labels.add[out] + labels.add[back]
            ok = ~clash & (both[:, self.UNIT] <= self.caps[1])
            ok &= both[:, self.LOAD] <= self.caps[2]
            if self.cycle_matters:
                budget = np.minimum(labels.budget[out], labels.budget[back])
                ok &= self.base_cycle_ns + both[:, self.SLOT] <= budget
        else:
            ok = model.device[labels.state[out]] != model.device[labels.state[back]]
        out, back = out[ok], back[ok]
        one, two = labels.option[out], labels.option[back]
        option = np.where((one == -1) | (two == -1), -1, one | two)
        cost = arm[out] + arm[back] + float(priced.fee[s])
        if len(out):
            cost = cost + self._line_values(option, False)
        for cut in cuts:
            x, y, z = cut.devices
            held = [
                ((labels.words[side, d // WORD] >> self.bit[d]) & np.uint64(1)).astype(np.int64)
                for side in (out, back)
                for d in (x, y, z)
            ]
            first, second = sum(held[:3]), sum(held[3:])
            cost = cost + np.where((first == 1) & (second == 1), cut.price, 0.0)
        keep = cost < threshold
        out, back, cost = out[keep], back[keep], cost[keep]
        return cost, out, back, np.full(len(out), s), weight[out] + weight[back]

    def _blocked(self, labels: _Labels) -> np.ndarray:
        """Devices each label holds, with all that conflict with one of them."""
        assert self.block is not None
        words = labels.words.copy()
        one = np.uint64(1)
        for d in range(self.model.k):
            has = (labels.words[:, d // WORD] >> self.bit[d]) & one == one
            words[has] |= self.block[d]
        return words


def _first_of_each(group: np.ndarray, marked: np.ndarray) -> np.ndarray:
    """Mark only the first marked entry of each run of equal group numbers."""
    at = np.nonzero(marked)[0]
    first = np.ones(len(at), dtype=bool)
    first[1:] = group[at[1:]] != group[at[:-1]]
    out = np.zeros(len(marked), dtype=bool)
    out[at[first]] = True
    return out


def _count_below(ranked: np.ndarray, row: np.ndarray, limit: np.ndarray) -> np.ndarray:
    """How many entries of each label's sorted row lie below the label's limit."""
    low = np.zeros(len(row), dtype=np.int64)
    high = np.full(len(row), ranked.shape[1], dtype=np.int64)
    while True:
        open_ = low < high
        if not open_.any():
            return low
        middle = (low + high) >> 1
        below = open_ & (ranked[row, np.minimum(middle, ranked.shape[1] - 1)] < limit)
        low = np.where(below, middle + 1, low)
        high = np.where(open_ & ~below, middle, high)
