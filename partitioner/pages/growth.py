"""The section on growth: room on every line, and where forecast devices would go."""

from __future__ import annotations

from decimal import ROUND_FLOOR

from partitioner.facts.growth import Growth, expected_on
from partitioner.model.problem import Reserve
from partitioner.report.amounts import count_text, listed, number_text
from partitioner.report.sections import Chapter, Column, Kind, Section, Table
from partitioner.units import MONEY_STEPS, MUL_PER_UNIT_LOAD, PPM, UM_PER_M, in_units

MOST_ROWS = 500


def growth_section(growth: Growth, currency: str) -> Section | None:
    """The section of a report on growth; None where no line has a limit."""
    if not growth.rooms:
        return None
    tables = [_rooms_table(growth)]
    if growth.guests:
        tables.insert(0, _guests_table(growth, currency))
    return Section("", _intro(growth), tables, id="growth", chapter=Chapter.GROWTH,
                   urgent=_homeless(growth))  # fmt: skip


def _intro(growth: Growth) -> list[str]:
    kept = any(r.reserve != Reserve() for r in growth.rooms)
    free = sum(room.nodes_left for room in growth.rooms)
    lines = [
        f"{count_text(len(growth.rooms), 'line')} with {count_text(free, 'node')} left up to "
        f"their limits{'; what is kept in reserve is there to be used now' if kept else ''}."
    ]
    if not growth.guests:
        return lines
    if not growth.is_judged:
        return [*lines, "The layout breaks rules as it is, so nothing was put on it."]
    placed = [g for g in growth.guests if g.line is not None]
    missed = [g for g in growth.guests if g.line is None]
    nowhere = [g.forecast.device.id for g in missed if g.is_asked and not g.fits_alone]
    crowded = [g.forecast.device.id for g in missed if g.is_asked and g.fits_alone]
    unasked = [g.forecast.device.id for g in missed if not g.is_asked]
    lines.append(
        f"{len(placed)} of {count_text(len(growth.guests), 'forecast device')} find room on the "
        "lines there are, even if all of these come: "
        f"{number_text(growth.placed_ppm / PPM, 2)} of the "
        f"{number_text(growth.expected_ppm / PPM, 2)} expected."
    )
    if nowhere:
        lines.append(
            "Without room at any place on any line, so in need of a port of their own: "
            f"{listed(nowhere)}."
        )
    if crowded:
        lines.append(
            "Without room once the likelier ones are where they add least cable: "
            f"{listed(crowded)}."
        )
    if unasked:
        lines.append(f"Not gone through, stopped before: {listed(unasked)}.")
    lines.append(
        "Limits and deadlines were checked with each device in place. The file gives no streams "
        "of forecast devices, so the traffic they will bring is not in it."
    )
    return lines


def _homeless(growth: Growth) -> list[str]:
    """The forecast devices that no line has room for."""
    names = [g.forecast.device.id for g in growth.guests if g.is_asked and g.line is None]
    return [f"No room on any line for forecast devices: {listed(names)}."] if names else []


def _guests_table(growth: Growth, currency: str) -> Table:
    return Table.of(
        "forecast",
        "Forecast devices",
        growth.guests,
        [
            (Column("device", "Device", Kind.ID, heads_row=True), lambda g: g.forecast.device.id),
            (Column("probability", "Probability", Kind.PERCENT),
             lambda g: g.forecast.probability_ppm / PPM),
            (Column("line", "Goes on", Kind.ID), lambda g: g.line or ""),
            (Column("added_cable_m", "Adds cable", Kind.NUMBER, "m", 2),
             lambda g: g.added_um / UM_PER_M if g.line is not None else None),
            (Column("added_money", "Adds", Kind.NUMBER, currency, 2),
             lambda g: g.added_money / MONEY_STEPS if g.line is not None else None),
            (Column("fitting_line_count", "Lines with room", Kind.NUMBER),
             lambda g: len(g.fits_alone)),
            (Column("fitting_lines", "Which, if it comes alone", Kind.NAMES),
             lambda g: " ".join(g.fits_alone)),
        ],
        note="The likeliest device chooses first, each the line where it adds least cable.",
    )  # fmt: skip


def _rooms_table(growth: Growth) -> Table:
    number, together = Kind.NUMBER, growth.together
    return Table.of(
        "line-room",
        "What every line has left",
        growth.rooms,
        [
            (Column("line", "Line", Kind.ID, heads_row=True), lambda room: room.line),
            (Column("nodes_left", "Nodes left", number), lambda room: room.nodes_left),
            (Column("reserve_nodes", "In reserve", number), lambda room: room.reserve.nodes),
            (Column("spare_ids", "Spare PLCA IDs", number), lambda room: room.spare_ids),
            (Column("length_left_m", "Cable left", number, "m", 2),
             lambda room: room.length_left_um / UM_PER_M),
            (Column("reserve_length_m", "In reserve", number, "m", 2),
             lambda room: room.reserve.length_um / UM_PER_M),
            (Column("load_left_share", "Load left", Kind.PERCENT, rounding=ROUND_FLOOR),
             lambda room: room.load_left_ppm / PPM),
            (Column("unit_loads_left", "Unit loads left", number, "", 1),
             lambda room: in_units(room.unit_load_left_mul, MUL_PER_UNIT_LOAD)),
            (Column("forecast_count", "Forecast devices that fit", number),
             lambda room: len(together[room.line]) if room.line in together else None),
            (Column("expected_count", "Expected here", number, "", 2),
             lambda room: round(expected_on(growth, room.line), 6) if together else None),
        ],
        note="Left up to the limit, so the reserve is part of it. Spare IDs cost a silent turn "
        "each in every cycle already. How many fit is counted for each line alone, the "
        "likeliest put there first; expected is the sum of probabilities of those that go there.",
        folded=len(growth.rooms) > 20,
        most_rows=MOST_ROWS,
    )  # fmt: skip
