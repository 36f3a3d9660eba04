"""Every build of a layout: its limits and deadlines checked, its parts, mass and money."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from partitioner.check.acceptance import rule_findings
from partitioner.check.bill import BillItem, cost_sum, layout_items, parts_list
from partitioner.check.combinations import Combination, combinations_of
from partitioner.check.facts import Facts
from partitioner.check.one_build import build_facts, fitted_devices, priced_for
from partitioner.model.assessment import PartLine, RuleFinding, StreamFigures, bounded_worst_first


@dataclass(frozen=True, slots=True)
class JudgedBuild:
    """One build and what was found of it.

    ``findings`` is empty when every rule holds; ``tightest`` is the stream delivery with the least
    share of its deadline left. ``longest_um`` is the longest line. ``money`` and ``mass_mg`` are
    those of one such unit, with all ports.
    """

    combination: Combination
    fitted: frozenset[str]
    lines: int
    links: int
    cable_um: int
    longest_um: int
    money: int
    mass_mg: int
    tightest: StreamFigures | None
    findings: tuple[RuleFinding, ...]


@dataclass(frozen=True, slots=True)
class Builds:
    """All builds looked at. ``unchecked`` counts those left out because somebody asked to stop."""

    rows: tuple[JudgedBuild, ...]
    is_whole: bool
    unchecked: int = 0

    @property
    def broken(self) -> tuple[JudgedBuild, ...]:
        """Builds that break a rule."""
        return tuple(row for row in self.rows if row.findings)

    @property
    def expected_money(self) -> Fraction | None:
        """Money of the average unit, exact; None unless every build that is sold is here.

        The cost of the plan is this sum with each of its items rounded up once, and shares of
        independent options rounded up to a part per million.
        """
        if not self.is_whole or self.unchecked:
            return None
        return sum((row.combination.share * row.money for row in self.rows), Fraction(0))


def judge_builds(facts: Facts, should_stop: Callable[[], bool] = lambda: False) -> Builds:
    """Check every build of a whole layout and price one unit of it.

    ``should_stop`` is asked before each build; True leaves the rest out.
    """
    wanted = combinations_of(facts.problem)
    rows: list[JudgedBuild] = []
    for combination in wanted.rows:
        if should_stop():
            break
        rows.append(_judge(facts, combination))
    return Builds(tuple(rows), wanted.is_whole, len(wanted.rows) - len(rows))


def _judge(facts: Facts, combination: Combination) -> JudgedBuild:
    built = build_facts(facts, combination.options)
    items = unit_items(facts, combination.options)
    return JudgedBuild(
        combination=combination,
        fitted=fitted_devices(facts.problem, combination.options),
        lines=len(built.lines),
        links=len(built.laid) - len(built.lines),
        cable_um=sum(item.quantity for item in items if item.kind == "cable"),
        longest_um=max((s.geometry.length_um for s in built.lines), default=0),
        money=sum(item.money for item in items),
        mass_mg=sum(item.mass_mg for item in items),
        tightest=next(iter(bounded_worst_first(built.timing.streams)), None),
        findings=rule_findings(built),
    )


def unit_items(facts: Facts, options: Collection[str]) -> list[BillItem]:
    """What one unit with these options is made of.

    The bill of the whole layout is drawn up as if every unit were built that way; what no such
    unit carries drops out. Nothing is rounded, since every share is 0 or 1.
    """
    items = layout_items(facts, priced_for(facts.problem, options))
    return [item for item in items if item.share_ppm]


@dataclass(frozen=True, slots=True)
class Added:
    """What an option adds to a unit: pieces (or µm of cable) by part, and money."""

    parts: tuple[PartLine, ...]
    money: int


def added_by(facts: Facts, option: str, to: Iterable[str] = ()) -> Added:
    """What an option adds in parts to a unit that has the options ``to`` without it."""
    before = frozenset(to) - {option}
    less, with_it = unit_items(facts, before), unit_items(facts, before | {option})
    had = {_key(p): p for p in parts_list(less)}
    grown = []
    for part in parts_list(with_it):
        old = had.get(_key(part), replace(part, quantity=0, price_money=0, mass_mg=0))
        more = replace(
            part,
            quantity=part.quantity - old.quantity,
            price_money=part.price_money - old.price_money,
            mass_mg=part.mass_mg - old.mass_mg,
        )
        if more.quantity:
            grown.append(more)
    sums = [cost_sum(facts.problem, items, ()) for items in (less, with_it)]
    return Added(tuple(grown), sums[1].money - sums[0].money)


def _key(part: PartLine) -> tuple[str, str, int, str]:
    return part.kind, part.part, part.unit_price_money, part.where
