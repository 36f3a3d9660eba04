"""JSON Schema of ``outcome.json``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from partitioner.model.outcome import Status
from partitioner.report.outcome_json import FORMAT

Schema = dict[str, Any]

_TEXT: Schema = {"type": "string"}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_NUMBER: Schema = {"type": "number"}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _list(of: Schema) -> Schema:
    return {"type": "array", "items": of}


def _object(keys: Mapping[str, Schema]) -> Schema:
    """An object with these keys, all of them and no others."""
    return {
        "type": "object",
        "properties": dict(keys),
        "required": list(keys),
        "additionalProperties": False,
    }


def _said(schema: Schema, description: str) -> Schema:
    return {**schema, "description": description}


def outcome_schema() -> Schema:
    """The schema: every key, its kind and unit. Rows of tables have the columns of their CSV files.

    Examples
    --------
    >>> outcome_schema()["properties"]["format"]["const"]
    1
    """
    states = [*(status.value for status in Status), "checked", "incomplete", "broken"]
    digest = {"type": "string", "pattern": "^[0-9a-f]*$"}
    problem = {
        "name": _TEXT,
        "digest": _said(digest, "SHA-256 over all files the problem was read from."),
        "currency": _TEXT,
        "devices": _COUNT,
        "switches": _COUNT,
        "streams": _COUNT,
    }
    cost = {
        "money": _said(_NUMBER, "In the problem's currency."),
        "mass_g": _NUMBER,
        "latency_us": _NUMBER,
        "priced_total": _said(_NUMBER, "What is minimised, in the problem's currency."),
        "by_kind": {"type": "object", "additionalProperties": _NUMBER},
    }
    finding = {"rule": _TEXT, "subjects": _list(_TEXT), "sentence": _TEXT}
    sample = {"seconds": _NUMBER, "cost": _or_null(_NUMBER), "bound": _or_null(_NUMBER)}
    run = {
        "seed": _COUNT,
        "workers": _COUNT,
        "stopped_by": _TEXT,
        "start": _or_null(_object({"unusable": _list(_TEXT)})),
        "seconds": _NUMBER,
        "seconds_to_best": _NUMBER,
        "columns": _COUNT,
        "versions": {"type": "object", "additionalProperties": _TEXT},
        "timeline": _list(_object(sample)),
    }
    row = {
        "type": "object",
        "additionalProperties": {"type": ["string", "number", "boolean", "null"]},
    }
    made = _object(
        {
            "format": {"const": FORMAT},
            "status": {"enum": states},
            "verdict": _TEXT,
            "problem": _object(problem),
            "layout_digest": _or_null(_said(digest, "SHA-256 of layout.yaml beside it.")),
            "cost": _object(cost),
            "bound": _or_null(_said(_NUMBER, "Proved lower bound of cost.priced_total.")),
            "bound_source": _or_null(_TEXT),
            "gap": _or_null({"type": "number", "minimum": 0, "maximum": 1}),
            "findings": _list(_object(finding)),
            "warnings": _list(_TEXT),
            "open_switches": _list(_TEXT),
            "tables": _said(
                {"type": "object", "additionalProperties": _list(row)},
                "Every table by the name of its CSV file, with the same columns.",
            ),
            "run": _or_null(_object(run)),
        }
    )
    # `check --simulate` adds what it saw.
    made["properties"]["simulation"] = {"type": "object"}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "outcome.json of partitioner",
        **made,
    }
