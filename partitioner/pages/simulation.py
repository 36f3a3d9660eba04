"""A simulation as a section of the report, as text and as data."""

from __future__ import annotations

from typing import Any

from partitioner.facts.simulation import (
    DRAWN_STREAMS,
    SEARCHED_STREAMS,
    Observed,
    Simulation,
)
from partitioner.report.amounts import number_text, share_text, time_text
from partitioner.report.charts import histogram_figure
from partitioner.report.sections import Column, Kind, Section, Table
from partitioner.report.text import table
from partitioner.units import NS_PER_MS, NS_PER_US, PPM


def simulation_section(simulation: Simulation) -> Section:
    """The section of the report: a table of all streams and histograms of the nearest ones."""
    nearest = simulation.nearest_first()
    seconds = simulation.simulated_ns / 1e9
    above = len(simulation.above_bound)
    verdict = (
        "No delay was above its bound."
        if not above
        else f"{above} streams were seen above their bound: the program is at fault."
    )
    intro = [
        f"{verdict} Simulated bit by bit: {seconds:g} s with random releases and {seconds:g} s "
        f"with releases as dense as allowed, {number_text(simulation.frames, 0)} frames, seed "
        f"{simulation.seed}; then a search for bad moments of the {SEARCHED_STREAMS} streams "
        "with the least of their deadline left.",
        "A simulation proves nothing; it shows how near the bound real moments come.",
    ]
    figures = [
        histogram_figure(
            f"delays-{number}",
            f"Delays of {o.stream} to {o.destination}",
            f"Histogram of {o.frames} simulated delays between 0 and the bound of "
            f"{o.scale_ns / NS_PER_MS:.3f} ms; the longest seen is "
            f"{(o.worst_ns or 0) / NS_PER_MS:.3f} ms.",
            [o.scale_ns * k / len(o.histogram) / NS_PER_MS for k in range(len(o.histogram) + 1)],
            o.histogram,
            "delay in ms",
            limit=None if o.bound_ns is None else o.bound_ns / NS_PER_MS,
            limit_name="bound",
        )
        for number, o in enumerate([o for o in nearest if o.frames][:DRAWN_STREAMS], start=1)
    ]
    return Section(
        title="Simulation",
        intro=intro,
        tables=[_table(nearest)],
        figures=figures,
        id="simulation",
    )


def _table(observed: list[Observed]) -> Table:
    return Table(
        id="simulation",
        caption="Worst delay seen beside the bound, nearest first",
        columns=[
            Column("stream", "Stream", Kind.ID, heads_row=True),
            Column("destination", "To", Kind.ID),
            Column("frames", "Frames", Kind.NUMBER),
            Column("worst_us", "Worst, at random", Kind.NUMBER, "µs", 1),
            Column("searched_us", "Worst, searched", Kind.NUMBER, "µs", 1),
            Column("bound_us", "Bound", Kind.NUMBER, "µs", 1),
            Column("deadline_us", "Deadline", Kind.NUMBER, "µs", 1),
            Column("share", "Of the bound", Kind.BAR),
        ],
        rows=[
            (
                o.stream,
                o.destination,
                o.frames,
                _us(o.worst_ns),
                _us(o.searched_ns),
                _us(o.bound_ns),
                _us(o.deadline_ns),
                None if o.share_ppm is None else o.share_ppm / PPM,
            )
            for o in observed
        ],
        folded=len(observed) > 40,
    )


def _us(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / NS_PER_US


def simulation_text(simulation: Simulation, most: int = 10) -> str:
    """What was seen as a short plain table, nearest to the bound first."""
    rows = [
        (
            o.stream,
            o.destination,
            str(o.frames),
            "none" if o.longest_ns is None else time_text(o.longest_ns),
            "overload" if o.bound_ns is None else time_text(o.bound_ns),
            "" if o.share_ppm is None else share_text(o.share_ppm, 0),
        )
        for o in simulation.nearest_first()[:most]
    ]
    header = ("simulated stream", "to", "frames", "worst seen", "bound", "of the bound")
    total = (
        f"{simulation.frames} frames in 2 x {simulation.simulated_ns / 1e9:g} s, "
        f"seed {simulation.seed}; no delay above its bound."
    )
    return f"{total}\n\n{table(header, rows, right=(2, 3, 4, 5))}"


def simulation_data(simulation: Simulation) -> dict[str, Any]:
    """What was seen as data for JSON: times in µs, shares as fractions of 1."""
    return {
        "seconds": simulation.simulated_ns / 1e9,
        "seed": simulation.seed,
        "frames": simulation.frames,
        "streams": [
            {
                "stream": o.stream,
                "destination": o.destination,
                "frames": o.frames,
                "worst_us": _us(o.worst_ns),
                "searched_us": _us(o.searched_ns),
                "bound_us": _us(o.bound_ns),
                "deadline_us": _us(o.deadline_ns),
                "histogram_to_us": _us(o.scale_ns),
                "histogram": list(o.histogram),
            }
            for o in simulation.observed
        ],
    }
