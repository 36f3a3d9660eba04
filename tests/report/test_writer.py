"""Whole sets or nothing."""

from pathlib import Path

import pytest

from partitioner.report import switch
from partitioner.report.writer import MANIFEST, check_destination, write_set


def _content(folder: Path) -> dict[str, str]:
    """All files but the list of them."""
    return {p.name: p.read_text() for p in folder.iterdir() if p.name != MANIFEST}


def test_a_new_folder_gets_exactly_the_set(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b"
    write_set(target, {"layout.yaml": "x\n", "logo.bin": b"\x00"})
    names = ["layout.yaml", "logo.bin", MANIFEST]
    assert sorted(p.name for p in target.iterdir()) == names
    assert (target / MANIFEST).read_text() == (
        "73cb3858a687a8494ca3323053016282f3dad39d42cf62ca4e79dda2aac7d9ac  layout.yaml\n"
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d  logo.bin\n"
    )


def test_our_own_folder_is_written_over_and_other_files_stay(tmp_path: Path) -> None:
    write_set(tmp_path / "out", {"outcome.json": "1"})
    (tmp_path / "out" / "notes.txt").write_text("mine")
    write_set(tmp_path / "out", {"outcome.json": "2"})
    assert _content(tmp_path / "out") == {"outcome.json": "2", "notes.txt": "mine"}


def test_a_foreign_folder_is_refused_unless_forced(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="--force"):
        write_set(tmp_path, {"outcome.json": "1"})
    assert _content(tmp_path) == {"thesis.txt": "mine"}
    write_set(tmp_path, {"outcome.json": "1"}, force=True)
    assert _content(tmp_path) == {"thesis.txt": "mine", "outcome.json": "1"}


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(NotADirectoryError):
        check_destination(tmp_path / "out", force=True)


@pytest.mark.parametrize("name", ["../up", "a/b", "", ".", "..", "con", "-x", "a\\b", "x."])
def test_names_with_folders_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="plain file name"):
        write_set(tmp_path / "out", {name: "x"})
    assert not (tmp_path / "out").exists()


def test_a_failed_run_leaves_no_new_folder(tmp_path: Path, monkeypatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "no space left")

    monkeypatch.setattr(switch.os, "fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_set(tmp_path / "out", {"outcome.json": "1"})
    assert not (tmp_path / "out").exists()


def test_a_failed_rename_puts_back_what_was_there(tmp_path: Path, monkeypatch) -> None:
    out = tmp_path / "out"
    write_set(out, {"a.csv": "old a", "outcome.json": "old o"})
    real = Path.replace

    def refuse_last(self: Path, target: Path) -> Path:
        if self.name == "outcome.json" and self.parent.name == "new":
            raise PermissionError(13, "refused")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", refuse_last)
    with pytest.raises(PermissionError):
        write_set(out, {"a.csv": "new a", "b.csv": "new b", "outcome.json": "new o"})
    assert _content(out) == {"a.csv": "old a", "outcome.json": "old o"}


def test_files_that_the_new_set_lacks_go_unless_they_are_edited(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, {"outcome.json": "1", "a.csv": "a", "b.csv": "b"})
    (out / "b.csv").write_text("mine")
    (out / "c.csv").write_text("mine")
    write_set(out, {"outcome.json": "2"})
    assert _content(out) == {"outcome.json": "2", "b.csv": "mine", "c.csv": "mine"}


def test_another_kind_of_set_is_refused_and_with_force_left(tmp_path: Path) -> None:
    write_set(tmp_path, {"outcome.json": "1", "report.html": "1"})
    with pytest.raises(FileExistsError, match="--force"):
        write_set(tmp_path, {"explain.json": "2"}, marks=("explain.json",))
    write_set(tmp_path, {"explain.json": "2"}, force=True, marks=("explain.json",))
    assert set(_content(tmp_path)) == {"outcome.json", "report.html", "explain.json"}


def test_names_that_some_systems_take_for_one_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="take for one"):
        write_set(tmp_path / "out", {"a.csv": "x", "A.csv": "x"})
    assert not (tmp_path / "out").exists()


def test_a_folder_in_the_place_of_a_file_is_refused_before_anything(tmp_path: Path) -> None:
    write_set(tmp_path, {"outcome.json": "old"})
    (tmp_path / "report.html").mkdir()
    with pytest.raises(IsADirectoryError):
        write_set(tmp_path, {"outcome.json": "new", "report.html": "new"})
    assert (tmp_path / "outcome.json").read_text() == "old"
