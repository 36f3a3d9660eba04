"""The section on devices without a place: where each would fit best, and what is against it."""

from __future__ import annotations

from partitioner.explain.nearest_miss import NearestMiss, Place
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, listed
from partitioner.report.sections import Section, Table

NOT_LOOKED_INTO = "not looked into: time was up"
NO_CHANGES = "no change was tried: time was up"
ONLY_DELAYS = "no rule but those on delays and loads, which time was too short for"


def allowed_by(place: Place) -> str:
    """What would allow a place, in words."""
    if not place.is_whole:
        return NO_CHANGES
    return "; ".join(place.changes) or "nothing that was tried"


def against(place: Place) -> str:
    """What is broken at a place, in words."""
    return " ".join(f.sentence for f in place.findings) or ONLY_DELAYS


def nearest_miss_section(problem: Problem, miss: NearestMiss) -> Section:
    """Tell what is missing in an incomplete layout, and why."""
    placed = len(problem.devices) - len(miss.missing)
    intro = [
        f"This is no layout yet: {placed} of {count_text(len(problem.devices), 'device')} have a "
        "place. What is shown keeps every other rule. Whether a layout with all of them exists is "
        "not known.",
        "For each device without a place the lines and switches next to it were tried. The table "
        "has the place with the fewest rules against it, judged as check judges, with all other "
        "devices where they are.",
    ]
    helped = [p for p in miss.places if p.changes]
    if helped:
        intro.append(
            "Changes were tried one device at a time: with them this layout and the device keep "
            "every rule."
        )
    return Section(
        "Devices without a place",
        intro,
        (_table(miss),),
        id="nearest-miss",
        points=[f"{p.device}: {listed(p.changes)}." for p in helped],
    )


def _table(miss: NearestMiss) -> Table:
    known = {p.device: p for p in miss.places}
    return Table.of(
        "nearest-miss",
        "Best place for each device that has none",
        [(device, known.get(device)) for device in miss.missing],
        (
            col.name("device", "device", lambda row: row[0], heads_row=True),
            col.text("where", "best place tried",
                     lambda row: row[1].where if row[1] else NOT_LOOKED_INTO),
            col.names("rules", "rules against it",
                      lambda row: {f.rule: 0 for f in row[1].findings} if row[1] else ()),
            col.text("why", "what is broken there",
                     lambda row: against(row[1]) if row[1] else ""),
            col.text("changes", "what would allow it",
                     lambda row: allowed_by(row[1]) if row[1] else ""),
        ),
    )  # fmt: skip
