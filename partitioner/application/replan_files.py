"""Every file of a rerun: those of a plan, the list of changes, the layouts of the front."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from partitioner.application.earlier import Earlier
from partitioner.pages.replan import front_file, rerun_data, rerun_sections
from partitioner.reading.files import Unreadable, read_result
from partitioner.reading.layout_file import layout_text
from partitioner.replan.rerun import Rerun
from partitioner.replan.search import RerunSettings
from partitioner.report.files import report_files
from partitioner.visible import json_text

REPLAN = "replan.json"


def rerun_files(
    result: Rerun, settings: RerunSettings, question: Mapping[str, Any]
) -> dict[str, str]:
    """Files of a rerun by name.

    ``layout.yaml`` is the layout of least sum; ``replan.json`` holds what ``--json`` prints.
    ``question`` is what was asked about the problem, as plain data: answers to the same one can be
    compared.
    """
    searched = result.searched
    facts = [
        ("segments tried", f"{searched.columns}{', all there are' if searched.tried_all else ''}"),
        ("rerun", f"{searched.seconds:.1f} s, ended by {searched.stopped_by}"),
    ]
    files = report_files(
        result.problem,
        result.best.assessment,
        result.outcome(settings),
        rerun_sections(result),
        facts,
    )
    data = {**rerun_data(result), "question": dict(question)}
    files[REPLAN] = json_text(data) + "\n"
    if len(result.front) > 1:
        for number, point in enumerate(result.front, 1):
            files[front_file(number)] = layout_text(point.layout, result.problem)
    return files


def is_better_answer(
    earlier: Earlier,
    folder: Path,
    result: Rerun,
    settings: RerunSettings,
    question: Mapping[str, Any],
) -> bool:
    """Whether a folder holds a better answer than a rerun gives.

    If the same was asked of the same problem, the sum of plan and changes decides, then its bound;
    if not, the cost of the layouts alone, then its bound.
    """
    try:
        data = read_result(folder / REPLAN)
        if data["question"] == question and not earlier.is_edited:
            now = rerun_data(result)
            if data["total"] != now["total"]:
                return bool(data["total"] < now["total"])
            return bool(data["total_bound"] > now["total_bound"])
    except (Unreadable, KeyError, TypeError):
        # No answer to such a question is there.
        pass
    outcome = result.outcome(settings)
    bound_money = None if outcome is None else outcome.bound_money
    return earlier.is_better_than(result.best.found.plan_money, bound_money)
