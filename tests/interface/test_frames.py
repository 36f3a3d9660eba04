"""Problems from DataFrames are read as strictly as files, and are the same problems."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import partitioner
from partitioner.reading.frames import plain

ROOT = Path(__file__).parent.parent.parent
SMALL = ROOT / "tests" / "gold" / "small-sprayer" / "problem.yaml"
LINE = "10BASE-T1S-multidrop"


def frames(**other: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """A problem with two lamps on a hub; frames of ``other`` take the place of its own."""
    return {
        "switches": pd.DataFrame([{"id": "hub", "x_m": 0, "y_m": 0}]),
        "ports": pd.DataFrame([{"switch": "hub", "grades": LINE, "count": 1}]),
        "devices": lamps(),
        **other,
    }


def lamps(**columns: Any) -> pd.DataFrame:
    return pd.DataFrame(
        {"id": ["left", "right"], "x_m": [1, 2.5], "y_m": [0, 0], "grades": [LINE, LINE]} | columns
    )


def build(**other: pd.DataFrame) -> partitioner.Problem:
    return partitioner.build_problem({"name": "two-lamps"}, **frames(**other))


def findings(**other: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    with pytest.raises(partitioner.WrongFile) as caught:
        build(**other)
    assert str(caught.value).count("\n") >= len(caught.value.findings)
    return [(f.file, f.row, f.column_name, f.message) for f in caught.value.findings]


@pytest.mark.parametrize(
    "path", [SMALL, ROOT / "problems" / "glasshouse" / "problem.yaml"], ids=lambda p: p.parent.name
)
def test_frames_of_a_file_make_the_same_problem(path: Path, tmp_path: Path) -> None:
    """Also with its lists in CSV files, and written as one file and read again."""
    read = partitioner.read_problem(path)
    built = partitioner.build_problem(read.settings, **read.frames)
    same = {"digest": "", "warnings": ()}
    assert replace(built.model, **same) == replace(read.model, **same)
    again = partitioner.read_problem(built.write(tmp_path / "problem.yaml"))
    assert again.digest == built.digest
    assert replace(again.model, warnings=()) == replace(built.model, warnings=())


def test_a_finding_names_frame_row_and_column() -> None:
    labelled = lamps(stub_m=["x", -1])
    labelled.index = ["L", "R"]
    assert findings(devices=labelled) == [
        ("frame devices", "L", "stub_m", "expected a number in m, got text 'x'"),
        ("frame devices", "R", "stub_m", "expected 0 m or more, got -1"),
    ]
    with pytest.raises(partitioner.WrongFile, match="frame devices, row L, column stub_m: error"):
        build(devices=labelled)


def test_a_wrong_column_is_told_once() -> None:
    assert findings(devices=lamps(stubm=[1, 2])) == [
        ("frame devices", "", "stubm", "no such column 'stubm'")
    ]
    assert findings(devices=lamps().drop(columns="grades")) == [
        ("frame devices", "", "", "expected the column 'grades', got none")
    ]
    twice = pd.concat([lamps(), lamps()[["x_m"]]], axis=1)
    assert findings(devices=twice)[0][2:] == ("x_m", "column 'x_m' stands twice")
    place = pd.DataFrame([{"id": "here"}])
    assert [f[3] for f in findings(places=place)] == [
        "expected the column 'x_m', got none", "expected the column 'y_m', got none",
    ]  # fmt: skip


def test_ports_point_into_their_own_frame() -> None:
    port = {"switch": "hub", "grades": LINE, "count": "many"}
    wrong = findings(ports=pd.DataFrame([port]))
    assert wrong == [("frame ports", "0", "count", "expected a whole number, got text 'many'")]
    lost = findings(ports=pd.DataFrame([{**port, "count": 1, "switch": "hubb"}]))
    assert ("frame ports", "0", "switch", "no such switch 'hubb' in the frame switches") in lost
    nowhere = pd.DataFrame([{**port, "count": 1}, {**port, "count": 1, "switch": None}])
    (found,) = findings(ports=nowhere)
    assert found == ("frame ports", "1", "switch", "expected a switch, got none")


def test_a_name_that_nothing_has_and_one_given_twice() -> None:
    (found,) = findings(devices=lamps(switch=["hob", None]))
    assert found == ("frame devices", "0", "switch", "no such switch 'hob'")
    same = lamps(id=["left", "left"])
    assert findings(devices=same) == [
        ("frame devices", "1", "id", "'left' given twice; first on row 0")
    ]


def test_what_is_missing_has_its_default() -> None:
    """Whatever pandas and NumPy put there, whole columns of numbers with gaps included."""
    gaps = lamps(
        stub_m=[None, 0.1], mass_g=[np.nan, 5], safety_level=[np.nan, 2.0],
        zone=[pd.NA, None], function=["", "light"],
    )  # fmt: skip
    devices = build(devices=gaps).model.devices
    assert (devices["left"].stub_um, devices["right"].stub_um) == (0, 100_000)
    assert devices["right"].mass_mg == 5_000
    assert (devices["left"].safety_level, devices["right"].safety_level) == (None, 2)
    assert devices["left"].function is None


def test_numbers_keep_the_digits_they_are_shown_with() -> None:
    assert plain(np.float64(0.1)) == Decimal("0.1")
    assert plain(1e-7) == Decimal("0.0000001")
    assert plain(float("inf")) == "inf"
    assert plain(np.array([1, 2])) == [1, 2]
    assert plain({"a", "b"}) == ["a", "b"]
    assert plain(pd.NaT) is None
    assert plain(pd.Timedelta("1s")) == "0 days 00:00:01"
    assert (plain(np.bool_(True)), plain(np.int64(3))) == (True, 3)
    fine = findings(devices=lamps(stub_m=[1e-7, 0]))
    assert fine[0][:3] == ("frame devices", "0", "stub_m")


def test_names_may_be_numbers_and_lists_lists() -> None:
    numbered = lamps(id=[1, 2], grades=[[LINE], {LINE: 2.5}])
    devices = build(devices=numbered).model.devices
    assert list(devices) == ["1", "2"]
    assert devices["2"].grades[0].phy_price_money == 25_000


def test_settings_are_read_as_a_file_is() -> None:
    with pytest.raises(partitioner.WrongFile, match="did you mean 'line'"):
        partitioner.build_problem({"name": "x", "lines": {}}, **frames())
    with pytest.raises(partitioner.WrongFile, match="expected the key 'switches'"):
        partitioner.build_problem({"name": "x"}, devices=lamps())
    stated = {"name": "x", "devices": [{"id": "third", "position_m": [1, 1, 0], "grades": [LINE]}]}
    both = partitioner.build_problem(stated, **frames())
    assert list(both.model.devices) == ["third", "left", "right"]


def test_strict_takes_warnings_for_errors() -> None:
    unused = pd.DataFrame([{"id": "spare", "x_m": 0, "y_m": 0}])
    given = {**frames(), "options": pd.DataFrame([{"id": "kit", "take_rate": 0.5}]),
             "places": unused}  # fmt: skip
    assert partitioner.build_problem({"name": "x"}, **given).warnings
    with pytest.raises(partitioner.WrongFile):
        partitioner.build_problem({"name": "x"}, **given, strict=True)


def test_too_many_rows_are_told_and_not_read() -> None:
    ids = [f"d{n}" for n in range(50_001)]
    many = pd.DataFrame({"id": ids, "x_m": 0, "y_m": 0, "grades": LINE})
    told = ("frame devices", "", "", "expected at most 50000 rows, got 50001")
    assert told in findings(devices=many)


def test_a_problem_whose_lists_stand_in_tables_is_written_as_one_file(tmp_path: Path) -> None:
    (tmp_path / "lamps.csv").write_text(
        "Name,X [mm],Y [mm]\nlamp-1,1000,0\nlamp-2,2000,0\n", encoding="utf-8"
    )
    path = tmp_path / "problem.yaml"
    path.write_text(
        "format: 1\nname: lamps\nswitches: propose\npropose: {number: 1}\n"
        "streams: [{id: s, from: lamp-1, to: [lamp-2], payload_bytes: 8, period_us: 10000}]\n"
        "tables:\n  - file: lamps.csv\n    holds: devices\n"
        f"    fill: {{grades: [{LINE}]}}\n",
        encoding="utf-8",
    )
    read = partitioner.read_problem(path)
    again = partitioner.read_problem(read.write(tmp_path / "whole.yaml"))
    assert again.model.devices == read.model.devices
    assert again.model.switches == read.model.switches
    assert "lamps.csv" not in again.text()
