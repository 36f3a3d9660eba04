"""``--zip``, ``--units``, the note on stale files, the schema of ``outcome.json``."""

from __future__ import annotations

import csv
import json
import zipfile

import jsonschema

from partitioner.cli.main import run
from partitioner.errors import ExitCode


def test_report_packs_its_files_and_orders_for_a_batch(example, by_hand, tmp_path, capsys):
    folder = tmp_path / "out"
    code = run(
        ["report", str(example), str(by_hand), "-o", str(folder), "--zip", "--units", "40"]
    )
    assert code == ExitCode.OK, capsys.readouterr().err
    (archive,) = folder.glob("*.zip")
    with zipfile.ZipFile(archive) as packed:
        inside = {name.split("/")[1]: packed.read(name) for name in packed.namelist()}
    beside = {p.name: p.read_bytes() for p in folder.iterdir() if p != archive}
    # The list of the archive is of the files in it; that of the folder names the archive too.
    manifest = "partitioner.sha256"
    assert {n: c for n, c in inside.items() if n != manifest} == {
        n: c for n, c in beside.items() if n != manifest
    }
    assert set(beside[manifest].splitlines()) > set(inside[manifest].splitlines())
    with (folder / "orders.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    batch = {r["part"]: r for r in rows if r["build"] == "whole batch"}
    assert batch["zone-front"]["order_quantity"] == "40"
    with (folder / "cut-sums.csv").open(encoding="utf-8") as file:
        assert sum(int(r["units"]) for r in csv.DictReader(file)) == 40


def test_check_tells_of_files_beside_an_edited_layout(example, by_hand, tmp_path, capsys):
    folder = tmp_path / "out"
    assert run(["report", str(example), str(by_hand), "-o", str(folder)]) == ExitCode.OK
    layout = folder / "layout.yaml"
    capsys.readouterr()
    assert run(["check", str(example), str(layout)]) == ExitCode.OK
    assert "belong to another layout" not in capsys.readouterr().err
    layout.write_text(layout.read_text(encoding="utf-8") + "\n# touched\n", encoding="utf-8")
    assert run(["check", str(example), str(layout)]) == ExitCode.OK
    assert "belong to another layout" in capsys.readouterr().err


def test_check_tells_of_a_layout_made_for_another_state_of_the_problem(
    example, by_hand, tmp_path, capsys
):
    folder = tmp_path / "out"
    assert run(["report", str(example), str(by_hand), "-o", str(folder)]) == ExitCode.OK
    capsys.readouterr()
    changed = tmp_path / "changed.yaml"
    changed.write_text(example.read_text(encoding="utf-8") + "\n# later\n", encoding="utf-8")
    assert run(["check", str(changed), str(folder / "layout.yaml")]) == ExitCode.OK
    assert "have changed since this layout was made" in capsys.readouterr().err


def test_schema_of_the_outcome_is_printed(example, by_hand, tmp_path, capsys):
    assert run(["check", str(example), str(by_hand), "--json"]) == ExitCode.OK
    answer = json.loads(capsys.readouterr().out)
    assert run(["schema", "--of", "outcome"]) == ExitCode.OK
    jsonschema.validate(answer, json.loads(capsys.readouterr().out))


def test_batches_below_one_unit_are_refused(example, by_hand, capsys):
    code = run(["report", str(example), str(by_hand), "--units", "0"])
    assert code == ExitCode.USAGE
    assert "--units" in capsys.readouterr().err
