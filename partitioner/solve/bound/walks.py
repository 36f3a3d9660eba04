"""Relaxed walks: the cheapest ways along a line that may visit a device again, but not at once.

Every real line is such a walk, so the least reduced cost of a walk is never above that of any
line. Walks forget length, load and who may share a line with whom (neighbours excepted), which is
what makes them cheap: a layer per device (or per step of unit load), one matrix step each.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.line_model import FAR, LineModel
from partitioner.solve.columns import Arms

Order = tuple[int, int, tuple[int, ...], tuple[int, ...]]
"""(switch, grade, out, back): an exact line, both arms outward from the switch."""


@dataclass(slots=True)
class Priced:
    """Reduced costs of a line model's parts under some duals.

    ``node`` float (E,): what a state's device brings, less its dual. ``fee`` float (S,): least
    value of a port at each of the model's switches less duals of ports and line counts (FAR where
    no port serves the grade). ``port`` int (S,): which port class that is.
    """

    node: Floats
    fee: Floats
    port: Ints

    @classmethod
    def at(cls, model: LineModel, device: Floats, fee: Floats) -> Priced:
        """Reduced costs under duals of devices (n,) and fees of port classes (P,)."""
        fees = np.full(len(model.switches), FAR)
        ports = np.full(len(model.switches), -1, dtype=np.int64)
        for a, s in enumerate(model.switches):
            for p in model.instance.ports_of[int(s), model.grade]:
                if fee[p] < fees[a]:
                    fees[a], ports[a] = fee[p], p
        return cls(model.base - device[model.members][model.device], fees, ports)


@dataclass(frozen=True, slots=True)
class Walk:
    """A line that may visit devices again: local devices outward from the switch, per arm."""

    switch: int
    port: int
    out: tuple[int, ...]
    back: tuple[int, ...]
    reduced: float
    weight: int
    cost: int
    """Objective money without the port; never above the cost of a real line of this order."""

    @property
    def elementary(self) -> bool:
        """Whether no device comes twice."""
        both = self.out + self.back
        return len(set(both)) == len(both)

    def arms(self, model: LineModel) -> Arms:
        """Device indices outward from the switch, per arm."""
        out, back = (tuple(model.members[list(arm)].tolist()) for arm in (self.out, self.back))
        return out, back

    def times(self, model: LineModel) -> Counter[int]:
        """How often it visits each device, by device index."""
        return Counter(model.members[list(self.out + self.back)].tolist())


class ArmWalks:
    """Best and second-best arms per weight and innermost state, from the far end inward.

    ``best[q, e]`` is the least reduced cost of an arm of weight q with innermost state e, without
    e's own piece; ``second`` the least among arms whose second device is another one than in the
    best. An arm that would step straight back to the device before must use the second.
    """

    def __init__(self, model: LineModel, priced: Priced):
        self.model, self.priced = model, priced
        cap, states = model.capacity, model.states
        self.best = np.full((cap + 1, states), FAR)
        self.second = np.full((cap + 1, states), FAR)
        self.via = np.full((cap + 1, states), -1, dtype=np.int64)
        self.via_second = np.full((cap + 1, states), -1, dtype=np.int64)
        weight = model.weight[model.device]
        inward = np.ascontiguousarray(model.piece.T)  # [inner, outer]
        rows = np.arange(states)
        natural = model.whole == model.fitted[model.device]
        for q in range(1, cap + 1):
            single = natural & (weight == q)
            if model.counts_devices:
                total = inward + self._from_layer(q - 1) if q > 1 else None
            else:
                before = q - weight
                total = inward + self._from_layers(before)
                total[before < 1] = FAR
            if total is not None and states:
                outer = total.argmin(axis=1)
                value = total[rows, outer]
                total[rows, outer] = FAR
                twin = self._twin_of(outer)
                has = twin >= 0
                total[rows[has], twin[has]] = FAR
                runner = total.argmin(axis=1)
                second = total[rows, runner]
                self.best[q] = np.minimum(value + priced.node, FAR)
                self.second[q] = np.minimum(second + priced.node, FAR)
                self.via[q] = np.where(value < FAR / 2, outer, -1)
                self.via_second[q] = np.where(second < FAR / 2, runner, -1)
            self.best[q][single] = priced.node[single]
            self.second[q][single] = FAR
            self.via[q][single] = -1
            self.via_second[q][single] = -1

    def _twin_of(self, state: Ints) -> Ints:
        """Give the other state of the same device, -1 if it has one state only."""
        model = self.model
        device = model.device[state]
        twin = model.twin[device]
        return np.where(state >= model.k, device, twin)

    def _from_layer(self, q: int) -> Floats:
        """[inner, outer]: the arms of weight q that inner may follow, per outer state."""
        model = self.model
        value = np.broadcast_to(self.best[q], (model.states, model.states)).copy()
        outer = np.nonzero(self.via[q] >= 0)[0]
        back = model.device[self.via[q][outer]]
        value[back, outer] = self.second[q][outer]
        twin = model.twin[back]
        has = twin >= 0
        value[twin[has], outer[has]] = self.second[q][outer[has]]
        return value

    def _from_layers(self, before: Ints) -> Floats:
        model = self.model
        row = np.maximum(before, 0)
        via = self.via[row]
        back = np.where(via >= 0, model.device[via], -1)
        straight_back = back == model.device[:, None]
        return np.where(straight_back, self.second[row], self.best[row])

    def arm(self, q: int, state: int) -> tuple[int, ...]:
        """Local devices of the best arm of weight q and innermost state, outward."""
        model = self.model
        out: list[int] = []
        second = False
        while True:
            device = int(model.device[state])
            out.append(device)
            via = int((self.via_second if second else self.via)[q, state])
            if via < 0:
                return tuple(out)
            q -= int(model.weight[device])
            after = int(self.via[q, via])
            second = after >= 0 and int(model.device[after]) == device
            state = via


def arm_cost(model: LineModel, switch: int, arm: tuple[int, ...]) -> float:
    """Least objective money of an arm at the model's local switch, end slack included."""
    if not arm:
        return 0.0
    cost, whole = 0.0, False
    outer = -1
    for device in reversed(arm):
        whole = whole or bool(model.fitted[device])
        own = whole == bool(model.fitted[device])
        state = device if own else int(model.twin[device])
        cost += model.base[state]
        if outer >= 0:
            cost += model.piece[outer, state]
        outer = state
    return cost + float(model.close[switch, outer])


def best_walks(
    model: LineModel, priced: Priced, walks: ArmWalks, most: int
) -> tuple[list[Walk], Floats]:
    """Cheapest walks as lines, and the least reduced cost per weight.

    Returns at most ``most`` walks of negative reduced cost, spread over innermost devices and
    weights, and float (capacity + 1,): the least reduced cost of any line of each weight (FAR
    where there is none). Lines through their switch are counted too where they are allowed.
    """
    if not model.states:
        return [], np.full(model.capacity + 1, FAR)
    total = model.close + priced.fee[:, None]
    at = total.argmin(axis=0)
    columns = np.arange(model.states)
    ending = total[at, columns] + model.line_end
    value = walks.best + ending[None, :]
    value[walks.best >= FAR / 2] = FAR
    least = value.min(axis=1)
    picks: set[tuple[int, int]] = set()
    by_state = value.argmin(axis=0)
    picks.update((int(q), e) for e, q in enumerate(by_state) if value[q, e] < 0)
    by_weight = value.argmin(axis=1)
    picks.update((q, int(e)) for q, e in enumerate(by_weight) if value[q, e] < 0)
    chosen = sorted(picks, key=lambda qe: (value[qe], qe))[:most]
    found = []
    for q, e in chosen:
        arm = walks.arm(q, e)
        s = int(at[e])
        cost = arm_cost(model, s, arm) + model.line_end[e]
        found.append(
            Walk(
                int(model.switches[s]), int(priced.port[s]), arm, (), float(value[q, e]), q,
                int(cost),
            )
        )
    if model.through:
        through, least_through = _two_armed(model, priced, walks, most)
        found += through
        least = np.minimum(least, least_through)
    return found, least


def _two_armed(
    model: LineModel, priced: Priced, walks: ArmWalks, most: int
) -> tuple[list[Walk], Floats]:
    """Lines through their switch: two arms whose innermost devices differ."""
    cap = model.capacity
    least = np.full(cap + 1, FAR)
    found: list[Walk] = []
    fee_low = float(model.line_through.min())
    for s in range(len(model.switches)):
        if priced.fee[s] > FAR / 2:
            continue
        arm = walks.best + model.close[s][None, :]
        order = arm.argmin(axis=1)
        first = arm[np.arange(cap + 1), order]
        masked = arm.copy()
        masked[model.device[order][:, None] == model.device[None, :]] = FAR
        order_second = masked.argmin(axis=1)
        second = masked[np.arange(cap + 1), order_second]
        for a in range(1, cap // 2 + 1):
            if first[a] > FAR / 2:
                continue
            for b in range(a, cap - a + 1):
                if first[b] > FAR / 2:
                    continue
                same = model.device[order[a]] == model.device[order[b]]
                pairs = [(order[a], order[b], first[a] + first[b])]
                if same:
                    pairs = [
                        (order_second[a], order[b], second[a] + first[b]),
                        (order[a], order_second[b], first[a] + second[b]),
                    ]
                ea, eb, both = min(pairs, key=lambda p: p[2])
                if both > FAR / 2:
                    continue
                fixed = fee_low
                if model.whole[ea] or model.whole[eb]:
                    fixed = float(model.line_through[ea if model.whole[ea] else eb])
                # The least over all pairs may have a cheaper line value than this pair's.
                value = both + fee_low + priced.fee[s]
                least[a + b] = min(least[a + b], value)
                if both + fixed + priced.fee[s] < 0:
                    out, back = walks.arm(a, int(ea)), walks.arm(b, int(eb))
                    cost = arm_cost(model, s, out) + arm_cost(model, s, back) + fixed
                    found.append(
                        Walk(
                            int(model.switches[s]), int(priced.port[s]), out, back,
                            both + fixed + float(priced.fee[s]), a + b, int(cost),
                        )
                    )
    found.sort(key=lambda w: w.reduced)
    return found[:most], least
