"""The reference page names every file, column and key, and no others."""

import re

from partitioner.report.files import report_files
from partitioner.report.outcome_json import outcome_data
from partitioner.report.tables import all_tables
from partitioner.report.told import Told
from tests.report.fixtures import outcome_of


def test_tables_and_their_columns(root, twelve) -> None:
    text = (root / "docs/reference/report.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([\w-]+)\.csv` \|[^|]*\| `([^`]*)` \|$", text, re.MULTILINE)
    documented = {name: columns.split() for name, columns in rows}
    actual = {name: [c.key for c in t.columns] for name, t in all_tables(*twelve).items()}
    assert documented == actual


def test_files(root, twelve) -> None:
    text = (root / "docs/reference/report.md").read_text(encoding="utf-8")
    problem, assessment = twelve
    for name in report_files(Told(problem, assessment, outcome_of(assessment))):
        general = re.sub(r"^drawing-.*\.svg$", "drawing-NAME.svg", name)
        assert f"`{general}`" in text


def test_keys_of_outcome_json(root, twelve) -> None:
    text = (root / "docs/reference/report.md").read_text(encoding="utf-8")
    part = text[text.index("## outcome.json") : text.index("## The drawing")]
    problem, assessment = twelve
    data = outcome_data(Told(problem, assessment, outcome_of(assessment)))
    assert re.findall(r"^\| `(\w+)` \|", part, re.MULTILINE) == list(data)
    for key in (*data["problem"], *data["cost"], *data["run"]):
        assert f"`{key}`" in part
