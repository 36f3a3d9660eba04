"""Whole sets or nothing, at whatever call the process is killed or the disk refuses."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from partitioner.report.switch import STAGE, current, recover
from partitioner.report.writer import MANIFEST, write_set
from tests.report.switch_attacks import NEW, OLD

ATTACKS = Path(__file__).with_name("switch_attacks.py")
MINE = {"edited.csv": "mine e", "notes.txt": "mine n"}
BEFORE, AFTER = OLD | MINE, NEW | MINE

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the attacks fork")


def attacks(root: Path, *words: str) -> list[dict]:
    done = subprocess.run(
        [sys.executable, str(ATTACKS), str(root), *words],
        capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(found) > 20, "a writing has many calls"
    for one in found:
        one["struck"].pop(MANIFEST, None)
        one["after"].pop(MANIFEST, None)
    return found


def sets_whole(found: list[dict], before: dict[str, str], after: dict[str, str]) -> None:
    for one in found:
        assert one["after"] in (before, after), one
        assert one["hidden"] == [], one
        assert one["reader"] == one["after"].get("layout.yaml", ""), one
        if one["struck"] != one["after"]:
            assert one["said"], one


def test_killed_at_every_call_of_writing(tmp_path: Path) -> None:
    found = attacks(tmp_path, "earlier", "kill", "writing", "1")
    sets_whole(found, BEFORE, AFTER)
    is_new = [one["after"] == AFTER for one in found]
    assert is_new == sorted(is_new), "one moment decides"
    assert {False, True} == set(is_new)
    assert any(one["struck"] not in (BEFORE, AFTER) for one in found), "cut in the middle"


def test_killed_at_every_call_of_writing_into_a_new_folder(tmp_path: Path) -> None:
    sets_whole(attacks(tmp_path, "nothing", "kill", "writing", "1"), {}, NEW)


def test_recovery_killed_at_every_call(tmp_path: Path) -> None:
    sets_whole(attacks(tmp_path, "earlier", "kill", "recovery", "5"), BEFORE, AFTER)


@pytest.mark.slow
@pytest.mark.parametrize("strike", ["kill", "refuse_from_here", "refuse_once", "interrupt"])
def test_every_recovery_struck_at_every_call(strike: str, tmp_path: Path) -> None:
    sets_whole(attacks(tmp_path, "earlier", strike, "recovery", "1"), BEFORE, AFTER)


@pytest.mark.parametrize("strike", ["refuse_once", "interrupt"])
def test_struck_once_at_every_call_needs_no_recovery(strike: str, tmp_path: Path) -> None:
    found = attacks(tmp_path, "earlier", strike, "writing", "1")
    sets_whole(found, BEFORE, AFTER)
    assert all(one["struck"] == one["after"] for one in found)


def test_disk_that_refuses_from_some_call_on(tmp_path: Path) -> None:
    sets_whole(attacks(tmp_path, "earlier", "refuse_from_here", "writing", "1"), BEFORE, AFTER)


def test_a_damaged_stage_gives_the_earlier_files_back(tmp_path: Path) -> None:
    write_set(tmp_path, {"layout.yaml": "new"})
    stage = _stage(tmp_path, {"layout.yaml": "0" * 64})
    (stage / "new" / "layout.yaml").write_text("rotten")
    (stage / "before" / "layout.yaml").write_text("old")
    assert "put back" in recover(tmp_path)
    assert (tmp_path / "layout.yaml").read_text() == "old"


@pytest.mark.parametrize("name", ["../victim", "a/../../victim", "/tmp/victim", "..", ".victim"])
def test_a_strangers_journal_leads_nowhere(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    (tmp_path / "victim").write_text("mine")
    for part in ("files", "before", "removed"):
        data = {"files": {}, "before": [], "removed": []} | {
            part: {name: "0" * 64} if part == "files" else [name]
        }
        stage = _stage(folder, {})
        (stage / "journal").write_text(json.dumps({"format": 1, **data}))
        recover(folder)
        assert (tmp_path / "victim").read_text() == "mine"
        assert list(folder.iterdir()) == []


def test_a_strangers_manifest_removes_nothing_outside(tmp_path: Path) -> None:
    write_set(tmp_path / "out", {"layout.yaml": "x"})
    (tmp_path / "victim").write_text("x")
    digest = (tmp_path / "out" / MANIFEST).read_text().split()[0]
    (tmp_path / "out" / MANIFEST).write_text(f"{digest}  layout.yaml\n{digest}  ../victim\n")
    write_set(tmp_path / "out", {"outcome.json": "x"})
    assert (tmp_path / "victim").read_text() == "x"
    assert not (tmp_path / "out" / "layout.yaml").exists()


def test_a_stage_that_is_a_link_is_left_alone(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "thesis.txt").write_text("mine")
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / f"{STAGE}x").symlink_to(elsewhere)
    recover(folder)
    assert current(folder / "thesis.txt") == folder / "thesis.txt"
    assert (elsewhere / "thesis.txt").read_text() == "mine"


def _stage(folder: Path, files: dict[str, str]) -> Path:
    stage = folder / f"{STAGE}x"
    for part in ("new", "before"):
        (stage / part).mkdir(parents=True)
    data = {"format": 1, "files": files, "before": list(files), "removed": []}
    (stage / "journal").write_text(json.dumps(data))
    return stage
