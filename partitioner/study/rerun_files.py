"""Every file of a rerun: those of a plan, the list of changes, the layouts of the front."""

from __future__ import annotations

from collections.abc import Mapping

from partitioner.reading.layout_file import layout_text
from partitioner.report.files import report_files
from partitioner.study.rerun import Rerun
from partitioner.study.rerun_search import RerunSettings
from partitioner.study.rerun_section import front_file, rerun_data, rerun_sections
from partitioner.visible import json_text


def rerun_files(result: Rerun, settings: RerunSettings) -> Mapping[str, str | bytes]:
    """Files of a rerun by name.

    ``layout.yaml`` is the layout of least sum; ``replan.json`` holds what ``--json`` prints.
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
    files["replan.json"] = json_text(rerun_data(result)) + "\n"
    if len(result.front) > 1:
        for number, point in enumerate(result.front, 1):
            files[front_file(number)] = layout_text(point.layout, result.problem)
    return files
