"""The section on why devices hang where they do: the next best places, judged."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.facts.elsewhere import LineElsewhere, OtherPlace, WhyThere, Wonder
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, length_text, money_text
from partitioner.report.sections import Chapter, Section, State, Table

MOST_WORDS = 3
"""Places told of a device where one wonders about it."""
MOST_POINTED = 2
"""Places told of a device or a line where one points at it."""
MOST_ROWS = 300
MOST_LINE_ROWS = 100
JUDGED = {True: "all rules", False: "all but delays and loads"}


def why_section(
    problem: Problem,
    placed: int,
    reasons: Sequence[WhyThere],
    lines: Sequence[LineElsewhere] = (),
) -> Section | None:
    """What a reader would wonder about, and every other place that was looked at.

    ``placed`` devices have a place; None is made where there are none. ``reasons`` and ``lines``
    are what was found out, less than all where time ran out.
    """
    if not placed:
        return None
    odd = [r for r in reasons if r.wonder is not None]
    tables = [_odd_table(problem, odd)] if odd else []
    if lines:
        tables.append(_lines_table(problem, lines))
    if reasons:
        tables.append(_table(problem, reasons))
    return Section(
        "", _intro(problem, placed, reasons, lines), tables, chapter=Chapter.WHY,
        told=_told(problem, reasons, lines),
    )  # fmt: skip


def _intro(
    problem: Problem, placed: int, reasons: Sequence[WhyThere], lines: Sequence[LineElsewhere]
) -> list[str]:
    if not reasons:
        return [
            "Time ran out before other places were looked at. The command report, which has no "
            "limit of time, looks at them."
        ]
    looked = sum(len(r.places) for r in reasons)
    devices = count_text(placed, "device")
    if len(reasons) < placed:
        devices = f"{len(reasons)} of {devices}"
    said = [
        f"{count_text(looked, 'other place')} for {devices}: the lines "
        "nearest to each, and a free port of its own. One device is moved at a time, all others "
        "stay; the place is where it makes the line least longer, and the rules are those of the "
        "check. A line is moved whole."
    ]
    moves = [(p, f"{r.device} {place_words(problem, p)}") for r in reasons for p in r.places]
    moves += [
        (p, f"{line.home.id} {line_words(problem, p)}") for line in lines for p in line.places
    ]
    better = [
        (p.worth, words) for p, words in moves
        if p.is_timed and not p.broken and (p.priced_money or 0) < 0
    ]
    if better:
        said.append(
            f"The layout is not the cheapest: {count_text(len(better), 'such move')} would keep "
            f"every rule and make it cheaper, most of all {min(better)[1]}. A longer plan, or one "
            "started from this layout, would find that."
        )
    return said


def _told(
    problem: Problem, reasons: Sequence[WhyThere], lines: Sequence[LineElsewhere]
) -> dict[str, str]:
    """What is said of a device, a link or a line where one points at it."""
    told = {}
    for reason in reasons:
        words = [place_words(problem, p) for p in _telling(reason)[:MOST_POINTED]]
        told[f"device/{reason.device}"] = "; ".join(words) or "no line near and no free port"
        if not reason.home.plca_ids:
            told[f"segment/{reason.home.id}"] = told[f"device/{reason.device}"]
    for line in lines:
        words = [line_words(problem, p) for p in line.places[:MOST_POINTED]]
        told[f"segment/{line.home.id}"] = "; ".join(words) or "no other switch has such ports"
    return told


def place_words(problem: Problem, place: OtherPlace) -> str:
    """A place and what is against it: ``on line-03: 1.10 EUR dearer``."""
    segment = place.segment
    where = f"on {segment.id}"
    if place.is_new:
        where = f"alone on {segment.grade} at {segment.switch}"
    return _against(problem, place, where)


def line_words(problem: Problem, place: OtherPlace) -> str:
    """Another switch for a line and what is against it: ``at rear: 4.20 EUR dearer``."""
    return _against(problem, place, f"at {place.segment.switch}")


def _against(problem: Problem, place: OtherPlace, where: str) -> str:
    if place.broken:
        rules = dict.fromkeys(f.rule for f in place.broken)
        return f"{where}: breaks {', '.join(rules)}"
    amount = money_text(abs(place.worth), problem.currency)
    if place.worth == 0:
        said = "costs the same"
    else:
        said = f"{amount} {'dearer' if place.worth > 0 else 'cheaper'}"
    return f"{where}: {said}" + ("" if place.is_timed else ", if delays allow it")


def wonder_words(reason: WhyThere) -> str:
    """What is odd about a place, with the lengths."""
    if reason.wonder is Wonder.PASSES:
        away = f"{length_text(reason.other_um)} away" if reason.other_um else "where it is"
        return (
            f"{reason.other} passes {away}, the nearest node of its own line is "
            f"{length_text(reason.own_um)} away"
        )
    if reason.wonder is Wonder.FAR:
        return (
            f"{reason.home.switch} is {length_text(reason.own_um)} away, {reason.other} "
            f"{length_text(reason.other_um)}"
        )
    return "" if reason.wonder is None else reason.wonder.value


def _odd_table(problem: Problem, odd: Sequence[WhyThere]) -> Table:
    currency = problem.currency
    return Table.of(
        "why",
        "What one may wonder about",
        odd,
        [
            col.name("device", "Device", lambda why: why.device, heads_row=True),
            col.name("segment", "Hangs on", lambda why: why.home.id),
            col.text("wonder", "One may wonder", wonder_words),
            col.text("elsewhere", "Elsewhere",
                     lambda why: "; ".join(place_words(problem, p) for p in _telling(why))),
            col.text("next_best", "",
                     lambda why: why.next_best.segment.id if why.next_best else ""),
            col.money("more_money", "Next best: more money",
                      lambda why: why.next_best.money if why.next_best else None, currency),
            col.money("more_priced_total", "In priced total",
                      lambda why: why.next_best.priced_money if why.next_best else None, currency),
        ],
        note="Devices alone on a line first, then those that a line of their kind passes nearer "
        "than their own, then those with a nearer switch. Dearer and cheaper are said of the "
        "priced total.",
    )  # fmt: skip


def _telling(reason: WhyThere) -> list[OtherPlace]:
    """The next best place, the one that makes a reader wonder, and the nearest of the rest."""
    first = [p for p in reason.places if p is reason.next_best or p.segment.id == reason.other]
    rest = [p for p in reason.places if p not in first]
    return [*first, *rest][:MOST_WORDS]


def _lines_table(problem: Problem, lines: Sequence[LineElsewhere]) -> Table:
    return Table.of(
        "other-switches",
        "Other switches for the lines",
        [(line.home, place) for line in lines for place in line.places],
        [
            col.name("segment", "Line", lambda pair: pair[0].id, heads_row=True),
            col.name("from_switch", "Hangs at", lambda pair: pair[0].switch),
            col.name("to_switch", "Other switch", lambda pair: pair[1].segment.switch),
            *_judgement(problem.currency),
        ],
        note="The whole line at the two nearest other switches that are open, the devices in the "
        "same order, the switch where the line is shortest.",
        most_rows=MOST_LINE_ROWS,
    )  # fmt: skip


Pair = tuple[object, OtherPlace]


def _judgement(currency: str) -> list[col.Held[Pair]]:
    """Columns on what is against a place."""
    return [
        col.state("state", "Rules", lambda pair: State.BAD if pair[1].broken else State.OK,
                  ("kept", "", "broken")),
        col.money("more_money", "More money", lambda pair: pair[1].money, currency),
        col.money("more_priced_total", "In priced total", lambda pair: pair[1].priced_money,
                  currency),
        col.names("rules", "Breaks",
                  lambda pair: dict.fromkeys(f.rule for f in pair[1].broken)),
        col.text("why", "", lambda pair: " ".join(f.sentence for f in pair[1].broken)),
        col.text("judged_by", "Judged by", lambda pair: JUDGED[pair[1].is_timed]),
    ]


def _table(problem: Problem, reasons: Sequence[WhyThere]) -> Table:
    currency = problem.currency
    return Table.of(
        "other-places",
        "Other places looked at, by device",
        [(reason, place) for reason in reasons for place in reason.places],
        [
            col.name("device", "Device", lambda pair: pair[0].device, heads_row=True),
            col.name("segment", "Hangs on", lambda pair: pair[0].home.id),
            col.name("place", "Other place",
                     lambda pair: "its own" if pair[1].is_new else pair[1].segment.id),
            col.name("switch", "Switch", lambda pair: pair[1].segment.switch),
            col.text("grade", "", lambda pair: pair[1].segment.grade),
            *_judgement(currency),
        ],
        note="Rules that the layout breaks as it is are held against no place. Where a rule that "
        "needs no delays is broken, delays were not worked out; where the place is next best for "
        "a device that one may wonder about, they were, within a bound on the work.",
        folded=True,
        most_rows=MOST_ROWS,
    )  # fmt: skip
