"""The section on builds: one row and one small drawing each, and what every option adds."""

from __future__ import annotations

from decimal import ROUND_FLOOR

from partitioner.check.facts import Facts
from partitioner.facts.builds import Added, Builds, JudgedBuild, added_by
from partitioner.model.assessment import Assessment
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, listed, money_text, rounded_amounts
from partitioner.report.drawing_input import drawing_input
from partitioner.report.panels import LARGEST_DRAWN, Panel, panels_figure
from partitioner.report.sections import Chapter, Column, Figure, Kind, Section, State, Table
from partitioner.units import MONEY_STEPS

MOST_DRAWN = 12
"""Builds drawn; the ones built most often."""
_UNITS: col.Held[JudgedBuild] = col.percent(
    "share", "Units", lambda b: round(float(b.combination.share), 9)
)


def builds_section(facts: Facts, assessment: Assessment, builds: Builds) -> Section | None:
    """The section of a report on all builds of a layout; None when there are no options."""
    problem = facts.problem
    if not problem.options:
        return None
    if not builds.rows:
        none = "There was no time to check the builds; `partitioner report` does."
        return Section("Every build", none, id="every-build", chapter=Chapter.OPTIONS)
    return Section(
        "Every build",
        _intro(facts, assessment, builds),
        (_builds_table(facts, builds), _option_table(facts)),
        _drawings(facts, assessment, builds),
        id="every-build",
        chapter=Chapter.OPTIONS,
        points=_broken(builds),
        figures_last=True,
    )


def _broken(builds: Builds) -> list[str]:
    """What breaks a rule, once, with the builds in which it does."""
    where: dict[str, list[str]] = {}
    for row in builds.broken:
        for finding in row.findings:
            told = f"{finding.rule}: {rounded_amounts(finding.sentence)}"
            where.setdefault(told, []).append(row.combination.name)
    all_ = len(builds.rows)
    return [
        f"{'every build' if len(names) == all_ > 1 else listed(names)}: {told}"
        for told, names in where.items()
    ]


def _intro(facts: Facts, assessment: Assessment, builds: Builds) -> list[str]:
    currency = facts.problem.currency
    number = count_text(len(builds.rows), "build")
    if builds.broken:
        words = f"{listed([r.combination.name for r in builds.broken])} of {number} break rules."
    else:
        words = f"{number} checked one by one; each keeps every rule."
    lines = [
        words + " A line is built up to its last fitted device; PLCA IDs and node counts are the "
        "same in every build, so an absent device leaves its turn silent."
    ]
    if builds.unchecked:
        rest = count_text(builds.unchecked, "more build")
        lines.append(f"There was no time to check {rest}; `partitioner report` does.")
    if not builds.is_whole:
        lines.append(
            "There are more combinations than are looked at: shown are the unit without options, "
            "the one with all, each option alone, each left out of the full unit, and each pair."
        )
    expected = builds.expected_money
    if expected is not None:
        lines.append(
            f"The average unit costs {money_text(round(expected), currency)}; the cost of the "
            f"layout, {money_text(assessment.cost.money, currency)}, is the same sum with every "
            "item rounded up on its own."
        )
    return lines


def _builds_table(facts: Facts, builds: Builds) -> Table:
    return Table.of(
        "every-build",
        "Builds, checked",
        builds.rows,
        [
            col.name("build", "Build", lambda b: b.combination.name, heads_row=True),
            _UNITS,
            col.state("state", "State", lambda b: State.BAD if b.findings else State.OK,
                      ("kept", "kept", "broken")),
            col.number("device_count", "Devices", lambda b: len(b.fitted)),
            col.number("line_count", "Lines", lambda b: b.lines),
            col.number("link_count", "Links", lambda b: b.links),
            col.metres("cable_m", "Cable", lambda b: b.cable_um),
            col.metres("longest_line_m", "Longest line", lambda b: b.longest_um),
            col.name("tightest_stream", "Tightest stream",
                     lambda b: f"{b.tightest.stream} to {b.tightest.destination}"
                     if b.tightest else ""),
            col.percent("tightest_left_share", "Left of deadline",
                        lambda b: round(b.tightest.tightness, 6) if b.tightest else None,
                        rounding=ROUND_FLOOR),
            col.money("money", "Money", lambda b: b.money, facts.problem.currency),
            col.grams("mass_g", "Mass", lambda b: b.mass_mg),
            col.names("options", "Options" if facts.problem.builds else "",
                      lambda b: sorted(b.combination.options)),
        ],
        note="Money and mass are those of one such unit. Ports stay in every unit, also where "
        "nothing hangs on them.",
        folded=len(builds.rows) > 20,
    )  # fmt: skip


def _option_table(facts: Facts) -> Table:
    problem = facts.problem
    used = [o for o in problem.options if any(d.option == o for d in problem.devices.values())]
    rows: list[tuple[object, ...]] = []
    for option in used:
        alone = added_by(facts, option)
        last = added_by(facts, option, used)
        keys = dict.fromkeys((p.kind, p.part) for p in (*alone.parts, *last.parts))
        for kind, part in keys:
            first, second = (_sums(added, kind, part) for added in (alone, last))
            amounts = (col.part_amount(kind, quantity) for quantity, _ in (first, second))
            moneys = (money / MONEY_STEPS for _, money in (first, second))
            rows.append((option, part, kind, col.part_unit(kind), *amounts, *moneys))
        sums = (alone.money / MONEY_STEPS, last.money / MONEY_STEPS)
        rows.append((option, "together", "", "", None, None, *sums))
    number = Kind.NUMBER
    return Table(
        "option-parts",
        "What each option adds in parts",
        [
            Column("option", "Option", Kind.ID, heads_row=True),
            Column("part", "Part", Kind.ID),
            Column("kind", "Kind"),
            Column("unit", "Unit"),
            Column("quantity_alone", "To a unit without options", number, "", 2),
            Column("quantity_last", "To one with all others", number, "", 2),
            Column("money_alone", "Money, first", number, problem.currency, 2),
            Column("money_last", "Money, last", number, problem.currency, 2),
        ],
        rows,
        note="The last option on a line finds its cable there already, so what it adds depends "
        "on the others.",
    )


def _sums(added: Added, kind: str, part: str) -> tuple[int, int]:
    own = [p for p in added.parts if (p.kind, p.part) == (kind, part)]
    return sum(p.quantity for p in own), sum(p.price_money for p in own)


def _drawings(facts: Facts, assessment: Assessment, builds: Builds) -> tuple[Figure, ...]:
    if len(facts.problem.devices) > LARGEST_DRAWN:
        return ()
    often = sorted(builds.rows, key=lambda r: -r.combination.share)[:MOST_DRAWN]
    drawn = [row for row in builds.rows if row in often]
    units, share_of = _UNITS
    panels = [
        Panel(
            row.combination.name,
            f"{units.text(share_of(row))} of units, "
            f"{count_text(len(row.fitted), 'device')}, "
            f"{money_text(row.money, facts.problem.currency)}",
            carried=row.fitted,
        )
        for row in drawn
    ]
    left_out = len(builds.rows) - len(drawn)
    caption = "Builds, each with its cables up to the last fitted device."
    if left_out:
        caption += f" The {left_out} that are built least often are not drawn."
    return (
        panels_figure(
            drawing_input(facts.problem, assessment),
            "builds-drawn",
            "The layout as each build carries it",
            f"{len(panels)} small drawings of the layout, one a build. The table of builds holds "
            "the same facts.",
            panels,
            caption,
        ),
    )
