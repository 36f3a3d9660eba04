"""The section on growth: room on every line, and where forecast devices would go."""

from __future__ import annotations

from decimal import ROUND_FLOOR
from itertools import accumulate

from partitioner.facts.growth import Growth, expected_on
from partitioner.model.problem import Reserve
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, listed, number_text
from partitioner.report.sections import Chapter, Column, Section, Table
from partitioner.units import MUL_PER_UNIT_LOAD, PPM, in_units

MOST_ROWS = 500


def growth_section(growth: Growth, currency: str) -> Section | None:
    """The section of a report on growth; None where no line has a limit."""
    if not growth.rooms:
        return None
    tables = [_rooms_table(growth)]
    if growth.guests:
        tables.insert(0, _guests_table(growth, currency))
    homeless = [g.forecast.device.id for g in growth.guests if g.is_asked and g.line is None]
    told = f"No room on any line for forecast devices: {listed(homeless)}."
    return Section("", _intro(growth), tables, id="growth", chapter=Chapter.GROWTH,
                   urgent=[told] if homeless else [])  # fmt: skip


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
    asked = len(growth.guests) - len(unasked)
    if not unasked:
        lines.append(
            f"{len(placed)} of {count_text(asked, 'forecast device')} find room on the lines there "
            "are, even if all of these come: "
            f"{number_text(growth.placed_ppm / PPM, 2)} of the "
            f"{number_text(growth.expected_ppm / PPM, 2)} expected."
        )
    elif asked:
        lines.append(
            f"{len(placed)} of {count_text(asked, 'forecast device')} that there was time for find "
            "room on the lines there are, even if all of these come."
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
        lines.append(
            f"There was no time to look for room for {listed(unasked)}; `partitioner report` does."
        )
    if asked:
        lines.append(
            "Limits and deadlines were checked with each device in place. The file gives no "
            "streams of forecast devices, so the traffic they will bring is not in it."
        )
    return lines


def _guests_table(growth: Growth, currency: str) -> Table:
    probabilities = [g.forecast.probability_ppm for g in growth.guests]
    placed = [p * (g.line is not None) for p, g in zip(probabilities, growth.guests, strict=True)]
    sums = {
        g.forecast.device.id: both
        for g, *both in zip(
            growth.guests, accumulate(probabilities), accumulate(placed), strict=True
        )
    }
    return Table.of(
        "forecast",
        "Forecast devices",
        growth.guests,
        [
            col.name("device", "Device", lambda g: g.forecast.device.id, heads_row=True),
            col.share("probability", "Probability", lambda g: g.forecast.probability_ppm),
            col.name("line", "Goes on", lambda g: g.line or ""),
            col.metres("added_cable_m", "Adds cable",
                       lambda g: g.added_um if g.line is not None else None),
            col.money("added_money", "Adds",
                      lambda g: g.added_money if g.line is not None else None, currency),
            col.number("fitting_line_count", "Lines with room",
                       lambda g: len(g.fits_alone) if g.is_asked else None),
            col.names("fitting_lines", "Which, if it comes alone",
                      lambda g: g.fits_alone if g.is_asked else ()),
            # For the files alone: what the last row holds is told in the text.
            *(
                (Column(key), lambda g, n=n: sums[g.forecast.device.id][n] / PPM)
                for n, key in enumerate(("expected_so_far", "placed_so_far"))
            ),
        ],
        note="The likeliest device chooses first, each the line where it adds least cable.",
    )  # fmt: skip


def _rooms_table(growth: Growth) -> Table:
    together = growth.together
    is_whole = bool(together) and all(guest.is_asked for guest in growth.guests)
    return Table.of(
        "line-room",
        "What every line has left",
        growth.rooms,
        [
            col.name("line", "Line", lambda room: room.line, heads_row=True),
            col.number("nodes_left", "Nodes left", lambda room: room.nodes_left),
            col.number("reserve_nodes", "In reserve", lambda room: room.reserve.nodes),
            col.number("spare_ids", "Spare PLCA IDs", lambda room: room.spare_ids),
            col.metres("length_left_m", "Cable left", lambda room: room.length_left_um,
                       rounding=ROUND_FLOOR),
            col.metres("reserve_length_m", "In reserve", lambda room: room.reserve.length_um),
            col.share("load_left_share", "Load left", lambda room: room.load_left_ppm,
                      rounding=ROUND_FLOOR),
            col.number("unit_loads_left", "Unit loads left",
                       lambda room: in_units(room.unit_load_left_mul, MUL_PER_UNIT_LOAD), digits=1),
            col.number("forecast_count", "Forecast devices that fit",
                       lambda room: len(together[room.line]) if room.line in together else None),
            col.number("expected_count", "Expected here",
                       lambda room: round(expected_on(growth, room.line), 6) if is_whole else None,
                       digits=2),
        ],
        note="Left up to the limit, so the reserve is part of it. Spare IDs cost a silent turn "
        "each in every cycle already. How many fit is counted for each line alone, the "
        "likeliest put there first; expected is the sum of probabilities of those that go there.",
        folded=len(growth.rooms) > 20,
        most_rows=MOST_ROWS,
    )  # fmt: skip
