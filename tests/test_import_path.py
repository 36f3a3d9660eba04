"""No code from the folder somebody happens to stand in."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from partitioner.import_path import settled_path
from partitioner.solve.direct_run import FEW_DEVICES
from tests.processes import PROGRAM, ROOT, Started, needs_proc

LIBRARY = str(Path(os.__file__).parent)
DEPENDENCIES = {
    "absl", "annotated_types", "bottleneck", "click", "colorama", "dateutil", "google",
    "immutabledict", "jinja2", "markupsafe", "networkx", "numexpr", "numpy", "ortools", "pandas",
    "pyarrow", "pydantic", "pydantic_core", "pytz", "pyvrp", "rich", "scipy", "six", "tqdm",
    "typing_extensions", "typing_inspection", "tzdata", "xxhash", "yaml",
}  # fmt: skip
OF_SITE = {"sitecustomize", "usercustomize"}


@pytest.fixture
def stand(tmp_path, monkeypatch) -> Path:
    """A folder to stand in, which nothing names."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    return tmp_path


def test_path_of_a_module_run_by_name_loses_the_folder(stand, monkeypatch) -> None:
    monkeypatch.setattr(sys, "path", [str(stand), "", "/opt/a", LIBRARY, "/opt/site"])
    assert settled_path() == ["/opt/a", LIBRARY, "/opt/site"]


def test_entries_relative_to_the_folder_go(stand, monkeypatch) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["", "lib", "/opt/a"]))
    path = [str(stand), str(stand / "lib"), "lib", "/opt/a", LIBRARY]
    monkeypatch.setattr(sys, "path", path)
    assert settled_path() == ["/opt/a", LIBRARY]


def test_a_folder_named_in_full_stays(stand, monkeypatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(stand))
    monkeypatch.setattr(sys, "path", [str(stand), LIBRARY])
    assert settled_path() == [str(stand), LIBRARY]


def test_an_editable_installation_stays(stand, monkeypatch) -> None:
    monkeypatch.setattr(sys, "path", [str(stand), LIBRARY, "/opt/site", str(stand)])
    assert settled_path() == [LIBRARY, "/opt/site", str(stand)]


def test_a_folder_that_is_gone_is_no_failure(stand, monkeypatch) -> None:
    gone = stand / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    monkeypatch.setattr(sys, "path", ["", LIBRARY])
    assert settled_path() == [LIBRARY]


def loaded_before_us() -> set[str]:
    """What Python imports for ``-m`` before the module gets its turn, the folder on its path."""
    done = subprocess.run(
        [sys.executable, "-c", "import runpy, sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True, cwd="/",
    )  # fmt: skip
    return {name.partition(".")[0] for name in done.stdout.split()}


def loaded_by(name: str) -> set[str]:
    """What importing a module loads, itself included."""
    done = subprocess.run(
        [sys.executable, "-I", "-c", f"import {name}, sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return {loaded.partition(".")[0] for loaded in done.stdout.split()}


def set_traps(folder: Path, spared: set[str]) -> None:
    """One module for each name of the standard library and of what we depend on."""
    for name in (set(sys.stdlib_module_names) | DEPENDENCIES | OF_SITE) - spared:
        mark = folder / f"MARK-{name}"
        (folder / f"{name}.py").write_text(f"open({str(mark)!r}, 'w').close()\nraise SystemExit(9)")


def console_script(folder: Path) -> str:
    """The script that an installation makes, for this Python."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    module, _, name = project["scripts"]["partitioner"].partition(":")
    script = folder / "partitioner"
    script.write_text(
        f"#!{sys.executable}\nimport re\nimport sys\nfrom {module} import {name}\n"
        f"if __name__ == '__main__':\n    sys.exit({name}())\n"
    )
    script.chmod(0o755)
    return str(script)


def row_of(devices: int) -> str:
    """Text of an easy problem: devices in a row, invented, with more lines than they need."""
    line = "10BASE-T1S-multidrop"
    rows = (f"  - {{id: d{k}, position_m: [{k / 2}, 1, 0], grades: [{line}]}}\n"
            for k in range(devices))
    return (
        "format: 1\nname: row\nswitches:\n"
        f"  - {{id: s, position_m: [5, 0, 0], ports: [{{grades: [{line}], count: {devices}}}]}}\n"
        f"devices:\n{''.join(rows)}"
        "streams:\n  - {id: t, from: d0, to: [s], payload_bytes: 8, period_us: 10000}\n"
    )


@needs_proc
@pytest.mark.parametrize(
    "way",
    [
        "console script",
        "python -m",
        "empty entry of PYTHONPATH",
        pytest.param("python -P -m", marks=pytest.mark.slow),
    ],
)
def test_nothing_in_the_current_folder_is_run(way: str, tmp_path: Path) -> None:
    stand, bin_folder = tmp_path / "stand", tmp_path / "bin"
    stand.mkdir()
    bin_folder.mkdir()
    spared: set[str] = set()
    words = [console_script(bin_folder)]
    environment = {}
    if way == "python -m":
        # Python puts the folder on its path and imports these before any module gets control.
        words, spared = list(PROGRAM), loaded_before_us()
    elif way == "python -P -m":
        words = [sys.executable, "-P", *PROGRAM[1:]]
    elif way == "empty entry of PYTHONPATH":
        # Here too some come first: what Python looks for, and what the installer's script imports.
        environment["PYTHONPATH"] = os.pathsep.join(["", ".", str(ROOT)])
        spared = OF_SITE | loaded_before_us() | loaded_by("re")
    set_traps(stand, spared)
    (stand / "problem.yaml").write_text(row_of(FEW_DEVICES + 4), encoding="utf-8")
    # With a second worker and more than a few devices the routing heuristic works beside.
    plan = ["plan", "problem.yaml", "-o", "out", "--time-limit", "3s", "--workers", "2"]
    run = Started([*words, *plan], cwd=stand, env=environment)
    try:
        heuristics = 0
        while run.child.poll() is None:
            heuristics = heuristics or len(run.helpers_with("_pyvrp"))
            time.sleep(0.05)
        _, err = run.child.communicate(timeout=60)
        assert run.child.returncode == 0, err
        assert heuristics, "the heuristic never ran beside: nothing was shown"
        assert (stand / "out" / "layout.yaml").is_file()
        assert [p.name for p in stand.iterdir() if p.name.startswith("MARK-")] == []
    finally:
        run.end()


def test_traps_do_spring(tmp_path) -> None:
    set_traps(tmp_path, set())
    done = subprocess.run(
        [sys.executable, "-c", "import queue"], cwd=tmp_path, capture_output=True, check=False
    )
    assert done.returncode == 9
    assert (tmp_path / "MARK-queue").exists()


PROBE = """
class Probe:
    def run(self, emit):
        import partitioner, sys
        emit((partitioner.__file__, sys.path))
"""
DRIVER = """
from partitioner.import_path import leave_current_folder
leave_current_folder()
from partitioner.probe import Probe
from partitioner.solve.side_process import SideProcess
beside = SideProcess(Probe())
(place, path), = beside.poll(30)
beside.close()
print(place, *path, sep="\\n")
"""


def test_a_checkout_runs_where_it_lies(tmp_path) -> None:
    """Neither installed nor named: found by standing in it, then known by where it lies."""
    shutil.copytree(ROOT / "partitioner", tmp_path / "partitioner")
    (tmp_path / "partitioner" / "probe.py").write_text(PROBE)
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-c", DRIVER], cwd=tmp_path, env=environment,
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    place, *path = done.stdout.split("\n")
    assert Path(place) == tmp_path / "partitioner" / "__init__.py"
    assert LIBRARY in path
    assert str(tmp_path) not in path
