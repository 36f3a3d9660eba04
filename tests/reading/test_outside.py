"""No name in a file leads out of its folder, and only lists are repeated in findings."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from partitioner.application.reading import problem_files, read_problem
from partitioner.cli.main import run
from partitioner.reading.render import findings_as_data, format_findings

from .hostile import HEAD

SECRET = "key-of-the-safe"
LIST = "id,x_m,y_m,grades\nlamp,1,0,10BASE-T1S-multidrop\npump,2,0,10BASE-T1S-multidrop\n"
TOLD = "expected a file in the folder of this one or below it"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder for a problem, beside one with files that are none of its business."""
    (tmp_path / "private").mkdir()
    (tmp_path / "private" / "passwords.csv").write_text(f"bank,{SECRET}\n{SECRET},x\n")
    (tmp_path / "private" / "devices.csv").write_text(LIST.replace("lamp", SECRET))
    (tmp_path / "here" / "lists").mkdir(parents=True)
    return tmp_path / "here"


def problem_in(folder: Path, name: str) -> Path:
    path = folder / "problem.yaml"
    path.write_text(f"{HEAD}devices_csv: '{name}'\n", encoding="utf-8")
    return path


def outward(home: Path, how: str, name: str) -> str:
    """Name a private file in one of the ways in which a name leads out."""
    private = home.parent / "private" / name
    if how == "absolute":
        return str(private)
    if how == "dots":
        return f"../private/{name}"
    if how == "dots inside":
        return f"lists/../../private/{name}"
    if how == "link":
        (home / "list.csv").symlink_to(private)
        return "list.csv"
    if how == "chain":
        (home / "lists" / "b.csv").symlink_to(private)
        (home / "list.csv").symlink_to("lists/b.csv")
        return "list.csv"
    (home / "linked").symlink_to(private.parent)
    return f"linked/{name}"


WAYS = ["absolute", "dots", "dots inside", "link", "chain", "linked folder"]


@pytest.mark.parametrize("name", ["passwords.csv", "devices.csv", "none.csv"])
@pytest.mark.parametrize("how", WAYS)
def test_a_list_elsewhere_is_not_read(home: Path, how: str, name: str, capsys) -> None:
    problem = problem_in(home, outward(home, how, name))
    for words in (
        ["check", str(problem), "none.yaml", "--json"],
        ["plan", str(problem), "-o", str(home / "out")],
        ["explain", str(problem)],
    ):
        assert run(words) == 3
        out, err = capsys.readouterr()
        assert SECRET not in out + err
        assert TOLD in err
        # Neither whether it is there.
        assert "no such file" not in err
    assert problem_files(problem) == {"problem.yaml": problem.read_bytes()}


@pytest.mark.parametrize("how", WAYS)
def test_the_user_may_allow_a_folder(home: Path, how: str) -> None:
    problem = problem_in(home, outward(home, how, "devices.csv"))
    further = [home / "lists", home.parent / "private"]
    read = read_problem(problem, lists_from=further)
    assert list(read.devices) == [SECRET, "pump"]
    assert len(problem_files(problem, further)) == 2


def test_a_name_is_looked_for_in_the_folders_allowed(home: Path, capsys) -> None:
    problem = problem_in(home, "devices.csv")
    private = str(home.parent / "private")
    assert run(["explain", str(problem), "--time-limit", "5s"]) == 3
    assert "no such file" in capsys.readouterr().err
    words = ["explain", str(problem), "--time-limit", "5s", "--lists-from", str(home / "lists")]
    assert run([*words, "--lists-from", private]) == 0
    (home / "devices.csv").write_text(LIST)
    assert list(read_problem(problem, lists_from=[Path(private)]).devices) == ["lamp", "pump"]


def test_lists_below_the_folder_are_read_as_ever(home: Path, monkeypatch) -> None:
    (home / "lists" / "d.csv").write_text(LIST)
    (home / "d.csv").symlink_to("lists/d.csv")
    for name in ("lists/d.csv", "d.csv", "lists/../d.csv", str(home / "d.csv")):
        assert list(read_problem(problem_in(home, name)).devices) == ["lamp", "pump"]
    monkeypatch.chdir(home)
    assert list(read_problem(Path("problem.yaml")).devices) == ["lamp", "pump"]
    # A problem that is reached by a link has its lists where it was reached.
    monkeypatch.chdir(home.parent)
    Path("other").symlink_to("here")
    problem_in(home, "d.csv")
    assert list(read_problem(Path("other/problem.yaml")).devices) == ["lamp", "pump"]
    problem_in(home, os.path.abspath("other/d.csv"))  # noqa: PTH100 - links stay
    assert list(read_problem(Path("other/problem.yaml")).devices) == ["lamp", "pump"]


@pytest.mark.parametrize(
    "content",
    [
        f"{SECRET}\n",
        f"bank,{SECRET}\n",
        f"id,bank,{SECRET}\n1,2,3\n",
        f"# {SECRET}\nid,grades\n",
        f'"{SECRET}',
        f"root:{SECRET}:0\n",
        f"{SECRET},{SECRET}\n" * 300,
        f"{SECRET}" + "x" * 30_000,
    ],
)
@pytest.mark.parametrize("key", ["devices", "streams"])
def test_a_file_that_is_no_list_is_not_repeated(home: Path, content: str, key: str) -> None:
    from tests.reading.whole import read_problem_with_findings

    (home / "notes.txt").write_text(content)
    path = home / "problem.yaml"
    path.write_text(f"{HEAD}{key}_csv: notes.txt\n", encoding="utf-8")
    problem, findings = read_problem_with_findings(path)
    assert problem is None
    assert any(f.file.endswith("notes.txt") for f in findings)
    assert SECRET not in format_findings(findings) + str(findings_as_data(findings))


def test_a_header_with_a_mistake_is_still_one(read) -> None:
    _, findings = read(HEAD + "devices_csv: d.csv\n", d="id,plce,grades,x_m\nlamp,a,b,1\n")
    (finding,) = [f for f in findings if f.code == "unknown-key"]
    assert finding.hint == "did you mean 'place'?"
    assert finding.source_line == "id,plce,grades,x_m"


@pytest.mark.parametrize("how", ["absolute", "dots", "link"])
def test_the_state_of_a_trade_off_names_layouts_in_its_folder_only(
    home: Path, how: str, capsys
) -> None:
    """Told as outside, and nothing of the file is shown."""
    import json

    (home / "lists" / "d.csv").write_text(LIST)
    problem = problem_in(home, "lists/d.csv")
    digest = read_problem(problem).digest
    state = {
        "format": 1,
        "problem": {"digest": digest},
        "axis": "latency",
        "steps": [
            {
                "limit": None, "bound_money": 0, "cost_money": 1, "value": 1,
                "layout": outward(home, how, "passwords.csv"),
            }
        ],
        "tried": [],
    }  # fmt: skip
    (home / "tradeoff.json").write_text(json.dumps(state))
    assert run(["tradeoff", str(problem), "-o", str(home)]) == 3
    err = capsys.readouterr().err
    assert TOLD in err
    assert SECRET not in err


@pytest.mark.parametrize(
    ("key", "value"), [("limit", "x"), ("bound_money", 1.5), ("cost_money", True), ("value", [])]
)
def test_a_state_with_other_things_than_numbers_is_told(home, key, value, capsys) -> None:
    import json

    (home / "d.csv").write_text(LIST)
    problem = problem_in(home, "d.csv")
    step = {"limit": None, "bound_money": 0, "cost_money": 1, "value": 1, "layout": None}
    state = {
        "format": 1,
        "problem": {"digest": read_problem(problem).digest},
        "axis": "latency",
        "steps": [{**step, key: value}],
        "tried": [],
    }
    (home / "tradeoff.json").write_text(json.dumps(state))
    assert run(["tradeoff", str(problem), "-o", str(home)]) == 3
    assert "expected the state of a trade-off (expected a whole number" in (
        capsys.readouterr().err.replace("\n  hint: ", " (")
    )
