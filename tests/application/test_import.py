"""Tables as people keep them become a problem file, or are refused with few findings."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.application.import_tables import Imported, TableInput, import_tables
from partitioner.application.reading import read_problem
from partitioner.errors import WrongFile
from partitioner.reading.render import format_finding
from partitioner.report.page import render
from tests.reading.spreadsheets import KEPT, PLAIN, Kept, workbook


def imported(path: Path, *more: Path, packing: str = "none") -> Imported:
    inputs = [TableInput(p) for p in (path, *more)]
    return import_tables(inputs, "trial", path.parent / "problem.yaml", packing=packing)


@pytest.mark.parametrize("kept", KEPT, ids=lambda k: k.name)
def test_spreadsheets_as_people_keep_them(kept: Kept, tmp_path: Path) -> None:
    path = tmp_path / f"{kept.name}{kept.suffix}"
    kept.make(path)
    if kept.refused:
        with pytest.raises(WrongFile) as caught:
            imported(path)
        told = [format_finding(f, source=False) for f in caught.value.findings]
        assert len(told) <= 3
        assert all(kept.name in t for t in told), "each names its file"
        for part in kept.refused:
            assert any(part in t for t in told), told
        return
    made = imported(path)
    assert made.problem is not None, made.findings
    problem = made.problem
    assert {d: _mm(problem, d) for d in problem.devices} == kept.devices
    if kept.streams:
        assert {
            s.id: (s.period_ns / 1000, s.payload_bytes) for s in problem.streams.values()
        } == kept.streams
    assert len(problem.pathways) == kept.pathways
    said = "\n".join(made.draft.read)
    for part in kept.told:
        assert part in said
    # What is written reads back as the same problem.
    (tmp_path / "problem.yaml").write_text(made.text, encoding="utf-8")
    assert read_problem(tmp_path / "problem.yaml") == problem


def _mm(problem, device: str) -> tuple[float, ...]:
    item = problem.devices[device]
    at = problem.places[item.place].position_um if item.place else item.position_um
    return tuple(c / 1000 for c in at)


def test_what_no_table_states_is_marked(tmp_path: Path) -> None:
    workbook(tmp_path / "cart.xlsx", {"S": PLAIN})
    made = imported(tmp_path / "cart.xlsx")
    rows = [line for line in made.text.splitlines() if line.startswith("  - {id: lamp,")]
    assert rows == [
        "  - {id: lamp, position_m: [1.5, 0, 2], grades: [10BASE-T1S-multidrop]}"
        "  # assumed: grades"
    ]
    assert "switches: propose  # assumed" in made.text
    assert any("who talks to whom" in m for m in made.draft.missing)
    assert {s.source for s in made.problem.streams.values()} == {"lamp", "pump", "central"}
    traffic = [x for x in made.text.splitlines() if x.startswith("  - {id: lamp-")]
    assert len(traffic) == 2
    assert all("# assumed: all" in x for x in traffic)
    page = render(made.page)
    assert "<svg" in page
    assert "Nothing is planned yet" in page
    assert "lamp" in page


def test_streams_of_devices_that_no_table_lists_are_set_aside(tmp_path: Path) -> None:
    workbook(
        tmp_path / "cart.xlsx",
        {
            "Devices": PLAIN,
            "Streams": [
                ["Stream", "From", "To", "Bytes", "Period [ms]"],
                ["flow", "lamp", "pump", 8, 10],
                ["far", "lamp", "tower", 8, 10],
                ["near", "well", "pump", 8, 10],
            ],
        },
    )
    made = imported(tmp_path / "cart.xlsx")
    assert list(made.problem.streams) == ["flow"]
    assert "# - {id: far, from: lamp, to: [tower], payload_bytes: 8, period_us: 10000}" in made.text
    (told,) = (m for m in made.draft.missing if "tower, well" in m)
    assert "2 streams of theirs stand at the end of the file" in told
    lead = made.page.lead[0].replace("\xa0", " ")
    assert lead == "2 devices, 1 stream; 2 more streams set aside."


def test_a_first_look_calls_nothing_left_out_before_there_is_a_plan(tmp_path: Path) -> None:
    workbook(tmp_path / "cart.xlsx", {"Devices": PLAIN})
    page = render(imported(tmp_path / "cart.xlsx").page)
    assert "candidate switch" in page
    assert ">lamp</title>" in page
    assert "left out" not in page
    assert "device without a place" not in page
    assert "no place yet" not in page


def test_a_device_without_the_name_of_a_place_is_told_in_its_list(tmp_path: Path) -> None:
    places = tmp_path / "places.csv"
    places.write_text("Place;X [m];Y [m];Z [m]\ndesk;1;2;3\nroof;1;2;5\n", encoding="utf-8")
    devices = tmp_path / "devices.csv"
    devices.write_text("Tag;Location;Option\nlamp;roof;\nstick;;kit\n", encoding="utf-8")
    with pytest.raises(WrongFile) as caught:
        imported(devices, places)
    (finding,) = caught.value.findings
    assert (finding.file, finding.line, finding.column) == (str(devices), 3, 7)
    assert finding.message == "expected the name of a place, got none"


def test_a_pathway_without_a_length_is_told_as_assumed(tmp_path: Path) -> None:
    sheets = {
        "Devices": [["Name", "Place"], ["lamp", "roof"], ["pump", "sill"]],
        "Places": [["Place", "X [m]", "Y [m]"], ["roof", 0, 0], ["sill", 1, 2], ["yard", 3, 3]],
        "Ducts": [["From", "To", "Length [m]"], ["roof", "sill", 4.5], ["sill", "yard", None]],
    }
    workbook(tmp_path / "cart.xlsx", sheets)
    made = imported(tmp_path / "cart.xlsx")
    told = "length of sill to yard: the way along the axes from place to place (routing)"
    assert told in made.draft.assumed
    assert [p.length_um for p in made.problem.pathways] == [4_500_000, 3_000_000]


def test_two_hundred_thousand_rows_are_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text("Name,X [m],Y [m]\n" + "d,1,2\n" * 199_990, encoding="utf-8")
    with pytest.raises(WrongFile) as caught:
        imported(path)
    assert [f.message for f in caught.value.findings] == ["expected at most 50000 rows, got more"]


@pytest.mark.slow
def test_a_workbook_of_two_hundred_thousand_rows_is_refused(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("S")
    sheet.append(["Name", "X [m]", "Y [m]"])
    for n in range(200_000):
        sheet.append([f"device {n}", n / 10, 1])
    book.save(tmp_path / "long.xlsx")
    with pytest.raises(WrongFile) as caught:
        imported(tmp_path / "long.xlsx")
    assert "expected at most" in caught.value.findings[0].message


def test_receivers_and_senders_by_other_words(tmp_path: Path) -> None:
    devices, signals = tmp_path / "devices.csv", tmp_path / "signals.csv"
    devices.write_text("Device;X [mm];Y [mm]\nMast lamp;1000;0\nHost;0;0\n", encoding="utf-8")
    signals.write_text(
        "Signal;Origin;Target;Payload (bytes);Period (ms)\nlit;Host;Mast lamp;2;100\n",
        encoding="utf-8",
    )
    problem = imported(devices, signals).problem
    assert problem is not None
    (stream,) = problem.streams.values()
    assert (stream.source, stream.destinations) == ("Host", ("Mast-lamp",))


def test_a_count_below_the_places_is_a_total(tmp_path: Path) -> None:
    workbook(
        tmp_path / "cart.xlsx",
        {
            "Devices": [
                ["Tag", "Location"], ["lamp", "mast"], ["Total flow", "tank"], ["Total", 2],
            ],
            "Places": [["Place", "X [m]", "Y [m]"], ["mast", 0, 0], ["tank", 2, 0]],
        },
    )
    made = imported(tmp_path / "cart.xlsx")
    assert set(made.problem.devices) == {"lamp", "Total-flow"}
    assert any("row 4 taken for totals" in told for told in made.draft.read)


def test_places_called_by_numbers_are_no_totals(tmp_path: Path) -> None:
    workbook(
        tmp_path / "cart.xlsx",
        {
            "Devices": [["Tag", "Location"], ["lamp", 11], ["Total flow", 12]],
            "Places": [["Place", "X [m]", "Y [m]"], [11, 0, 0], [12, 2, 0]],
        },
    )
    assert set(imported(tmp_path / "cart.xlsx").problem.devices) == {"lamp", "Total-flow"}


def test_options_that_devices_name_are_assumed(tmp_path: Path) -> None:
    rows = [[*PLAIN[0], "Option"], [*PLAIN[1], "winter"], [*PLAIN[2], None]]
    workbook(tmp_path / "cart.xlsx", {"S": rows})
    made = imported(tmp_path / "cart.xlsx")
    assert made.problem.devices["lamp"].option == "winter"
    assert "  - {id: winter, take_rate: 0.5}  # assumed: take_rate" in made.text
    assert any("winter" in told for told in made.draft.assumed)


def test_a_list_of_places_that_is_missing_is_one_finding(tmp_path: Path) -> None:
    rows = [["Tag", "Location"], ["lamp", "mast"], ["pump", "tank"], ["fan", "tank"]]
    workbook(tmp_path / "cart.xlsx", {"S": rows})
    (finding,) = (f for f in imported(tmp_path / "cart.xlsx").findings if f.severity == "error")
    assert finding.message == "no such place 'mast', and so with 1 other name"
    assert finding.hint == "the file lists no places"


def test_who_receives_much_is_not_put_on_a_shared_line(tmp_path: Path) -> None:
    video = [["From", "To", "Bytes", "Period (ms)"], ["lamp", "pump", 1400, 1]]
    workbook(tmp_path / "l.xlsx", {"Devices": PLAIN, "Streams": video})
    problem = imported(tmp_path / "l.xlsx").problem
    assert problem is not None
    assert {d.id: [g.grade for g in d.grades] for d in problem.devices.values()} == {
        "lamp": ["100BASE-T1"], "pump": ["100BASE-T1"]
    }  # fmt: skip


def test_a_fraction_of_a_whole_thing_is_told_and_not_rounded(tmp_path: Path) -> None:
    devices = tmp_path / "devices.csv"
    devices.write_text("Tag,X [m],Y [m],safety_level\na,1,2,1.5\nb,3,4,2\n", encoding="utf-8")
    (finding,) = imported(devices).findings
    assert finding.where == "devices[a].safety_level"
    assert finding.message == "expected a whole number, got 1.5"


@pytest.mark.parametrize("name", ["problem.yaml", "outcome.json", "list.pdf"])
def test_what_is_no_list_is_told_as_what_it_is(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text("Tag,X [m],Y [m]\na,1,2\n", encoding="utf-8")
    with pytest.raises(WrongFile) as caught:
        imported(path)
    (finding,) = caught.value.findings
    assert finding.message == f"expected a list as .csv or .xlsx, got a {path.suffix} file"


def test_a_packed_file_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "list.ods"
    path.write_bytes(b"PK\x03\x04" + bytes(60))
    with pytest.raises(WrongFile) as caught:
        imported(path)
    (finding,) = caught.value.findings
    assert finding.message == "expected text, got a packed file such as a workbook"
