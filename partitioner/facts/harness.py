"""What a harness shop builds of a layout: pieces and parts of each build, orders, line ends."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from partitioner.check.bill import BillItem, layout_items, parts_list
from partitioner.check.combinations import Combination, combinations_of
from partitioner.check.facts import Facts
from partitioner.check.one_build import built_segment, fitted_devices, priced_for
from partitioner.facts.builds import unit_items
from partitioner.model.assessment import PartLine, WirePiece
from partitioner.model.problem import Shop
from partitioner.units import PPM, ceil_div

OrderLine = tuple[PartLine, int]
"""A part to order for one unit or a batch: what is needed, and of cable what is cut, in whole steps
(µm)."""


@dataclass(frozen=True, slots=True)
class UnitBuild:
    """One build: how many units of it a batch has (None if not known), and what one unit needs."""

    combination: Combination
    units: int | None
    pieces: tuple[WirePiece, ...]
    order: tuple[OrderLine, ...]


@dataclass(frozen=True, slots=True)
class LineEnd:
    """A terminator: at which node of a line it sits, and in which builds.

    ``moves`` says whether it sits elsewhere in another build.
    """

    segment: str
    node: str
    part: str
    builds: tuple[Combination, ...]
    moves: bool


@dataclass(frozen=True, slots=True)
class Harness:
    """What a shop builds.

    ``is_whole`` says whether every build that is sold is in ``builds``; where not, ``order``, that
    of the batch, is made of the shares of units, each item rounded up. ``unlisted`` counts builds
    left out because somebody asked to stop.
    """

    builds: tuple[UnitBuild, ...]
    batch: int | None
    order: tuple[OrderLine, ...]
    ends: tuple[LineEnd, ...]
    is_whole: bool
    unlisted: int


def harness_of(
    facts: Facts, wires: Sequence[WirePiece], should_stop: Callable[[], bool] = lambda: False
) -> Harness:
    """Work out what a shop builds of a whole layout, from its cut list.

    ``should_stop`` is asked before each build; True leaves the rest out.
    """
    problem = facts.problem
    shop = problem.shop
    wanted = combinations_of(problem)
    units = units_of(wanted.rows, shop.batch if wanted.is_whole else None)
    builds: list[UnitBuild] = []
    in_batch: list[tuple[int, BillItem]] = []
    cut_in_batch: list[tuple[int, WirePiece]] = []
    for row, count in zip(wanted.rows, units, strict=True):
        if should_stop():
            break
        pieces = tuple(w for w in wires if w.is_in(row.options))
        items = unit_items(facts, row.options)
        order = _order(shop, ((1, i) for i in items), ((1, w) for w in pieces))
        builds.append(UnitBuild(row, count, pieces, order))
        in_batch += [(count or 0, item) for item in items]
        cut_in_batch += [(count or 0, piece) for piece in pieces]
    is_whole = wanted.is_whole and len(builds) == len(wanted.rows)
    order = ()
    if shop.batch is not None:
        if not is_whole:
            in_batch = _expected(facts, shop.batch)
            cut_in_batch = [(_units(shop.batch, w.share_ppm), w) for w in wires]
        order = _order(shop, in_batch, cut_in_batch)
    ends = tuple(_ends(facts, [b.combination for b in builds]))
    return Harness(
        tuple(builds), shop.batch, order, ends, is_whole, len(wanted.rows) - len(builds)
    )


def units_of(rows: Sequence[Combination], batch: int | None) -> list[int | None]:
    """Units of each build in a batch: its share, in whole units that add up to the batch.

    Shares are rounded down, and what is left goes to those that lost most by it. Where the shares
    stated don't quite add up to 1, it is their ratio that counts.

    Examples
    --------
    >>> units_of([Combination(n, frozenset(), Fraction(1, 3)) for n in "abc"], 200)
    [67, 67, 66]
    """
    total = sum((row.share for row in rows), Fraction(0))
    if batch is None or not total:
        return [None] * len(rows)
    exact = [row.share / total * batch for row in rows]
    units = [floor(part) for part in exact]
    by_loss = sorted(range(len(rows)), key=lambda k: (units[k] - exact[k], k))
    for k in by_loss[: batch - sum(units)]:
        units[k] += 1
    return list(units)


def _units(batch: int, share_ppm: int) -> int:
    return ceil_div(batch * share_ppm, PPM)


def _expected(facts: Facts, batch: int) -> list[tuple[int, BillItem]]:
    """Items of a batch with the number of units that carry them, from their shares alone."""
    problem = facts.problem
    weighted = layout_items(facts, problem)
    # The same items as if every unit carried them all, for the price of one.
    whole = layout_items(facts, priced_for(problem, problem.options))
    return [
        (_units(batch, item.share_ppm), one) for item, one in zip(weighted, whole, strict=True)
    ]


def _order(
    shop: Shop,
    items: Iterable[tuple[int, BillItem]],
    pieces: Iterable[tuple[int, WirePiece]],
) -> tuple[OrderLine, ...]:
    """Like parts added up, each so many times."""
    parts = parts_list(item.times(count) for count, item in items)
    cut_um = Counter[str]()
    for count, piece in pieces:
        cut_um[piece.cable] += count * shop.cut_um(piece.length_um)
    return tuple((p, cut_um[p.part] if p.kind == "cable" else p.quantity) for p in parts)


def cut_sums_um(shop: Shop, build: UnitBuild) -> tuple[int, int]:
    """Cable of one unit as needed and as cut, in µm."""
    return (
        sum(w.length_um for w in build.pieces), sum(shop.cut_um(w.length_um) for w in build.pieces)
    )  # fmt: skip


def _ends(facts: Facts, rows: Sequence[Combination]) -> Iterator[LineEnd]:
    """Where the terminators of each line sit, build by build."""
    fitted = {row: fitted_devices(facts.problem, row.options) for row in rows}
    for laid in facts.laid:
        part = laid.grade.terminator
        if not laid.is_line or part is None:
            continue
        at: dict[str, list[Combination]] = {}
        carried = 0
        for row in rows:
            built = built_segment(laid, fitted[row])
            if built is not None:
                carried += 1
                for arm in (built.geometry.before, built.geometry.after):
                    node = arm[-1].owner if arm else built.geometry.switch
                    at.setdefault(node, []).append(row)
        for node, builds in at.items():
            yield LineEnd(laid.segment.id, node, part, tuple(builds), len(builds) < carried)


