"""Lines without repeated devices, found layer by layer as labels in numpy arrays.

A label is the part of a line walked so far, from the far end of its first arm inward and, where
the switch may sit along the line, through the switch and outward: its last state, the devices it
remembers, its cost and length. Two labels with the same memory and last state differ only in cost
and length, so only the undominated are kept; a label that cannot end below the threshold, by the
completion bounds, is dropped. When there are still too many, the least promising go,
and the best they could have become is kept in the result: whatever is cut off, the search says
how low a reduced cost may exist.

With a full memory the lines are elementary. With a partial memory (each device has a list of
neighbours it remembers) a device may come again after the walk has left its neighbourhood; that
is a relaxation still, and far cheaper for long lines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from partitioner.solve.arrays import Bools, Floats, Ints
from partitioner.solve.bound.completions import QUICK_CELLS, Completions, NearLists
from partitioner.solve.bound.cuts import CutPrices, SubsetCut
from partitioner.solve.bound.label_arrays import Labels, joined, undominated
from partitioner.solve.bound.line_model import FAR, LineModel
from partitioner.solve.bound.resources import Amounts, Memory, OptionValues, Words
from partitioner.solve.bound.walks import Priced, Walk, arm_cost
from partitioner.solve.columns import Arms, TooManyColumns

STEPS_PER_LABEL = 8
"""Most steps looked at in one layer, per label it may keep."""

class Found(NamedTuple):
    """Result of a search.

    ``walks`` in order of reduced cost (cut prices included). ``missed`` is a list of (reduced
    cost, weight): nothing that was left out has a reduced cost below the first with a weight
    below the second; without any of it nothing below the threshold was left out.
    """

    walks: list[Walk]
    missed: list[tuple[float, int]]


class Line(NamedTuple):
    """A line listed: local devices outward from its switch, per arm.

    ``reduced`` is never above its reduced cost. Lines of one model at one switch are of one kind
    (over the same devices, through the same capped pathways if these are told) where ``kind`` is
    the same.
    """

    switch: int
    out: tuple[int, ...]
    back: tuple[int, ...]
    reduced: float
    kind: bytes


@dataclass(frozen=True, slots=True)
class _Ends:
    """Where labels become lines, in order of cost: label, local switch, bit rows of each."""

    cost: Floats
    index: Ints
    at: npt.NDArray[np.integer]
    words: Words


_INWARD, _ACROSS, _OUTWARD = range(3)
"""Kinds of steps: along the first arm, through the switch, along the second arm."""


@dataclass(slots=True)
class _Run:
    """One search under way: labels still to be extended by weight, and what was left out.

    Labels of weight ``q`` are at work, numbered on from ``offset``.
    """

    priced: Priced
    threshold: float
    limit: int
    cuts: CutPrices
    spent: Callable[[int], None]
    rest: Completions
    pending: list[list[Labels]]
    missed: list[tuple[float, int]] = field(default_factory=list)
    q: int = 0
    offset: int = 0


class _Steps(NamedTuple):
    """Steps to be taken: from which label, to which state and device, from which row.

    ``add`` and ``option`` are those of the labels with the devices stepped to, ways left out.
    """

    source: Ints
    to: Ints
    target: Ints
    outer: npt.NDArray[np.int32]
    add: Ints
    option: Ints


class _Made(NamedTuple):
    """New labels before they are judged, and the switch passed (-1: none)."""

    steps: _Steps
    cost: Floats
    add: Ints
    passes: Words | None
    switch: int = -1


class LabelSearch:
    """Search of one line model.

    Parameters
    ----------
    near
        bool (k, k): row i marks what a walk at device i remembers; None remembers everything.
    look
        Called often while the search is set up; may raise to end that.
    cells
        Size of the completion bounds; larger ones take longer and leave fewer labels.
    lists
        Whether every line is wanted that could be the cheapest of its devices at its switch, as
        :meth:`lines` gives them, not only what tells the least reduced cost, as :meth:`run` does.
    tells_pathways
        Whether lines over the same devices through other capped pathways are other lines.
    """

    def __init__(
        self,
        model: LineModel,
        near: Bools | None = None,
        *,
        look: Callable[[], object],
        cells: int = QUICK_CELLS,
        lists: bool = False,
        tells_pathways: bool = False,
    ):
        self.model, self.lists = model, lists
        self.near = NearLists(model, near, cells, look)
        self.memory = Memory(model, near, tells_pathways)
        self.amounts = Amounts(model, exact=self.memory.is_full)
        self.values = OptionValues(model.builder, model.grade, [int(i) for i in model.members])
        # What a second arm costs is known from its far end only; until then it is a bound.
        self.costs_are_bounds = model.through and model.instance.has_options

    def _cable(self, length_um: Ints, option: Ints) -> Floats:
        model, share = self.model, self.values.shares(option)
        return model.instance.cable_values(model.grade, length_um, share).astype(float)

    # -- the search ---------------------------------------------------------------------------

    def run(
        self,
        priced: Priced,
        *,
        limit: int,
        most: int,
        cuts: Sequence[SubsetCut],
        spent: Callable[[int], None],
    ) -> Found:
        """Find lines of negative reduced cost under some duals, at most ``most`` walks.

        ``limit``: most labels extended per layer. ``cuts`` come with their prices, and only with
        full memory. ``spent`` is told the number of labels of each layer, and often none; it may
        raise to end the search.
        """
        labels, missed = self._labels(priced, 0.0, limit, cuts, spent)
        if labels is None:
            return Found([], missed)
        ends = self._ends(labels, priced, 0.0)
        if len(ends.cost) > most:
            # Whatever is left out is no better than the first of it, at any weight.
            cost, size = ends.cost[most:], labels.weight[ends.index[most:]]
            missed += [(float(cost[size == q].min()), int(q)) for q in np.unique(size)]
        walks = []
        for s, index, cost in zip(
            ends.at[:most], ends.index[:most], ends.cost[:most], strict=True
        ):
            out, back = self._arms(labels, int(index))
            walks.append(
                Walk(
                    int(self.model.switches[s]), int(priced.port[s]), out, back, float(cost),
                    int(labels.weight[index]), int(self._walk_cost(s, out, back)),
                )
            )
        return Found(walks, missed)

    def lines(
        self,
        priced: Priced,
        threshold: float,
        limit: int,
        most: int,
        cuts: Sequence[SubsetCut],
        spent: Callable[[int], None],
    ) -> Iterator[Line]:
        """Give every line below ``threshold`` that could be the cheapest of its kind.

        Parameters are those of :meth:`run`.

        Raises
        ------
        TooManyColumns
            Where labels or lines go over their limits.
        """
        labels, _ = self._labels(priced, threshold, limit, cuts, spent)
        if labels is None:
            return
        ends = self._ends(labels, priced, threshold)
        if len(ends.cost) > most:
            raise TooManyColumns
        for s, index, cost, words in zip(ends.at, ends.index, ends.cost, ends.words, strict=True):
            out, back = self._arms(labels, int(index))
            yield Line(int(self.model.switches[s]), out, back, float(cost), words.tobytes())

    def _labels(
        self,
        priced: Priced,
        threshold: float,
        limit: int,
        cuts: Sequence[SubsetCut],
        spent: Callable[[int], None],
    ) -> tuple[Labels | None, list[tuple[float, int]]]:
        """All labels extended, layer by layer, None if there is none; and what was left out."""
        model = self.model
        if not model.states or not model.capacity:
            return None, []
        if cuts and not self.memory.is_full:
            raise ValueError("subset cuts need a full memory")
        look = partial(spent, 0)
        rest = Completions(model, priced, self.near, look)
        pending: list[list[Labels]] = [[] for _ in range(model.capacity + 1)]
        run = _Run(priced, threshold, limit, CutPrices(cuts), spent, rest, pending)
        self._start(run)
        done: list[Labels] = []
        for q in range(1, model.capacity + 1):
            if not pending[q]:
                continue
            labels = joined(pending[q])
            pending[q] = []
            labels = labels.take(self._undominated(labels))
            mask = self.near.mask_of(labels.words, self._device(labels))
            promise = labels.cost + self._rest(rest, labels, mask, q)
            open_ = np.nonzero(promise < threshold)[0]
            labels, promise = labels.take(open_), promise[open_]
            if not len(labels):
                continue
            if len(labels) > limit:
                order = np.argpartition(promise, limit)
                run.missed.append((float(promise[order[limit:]].min()), q))
                labels = labels.take(np.sort(order[:limit]))
            done.append(labels)
            run.q = q
            self._extend(labels, run)
            if self.lists and run.missed:
                raise TooManyColumns
            run.offset += len(labels)
            spent(len(labels))
        return joined(done) if done else None, run.missed

    def _device(self, labels: Labels) -> Ints:
        """Local device of each label's last state."""
        model = self.model
        second = labels.state >= model.states
        return np.where(
            second,
            labels.state - model.states,
            model.device[np.minimum(labels.state, model.states - 1)],
        )

    def _rest(self, rest: Completions, labels: Labels, mask: Ints, q: int) -> Floats:
        """Bounds on what finishing each label of weight q adds."""
        model = self.model
        left = model.capacity - q
        second = labels.state >= model.states
        if not second.any():
            return rest.on_first(left, labels.state, mask)
        out = np.empty(len(labels))
        first = ~second
        out[first] = rest.on_first(left, labels.state[first], mask[first])
        room = np.minimum(left, 2 * labels.first[second] - q)
        out[second] = rest.on_second(room, labels.state[second] - model.states, mask[second])
        return out

    def _start(self, run: _Run) -> None:
        model, node = self.model, run.priced.node
        device = np.arange(model.k)
        weight = model.weight
        option = np.where(model.fitted, -1, model.instance.option_bit[model.members])
        left = model.capacity - weight
        ok = left >= 0
        promise = np.full(model.k, FAR)
        none = np.zeros(int(ok.sum()), dtype=np.int64)
        promise[ok] = node[: model.k][ok] + run.rest.on_first(left[ok], device[ok], none)
        ok &= promise < run.threshold
        amounts = self.amounts
        ok &= amounts.within(amounts.gain, amounts.budget, device, on_first=True)
        for q in np.unique(weight[ok]):
            pick = np.nonzero(ok & (weight == q))[0]
            run.pending[int(q)].append(
                Labels(
                    cost=node[pick].copy(),
                    weight=weight[pick],
                    state=pick.astype(np.int32),
                    switch=np.full(len(pick), -1, dtype=np.int16),
                    first=np.zeros(len(pick), dtype=np.int32),
                    words=self.memory.own[pick],
                    add=amounts.gain[pick],
                    option=option[pick].astype(np.int64),
                    budget=amounts.budget[pick],
                    parent=np.full(len(pick), -1, dtype=np.int64),
                )
            )

    def _extend(self, labels: Labels, run: _Run) -> None:
        """Put the labels' extensions by one device where their weight puts them."""
        model = self.model
        left = model.capacity - run.q - model.weight
        on_first = np.nonzero(labels.state < model.states)[0]
        rest, near = run.rest, self.near
        if len(on_first):
            part = labels.take(on_first)
            after = rest.after_step(rest.inner, near.inward, left[model.device])
            value = rest.step + after
            self._grow(part, on_first, value, after, run, _INWARD)
            if model.through:
                assert rest.outer is not None
                assert near.across is not None
                room = np.minimum(left, run.q - model.weight)
                after = rest.after_step(rest.outer, near.across, room)
                self._grow(part, on_first, rest.cross + after, after, run, _ACROSS)
        if model.through:
            on_second = np.nonzero(labels.state >= model.states)[0]
            if len(on_second):
                assert rest.outer is not None
                assert near.outward is not None
                part = labels.take(on_second)
                # How much the second arm may still gain differs from label to label.
                for first in np.unique(part.first):
                    pick = np.nonzero(part.first == first)[0]
                    room = np.minimum(left, 2 * int(first) - run.q - model.weight)
                    after = rest.after_step(rest.outer, near.outward, room)
                    self._grow(
                        part.take(pick), on_second[pick], rest.out_step + after, after, run,
                        _OUTWARD,
                    )  # fmt: skip

    def _grow(
        self, labels: Labels, number: Ints, value: Floats, after: Floats, run: _Run, kind: int
    ) -> None:
        """Extend labels of one kind; ``value`` (from, to) bounds each step and all after it."""
        run.spent(0)
        model = self.model
        row = labels.state - (model.states if kind == _OUTWARD else 0)
        source, to = _worth_taking(labels.cost, row, value, run)
        target = model.device[to] if kind == _INWARD else to
        free = self.memory.free(labels.words, source, target)
        source, to, target = source[free], to[free], target[free]
        if not len(source):
            return
        option = labels.option[source]
        if model.instance.has_options:
            option = np.where(
                (option == -1) | model.fitted[target],
                -1,
                option | model.instance.option_bit[model.members[target]],
            )
        outer = row[source]
        added = labels.add[source] + self.amounts.gain[target]
        steps = _Steps(source, to, target, outer, added, option)
        if kind == _ACROSS:
            made = self._across(labels, steps, run.priced)
        else:
            made = iter([self._along(labels, steps, run, kind)])
        for new in made:
            run.spent(0)
            self._put(labels, number, new, after[outer, to], run, kind)

    def _across(self, labels: Labels, steps: _Steps, priced: Priced) -> Iterator[_Made]:
        """Steps through each switch to a first device beyond it."""
        model = self.model
        source, target = steps.source, steps.target
        for s in range(len(model.switches)):
            if priced.fee[s] >= FAR / 2:
                continue
            cost, near_um = self._arm_ends(labels, s)
            cost = cost[source] + model.close[s][: model.k][target]
            cost += priced.node[target] + float(model.line_through.min())
            cost += priced.fee[s]
            reach = steps.add.copy()
            reach[:, Amounts.LENGTH] = near_um[source] + model.close_um[s][target]
            passes = self.memory.at_switch(s, target)
            if passes is not None:
                before = self.memory.at_switch(s, self._device(labels))
                assert before is not None
                passes = passes | before[source]
            yield _Made(steps, cost, reach, passes, s)

    def _along(self, labels: Labels, steps: _Steps, run: _Run, kind: int) -> _Made:
        """Steps to the next device of an arm."""
        model = self.model
        source, to, target, outer = steps.source, steps.to, steps.target, steps.outer
        before = model.device[outer] if kind == _INWARD else outer
        add = steps.add
        add[:, Amounts.LENGTH] += model.arc_um[before, target]
        if kind == _INWARD and model.instance.has_options:
            way = model.way_um[before, target]
            cost = labels.cost[source] + run.priced.node[to]
            cost += self._cable(way, labels.option[source])
            cost += self._cable(np.full(len(way), model.drop_um), labels.option[source])
        else:
            grown = run.rest.step if kind == _INWARD else run.rest.out_step
            cost = labels.cost[source] + grown[outer, to]
        return _Made(steps, cost, add, self.memory.on_way(before, target))

    def _put(
        self, labels: Labels, number: Ints, made: _Made, after: Floats, run: _Run, kind: int
    ) -> None:
        """Keep those new labels that can still end below the threshold."""
        model = self.model
        source, target = made.steps.source, made.steps.target
        cost = made.cost + run.cuts.paid(labels.words, source, target)
        budget = np.minimum(labels.budget[source], self.amounts.budget[target])
        ok = cost + after < run.threshold
        ok &= self.amounts.within(made.add, budget, target, on_first=kind == _INWARD)
        pick = np.nonzero(ok)[0]
        if not len(pick):
            return
        source, target = source[pick], target[pick]
        words = self.memory.after(labels.words[source], target)
        if made.passes is not None:
            words |= made.passes[pick]
        state = made.steps.to[pick] + (0 if kind == _INWARD else model.states)
        if kind == _ACROSS:
            switch = np.full(len(pick), made.switch, dtype=np.int16)
            first = np.full(len(pick), run.q, dtype=np.int32)
        else:
            switch, first = labels.switch[source], labels.first[source]
        new = Labels(
            cost=cost[pick],
            weight=run.q + model.weight[target],
            state=state.astype(np.int32),
            switch=switch,
            first=first,
            words=words,
            add=made.add[pick],
            option=made.steps.option[pick],
            budget=budget[pick],
            parent=number[source] + run.offset,
        )
        if model.counts_devices:
            run.pending[run.q + 1].append(new)
            return
        for reached in np.unique(new.weight):
            run.pending[int(reached)].append(new.take(new.weight == reached))

    def _undominated(self, labels: Labels) -> Ints:
        """Indices of labels worth going on with.

        Where lines are listed, no second arm beats another by a cost that is only a bound.
        """

        def best(of: Labels) -> Ints:
            return undominated(
                of, tells_switches=self.lists, length_matters=self.amounts.length_matters
            )

        if not (self.lists and self.costs_are_bounds):
            return best(labels)
        on_first = labels.state < self.model.states
        first, second = np.nonzero(on_first)[0], np.nonzero(~on_first)[0]
        return np.sort(np.concatenate([first[best(labels.take(first))], second]))

    # -- finishing ----------------------------------------------------------------------------

    def _arm_ends(self, labels: Labels, s: int) -> tuple[Floats, Ints]:
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
        return cost, labels.add[:, Amounts.LENGTH] + model.close_um[s][device]

    def _ends(self, labels: Labels, priced: Priced, threshold: float) -> _Ends:
        """Labels that are whole lines at a switch, the first of each set of devices only."""
        model = self.model
        first = np.nonzero(labels.state < model.states)[0]
        second = np.nonzero((labels.state >= model.states) & (labels.cost < threshold))[0]
        # Cost, label, local switch and bit row of each end.
        parts: list[tuple[Floats, Ints, npt.NDArray[np.integer],
                          Words]] = [
            (labels.cost[second], second, labels.switch[second], labels.words[second])
        ]
        ending = labels.take(first)
        values = self.values.line_values(ending.option)
        best = np.full(len(first), FAR)
        for s in range(len(model.switches)):
            if priced.fee[s] > FAR / 2:
                continue
            cost, length = self._arm_ends(ending, s)
            cost = cost + values + priced.fee[s]
            ok = (cost < threshold) & (length + model.end_um <= model.max_length_um)
            if not self.lists:
                ok &= cost < best
            pick = np.nonzero(ok)[0]
            best[pick] = np.minimum(best[pick], cost[pick])
            words = ending.words[pick]
            passes = self.memory.at_switch(s, model.device[ending.state[pick]])
            if passes is not None:
                words = words | passes
            parts.append((cost[pick], first[pick], np.full(len(pick), s), words))
        cost, index, at, words = (np.concatenate(c) for c in zip(*parts, strict=True))
        order = np.lexsort((at, labels.weight[index], cost))
        order = order[self._first_of_each_set(words[order], at[order])]
        return _Ends(cost[order], index[order], at[order], words[order])

    def _first_of_each_set(self, words: Words, at: npt.NDArray[np.integer]) -> Ints:
        """Places of the first line of each set of devices (and switch), in order.

        All are kept where different ones may remember the same (partial memory), and where costs
        are bounds, so that the first of a set need not be its best.
        """
        if not self.memory.is_full or self.costs_are_bounds:
            return np.arange(len(words))
        keys: list[npt.NDArray[np.integer]] = list(words.T)
        if self.lists:
            keys.append(at)
        order = np.lexsort((np.arange(len(words)), *keys))
        new = np.ones(len(order), dtype=bool)
        new[1:] = np.logical_or.reduce([k[order][1:] != k[order][:-1] for k in keys])
        return np.sort(order[new])

    def _walk_cost(self, s: int, out: tuple[int, ...], back: tuple[int, ...]) -> float:
        """Least objective money of a walk without its port."""
        model = self.model
        cost = arm_cost(model, s, out) + arm_cost(model, s, back)
        fitted = [d for d in out + back if model.fitted[d]]
        values = model.line_through if back else model.line_end
        if fitted:
            return cost + float(values[fitted[0]])
        return cost + max(float(values[d]) for d in out + back)

    def _arms(self, labels: Labels, index: int) -> Arms:
        """Local devices of a walk's two arms, each outward from the switch."""
        model = self.model
        first: list[int] = []
        second: list[int] = []
        while index >= 0:
            state = int(labels.state[index])
            if state >= model.states:
                second.append(state - model.states)
            else:
                first.append(int(model.device[state]))
            index = int(labels.parent[index])
        return tuple(first), tuple(reversed(second))


def _worth_taking(
    cost: Floats, row: npt.NDArray[np.int32], value: Floats, run: _Run
) -> tuple[Ints, Ints]:
    """(label, state stepped to) of every step that may end below the threshold.

    Where there are too many only the most promising ones, which is noted as missed.
    """
    order = np.argsort(value, axis=1)
    ranked = np.take_along_axis(value, order, axis=1)
    count = _count_below(ranked, row, run.threshold - cost)
    most = STEPS_PER_LABEL * run.limit
    if int(count.sum()) > most:
        # The threshold moves down until they are few enough.
        low, high = float((cost + ranked[row, 0]).min()), run.threshold
        for _ in range(12):
            run.spent(0)
            middle = 0.5 * (low + high)
            count = _count_below(ranked, row, middle - cost)
            if int(count.sum()) > most:
                high = middle
            else:
                low = middle
        count = _count_below(ranked, row, low - cost)
        run.missed.append((low, run.q + 1))
    source = np.repeat(np.arange(len(cost)), count)
    place = np.arange(len(source)) - np.repeat(np.cumsum(count) - count, count)
    return source, order[row[source], place]


def _count_below(ranked: Floats, row: npt.NDArray[np.int32], limit: Floats) -> Ints:
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
