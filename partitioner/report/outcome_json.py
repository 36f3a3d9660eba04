"""``outcome.json``: a layout and what follows from it as data, with stable keys."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from partitioner.model.assessment import RuleFinding
from partitioner.model.outcome import Outcome
from partitioner.report.sections import tables_of
from partitioner.report.told import Told
from partitioner.units import MG_PER_G, MONEY_STEPS, NS_PER_US, in_units
from partitioner.visible import json_file

FORMAT = 1


def outcome_data(told: Told, layout_digest: str | None = None) -> dict[str, Any]:
    """Everything in ``outcome.json`` as plain data, described in ``docs/reference/report.md``.

    Money in currency units, times in µs, masses in g, shares as fractions of 1. ``status``,
    ``bound`` and ``gap`` are null for a layout that was only judged (``status`` says ``checked`` or
    ``broken``). What differs from run to run with the same answer (seconds, versions) is under
    ``run`` alone. A share of a limit of zero is infinite; JSON has no word for that, so it is None.
    ``layout_digest`` is the SHA-256 of the layout file written beside it; None where none is.
    """
    problem, assessment, outcome = told.problem, told.assessment, told.outcome
    tables = told.tables | tables_of(told.sections)
    cost = assessment.cost
    if assessment.broken:
        status = "broken"
    elif assessment.missing:
        status = "incomplete"
    else:
        status = "checked" if outcome is None else outcome.status.value
    data = {
        "format": FORMAT,
        "status": status,
        "verdict": told.verdict.sentence,
        "problem": {
            "name": problem.name,
            "digest": problem.digest,
            "currency": problem.currency,
            "devices": len(problem.devices),
            "switches": len(problem.switches),
            "streams": len(problem.streams),
        },
        "layout_digest": layout_digest,
        "cost": {
            "money": cost.money / MONEY_STEPS,
            "mass_g": cost.mass_mg / MG_PER_G,
            "latency_us": cost.latency_ns / NS_PER_US,
            "priced_total": cost.objective_money / MONEY_STEPS,
            "by_kind": {kind: money / MONEY_STEPS for kind, money in cost.by_kind_money},
        },
        "bound": None if outcome is None else outcome.bound_money / MONEY_STEPS,
        "bound_source": None if outcome is None else outcome.bound_source,
        "gap": None if outcome is None else round(outcome.gap, 6),
        "findings": rule_findings_data(assessment.findings),
        "warnings": list(problem.warnings),
        "open_switches": list(assessment.layout.open_switches),
        "tables": {name: table.records() for name, table in tables.items()},
        "run": None if outcome is None else _run(outcome),
    }
    return {key: _finite(value) for key, value in data.items()}


def rule_findings_data(findings: Iterable[RuleFinding]) -> list[dict[str, Any]]:
    """Broken rules as plain data."""
    return [
        {"rule": f.rule, "subjects": list(f.subjects), "sentence": f.sentence} for f in findings
    ]


def _run(outcome: Outcome) -> dict[str, Any]:
    return {
        "seed": outcome.seed,
        "workers": outcome.workers,
        "stopped_by": outcome.stopped_by,
        "start": {"unusable": list(outcome.start_unusable)} if outcome.has_start else None,
        "seconds": round(outcome.seconds, 3),
        "seconds_to_best": round(outcome.seconds_to_best, 3),
        "columns": outcome.columns,
        "versions": dict(outcome.versions),
        "timeline": [
            {
                "seconds": round(sample.seconds, 3),
                "cost": in_units(sample.cost_money, MONEY_STEPS),
                "bound": in_units(sample.bound_money, MONEY_STEPS),
            }
            for sample in outcome.timeline
        ],
    }


def outcome_text(told: Told, layout_digest: str | None = None) -> str:
    """``outcome.json`` as text: indented, UTF-8 letters as they are, keys in a fixed order."""
    return json_file(outcome_data(told, layout_digest))


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_finite(v) for v in value]
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return None
    return value
