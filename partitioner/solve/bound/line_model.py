"""Shared lines of one grade as walks over numbered states, with costs in objective money.

A line is walked from the far end of an arm towards its switch. The state of a walk is its
innermost device and, where options exist, whether an always-fitted device has been passed: from
there on every unit carries the cable. Costs are whole money steps kept in float64 (exact below
2**53), since numpy is fastest on them.
"""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from partitioner.solve.arrays import Bools, Ints
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.units import PPM

FAR = 1e14
"""Cost of what is not allowed; far above every real cost, and sums of a few stay exact."""
MOST_LAYERS = 400
"""Unit loads finer than this many steps of the limit are rounded down to steps."""


class LineModel:
    """One line grade, the switches that allow the same devices, and those devices.

    Parameters
    ----------
    switches
        Switch indices; all of them allow all ``members``.
    members
        Device indices that may hang on such a line.

    Attributes
    ----------
    members
        int (k,): device index of each local device.
    device
        int (E,): local device of each state.
    whole
        bool (E,): an always-fitted device is at or beyond the state's device on its arm.
    base
        float (E,): what the state's device brings, whatever is around it.
    piece
        float (E, E): ``piece[outer, inner]`` is the least cost of the outer state's piece of
        cable when the next state inward is ``inner``; FAR if that step is not allowed.
    out_piece
        float (k, k): the same for walks outward, [nearer, farther device]: least cost of the
        farther device's piece, by its own share of units.
    may_share, may_follow
        bool (k, k): may be on one line; [outer, inner]: may be neighbours that way round.
    close
        float (S, E): least cost of the innermost piece and the end slack of the arm.
    line_end, line_through
        float (E,): least cost of what a line carries once, by its innermost state: with the
        switch at its end (end slack included) and along it.
    weight, capacity
        int (k,), int: the counted resource, devices or unit-load steps; each at least 1.
    arc_um, close_um
        int (k, k), (S, k): lengths of pieces, drop slack included (end slack too at the switch).
    """

    def __init__(
        self,
        builder: ColumnBuilder,
        grade: int,
        switches: Sequence[int],
        members: Sequence[int] | Ints,
    ):
        inst = builder.instance
        self.builder, self.instance, self.grade = builder, inst, grade
        self.data = inst.grades[grade]
        self.switches = np.asarray(switches, dtype=np.int64)
        self.members = np.asarray(members, dtype=np.int64)
        k = self.k = len(self.members)
        self.local = {int(i): a for a, i in enumerate(self.members)}
        line = inst.problem.line
        self.drop_um, self.end_um = line.drop_slack_um, line.end_slack_um
        self.through = inst.line_may_pass_through
        fitted = inst.option_bit[self.members] == 0
        self.fitted = fitted
        # An option device is a state of its own for each of the two kinds of arm behind it.
        twice = np.zeros(0, dtype=np.int64)
        if fitted.any() and not line.option_tail:
            twice = np.nonzero(~fitted)[0]
        self.device = np.concatenate([np.arange(k), twice])
        self.whole = np.concatenate([fitted, np.ones(len(twice), dtype=bool)])
        self.states = len(self.device)
        self.twin = np.full(k, -1, dtype=np.int64)
        self.twin[twice] = np.arange(k, self.states)
        self._build_costs()
        self._build_lengths()
        self._build_weights()

    def bare(self) -> LineModel:
        """Give the same for walks alone, to travel without the problem that it comes from."""
        other = copy.copy(self)
        del other.builder, other.instance
        return other

    # -- building -----------------------------------------------------------------------------

    def _build_costs(self) -> None:
        inst, builder, grade = self.instance, self.builder, self.grade
        k = self.k
        ids = self.members[self.device]
        own = inst.share_ppm[self.members]
        share = np.where(self.whole, PPM, own[self.device])
        value = np.array([builder.device_value(grade, int(i)) for i in self.members])
        value = value + self._least_latency()
        self.base = value[self.device].astype(float)
        way = inst.way_um(self.members, self.members)
        self.way_um = way
        cost = inst.cable_values(grade, way[self.device][:, self.device], share[:, None])
        drop = inst.cable_values(grade, np.full(self.states, self.drop_um), share)
        allowed = self._steps_allowed()
        self.piece = np.where(allowed, (cost + drop[:, None]).astype(float), FAR)
        own_cost = inst.cable_values(grade, way.T, own[None, :])
        own_cost = own_cost + inst.cable_values(grade, np.full(k, self.drop_um), own)[None, :]
        self.out_piece = np.where(self.may_follow.T, own_cost.astype(float), FAR)
        reach = inst.switch_um[self.switches][:, ids]
        near = inst.cable_values(grade, reach, share[None, :]) + drop[None, :]
        end = inst.cable_values(grade, np.full(self.states, self.end_um), share)
        self.close = (near + end[None, :]).astype(float)
        least = self.data.spacing_min_um
        if least:
            self.close[reach + self.drop_um < least] = FAR
        rows = [[builder.line_value(grade, [int(i)], end) for end in (True, False)]
                for i in self.members]  # fmt: skip
        ends = np.array(rows, dtype=float).reshape(-1, 2)
        if self.fitted.any():
            always = ends[int(np.argmax(self.fitted))]
        else:
            always = ends.max(axis=0) if len(ends) else np.zeros(2)
        by_state = np.where(self.whole[:, None], always[None, :], ends[self.device])
        self.line_end, self.line_through = by_state[:, 0].copy(), by_state[:, 1].copy()

    def _least_latency(self) -> Ints:
        """Objective money of the legs each device sends, alone on a line.

        More devices on the line only make a leg longer, and every line carries these legs.
        """
        inst = self.instance
        value = np.zeros(self.k, dtype=np.int64)
        if inst.problem.objective.latency_price_per_ms_money and len(self.switches):
            for d, i in enumerate(self.members):
                legs = self.builder.latency.line(self.grade, frozenset({int(i)}))
                if legs is not None:
                    sent = set(inst.sent_by[int(i)])
                    value[d] = self.builder.latency_value(
                        leg for leg in legs.priced if leg[0] in sent
                    )
        return value

    def _steps_allowed(self) -> Bools:
        least = self.data.spacing_min_um
        tail = self.instance.problem.line.option_tail
        clash = self.instance.conflict[np.ix_(self.members, self.members)]
        self.may_share = ~clash & ~np.eye(self.k, dtype=bool)
        # [outer, inner]: which device may come next inward.
        self.may_follow = self.may_share.copy()
        if least:
            self.may_follow &= self.way_um + self.drop_um >= least
        if tail:
            self.may_follow &= ~(self.fitted[:, None] & ~self.fitted[None, :])
        outer, inner = self.device[:, None], self.device[None, :]
        allowed: Bools = self.may_follow[outer, inner]
        allowed &= (self.whole[:, None] | self.fitted[inner]) == self.whole[None, :]
        return allowed

    def _build_lengths(self) -> None:
        self.arc_um = self.way_um + self.drop_um
        reach = self.instance.switch_um[self.switches][:, self.members]
        self.close_um = reach + self.drop_um + self.end_um
        self.nearest_um = self.close_um.min(axis=0) if self.k else np.zeros(0, dtype=np.int64)
        self.max_length_um = self.data.max_length_um

    def _build_weights(self) -> None:
        """Choose what is counted layer by layer: devices, or unit loads where these bind first."""
        self.count_devices()
        unit, cap = self.instance.unit_mul[self.members], int(self.data.unit_cap_mul)
        if most_fitting(unit, cap) >= min(int(self.data.max_devices), self.k):
            return
        coarse = max(int(np.gcd.reduce(unit)), -(-cap // MOST_LAYERS))
        if int(unit.min()) >= coarse:
            self.weight = unit // coarse
            self.capacity = cap // coarse
            self.counts_devices = False

    def count_devices(self) -> None:
        """Count devices layer by layer, whatever binds first."""
        fits = most_fitting(self.instance.unit_mul[self.members], int(self.data.unit_cap_mul))
        self.weight = np.ones(self.k, dtype=np.int64)
        self.capacity = min(int(self.data.max_devices), self.k, fits)
        self.counts_devices = True


def most_fitting(weights: Ints, cap: int) -> int:
    """How many of some weights, the lightest first, add up to at most ``cap``."""
    return int(np.searchsorted(np.cumsum(np.sort(weights)), cap, side="right"))


def member_groups(
    instance: Instance, grade: int, among: Iterable[int] | None = None
) -> list[tuple[list[int], Bools]]:
    """Switches with ports of a line grade, grouped by the devices they allow.

    Returns (switches, bool (n,) of allowed devices); ``among`` limits the switches.
    """
    if instance.grades[grade].max_devices < 1:
        return []
    chosen = range(instance.switch_count) if among is None else sorted(among)
    groups: dict[bytes, list[int]] = defaultdict(list)
    for s in chosen:
        if (s, grade) in instance.ports_of:
            allowed = instance.may_hang[:, s] & instance.can[:, grade]
            groups[allowed.tobytes()].append(s)
    return [
        (switches, instance.may_hang[:, switches[0]] & instance.can[:, grade])
        for switches in groups.values()
    ]


def line_models(builder: ColumnBuilder, among: Sequence[int]) -> list[LineModel]:
    """Models of all lines over some devices.

    One for each line grade, each set of switches that allow the same devices, and each largest set
    of devices that may mix.
    """
    inst = builder.instance
    chosen = np.zeros(inst.n, dtype=bool)
    chosen[list(among)] = True
    models = []
    for grade in inst.line_grades:
        for switches, allowed in member_groups(inst, grade):
            mixed = {(allowed & chosen & fits).tobytes(): fits for fits in inst.line_classes}
            sets = [allowed & chosen & fits for fits in mixed.values()]
            for inside in sets:
                inst.look()
                if inside.any() and not any((inside < other).any() and (inside <= other).all()
                                            for other in sets):
                    members = np.nonzero(inside)[0]
                    models.append(LineModel(builder, grade, switches, members))
    return models
