"""What a report says of a layout beyond the decisions: lines, builds, growth, failures."""

from __future__ import annotations

from collections.abc import Callable

from partitioner.check.facts import Facts
from partitioner.facts.builds import judge_builds
from partitioner.facts.checked import checked, not_asked
from partitioner.facts.elsewhere import lines_elsewhere, why_there
from partitioner.facts.growth import growth_of
from partitioner.facts.harness import harness_of
from partitioner.facts.line_settings import line_margins
from partitioner.facts.prices import price_moves
from partitioner.facts.switching import switching_of
from partitioner.facts.transfer_times import simulated, transfer_times
from partitioner.model.assessment import Assessment
from partitioner.model.outcome import Outcome
from partitioner.pages.blocks import blocks_section
from partitioner.pages.board import money_section
from partitioner.pages.builds import builds_section
from partitioner.pages.checked import checked_section
from partitioner.pages.elsewhere import why_section
from partitioner.pages.growth import growth_section
from partitioner.pages.harness import harness_section
from partitioner.pages.line_settings import electrical_section, settings_section
from partitioner.pages.line_sheets import line_sheets
from partitioner.pages.losses import losses_section
from partitioner.pages.sources import sources_section
from partitioner.pages.switching import switching_section
from partitioner.pages.transfers import transfers_section
from partitioner.pages.worked import worked_section
from partitioner.report.sections import Section


def study_layout(
    facts: Facts,
    assessment: Assessment,
    *,
    should_stop: Callable[[], bool] = lambda: False,
    on_step: Callable[[str], None] = lambda _: None,
    simulate_ns: int | None = None,
    seed: int = 0,
    outcome: Outcome | None = None,
) -> tuple[Section, ...]:
    """Make every section that fits a layout.

    Once ``should_stop`` gives True what is not done yet is left out, and the sections say so.
    ``on_step`` is called with a few words at the start of what may take a while. With
    ``simulate_ns`` the transfers are simulated too, each for so long. The bound of the ``outcome``
    of a plan says what is proved when prices move.
    """
    problem = facts.problem
    margins = line_margins(problem, assessment)
    made: list[Section | None] = [
        *line_sheets(facts, assessment, margins),
        blocks_section(facts, assessment),
        electrical_section(margins),
        settings_section(facts, assessment, should_stop),
    ]
    if problem.options:
        on_step("checking every build")
        made.append(builds_section(facts, assessment, judge_builds(facts, should_stop)))
    if problem.forecast:
        on_step("looking for room for growth")
    made.append(growth_section(growth_of(facts, should_stop), problem.currency))
    if problem.transfers:
        on_step("timing bulk transfers")
        times = transfer_times(facts, should_stop)
        if simulate_ns is not None:
            times = simulated(facts, times, simulate_ns, seed)
        made.append(transfers_section(facts, times))
    made.append(worked_section(facts, assessment))
    made.append(checked_section(checked(facts, assessment.findings), not_asked(facts)))
    made.append(sources_section(problem, assessment))
    made.append(losses_section(facts, assessment))
    made += handover_sections(facts, assessment, should_stop=should_stop, on_step=on_step)
    on_step("looking at the next best places")
    reasons = why_there(facts, assessment.findings, should_stop)
    lines = lines_elsewhere(facts, assessment.findings, should_stop)
    placed = sum(len(s.devices) for s in facts.sound.segments)
    made.append(why_section(problem, placed, reasons, lines))
    bound_money = None if outcome is None else outcome.bound_money
    moves = price_moves(assessment.cost, reasons, bound_money)
    made.append(money_section(problem, assessment, moves))
    return tuple(s for s in made if s is not None)


def handover_sections(
    facts: Facts,
    assessment: Assessment,
    *,
    should_stop: Callable[[], bool] = lambda: False,
    on_step: Callable[[str], None] = lambda _: None,
) -> tuple[Section, Section]:
    """What the harness shop and the software take from a layout; parameters as above."""
    on_step("making the lists for harness shop and software")
    return (
        harness_section(facts.problem, harness_of(facts, assessment.wires, should_stop)),
        switching_section(facts.problem, switching_of(facts)),
    )
