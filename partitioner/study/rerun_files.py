"""Every file of a rerun: those of a plan, the list of changes, the layouts of the front."""

from __future__ import annotations

import json
from collections.abc import Mapping

from partitioner.reading.layout_file import layout_text
from partitioner.report.outcome_json import outcome_text
from partitioner.report.page import render
from partitioner.report.sections import csv_twins
from partitioner.report.tables import all_frames, frames_csv, plca_commands
from partitioner.study.rerun import Rerun
from partitioner.study.rerun_search import RerunSettings
from partitioner.study.rerun_section import front_file, rerun_data, rerun_sections


def rerun_files(result: Rerun, settings: RerunSettings) -> Mapping[str, str]:
    """Files of a rerun by name.

    ``layout.yaml`` is the layout of least sum; ``replan.json`` holds what ``--json`` prints.
    """
    problem, assessment = result.problem, result.best.assessment
    outcome = result.outcome(settings)
    sections = rerun_sections(result)
    frames = all_frames(problem, assessment)
    files = {
        "layout.yaml": layout_text(result.best.layout, problem),
        "report.html": render(problem, assessment, outcome, sections),
        "outcome.json": outcome_text(problem, assessment, outcome),
        "replan.json": json.dumps(rerun_data(result), indent=2, ensure_ascii=False) + "\n",
        "plca-ethtool.sh": plca_commands(frames["plca"]),
        **frames_csv(frames),
        **csv_twins(sections),
    }
    if len(result.front) > 1:
        for number, point in enumerate(result.front, 1):
            files[front_file(number)] = layout_text(point.layout, problem)
    return files
