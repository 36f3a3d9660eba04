"""JSON Schema, reference pages and the example come from the models that read the file."""

from __future__ import annotations

import json
import os
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from partitioner.reading.example import example_text
from partitioner.reading.json_schema import json_schema
from partitioner.reading.schema import ProblemTable
from partitioner.reading.tables import key_names, tables_inside
from partitioner.reading.yaml_text import load
from tests.docs.codes import CODES
from tests.docs.limits_page import limits_page
from tests.docs.problem_file_page import (
    catalogue_page,
    layout_page,
    messages_page,
    problem_page,
)
from tests.reading.whole import read_problem_with_findings

from .test_problem import FULL

ROOT = Path(__file__).parent.parent.parent
REFERENCE = ROOT / "docs" / "reference"
BAD = ROOT / "tests" / "bad"

EXAMPLES = {
    "unreadable-file": "no-such-csv",
    "yaml-syntax": "anchor-on-mapping",
    "unsupported-version": "newer-format",
    "missing-key": "missing-grades",
    "unknown-key": "unknown-key-explains-missing",
    "duplicate-key": "key-twice",
    "wrong-kind": "text-for-number",
    "out-of-range": "take-rate-above-one",
    "too-fine": "too-fine",
    "unknown-name": "unknown-switch",
    "duplicate-name": "device-twice",
    "not-allowed-together": "looser-nodes",
    "guessed": "warn-guessed-table",
    "unlikely": "warn-likely-slips",
    "disconnected": "place-without-pathway",
}
"""Which faulty file of tests/bad shows each code on the page of messages."""


def all_tables() -> list[type]:
    found: list[type] = [ProblemTable]
    for table in found:
        for info in table.model_fields.values():
            found += [t for t in tables_inside(info.annotation) if t not in found]
    return found


def as_json(value: Any) -> Any:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, dict):
        return {k: as_json(v) for k, v in value.items()}
    if isinstance(value, list):
        return [as_json(v) for v in value]
    return value


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("text", [example_text(), FULL], ids=["example", "full"])
def test_right_files_fit_the_schema(validator, text: str) -> None:
    assert list(validator.iter_errors(as_json(load(text, "f").data))) == []
    assert list(validator.iter_errors(yaml.safe_load(text))) == []


@pytest.mark.parametrize(
    "name",
    [
        *("unknown-key-near", "text-for-number", "take-rate-above-one", "missing-grades"),
        *("pcp-eight", "word-not-in-list", "two-coordinates", "text-for-list", "no-name"),
        *("newer-format", "number-as-id", "space-in-id", "group-of-one", "zero-deadline"),
        "no-grades",
    ],
)
def test_faults_a_schema_can_see_are_seen(validator, name: str) -> None:
    data = as_json(load((BAD / f"{name}.yaml").read_text("utf-8"), "f").data)
    assert list(validator.iter_errors(data)) != []


def test_schema_is_json_and_stable() -> None:
    assert json.dumps(json_schema()) == json.dumps(json_schema())


def test_every_key_says_what_it_is() -> None:
    for table in all_tables():
        assert table.__doc__
        for name, info in table.model_fields.items():
            assert info.description, f"{table.__name__}.{name}"


def test_quantities_end_with_their_unit() -> None:
    """A number with a unit says it in its key, or it is a price, a share or a count."""
    endings = {
        "m": "_m",
        "us": "_us",
        "s": "_s",
        "g": "_g",
        "pF": "_pf",
        "BT": "_bt",
        "bytes": "_bytes",
        "Mbit/s": "_mbps",
        "ns": "_ns",
        "MHz": "mhz",
        "dB": "db",
        "g/m": "_g_per_m",
        "ns/m": "_ns_per_m",
        "dB/m": "db_per_m",
    }
    definitions = json_schema()["$defs"]
    for table in definitions.values():
        for name, field in table.get("properties", {}).items():
            for kind in (field, *field.get("anyOf", ())):
                unit = kind.get("x-unit")
                if unit in endings:
                    assert name.endswith(endings[unit]), name


def test_example_plans_from_a_clean_file(tmp_path: Path) -> None:
    path = tmp_path / "example.yaml"
    path.write_text(example_text(), encoding="utf-8")
    problem, findings = read_problem_with_findings(path)
    assert findings == []
    assert problem is not None
    assert len(problem.switches) == 2
    assert 8 <= len(problem.devices) <= 12
    comments = [line for line in example_text().splitlines() if line.lstrip().startswith("#")]
    assert len(comments) >= 12


def fresh(name: str, text: str) -> None:
    """Compare a page with the text made now; write it when asked to."""
    page = REFERENCE / name
    if os.environ.get("PARTITIONER_ACCEPT"):
        page.write_text(text, encoding="utf-8")
    assert page.read_text(encoding="utf-8") == text, "stale: run with PARTITIONER_ACCEPT=1"


def test_problem_page_is_fresh_and_whole() -> None:
    text = problem_page()
    fresh("problem-file.md", text)
    for table in all_tables():
        for name in key_names(table):
            assert f"| `{name}` |" in text


def test_layout_page_is_fresh() -> None:
    fresh("layout-file.md", layout_page())


def test_catalogue_page_is_fresh() -> None:
    fresh("catalogue.md", catalogue_page())


def test_limits_page_is_fresh() -> None:
    fresh("limits.md", limits_page())


def test_messages_page_is_fresh_and_has_every_code_once() -> None:
    assert set(EXAMPLES) == {code.name for code in CODES}
    shown = {}
    for code, name in EXAMPLES.items():
        text = (BAD / f"{name}.txt").read_text("utf-8")
        assert f"[{code}]" in text
        # The first finding with its lines; the count at the end is the terminal's.
        shown[code] = re.split(r"\n(?=\S)", text)[0]
        assert f"[{code}]" in shown[code]
    text = messages_page(shown)
    fresh("messages.md", text)
    assert re.findall(r"^## (.+)$", text, re.M) == [code.name for code in CODES]
