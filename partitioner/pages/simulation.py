"""A simulation as a section of the report, as text and as data."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_FLOOR
from typing import Any

from partitioner.facts.simulation import (
    DRAWN_STREAMS,
    SEARCHED_STREAMS,
    Observed,
    Simulation,
)
from partitioner.report import columns as col
from partitioner.report.amounts import number_text
from partitioner.report.charts import histogram_figure
from partitioner.report.sections import Chapter, Section, Table
from partitioner.report.text import table_text
from partitioner.units import NS_PER_MS, NS_PER_US, PPM, in_units


def simulation_section(simulation: Simulation) -> Section:
    """The section of the report: a table of all streams and histograms of the nearest ones."""
    nearest = simulation.nearest_first()
    seconds = simulation.simulated_ns / 1e9
    above = len(simulation.above_bound)
    verdict = (
        "No delay was above its worst case."
        if not above
        else f"{above} streams were seen above their worst case: the program is at fault."
    )
    intro = [
        f"{verdict} Simulated bit by bit: {seconds:g} s with random releases and {seconds:g} s "
        f"with releases as dense as allowed, {number_text(simulation.frames, 0)} frames, seed "
        f"{simulation.seed}; then a search for bad moments of the {SEARCHED_STREAMS} streams "
        "with the least of their deadline left.",
        "A simulation proves nothing; it shows how near the worst case real moments come.",
    ]
    figures = [
        histogram_figure(
            f"delays-{number}",
            f"Delays of {o.stream} to {o.destination}",
            f"Histogram of {o.frames} simulated delays between 0 and the worst "
            f"case of {o.scale_ns / NS_PER_MS:.3f} ms; the longest seen is "
            f"{(o.worst_ns or 0) / NS_PER_MS:.3f} ms.",
            [o.scale_ns * k / len(o.histogram) / NS_PER_MS for k in range(len(o.histogram) + 1)],
            o.histogram,
            "delay in ms",
            limit=in_units(o.bound_ns, NS_PER_MS),
            limit_name="worst case",
        )
        for number, o in enumerate([o for o in nearest if o.frames][:DRAWN_STREAMS], start=1)
    ]
    return Section(
        title="Simulation",
        intro=intro,
        tables=[_table(nearest)],
        figures=figures,
        id="simulation",
        chapter=Chapter.DEADLINES,
    )


def _table(observed: Sequence[Observed]) -> Table:
    return Table.of(
        "simulation",
        "Longest delay seen beside the worst-case delay, nearest first",
        observed,
        [
            col.name("stream", "Stream", lambda o: o.stream, heads_row=True),
            col.name("destination", "To", lambda o: o.destination),
            col.number("frames", "Frames", lambda o: o.frames),
            col.micros("seen_us", "Longest, at random", lambda o: o.worst_ns),
            col.micros("searched_us", "Longest, searched", lambda o: o.searched_ns),
            col.micros("worst_delay_us", "Worst-case delay", lambda o: o.bound_ns),
            col.micros("deadline_us", "Deadline", lambda o: o.deadline_ns, 0,
                       rounding=ROUND_FLOOR),
            col.bar("share", "Of the worst case", lambda o: in_units(o.share_ppm, PPM)),
        ],
        folded=len(observed) > 40,
    )  # fmt: skip


def simulation_text(simulation: Simulation, most: int = 10) -> str:
    """What was seen as a short plain table, nearest to the worst case first."""
    total = (
        f"{simulation.frames} frames in 2 x {simulation.simulated_ns / 1e9:g} s, "
        f"seed {simulation.seed}; no delay above its worst case."
    )
    return f"{total}\n\n{table_text(_table(simulation.nearest_first()), most=most)}"


def simulation_data(simulation: Simulation) -> dict[str, Any]:
    """What was seen as data for JSON: the rows of the table, each with its histogram."""
    return {
        "seconds": simulation.simulated_ns / 1e9,
        "seed": simulation.seed,
        "frames": simulation.frames,
        "streams": [
            {**row, "histogram_to_us": o.scale_ns / NS_PER_US, "histogram": list(o.histogram)}
            for row, o in zip(
                _table(simulation.observed).records(), simulation.observed, strict=True
            )
        ],
    }
