"""The whole way as one call: read, solve, check, report. Prints nothing and writes nothing.

Imports of the heavy parts stand inside the functions, so that judging a layout never loads the
solver.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from partitioner.errors import Finding, InternalFault, WrongFile
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample
from partitioner.model.problem import Problem

if TYPE_CHECKING:
    from partitioner.check.facts import Facts
    from partitioner.facts.simulation import Simulation
    from partitioner.report.sections import Section

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A checked plan and the files that tell of it, by name."""

    problem: Problem
    outcome: Outcome
    assessment: Assessment
    files: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class JudgeResult:
    """A layout somebody wrote, and what follows from it.

    ``facts`` are what the assessment rests on. ``warnings`` are what was noticed in the two files
    without stopping, ready to be shown.
    """

    problem: Problem
    layout: Layout
    facts: Facts
    assessment: Assessment
    warnings: tuple[str, ...] = ()


class RejectedPlan(InternalFault):
    """The solver's own layout breaks rules: a fault of the program.

    ``files`` are the layout and the findings, to be kept for a report of the fault; ``kept_in`` is
    the folder that whoever writes them has put them in.
    """

    def __init__(self, message: str, details: list[str], files: Mapping[str, str]):
        super().__init__(message, details)
        self.files = files
        self.kept_in: Path | None = None


def _silent(_: str) -> None:
    """Say nothing."""


def plan(
    problem_path: Path,
    *,
    time_limit_s: float = 60.0,
    seed: int = 0,
    workers: int = 1,
    work_limit: int | None = None,
    clock: Callable[[], float] = time.monotonic,
    on_problem: Callable[[Problem], None] | None = None,
    on_progress: Callable[[Sample, str], None] | None = None,
    on_step: Callable[[str], None] = _silent,
    stop: Callable[[], bool] = lambda: False,
    is_strict: bool = False,
    lists_from: Sequence[Path] = (),
    with_zones: bool = False,
) -> PlanResult:
    """Plan a layout for the problem in a file.

    Parameters
    ----------
    problem_path
        The problem file; the lists it names are read from its folder and below.
    time_limit_s
        Seconds the search may take.
    seed, workers
        Of the search. With one worker and a work limit the answer is the same every time.
    work_limit
        Rounds of search after which it ends, whatever the clock says.
    clock
        Seconds, increasing.
    on_problem
        Called with the problem once it is read.
    on_progress
        Called now and then with the best cost and bound so far and a word on what is done.
    on_step
        Called with a sentence at the start of each step.
    stop
        Asked often; True ends the search with the best layout so far.
    is_strict
        Take warnings in the files for errors.
    lists_from
        Folders, besides that of the problem, that its lists may lie in.
    with_zones
        Plan again for each candidate switch, open ones closed and closed ones open, and report
        what it costs; every such run may take as long as the plan itself.

    Raises
    ------
    WrongFile
        With every finding in the files.
    NoLayout
        Proved: no layout keeps all rules.
    NoAnswer
        No layout found within the limit.
    RejectedPlan
        The check does not accept what the solver made; the program is at fault.
    """
    on_step(f"reading {problem_path}")
    problem = read(problem_path, is_strict=is_strict, lists_from=lists_from)
    if on_problem is not None:
        on_problem(problem)
    # Only now: loading the solver takes a second, and a wrong file needs none.
    from partitioner.solve.planner import PlanSettings, plan_layout

    on_step(f"planning {len(problem.devices)} devices on {len(problem.switches)} switches")
    settings = PlanSettings(
        time_limit_s=time_limit_s, seed=seed, workers=workers, work_limit=work_limit
    )
    outcome = plan_layout(problem, settings, clock=clock, on_progress=on_progress, should_stop=stop)
    on_step("checking the layout")
    facts, assessment = judged(problem, outcome.layout)
    _must_agree(problem, outcome, assessment)
    sections = list(layout_studies(facts, assessment, should_stop=stop, on_step=on_step))
    if with_zones:
        from partitioner.pages.zones import zones_section
        from partitioner.runs import Budget
        from partitioner.zones.zones import turn_candidates

        on_step("planning with each candidate switch the other way round")
        candidates = sum(not s.required for s in problem.switches.values())
        budget = Budget(
            clock, clock() + candidates * time_limit_s, seed, workers, stop, on_progress
        )
        sections.append(zones_section(problem, turn_candidates(problem, outcome, budget)))
    on_step("writing the report")
    files = report_files(problem, assessment, outcome, sections)
    return PlanResult(problem, outcome, assessment, files)


def read(
    problem_path: Path, *, is_strict: bool = False, lists_from: Sequence[Path] = ()
) -> Problem:
    """Read a problem file with its lists, which may also lie in the folders ``lists_from``.

    Raises
    ------
    WrongFile
        With every finding; with ``is_strict`` warnings are enough.
    """
    from partitioner.reading.problem import read_problem_with_findings

    problem, findings = read_problem_with_findings(problem_path, lists_from)
    return _unless_wrong(problem, findings, is_strict)


def _unless_wrong(read: T | None, findings: list[Finding], is_strict: bool) -> T:
    """Give what was read, unless a finding stands against it."""
    if read is None or (is_strict and findings):
        raise WrongFile([replace(f, severity="error") for f in findings] if is_strict else findings)
    return read


def problem_files(problem_path: Path, lists_from: Sequence[Path] = ()) -> dict[str, bytes]:
    """Give the problem file and the lists it names as they are, by file name."""
    from partitioner.reading.origin import Enough, Findings
    from partitioner.reading.problem import SourceFiles, read_parts

    files = SourceFiles(lists_from)
    # What is wrong was told when the problem was read.
    with contextlib.suppress(Enough):
        read_parts(problem_path, files, Findings())
    return {Path(name).name: content for name, content in files.contents}


def judge(
    problem_path: Path,
    layout_path: Path,
    *,
    is_strict: bool = False,
    lists_from: Sequence[Path] = (),
) -> JudgeResult:
    """Read a problem and a layout of it, and say what follows from the layout.

    Broken rules, also those that only a build breaks, are in ``assessment.findings``; they are no
    exception here.

    Raises
    ------
    WrongFile
        With every finding in either file.
    """
    from partitioner.reading.layout_file import read_layout_with_findings
    from partitioner.reading.render import format_finding

    problem = read(problem_path, is_strict=is_strict, lists_from=lists_from)
    layout, findings = read_layout_with_findings(layout_path, problem)
    layout = _unless_wrong(layout, findings, is_strict)
    noticed = tuple(format_finding(f, source=False) for f in findings)
    facts, assessment = judged(problem, layout)
    return JudgeResult(problem, layout, facts, assessment, problem.warnings + noticed)


def assess_layout(problem: Problem, layout: Layout) -> Assessment:
    """Judge a layout from the model, the network and the timing alone."""
    return judged(problem, layout)[1]


def judged(problem: Problem, layout: Layout) -> tuple[Facts, Assessment]:
    """As :func:`assess_layout`, with the facts, so that no layout is analysed twice."""
    from partitioner.check.facts import gather_facts
    from partitioner.check.judge import assess_facts
    from partitioner.network.cable import CableNetwork

    facts = gather_facts(problem, layout, CableNetwork(problem))
    return facts, assess_facts(facts)


def layout_studies(
    facts: Facts,
    assessment: Assessment,
    *,
    should_stop: Callable[[], bool] = lambda: False,
    on_step: Callable[[str], None] = _silent,
    simulate_s: float | None = None,
    seed: int = 0,
) -> tuple[Section, ...]:
    """Look at a layout from further sides: lines, builds, growth, transfers, single failures.

    ``simulate_s``: also simulate the transfers for so many seconds each. The rest as in
    :func:`plan`.
    """
    from partitioner.pages.layout import study_layout

    return study_layout(
        facts,
        assessment,
        should_stop=should_stop,
        on_step=on_step,
        simulate_ns=None if simulate_s is None else round(simulate_s * 1e9),
        seed=seed,
    )


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


def report_files(
    problem: Problem,
    assessment: Assessment,
    outcome: Outcome | None,
    sections: Sequence[Section] = (),
) -> dict[str, str]:
    """Every file of a report, by name; see :func:`partitioner.report.files.report_files`."""
    from partitioner.report.files import report_files as made

    return made(problem, assessment, outcome, sections)


def _must_agree(problem: Problem, outcome: Outcome, assessment: Assessment) -> None:
    """Compare what the solver says with what the check finds; they share no arithmetic."""
    details = [f"[{f.rule}] {f.sentence}" for f in assessment.findings]
    if assessment.cost.objective_money != outcome.cost_money:
        details.append(
            f"cost {outcome.cost_money} by the solver, "
            f"{assessment.cost.objective_money} by the check (money steps)"
        )
    if outcome.bound_money > outcome.cost_money:
        details.append(f"bound {outcome.bound_money} above the cost {outcome.cost_money}")
    if details:
        from partitioner.reading.layout_file import layout_text

        raise RejectedPlan(
            "the check does not accept the planned layout",
            details,
            {
                "rejected-layout.yaml": layout_text(outcome.layout, problem),
                "rejected-why.txt": "\n".join(details) + "\n",
            },
        )
