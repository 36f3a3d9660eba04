"""``check``: judge a layout, planned or written by hand. The solver takes no part in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from partitioner.application.search import silent
from partitioner.errors import InternalFault
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.check.facts import Facts
    from partitioner.facts.simulation import Simulation
    from partitioner.report.sections import Page


@dataclass(frozen=True, slots=True)
class CheckAnswer:
    """What follows from a layout.

    ``facts`` are what the assessment rests on. Broken rules, also those that only a build breaks,
    are in ``assessment.findings``. ``simulation`` is None where none was asked for.
    """

    facts: Facts
    assessment: Assessment
    simulation: Simulation | None = None

    @property
    def problem(self) -> Problem:
        """The problem of the layout."""
        return self.facts.problem

    def page(self) -> Page:
        """The verdict with its tables and drawings, as a page."""
        from partitioner.pages.simulation import simulation_section
        from partitioner.report.files import report_page
        from partitioner.report.told import Told

        simulated = () if self.simulation is None else (simulation_section(self.simulation),)
        return report_page(Told(self.problem, self.assessment, sections=simulated))

    def text(self) -> str:
        """The verdict with its tables, for a terminal."""
        from partitioner.pages.simulation import simulation_text
        from partitioner.report.text import verdict_text

        text = verdict_text(self.problem, self.assessment)
        if self.simulation is not None:
            text += "\n\n" + simulation_text(self.simulation)
        return text

    def data(self) -> dict[str, Any]:
        """The same as plain data, as in ``outcome.json``."""
        from partitioner.pages.simulation import simulation_data
        from partitioner.report.outcome_json import outcome_data
        from partitioner.report.told import Told

        data = outcome_data(Told(self.problem, self.assessment))
        if self.simulation is not None:
            data["simulation"] = simulation_data(self.simulation)
        return data


def check(
    problem: Problem,
    layout: Layout,
    *,
    simulate_s: float | None = None,
    seed: int = 0,
    on_step: Callable[[str], None] = silent,
) -> CheckAnswer:
    """Judge a layout from the model, the network and the timing alone.

    As :func:`partitioner.interface.functions.check_layout`; ``on_step`` is told, in a sentence,
    each step that may take a while. Errors are those of :func:`simulate`.
    """
    facts, assessment = judged(problem, layout)
    simulation = None
    if simulate_s is not None and not assessment.findings:
        on_step(f"simulating {simulate_s:g} s")
        simulation = simulate(facts, simulate_s, seed)
    return CheckAnswer(facts, assessment, simulation)


def judged(problem: Problem, layout: Layout) -> tuple[Facts, Assessment]:
    """Facts and assessment of a layout, so that no layout is analysed twice."""
    from partitioner.check.facts import gather_facts
    from partitioner.check.judge import assess_facts

    facts = gather_facts(problem, layout)
    return facts, assess_facts(facts)


def simulate(facts: Facts, seconds: float, seed: int = 0) -> Simulation:
    """Simulate a layout for so many seconds of its own time.

    Raises
    ------
    InternalFault
        A delay was above its bound; the analysis is wrong then.
    """
    from partitioner.facts.simulation import simulate_layout

    simulation = simulate_layout(facts, round(seconds * 1e9), seed)
    if simulation.above_bound:
        raise InternalFault(
            "simulated delays are above the worst case",
            [
                f"{o.stream} to {o.destination}: {o.longest_ns} ns seen, {o.bound_ns} ns at worst"
                for o in simulation.above_bound
            ],
        )
    return simulation
