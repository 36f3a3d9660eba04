"""``report``: the files of a plan for any layout; nothing is solved."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from partitioner.application.check import judged, simulate
from partitioner.application.search import silent
from partitioner.application.told import LayoutAnswer
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.report.told import Told

if TYPE_CHECKING:
    from partitioner.report.sections import Section


def report(
    problem: Problem,
    layout: Layout,
    *,
    simulate_s: float | None = None,
    seed: int = 0,
    against: tuple[str, Layout] | None = None,
    on_step: Callable[[str], None] = silent,
) -> LayoutAnswer:
    """Look at a layout from every side: rules, builds, growth, transfers, single failures.

    As :func:`partitioner.interface.functions.report_layout`, also of a layout that breaks rules;
    ``against`` has the name of the other layout too, which is as
    :func:`partitioner.replan.reading.read_earlier_layout` reads it. ``on_step`` is told each step
    in a sentence. Errors are those of :func:`~partitioner.application.check.simulate`.
    """
    from partitioner.pages.layout import study_layout

    facts, assessment = judged(problem, layout)
    sections: list[Section] = []
    if against is not None:
        from partitioner.pages.beside import against_section
        from partitioner.replan.beside import lay_beside

        name, other = against
        on_step(f"comparing with {name}")
        pair = lay_beside(problem, other, layout, assessment)
        sections.append(against_section(pair, name))
    simulate_ns = None if simulate_s is None else round(simulate_s * 1e9)
    sections += study_layout(
        facts, assessment, on_step=on_step, simulate_ns=simulate_ns, seed=seed
    )
    if simulate_s is not None:
        from partitioner.pages.simulation import simulation_section

        on_step(f"simulating {simulate_s:g} s")
        sections.append(simulation_section(simulate(facts, simulate_s, seed)))
    return LayoutAnswer(Told(problem, assessment, sections=sections))
