"""One case of a study, as a worker answers it: a question to a command, the answer as files."""

from __future__ import annotations

import traceback
from dataclasses import asdict, replace
from typing import Any

from partitioner.application.check import judged
from partitioner.application.plan import found
from partitioner.application.replan import replan
from partitioner.application.search import Search
from partitioner.application.tradeoff import tradeoff
from partitioner.errors import ExitCode, NoAnswer, NoLayout, PartitionerError
from partitioner.model.assessment import Assessment, worst_first
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text
from partitioner.report.tables import layout_counts
from partitioner.report.writer import LAYOUT
from partitioner.studies.folder import RESULT
from partitioner.studies.study import Ask, CaseTask, JudgeTask
from partitioner.tradeoff.state import state_files
from partitioner.visible import json_file


def run_case(task: CaseTask) -> dict[str, str]:
    """Answer a case with one core, as files by name; a failure is an answer too.

    There is ``result.json``, and where there is a layout ``layout.yaml``; of a trade-off its state
    with a layout for each point. With the same task they are the same every time where a limit of
    work ends the search, or a proof.
    """
    question = task.question
    search = Search(time_limit_s=question.time_limit_s, seed=question.seed, workers=1).begun()
    code = ExitCode.OK
    files: dict[str, str] = {}
    try:
        asked = {Ask.PLAN: _plan, Ask.REPLAN: _replan, Ask.TRADEOFF: _tradeoff}[question.ask]
        answer, files = asked(task, search)
    except NoLayout as proof:
        code, conflicts = proof.exit_code, [asdict(c) for c in proof.conflicts]
        answer = {"status": "no-layout", "conflicts": conflicts}
    except NoAnswer as ended:
        code, bound_money = ended.exit_code, ended.bound_money
        answer = {"status": "no-answer", "message": str(ended), "bound_money": bound_money}
    except Exception as error:
        # A fault of one case must not end the others; it is told with where it came from.
        code = error.exit_code if isinstance(error, PartitionerError) else ExitCode.FAULT
        trace = [] if isinstance(error, PartitionerError) else traceback.format_exception(error)
        words = str(error) or type(error).__name__
        answer = {"status": "fault", "message": words, "trace": trace}
    told = {"ask": question.ask, "exit_code": int(code), **answer}
    return {**files, RESULT: json_file(told)}


def _plan(task: CaseTask, search: Search) -> tuple[dict[str, Any], dict[str, str]]:
    start = task.start and _fitted(task.start, task.problem)
    outcome, _, assessment = found(
        task.problem, search, work_limit=task.question.work_limit, start=start
    )
    return {
        "status": outcome.status,
        **({} if start is None else {"start_case": task.start_case}),
        "cost_money": outcome.cost_money,
        "bound_money": outcome.bound_money,
        **figures(task.problem, assessment),
    }, {LAYOUT: layout_text(outcome.layout, task.problem)}


def _replan(task: CaseTask, search: Search) -> tuple[dict[str, Any], dict[str, str]]:
    assert task.before is not None
    again = replan(task.problem, task.before, search).rerun
    best = again.best.found
    return {
        "status": "optimal" if best.is_proved else "feasible",
        "cost_money": best.total_money,
        "bound_money": min(again.searched.total_bound_money, best.total_money),
        "change_money": best.change_money,
        **figures(task.problem, again.best.assessment),
    }, {LAYOUT: layout_text(again.best.layout, task.problem)}


def _tradeoff(task: CaseTask, search: Search) -> tuple[dict[str, Any], dict[str, str]]:
    asked = task.question
    state = tradeoff(
        task.problem, search, axis=asked.axis, points=asked.points, gap=asked.gap
    ).state
    front = state.front
    if not front.points:
        raise NoAnswer("no layout was found within the limit")
    cheapest = front.points[0]
    _, assessment = judged(task.problem, cheapest.layout)
    return {
        "status": "optimal" if front.is_exact else "feasible",
        "cost_money": cheapest.cost_money,
        "bound_money": cheapest.bound_money,
        "points": len(front.within(state.goal)),
        **figures(task.problem, assessment),
    }, {
        **state_files(task.problem, state),
        LAYOUT: layout_text(cheapest.layout, task.problem),
    }


def figures(problem: Problem, assessment: Assessment) -> dict[str, Any]:
    """What the table of cases tells of a layout, in base units."""
    counted = layout_counts(problem, assessment)
    layout = assessment.layout
    lines = sum(problem.catalogue.is_line(s.grade) for s in layout.segments)
    worst = worst_first(assessment.streams)[0] if assessment.streams else None
    return {
        "layout_money": assessment.cost.objective_money,
        "paid_money": assessment.cost.money,
        "mass_mg": assessment.cost.mass_mg,
        "lines": lines,
        "links": len(layout.segments) - lines,
        "ports": counted["ports"],
        "cable_um": counted["cable_um"],
        "switches": list(layout.open_switches),
        "tightest_stream": worst and worst.stream,
        "tightest_to": worst and worst.destination,
        "margin_ns": worst and worst.margin_ns,
        "deadline_ns": worst and worst.deadline_ns,
    }


def run_judgement(task: JudgeTask) -> dict[str, str]:
    """Judge layouts in a case: ``result.json`` says of each if it keeps all rules, and its cost.

    Devices that the case does not have are taken out of a layout first.
    """
    answers = []
    for layout in task.layouts:
        _, assessment = judged(task.problem, _fitted(layout, task.problem))
        answers.append(
            {
                "is_acceptable": not assessment.findings,
                "rules": sorted({f.rule for f in assessment.findings}),
                **figures(task.problem, assessment),
            }
        )
    return {RESULT: json_file({"judged": answers})}


def _fitted(layout: Layout, problem: Problem) -> Layout:
    """A layout without the devices that a problem does not have, segments without any left out."""
    segments = tuple(kept for s in layout.segments if (kept := s.only(problem.devices)).devices)
    return replace(layout, segments=segments, problem_digest=problem.digest)
