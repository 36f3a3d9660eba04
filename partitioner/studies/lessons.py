"""What one learns from the results of a study: ranges by value, what is best where, how safe."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from partitioner.model.layout import Layout
from partitioner.studies.study import Case, Factor, Setting, Study
from partitioner.units import gap_share

NEAR = 0.01
"""A layout within this share of the best is as good as it, before anything is ordered."""


@dataclass(frozen=True, slots=True)
class CaseResult:
    """A case with what it answered: the data of ``result.json``, those of its run under ``run``."""

    case: Case
    key: str
    data: dict[str, Any]

    @property
    def cost_money(self) -> int | None:
        """What was minimised; None without a layout."""
        cost: int | None = self.data.get("cost_money")
        return cost

    @property
    def bound_money(self) -> int | None:
        """No layout of this case costs less; None where nothing is proved."""
        bound: int | None = self.data.get("bound_money")
        return bound

    @property
    def gap(self) -> float | None:
        """Proven gap, a share of the cost."""
        if self.cost_money is None or self.bound_money is None:
            return None
        return gap_share(self.cost_money, self.bound_money)

    @property
    def status(self) -> str:
        """``optimal``, ``feasible``, ``no-layout``, ``no-answer``, ``fault`` or ``set-aside``."""
        return str(self.data["status"])


@dataclass(frozen=True, slots=True)
class ValueRange:
    """All cases with one value of a factor.

    The least cost that anything else allows lies from ``bound_money`` to the cost of ``best``;
    None where no case with the value has a layout, or one of them has no bound.
    """

    factor: Factor
    setting: Setting
    results: tuple[CaseResult, ...]
    best: CaseResult | None
    bound_money: int | None

    @property
    def dearest_money(self) -> int | None:
        """Cost of the dearest layout with the value."""
        return max((r.cost_money for r in self.results if r.cost_money is not None), default=None)


def cheapest(results: Sequence[CaseResult]) -> CaseResult | None:
    """The result of least cost; of equal ones the first."""
    found = [r for r in results if r.cost_money is not None]
    return min(found, key=lambda r: (r.cost_money, r.case.number), default=None)


def none_words(results: Sequence[CaseResult]) -> str:
    """Say of cases without a layout whether that is proved."""
    if not results:
        return "not run"
    return "no layout" if all(r.status == "no-layout" for r in results) else "none found"


def value_ranges(study: Study, results: Sequence[CaseResult]) -> list[ValueRange]:
    """Every value of every factor, in the order of the study."""
    return [
        range_of(factor, setting, [r for r in results if r.case.settings[place] == setting])
        for place, factor in enumerate(study.factors)
        for setting in factor.settings
    ]


def range_of(factor: Factor, setting: Setting, results: Sequence[CaseResult]) -> ValueRange:
    """The range of some cases that share a value."""
    # Where a case has no layout at all there is nothing below the others.
    open_ones = [r for r in results if r.status != "no-layout"]
    bounds = [r.bound_money for r in open_ones]
    known = [b for b in bounds if b is not None]
    bound = min(known) if known and len(known) == len(bounds) else None
    return ValueRange(factor, setting, tuple(results), cheapest(results), bound)


@dataclass(frozen=True, slots=True)
class Winner:
    """How one value of a factor does, everything else equal.

    ``rivals`` are the settings of all else in which it stands against another value; in ``best``
    of them it is cheapest (or as cheap as the cheapest), in ``proved`` of them this is proved:
    its cost is not above the bound of any other. ``more`` is the mean share by which it costs
    more than the cheapest, over the rivals in which it has a layout; None if there is none.
    """

    factor: Factor
    setting: Setting
    rivals: int
    best: int
    proved: int
    without_layout: int
    more: float | None


def winners(study: Study, results: Sequence[CaseResult]) -> list[Winner]:
    """What is best where: every value of every factor against the others, all else equal."""
    found = []
    for place, factor in enumerate(study.factors):
        groups: dict[tuple[str, ...], list[CaseResult]] = {}
        for result in results:
            labels = [s.label for s in result.case.settings]
            groups.setdefault(tuple(labels[:place] + labels[place + 1 :]), []).append(result)
        rivalries = [g for g in groups.values() if len(g) > 1 and cheapest(g) is not None]
        for setting in factor.settings:
            found.append(_winner(factor, setting, place, rivalries))
    return found


def _winner(
    factor: Factor, setting: Setting, place: int, groups: Sequence[Sequence[CaseResult]]
) -> Winner:
    count, best, proved, without, shares = 0, 0, 0, 0, []
    for group in groups:
        own = next((r for r in group if r.case.settings[place] == setting), None)
        first = cheapest(group)
        if own is None or first is None or first.cost_money is None:
            continue
        count += 1
        if own.cost_money is None:
            without += 1
            continue
        shares.append(own.cost_money / first.cost_money - 1 if first.cost_money else 0.0)
        if own.cost_money == first.cost_money:
            best += 1
            proved += all(
                r.status == "no-layout"
                or (r.bound_money is not None and own.cost_money <= r.bound_money)
                for r in group
                if r is not own
            )
    more = sum(shares) / len(shares) if shares else None
    return Winner(factor, setting, count, best, proved, without, more)


@dataclass(frozen=True, slots=True)
class Robustness:
    """How one of the best layouts does in all cases, judged in each by the check.

    ``acceptable`` of ``judged`` cases keep every rule with it; in ``near`` of these it costs at
    most 1 % more than the best layout known there, in ``cheaper`` less than what the case itself
    found. ``broken`` counts, by rule, the cases in which it breaks it.
    """

    result: CaseResult
    layout: Layout
    judged: int
    acceptable: int
    near: int
    cheaper: int
    broken: tuple[tuple[str, int], ...]


def robustness(
    result: CaseResult,
    layout: Layout,
    results: Sequence[CaseResult],
    judgements: Sequence[dict[str, Any] | None],
) -> Robustness:
    """Count over the judgements of a layout, which stand beside the results of their cases."""
    judged = acceptable = near = cheaper = 0
    broken: Counter[str] = Counter()
    for other, judgement in zip(results, judgements, strict=True):
        if judgement is None:
            continue
        judged += 1
        broken.update(judgement["rules"])
        if not judgement["is_acceptable"]:
            continue
        acceptable += 1
        own, best = judgement["layout_money"], other.data.get("layout_money")
        near += best is None or own <= best * (1 + NEAR)
        cheaper += best is None or own < best
    ranked = sorted(broken.items(), key=lambda pair: (-pair[1], pair[0]))
    return Robustness(result, layout, judged, acceptable, near, cheaper, tuple(ranked))


@dataclass(frozen=True)
class Learned:
    """All results of a study, in the order of its cases, and how the best layouts do elsewhere.

    ``is_whole`` is False when it was stopped before every case had a result; nothing is judged
    elsewhere then.
    """

    study: Study
    results: tuple[CaseResult, ...]
    best: tuple[Robustness, ...]
    is_whole: bool


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a study will take: cases in all, already there, different ones to run; seconds.

    ``longest_s`` is the sum of all time limits over the workers; ``likely_s`` goes by the mean of
    the cases that are there, None where there are none.
    """

    cases: int
    done: int
    to_run: int
    workers: int
    longest_s: float
    likely_s: float | None

    def data(self) -> dict[str, Any]:
        """The same as plain data."""
        return asdict(self)


def cells(
    study: Study, results: Sequence[CaseResult], across: int, down: int
) -> list[list[list[CaseResult]]]:
    """The cases of every pair of values of two factors: rows go down."""
    found: dict[tuple[str, str], list[CaseResult]] = {}
    for result in results:
        pair = result.case.settings[across].label, result.case.settings[down].label
        found.setdefault(pair, []).append(result)
    columns, rows = study.factors[across].settings, study.factors[down].settings
    return [[found.get((x.label, y.label), []) for x in columns] for y in rows]
