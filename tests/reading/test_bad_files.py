"""One file per fault in tests/bad: the exact message is the contract.

``PARTITIONER_ACCEPT=1`` writes the messages anew; read the difference before committing it.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from partitioner.reading.render import format_findings
from tests.docs.codes import CODES
from tests.reading.whole import read_problem_with_findings

BAD = Path(__file__).parent.parent / "bad"
FILES = sorted(BAD.glob("*.yaml"))


@pytest.fixture(autouse=True)
def _in_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read by bare name, so that messages don't depend on where the checkout is."""
    monkeypatch.chdir(BAD)


@pytest.mark.parametrize("name", [f.stem for f in FILES])
def test_message_is_exact(name: str) -> None:
    problem, findings = read_problem_with_findings(Path(f"{name}.yaml"))
    told = format_findings(findings, most=100) + "\n"
    expected = Path(f"{name}.txt")
    if os.environ.get("PARTITIONER_ACCEPT"):
        expected.write_text(told, encoding="utf-8")
    assert told == expected.read_text(encoding="utf-8")
    only_warnings = name.startswith("warn-") or name == "unknown-domain"
    assert (problem is not None) == only_warnings


def test_one_fault_gives_one_finding() -> None:
    """Consequences of a fault are not told as faults of their own."""
    several = {
        "csv-faults": 14,  # made with many
        "line-limit-for-link": 2,  # two keys that a link has not
        "ring-with-one-link": 2,  # at two switches
    }
    for path in FILES:
        _, findings = read_problem_with_findings(Path(path.name))
        errors = [f for f in findings if f.severity == "error"]
        warned = path.stem.startswith("warn-") or path.stem == "unknown-domain"
        assert len(errors) == several.get(path.stem, 0 if warned else 1), path.stem


def test_every_code_has_a_file() -> None:
    seen = set()
    for path in FILES:
        _, findings = read_problem_with_findings(Path(path.name))
        seen |= {f.code for f in findings}
    assert seen == {code.name for code in CODES}


def test_nothing_left_over() -> None:
    assert {p.stem for p in BAD.glob("*.txt")} == {p.stem for p in FILES}


def test_messages_speak_of_the_file() -> None:
    """No class names, no words of blame, no traceback."""
    for path in BAD.glob("*.txt"):
        first_lines = re.findall(r"^\S+: (?:error|warning)\[.*$", path.read_text("utf-8"), re.M)
        assert first_lines, path.name
        for line in first_lines:
            said = line.split("] ", 1)[1]
            assert not re.search(r"\b(invalid|illegal|failed|parse|Decimal|dict|str|None)\b", said)
