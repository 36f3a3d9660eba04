"""What ``import partitioner`` offers: lazily, typed, and exactly what the page lists."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import partitioner
from tests.test_start_time import HEAVY

ROOT = Path(__file__).parent.parent.parent
PACKAGE = ROOT / "partitioner"
PAGE = (ROOT / "docs" / "reference" / "python.md").read_text(encoding="utf-8")


def test_the_page_lists_exactly_the_public_names() -> None:
    listed = re.findall(r"^\| `(\w+)[(`]", PAGE, re.M)
    assert sorted(listed) == sorted(partitioner.__all__)
    assert set(partitioner.__all__) <= set(dir(partitioner))


def test_the_page_lists_exactly_the_parameters_of_each_function() -> None:
    for name, told in re.findall(r"^\| `(\w+)\(([^)]*)\)`", PAGE, re.M):
        known = list(inspect.signature(getattr(partitioner, name)).parameters)
        assert [word.strip().rstrip("=") for word in told.split(",")] == known, name


def test_the_page_lists_exactly_what_an_answer_has() -> None:
    answers = ("Plan", "Check", "Report", "Replan", "TradeOff", "Explanation", "SweepAnswer")
    for name in (*answers, "Problem"):
        heading = next(line for line in PAGE.splitlines() if line.startswith(f"| `{name}` |"))
        shared = vars(partitioner.Answer) if name != "Problem" else {}
        kind = getattr(partitioner, name)
        own = {n for n in dir(kind) if not n.startswith("_") and n not in shared}
        own |= {n for n in vars(kind) if not n.startswith("_") and n not in shared}
        if name == "Problem":
            own |= {n for n in kind.__dataclass_fields__ if not n.startswith("_")}
        told = set(re.findall(r"`(\w+)`", heading.split("|")[2]))
        assert told == own, name


@pytest.mark.parametrize("name", partitioner.__all__)
def test_every_name_is_documented_and_no_package_hides_it(name: str) -> None:
    assert inspect.getdoc(getattr(partitioner, name))
    # Importing partitioner.check would put the package in the place of a function of this name.
    assert not (PACKAGE / name).exists()
    assert not (PACKAGE / f"{name}.py").exists()


def test_unknown_names_are_told() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plan_lay_out'"):
        partitioner.plan_lay_out  # noqa: B018


def test_importing_the_package_loads_nothing() -> None:
    program = (
        "import json, sys; before = set(sys.modules); import partitioner;"
        "alone = sorted(set(sys.modules) - before); partitioner.Layout, partitioner.read_problem;"
        "print(json.dumps([alone, sorted(sys.modules)]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    alone, with_names = json.loads(done.stdout)
    assert alone == ["partitioner"]
    loaded = {module.split(".")[0] for module in with_names}
    assert loaded & (HEAVY - {"jinja2", "yaml"}) == set()


def test_types_are_shipped() -> None:
    assert (PACKAGE / "py.typed").read_text() == ""


PROGRAM = """\
import partitioner

problem = partitioner.read_problem("problem.yaml")
plan = partitioner.plan_layout(problem, time_limit_s=5, on_progress=lambda p: print(p.bound))
money: float = plan.money
reveal_type(plan.layout.segments[0].devices)
devices: int = plan.money
partitioner.nonsense
partitioner.trade_off(problem, axis=3)
"""


@pytest.mark.slow
def test_a_small_program_is_checked(tmp_path: Path) -> None:
    api = pytest.importorskip("mypy.api")
    program = tmp_path / "program.py"
    program.write_text(PROGRAM, encoding="utf-8")
    out, err, code = api.run(["--strict", "--cache-dir", str(tmp_path / "cache"), str(program)])
    told = re.findall(r"program\.py:(\d+): (error|note): (.*?)(?:  \[.*\])?$", out, re.M)
    assert (code, err) == (1, "")
    assert [(int(line), kind) for line, kind, _ in told] == [
        (6, "note"), (7, "error"), (8, "error"), (9, "error"),
    ]  # fmt: skip
    assert 'Revealed type is "tuple[str, ...]"' in told[0][2].replace("builtins.", "")
    assert "nonsense" in told[2][2]
