"""Demos with their deadlines scaled down: cost if segments are chosen by the linear bound, and not.

    python -m tests.bench.deadlines --seconds 20 --chart docs/explanation/figures/deadlines.svg

For every demo and every scale the problem is planned twice at equal time: once so that every layout
is in time by the linear bounds, as if these judged, once by the analysis that the check goes by.
Rows are printed as a table; costs are priced totals. One worker, whose time is processor time, so
that other work of the machine changes little.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from partitioner.application.reading import read_problem
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.problem import Problem
from partitioner.report.charts import Series, xy_figure
from partitioner.report.svg import standalone
from partitioner.solve import search, verify
from partitioner.solve.master import Selection
from partitioner.solve.planner import PlanSettings, plan_layout

DEMOS = ("street-sweeper", "river-ferry", "glasshouse", "city-bus")
SCALES = (1.0, 0.7, 0.5, 0.4, 0.3, 0.25, 0.2, 0.15)


def scaled(problem: Problem, scale: float) -> Problem:
    """The problem with every deadline times ``scale``, in whole ns."""
    streams = {
        id_: replace(s, deadline_ns=max(1, round(s.deadline_ns * scale)))
        for id_, s in problem.streams.items()
    }
    return replace(problem, streams=streams)


def _is_surely_in_time(judge: verify.Judge, selection: Selection) -> bool:
    """Whether the linear bounds say yes to a whole selection."""
    case = judge._case(selection)
    return not case.lost and judge._surely_in_time(case)


@contextmanager
def linear_only() -> Iterator[None]:
    """Let only those layouts count that the linear bounds have in time."""
    bold, judge = search.Search.be_bold, verify.Judge.__call__
    least = search.SMALL

    def strict(self, selection, *, with_cuts=True):
        verdict = judge(self, selection, with_cuts=with_cuts)
        if verdict.holds and not _is_surely_in_time(self, selection):
            family = tuple(self._family(c, False) for c in selection.columns)
            return replace(verdict, cuts=(verify.NoGood(segments=family),))
        return verdict

    search.Search.be_bold = lambda self: None  # type: ignore[method-assign]
    verify.Judge.__call__ = strict  # type: ignore[method-assign]
    search.SMALL = 0
    try:
        yield
    finally:
        search.Search.be_bold, verify.Judge.__call__ = bold, judge  # type: ignore[method-assign]
        search.SMALL = least


def cost(problem: Problem, seconds: float) -> float | None:
    """Priced total of the layout found, in money steps; None if there is none."""
    try:
        settings = PlanSettings(time_limit_s=seconds)
        return plan_layout(problem, settings, clock=time.process_time).cost_money
    except (NoAnswer, NoLayout):
        return None


def main() -> None:
    """Plan, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--demos", nargs="*", default=list(DEMOS))
    parser.add_argument("--scales", type=float, nargs="*", default=list(SCALES))
    parser.add_argument("--chart", type=Path)
    chosen = parser.parse_args()
    series: list[Series] = []
    print("| demo | deadlines times | cost, linear | cost, analysis | linear / analysis |")
    print("|---|---|---|---|---|")
    for demo in chosen.demos:
        problem = read_problem(Path("problems") / demo / "problem.yaml")
        points: list[tuple[float, float]] = []
        for scale in chosen.scales:
            asked = scaled(problem, scale)
            by_analysis = cost(asked, chosen.seconds)
            with linear_only():
                by_linear = cost(asked, chosen.seconds)
            told = [f"{c / 10_000:.2f}" if c else "none found" for c in (by_linear, by_analysis)]
            ratio = f"{by_linear / by_analysis:.4f}" if by_linear and by_analysis else ""
            print(f"| {demo} | {scale} | {told[0]} | {told[1]} | {ratio} |", flush=True)
            if by_linear and by_analysis:
                points.append((scale, 100 * (by_linear / by_analysis - 1)))
            if by_linear is None and by_analysis is None:
                break
        if points:
            series.append(Series(demo, points, shows_points=True))
    if chosen.chart and series:
        figure = xy_figure(
            "deadlines", "What choosing by the linear bound costs",
            "Extra cost in per cent, by the factor that all deadlines are multiplied with.",
            series, "deadlines times", "dearer by the linear bound, %",
        )
        chosen.chart.write_text(standalone(figure.svg), encoding="utf-8")


if __name__ == "__main__":
    main()
