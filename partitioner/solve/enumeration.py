"""From arms to candidate segments: every line whose reduced cost is below a threshold.

With duals of a relaxation whose value is ``bound``, a layout cheaper than ``cost`` uses only
columns of reduced cost below ``cost - bound``. So the columns found here are all that matter for
improving a layout, or for proving that nothing does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from partitioner.solve.arms import ArmLevel, ArmSpace, TooManyArms
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.completion import FAR, Completion
from partitioner.solve.instance import Instance

LOOK_EVERY = 100
"""Arms after which the clock and the wish to stop are looked at."""


@dataclass(frozen=True, slots=True)
class Duals:
    """Dual values in objective money: per device (n,), per port class (P,), subset cuts.

    A cut is three devices and a price that a line pays if it holds two or more of them.
    """

    device: npt.NDArray[np.float64]
    port: npt.NDArray[np.float64]
    cuts: tuple[tuple[tuple[int, int, int], int], ...] = ()

    def reduced(self, instance: Instance, column: Column, port: int | None = None) -> float:
        """Reduced cost of a column on a port class (the cheapest one if not given)."""
        ports = instance.ports_of[column.switch, column.grade] if port is None else [port]
        value = min(instance.port_classes[p].value - float(self.port[p]) for p in ports)
        value += column.cost - sum(float(self.device[i]) for i in column.devices)
        return value + self.cut_price(column.devices)

    def cut_price(self, devices: Sequence[int]) -> float:
        """What a line over the devices pays for subset cuts."""
        if len(devices) < 2 or not self.cuts:
            return 0.0
        inside = set(devices)
        return float(sum(p for cut, p in self.cuts if len(inside.intersection(cut)) >= 2))

    @classmethod
    def zero(cls, builder: ColumnBuilder) -> Duals:
        """All zeros: reduced cost is then plain cost."""
        inst = builder.instance
        return cls(np.zeros(inst.n), np.zeros(len(inst.port_classes)))


def port_fees(builder: ColumnBuilder, grade: int, duals: Duals) -> npt.NDArray[np.float64]:
    """Least value less dual of a port of the grade at each switch (S,), FAR where none."""
    inst = builder.instance
    fees = np.full(inst.switch_count, FAR)
    for p, port in enumerate(inst.port_classes):
        if port.grade == grade:
            fees[port.switch] = min(fees[port.switch], port.value - duals.port[p])
    return fees


def columns_below(
    builder: ColumnBuilder,
    members: Sequence[int],
    duals: Duals,
    threshold: float,
    *,
    arm_limit: int = 400_000,
    column_limit: int = 40_000,
    should_stop: Callable[[], bool] = lambda: False,
) -> list[Column]:
    """All columns over ``members`` with reduced cost below ``threshold``, cheapest first.

    For each set of devices and switch only the cheapest order is kept (the next ones too if the
    cheapest breaks a rule such as length).

    Raises
    ------
    TooManyArms
        If there are more arms or columns than the limits, or somebody asked to stop; nothing is
        said then.
    """
    inst = builder.instance
    columns: list[tuple[float, Column]] = []
    for i in members:
        for p, port in enumerate(inst.port_classes):
            if inst.grades[port.grade].is_line or not inst.can[i, port.grade]:
                continue
            column = builder.link(port.switch, port.grade, i)
            if column is None:
                continue
            reduced = column.cost + port.value - duals.port[p] - duals.device[i]
            if reduced < threshold:
                columns.append((reduced, column))
    for grade in inst.line_grades:
        columns += _lines_below(
            builder, grade, members, duals, threshold, arm_limit, column_limit - len(columns),
            should_stop,
        )
    if duals.cuts:
        columns = [
            (value, column)
            for reduced, column in columns
            if (value := reduced + duals.cut_price(column.devices)) < threshold
        ]
    columns.sort(key=lambda pair: (pair[0], pair[1].switch, pair[1].devices))
    return list(dict.fromkeys(c for _, c in columns))


def _lines_below(
    builder: ColumnBuilder,
    grade: int,
    members: Sequence[int],
    duals: Duals,
    threshold: float,
    arm_limit: int,
    column_limit: int,
    should_stop: Callable[[], bool],
) -> list[tuple[float, Column]]:
    inst = builder.instance
    space = ArmSpace(builder, grade, members)
    if not space.m:
        return []
    fee, end_fee = _least_fees(builder, space)
    fees = port_fees(builder, grade, duals)
    line_fee = np.where(fees < FAR / 2, fees + fee, FAR)
    local = duals.device[space.members]
    completion = Completion(space, local, line_fee, float(end_fee))
    levels = space.levels(local, completion.bounds, threshold, limit=arm_limit)
    found = _single_arms(builder, space, levels, fees, threshold, column_limit, should_stop)
    if inst.line_may_pass_through:
        found += _two_arms(
            builder, space, levels, fees, completion, threshold, column_limit, should_stop
        )
    return found


def _arm_totals(
    space: ArmSpace, level: ArmLevel, switch: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Reduced cost and length of whole arms at a switch, its end slack included."""
    way = space.switch_um[switch, level.last]
    value = space.cable_values(way, level.share_ppm)
    end = space.cable_values(np.full(len(level), space.end_um, dtype=np.int64), level.share_ppm)
    reduced = level.reduced + value + end
    allowed = space.may_hang[switch, level.last]
    return np.where(allowed, reduced, FAR), level.length_um + way + space.end_um


def _single_arms(
    builder: ColumnBuilder,
    space: ArmSpace,
    levels: list[ArmLevel],
    fees: npt.NDArray[np.float64],
    threshold: float,
    column_limit: int,
    should_stop: Callable[[], bool],
) -> list[tuple[float, Column]]:
    inst = space.instance
    found: list[tuple[float, Column]] = []
    for size, level in enumerate(levels, start=1):
        fixed = space.values.line_values(level.option, at_end=True)
        for s in range(inst.switch_count):
            if fees[s] > FAR / 2:
                continue
            reduced, length = _arm_totals(space, level, s)
            reduced = reduced + fixed + fees[s]
            length = length + space.end_um
            pick = np.nonzero((reduced < threshold) & (length <= space.data.max_length_um))[0]
            if len(pick) > 8 * column_limit:
                raise TooManyArms
            seen: set[tuple[bytes, frozenset[str]]] = set()
            for rank, k in enumerate(pick[np.argsort(reduced[pick], kind="stable")]):
                if rank % LOOK_EVERY == 0 and should_stop():
                    raise TooManyArms
                key = (level.mask[k].tobytes(), _passes(space, level, int(k), s))
                if key in seen:
                    continue
                column = builder.line(s, space.grade, space.order(levels, size, int(k)))
                if column is not None:
                    seen.add(key)
                    found.append((float(reduced[k]), column))
            if len(found) > column_limit:
                raise TooManyArms
    return found


def _passes(space: ArmSpace, level: ArmLevel, index: int, switch: int) -> frozenset[str]:
    """Capped pathways an arm hung on a switch runs through; empty where nothing is capped.

    The bits of the arm stand for themselves here: equal bits mean equal pathways.
    """
    if not space.has_caps:
        return frozenset()
    inst = space.instance
    capped = space.capped_ids
    inside = int(level.passes[index])
    names = {p for k, p in enumerate(capped) if inside >> k & 1}
    last = inst.device_ids[int(space.members[level.last[index]])]
    known = set(capped)
    names.update(
        p for p in inst.network.pathways_on(inst.switch_ids[switch], last) if p in known
    )
    return frozenset(names)


def _least_fees(builder: ColumnBuilder, space: ArmSpace) -> tuple[int, int]:
    """What a line pays once, and more with its switch at the end, at the least share of any device.

    Never too much for any line.
    """
    rarest = [int(space.members[int(space.values.shares(space.own_option).argmin())])]
    fee = builder.line_value(space.grade, rarest, switch_at_end=False)
    return fee, builder.line_value(space.grade, rarest, switch_at_end=True) - fee


def _two_arms(
    builder: ColumnBuilder,
    space: ArmSpace,
    levels: list[ArmLevel],
    fees: npt.NDArray[np.float64],
    completion: Completion,
    threshold: float,
    column_limit: int,
    should_stop: Callable[[], bool],
) -> list[tuple[float, Column]]:
    """Join pairs of disjoint arms at a switch whose reduced costs together stay below."""
    found: list[tuple[float, Column]] = []
    cheapest_line, _ = _least_fees(builder, space)
    for s in range(space.instance.switch_count):
        if fees[s] > FAR / 2:
            continue
        arms = _arms_at(space, levels, s, completion, threshold - fees[s] - cheapest_line)
        if arms is None:
            continue
        best: dict[
            tuple[bytes, frozenset[str]], tuple[float, tuple[int, ...], tuple[int, ...]]
        ] = {}
        pairs = 0
        for a in range(len(arms.reduced)):
            if a % LOOK_EVERY == 0 and should_stop():
                raise TooManyArms
            room = threshold - fees[s] - cheapest_line - arms.reduced[a]
            b = np.arange(a + 1, int(np.searchsorted(arms.reduced, room)))
            if not len(b):
                if arms.reduced[a] > room:
                    break
                continue
            b = b[arms.fit(space, a, b)]
            if not len(b):
                continue
            option = arms.option
            both = np.where((option[b] == -1) | (option[a] == -1), -1, option[b] | option[a])
            total = arms.reduced[a] + arms.reduced[b] + fees[s]
            total = total + space.values.line_values(both, False)
            keep = total < threshold
            pairs += int(keep.sum())
            if pairs > 20 * column_limit:
                raise TooManyArms
            for value, k in zip(total[keep], b[keep], strict=True):
                key = ((arms.mask[a] | arms.mask[k]).tobytes(), arms.passes[a] | arms.passes[k])
                if key not in best or best[key][0] > value:
                    out, back = (space.order(levels, *arms.at[x]) for x in (a, k))
                    if builder.line(s, space.grade, out, back) is not None:
                        best[key] = (float(value), out, back)
            if len(best) + len(found) > column_limit:
                raise TooManyArms
        for value, out, back in best.values():
            column = builder.line(s, space.grade, out, back)
            assert column is not None
            found.append((value, column))
    return found


@dataclass(frozen=True, slots=True)
class _Arms:
    """Whole arms at one switch by rising reduced cost; ``at`` has size and place in its level."""

    at: list[tuple[int, int]]
    reduced: npt.NDArray[np.float64]
    size: npt.NDArray[np.int64]
    length_um: npt.NDArray[np.int64]
    passes: list[frozenset[str]]
    mask: npt.NDArray[np.uint64]
    option: npt.NDArray[np.int64]
    block: npt.NDArray[np.uint64]

    def fit(
        self, space: ArmSpace, a: int, b: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.bool_]:
        """Which of the arms ``b`` may be the other one of arm ``a``."""
        ok: npt.NDArray[np.bool_] = self.size[b] + self.size[a] <= space.data.max_devices
        ok &= self.length_um[b] + self.length_um[a] <= space.data.max_length_um
        clash = self.mask[b] & (self.mask[a] | self.block[a])
        ok &= (clash == 0).all(axis=1)
        return ok


def _arms_at(
    space: ArmSpace, levels: list[ArmLevel], switch: int, completion: Completion, room: float
) -> _Arms | None:
    """Arms at a switch that with the least other arm stay below ``room``; None without any."""
    top = space.data.max_devices
    rows = []
    for size, level in enumerate(levels, start=1):
        reduced, length = _arm_totals(space, level, switch)
        other = completion.arm[switch, top - size] if size < top else FAR
        for k in np.nonzero(reduced + other < room)[0]:
            through = _passes(space, level, int(k), switch)
            rows.append((float(reduced[k]), size, int(k), int(length[k]), through))
    if not rows:
        return None
    rows.sort()
    mask = np.stack([levels[r[1] - 1].mask[r[2]] for r in rows])
    return _Arms(
        at=[(r[1], r[2]) for r in rows],
        reduced=np.array([r[0] for r in rows]),
        size=np.array([r[1] for r in rows]),
        length_um=np.array([r[3] for r in rows]),
        passes=[r[4] for r in rows],
        mask=mask,
        option=np.array([levels[r[1] - 1].option[r[2]] for r in rows]),
        block=_blocked(space, mask),
    )


def _blocked(space: ArmSpace, mask: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """For each arm the devices that conflict with one of it, as bit rows."""
    block = np.zeros_like(mask)
    for j in range(space.m):
        word, bit = divmod(j, 64)
        has = (mask[:, word] >> np.uint64(bit)) & np.uint64(1) == 1
        block[has] |= space.block[j]
    return block
