"""``--help`` is quick because it imports next to nothing; counted, not timed."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

HEAVY = {
    "ortools", "pyvrp", "pandas", "numpy", "networkx", "pydantic", "jinja2", "yaml", "rich",
    "scipy",
}  # fmt: skip

PROBE = """
import json, sys
from partitioner.cli.main import run
code = run(sys.argv[1:])
print("\\n" + json.dumps({"code": code, "modules": sorted(sys.modules)}))
"""


def loaded_by(*arguments: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *arguments], capture_output=True, text=True, check=True
    )
    result = json.loads(done.stdout.splitlines()[-1])
    assert result["code"] == 0, done.stderr
    return set(result["modules"])


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["plan", "--help"], ["check", "--help"], ["report", "--help"]],
    ids=" ".join,
)
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    modules = loaded_by(*arguments)
    assert {m.split(".")[0] for m in modules} & HEAVY == set()
    ours = {m.split(".")[1] for m in modules if m.startswith("partitioner.")}
    assert ours <= {"cli", "errors", "visible"}


def test_check_never_loads_the_solver(tmp_path) -> None:
    modules = loaded_by("schema")
    assert "pydantic" in modules, "the probe sees what is loaded"
    assert not {m for m in modules if m.startswith(("ortools", "partitioner.solve"))}
