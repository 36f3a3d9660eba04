"""Whole sets or nothing."""

from pathlib import Path

import pytest

from partitioner.report import writer
from partitioner.report.writer import check_destination, write_set


def _content(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in folder.iterdir()}


def test_a_new_folder_gets_exactly_the_set(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b"
    write_set(target, {"layout.yaml": "x\n", "logo.bin": b"\x00"})
    assert sorted(p.name for p in target.iterdir()) == ["layout.yaml", "logo.bin"]


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


@pytest.mark.parametrize("name", ["../up", "a/b", "", ".", ".."])
def test_names_with_folders_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="plain file name"):
        write_set(tmp_path / "out", {name: "x"})
    assert not (tmp_path / "out").exists()


def test_a_failed_run_leaves_no_new_folder(tmp_path: Path, monkeypatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "no space left")

    monkeypatch.setattr(writer.os, "fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_set(tmp_path / "out", {"outcome.json": "1"})
    assert not (tmp_path / "out").exists()


def test_a_failed_rename_puts_back_what_was_there(tmp_path: Path, monkeypatch) -> None:
    out = tmp_path / "out"
    write_set(out, {"a.csv": "old a", "outcome.json": "old o"})
    real = Path.replace

    def refuse_last(self: Path, target: Path) -> Path:
        if self.name == "outcome.json" and self.parent.name.startswith(".writing-"):
            raise PermissionError(13, "refused")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", refuse_last)
    with pytest.raises(PermissionError):
        write_set(out, {"a.csv": "new a", "b.csv": "new b", "outcome.json": "new o"})
    assert _content(out) == {"a.csv": "old a", "outcome.json": "old o"}
