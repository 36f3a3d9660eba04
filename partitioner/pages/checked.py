"""The section on rules that are kept or not: each with what was compared."""

from __future__ import annotations

from collections.abc import Sequence

from partitioner.facts.checked import Checked
from partitioner.report import columns as col
from partitioner.report.amounts import count_text
from partitioner.report.sections import Chapter, Section, State, Table

OPEN_ROWS = 60


def checked_section(rows: Sequence[Checked], unasked: Sequence[str]) -> Section:
    """Every place at which a rule without amounts was looked at."""
    broken = sum(not row.is_kept for row in rows)
    intro = [
        f"Rules that have no amount, at {count_text(len(rows), 'place')}, with what was compared "
        f"there; {broken or 'none'} broken."
    ]
    if unasked:
        intro.append(f"Nothing here comes under: {', '.join(unasked)}.")
    return Section(
        "Kept or not, with what was compared",
        intro,
        (_table(rows),),
        id="checked",
        chapter=Chapter.RULES,
    )


def _table(rows: Sequence[Checked]) -> Table:
    return Table.of(
        "checks",
        "Rules that are kept or not",
        sorted(rows, key=lambda row: row.is_kept),
        [
            col.name("rule", "Rule", lambda row: row.rule, heads_row=True),
            col.name("subject", "Where", lambda row: row.subject or "whole layout"),
            col.state("state", "State", lambda row: State.OK if row.is_kept else State.BAD,
                      ("kept", "", "broken")),
            col.text("compared", "Compared", lambda row: row.compared),
            col.text("meaning", "The rule", lambda row: row.meaning),
        ],
        folded=len(rows) > OPEN_ROWS,
    )  # fmt: skip
