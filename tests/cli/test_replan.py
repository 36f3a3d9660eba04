"""``replan`` on the example: files, answer, exit codes."""

from __future__ import annotations

import json

import pandas as pd

from partitioner.cli.main import run
from partitioner.errors import ExitCode


def changed(example, tmp_path):
    """The example without one valve's stream and with one lamp more."""
    text = example.read_text(encoding="utf-8")
    lamp = "  - {id: work-lamp-left,"
    more = "  - {id: beacon, place: mast, grades: [10BASE-T1S-multidrop]}\n"
    prices = (
        "\nchange_prices: {device_segment: 3, device_order: 1, port: 2, plca_id: 0.5, "
        "new_line: 10, cut_length: 0.2}\n"
    )
    assert lamp in text
    path = tmp_path / "changed.yaml"
    path.write_text(text.replace(lamp, more + lamp) + prices, encoding="utf-8")
    return path


def test_a_rerun_writes_its_files_and_prints_the_changes(example, by_hand, tmp_path, capsys):
    problem = changed(example, tmp_path)
    folder = tmp_path / "next"
    code = run(
        ["replan", str(problem), "--keep", str(by_hand), "-o", str(folder), "--time-limit", "10",
         "--workers", "1", "--front", "--freeze", "middle-line", "--freeze", "pump",
         "--was", str(example)]
    )
    out, err = capsys.readouterr()
    assert code == ExitCode.OK, err
    assert "beacon" in out
    assert {p.name for p in folder.iterdir()} >= {
        "layout.yaml", "report.html", "outcome.json", "replan.json", "changes-devices.csv",
        "changes-wires.csv", "changes-settings.csv", "front.csv", "layout-front-1.yaml",
    }
    data = json.loads((folder / "replan.json").read_text(encoding="utf-8"))
    assert data["total"] == round(data["layout"] + data["change"], 4)
    assert data["total_bound"] <= data["total"]
    prices = [c["price"] for c in data["changes"]]
    assert round(sum(prices), 4) == data["change"]
    text = (folder / "layout.yaml").read_text(encoding="utf-8")
    assert "middle-line" in text
    wires, changed_wires, parts = (
        pd.read_csv(folder / f"{name}.csv", keep_default_na=False)
        for name in ("wires", "order-pieces", "differing-parts")
    )
    # Whatever is cut is named as in the wire list.
    made = changed_wires[changed_wires["work"] != "taken out"]
    assert set(made["piece"]) <= set(wires["piece"])
    assert any("beacon" in piece for piece in made["piece"])
    assert dict(zip(parts["part"], parts["difference"], strict=True))["connector-line"] == 1
    page = (folder / "report.html").read_text(encoding="utf-8")
    for heading in ("What changes", "From touching nothing to planning afresh", "Before and after",
                    "Beside each other"):
        assert heading in page
    capsys.readouterr()
    assert run(["check", str(problem), str(folder / "layout.yaml")]) == ExitCode.OK
    for number, _ in enumerate(data["front"], 1):
        layout = folder / f"layout-front-{number}.yaml"
        assert run(["check", str(problem), str(layout)]) == ExitCode.OK


def test_a_layout_is_put_beside_another(example, by_hand, tmp_path, capsys):
    other = tmp_path / "other.yaml"
    text = by_hand.read_text(encoding="utf-8")
    # The same harness with one device that the problem does not have.
    other.write_text(text.replace("valve-left", "valve-old", 1), encoding="utf-8")
    folder = tmp_path / "beside"
    code = run(["report", str(example), str(by_hand), "--against", str(other), "-o", str(folder)])
    _, err = capsys.readouterr()
    assert code == ExitCode.OK, err
    assert "valve-old of the earlier layout is no longer in the problem" in err
    page = (folder / "report.html").read_text(encoding="utf-8")
    for heading in ("Against ", "Before and after", "Change order for the shop"):
        assert heading in page
    rows = (folder / "order-pieces.csv").read_text(encoding="utf-8").splitlines()
    assert any(",new piece," in row and "valve-left" in row for row in rows)
    assert any(",taken out," in row and "valve-old" in row for row in rows)


def test_a_wrong_layout_to_put_beside_is_told_and_nothing_written(
    example, by_hand, tmp_path, capsys
):
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text("format: 1\nsegments: 3\n", encoding="utf-8")
    folder = tmp_path / "beside"
    code = run(["report", str(example), str(by_hand), "--against", str(wrong), "-o", str(folder)])
    assert code == ExitCode.WRONG_FILE
    assert "wrong.yaml:2" in capsys.readouterr().err
    assert not folder.exists()


def test_a_device_that_is_gone_is_a_note(example, by_hand, tmp_path, capsys):
    keep = tmp_path / "keep.yaml"
    text = by_hand.read_text(encoding="utf-8")
    keep.write_text(text.replace("[pressure-b, pump]", "[pressure-b, fan, pump]"))
    code = run(
        ["replan", str(example), "--keep", str(keep), "-o", str(tmp_path / "next"),
         "--time-limit", "6", "--workers", "1", "--json"]
    )
    out, err = capsys.readouterr()
    assert code == ExitCode.OK, err
    assert "fan of the earlier layout is no longer in the problem" in err
    assert "all change_prices are 0" in err
    data = json.loads(out)
    assert {"removed", "piece gone"} <= {c["kind"] for c in data["changes"]}


def test_freezing_what_is_not_there_is_a_wrong_command_line(example, by_hand, tmp_path, capsys):
    code = run(
        ["replan", str(example), "--keep", str(by_hand), "-o", str(tmp_path / "next"),
         "--freeze", "nobody"]
    )
    assert code == ExitCode.USAGE
    assert "nobody" in capsys.readouterr().err
    assert not (tmp_path / "next").exists()


def test_a_wrong_layout_file_is_told_with_its_lines(example, by_hand, tmp_path, capsys):
    keep = tmp_path / "keep.yaml"
    keep.write_text(by_hand.read_text(encoding="utf-8").replace("port: 4", "prt: 4"))
    code = run(["replan", str(example), "--keep", str(keep), "-o", str(tmp_path / "next")])
    assert code == ExitCode.WRONG_FILE
    err = capsys.readouterr().err
    assert f"{keep}:10:" in err
    assert not (tmp_path / "next").exists()


def test_the_terminal_has_the_verdict_the_six_figures_and_80_columns(
    example, by_hand, tmp_path, capsys
):
    code = run(["replan", str(example), "--keep", str(by_hand), "-o", str(tmp_path / "next"),
                "--complete", "--time-limit", "60", "--workers", "1"])  # fmt: skip
    out, err = capsys.readouterr()
    assert code == ExitCode.OK, err
    assert out.startswith("small-sprayer: checked. Every rule is kept")
    page = (tmp_path / "next" / "report.html").read_text(encoding="utf-8")
    for figure in ("Size", "Tightest deadline", "Longest line", "Fullest line", "Priced total",
                   "Growth left"):  # fmt: skip
        assert f"\n{figure} " in out
        assert f">{figure}</" in page
    assert max(map(len, out.splitlines())) <= 80
