"""The layout that a folder holds from an earlier run, as far as it answers the same problem."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from partitioner.check.judge import assess
from partitioner.errors import PartitionerError
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Status
from partitioner.model.problem import Problem
from partitioner.reading.files import Unreadable, read_result
from partitioner.reading.layout_file import read_layout_with_findings
from partitioner.report.switch import file_digest
from partitioner.report.writer import LAYOUT, OUTCOME, set_digests
from partitioner.units import MONEY_STEPS
from partitioner.visible import some_of, visible


@dataclass(frozen=True, slots=True)
class Earlier:
    """A layout of an earlier run that keeps every rule of the problem as it is now.

    ``outcome`` is None where nothing is known about how near to the cheapest it is. ``data`` is
    what ``outcome.json`` holds; ``is_edited`` tells that the layout was changed since that was
    written.
    """

    assessment: Assessment
    outcome: Outcome | None
    data: dict[str, Any]
    is_edited: bool

    def is_better_than(self, cost_money: int, bound_money: int | None) -> bool:
        """Whether it costs less than that, or as much with a better bound (objective values)."""
        own = self.assessment.cost.objective_money
        if own != cost_money or self.outcome is None:
            return own < cost_money
        return bound_money is None or self.outcome.bound_money > bound_money


def read_earlier(folder: Path, problem: Problem) -> Earlier | None:
    """Read what an earlier run left in a folder.

    Costs are counted afresh from the layout; of ``outcome.json`` only the digest of the problem,
    the bound and how the search went are taken. None if there is nothing, or it is of another
    problem, cannot be read any more, or breaks a rule.
    """
    data = _outcome_data(folder / OUTCOME)
    if data is None or not problem.digest or data["problem"].get("digest") != problem.digest:
        return None
    layout, _ = read_layout_with_findings(folder / LAYOUT, problem)
    if layout is None:
        return None
    assessment = assess(problem, layout)
    if assessment.findings:
        return None
    is_edited = set_digests(folder).get(LAYOUT) != file_digest(folder / LAYOUT)
    return Earlier(assessment, _outcome(data, layout, assessment), data, is_edited)


def cost_of_layout(path: Path, problem: Problem) -> int | None:
    """Objective value of the layout in a file; None if there is none that keeps all rules."""
    kept = kept_layout(path, problem)
    return None if kept is None else kept[1]


def kept_layout(path: Path, problem: Problem) -> tuple[Layout, int] | None:
    """The layout in a file with its objective value; None if none that keeps all rules is there."""
    if not path.is_file():
        return None
    try:
        layout, _ = read_layout_with_findings(path, problem)
    except PartitionerError:
        return None
    if layout is None:
        return None
    assessment = assess(problem, layout)
    return None if assessment.findings else (layout, assessment.cost.objective_money)


def holds_layout_of(folder: Path, problem: Problem) -> bool:
    """Whether a folder holds a layout of a problem of this name or of these files."""
    data = _outcome_data(folder / OUTCOME)
    if data is None or not (folder / LAYOUT).is_file():
        return False
    about = data["problem"]
    return bool(about.get("name") == problem.name or about.get("digest") == problem.digest)


def _outcome_data(path: Path) -> dict[str, Any] | None:
    try:
        data = read_result(path)
    except Unreadable:
        return None
    is_ours = isinstance(data, dict) and isinstance(data.get("problem"), dict)
    return data if is_ours else None


def _outcome(data: dict[str, Any], layout: Layout, assessment: Assessment) -> Outcome | None:
    """How the run ended, as far as the words and the comparison need it."""
    bound, run = data.get("bound"), data.get("run")
    if not isinstance(bound, int | float) or not isinstance(run, dict):
        return None
    cost = assessment.cost.objective_money
    try:
        bound_money = min(cost, round(bound * MONEY_STEPS))
        return Outcome(
            status=Status.OPTIMAL if bound_money == cost else Status.FEASIBLE,
            layout=layout,
            cost_money=cost,
            bound_money=bound_money,
            seconds=float(run["seconds"]),
            seconds_to_best=float(run["seconds_to_best"]),
            seed=int(run["seed"]),
            workers=int(run["workers"]),
            stopped_by=str(run["stopped_by"]),
            bound_source=str(data.get("bound_source")),
            timeline=(),
            versions=(),
        )
    except (KeyError, TypeError, ValueError, OverflowError):
        return None


def stale_beside(layout: Path) -> str:
    """Tell which files of the set that a layout file was written with are no longer of one piece.

    What lies beside the file counts if it was written in one set with it. Gives a sentence; empty
    where everything fits, or no set is known.
    """
    try:
        digests = set_digests(layout.parent)
        own = digests.get(layout.name)
        if own is None:
            return ""
        if own != file_digest(layout):
            return (
                f"{layout.name} was changed since the files beside it were written: they belong to "
                "another layout; `partitioner report` makes them anew"
            )
        changed = sorted(
            name
            for name, digest in digests.items()
            if file_digest(layout.parent / name) not in (digest, None)
        )
    except OSError:
        return ""
    if not changed:
        return ""
    named = some_of([visible(name) for name in changed], 6)
    return f"changed since written with {layout.name}: {named}"
