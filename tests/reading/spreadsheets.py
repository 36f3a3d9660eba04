"""Invented spreadsheets as people keep them, each with what it should be read as."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import openpyxl

Rows = Sequence[Sequence[Any]]


def workbook(
    path: Path, sheets: dict[str, Rows], merged: dict[str, Sequence[str]] | None = None
) -> None:
    """Write sheets to a workbook."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
        for area in (merged or {}).get(name, ()):
            sheet.merge_cells(area)
    book.save(path)


@dataclass(frozen=True)
class Kept:
    """One spreadsheet: how it is made, and what comes of it.

    ``devices`` are positions in mm by id, ``streams`` period in µs and payload by id; ``refused``
    are parts of the findings that are expected, ``told`` of what is said about the reading.
    """

    name: str
    make: Callable[[Path], None]
    suffix: str = ".xlsx"
    devices: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    streams: dict[str, tuple[float, int]] = field(default_factory=dict)
    pathways: int = 0
    refused: tuple[str, ...] = ()
    told: tuple[str, ...] = ()


def csv(text: str, encoding: str = "utf-8") -> Callable[[Path], None]:
    def make(path: Path) -> None:
        path.write_bytes(text.encode(encoding))

    return make


def xlsx(sheets: dict[str, Rows], **merged: Any) -> Callable[[Path], None]:
    return lambda path: workbook(path, sheets, merged.get("merged"))


PLAIN = [["Name", "X [m]", "Y [m]", "Z [m]"], ["lamp", 1.5, 0, 2], ["pump", 3, -0.25, 0]]
PLAIN_READ = {"lamp": (1500, 0, 2000), "pump": (3000, -250, 0)}

KEPT = (
    Kept("plain", xlsx({"Sheet1": PLAIN}), devices=PLAIN_READ),
    Kept(
        "title-and-blank-rows",
        xlsx({"Devices": [["Orchard cart, rev C"], ["made by night shift"], [],
                          ["Part tag", "X [mm]", "Y [mm]", "Z [mm]"], [],
                          ["lamp", 1500, 0, 2000], [], ["pump", 3000, -250, 0]]}),
        devices=PLAIN_READ,
        told=("X [mm]",),
    ),
    Kept(
        "merged-group-heading",
        xlsx({"Parts": [["Part", "Position [mm]", None, None], [None, "X", "Y", "Z"],
                        ["lamp", 1500, 0, 2000], ["pump", 3000, -250, 0]]},
             merged={"Parts": ["B1:D1", "A1:A2"]}),
        devices=PLAIN_READ,
    ),
    Kept(
        "totals-and-section-headings",
        xlsx({"S": [["Device", "x (cm)", "y (cm)", "z (cm)", "Mass [kg]"],
                    ["Front axle", None, None, None, None],
                    ["lamp", 150, 0, 200, 0.25], ["Rear axle", None, None, None, None],
                    ["pump", 300, -25, 0, 1.5], ["Total", None, None, None, 1.75]]}),
        devices=PLAIN_READ,
        told=("totals", "Front axle", "Rear axle"),
    ),
    Kept(
        "decimal-commas",
        csv("Gerät;X [m];Y [m];Z [m];Name\n1;1,5;0;2;lamp\n2;3,0;-0,25;0;pump\n"),
        ".csv", devices=PLAIN_READ,
    ),
    Kept(
        "thin-spaces-for-thousands",
        csv("Name\tX [mm]\tY [mm]\tZ [mm]\nlamp\t1\u2009500\t0\t2\u202f000\n"
            "pump\t3\u00a0000\t-250\t0\n"),
        ".csv", devices=PLAIN_READ,
    ),
    Kept(
        "points-for-thousands",
        csv("Name;X [mm];Y [mm];Z [mm]\nlamp;1.500,0;0;2.000,0\npump;3.000;-250,0;0\n"),
        ".csv", devices=PLAIN_READ,
    ),
    Kept(
        "unit-in-cells",
        csv('Tag,"X","Y","Z"\nlamp,1500 mm,0 mm,2 m\npump,3 m,-25 cm,0\n'),
        ".csv", devices=PLAIN_READ,
    ),
    Kept(
        "no-unit-but-millimetres",
        xlsx({"S": [["Name", "X", "Y", "Z"], ["lamp", 1500, 0, 2000], ["pump", 3000, -250, 0]]}),
        devices=PLAIN_READ,
        told=("'X', 'Y', 'Z' name no unit: numbers taken as mm",),
    ),
    Kept(
        "places-and-ducts-on-sheets",
        xlsx({"Notes": [["Ask the night shift about the boom."]],
              "Places": [["Place", "X [m]", "Y [m]", "Z [m]"], ["front", 1.5, 0, 2],
                         ["rear", 3, -0.25, 0]],
              "Ducts": [["From", "To", "Length [mm]"], ["Front", "rear", 4500]],
              "Devices": [["Name", "Location"], ["lamp", "front"], ["pump", "Rear"]]}),
        devices=PLAIN_READ, pathways=1, told=("Notes",),
    ),
    Kept(
        "traffic-beside",
        xlsx({"Devices": PLAIN,
              "Signals": [["Signal", "Sender", "Receivers", "Size [bytes]", "Cycle (ms)"],
                          ["lamp set", "Pump", "Lamp", 8, 20], ["flow", "lamp", "pump", 24, 2.5]]}),
        devices=PLAIN_READ, streams={"lamp-set": (20_000, 8), "flow": (2_500, 24)},
    ),
    Kept(
        "words-of-a-mechanic-and-a-wirer",
        xlsx({"Points": [["Point", "x [m]", "y [m]", "z [m]"], ["front", 1.5, 0, 2],
                         ["rear", 3, -0.25, 0]],
              "Ways": [["Way", "A", "B", "Length m"], ["W1", "Front", "rear", 4.5]],
              "Devices": [["Name", "Mounting point", "IT zone"], ["lamp", "front", "body"],
                          ["pump", "Rear", "body"]],
              "Wires": [["Signal", "Source", "Destination", "Bytes", "Update [ms]",
                         "Max. age [ms]"],
                        ["Flow", "pump", "lamp", 2, 20, 10]]}),
        devices=PLAIN_READ, streams={"Flow": (20_000, 2)}, pathways=1,
        told=("security_domain = 'IT zone'", "deadline_us = 'Max. age [ms]'"),
    ),
    Kept(
        "messages-with-a-name-and-an-identifier",
        xlsx({"Devices": PLAIN,
              "Bus": [["Bus", "ID (hex)", "Message", "Tx node", "Rx nodes", "DLC", "Cycle (ms)"],
                      ["B1", "0x101", "Flow", "pump", "lamp", 4, 50]]}),
        devices=PLAIN_READ, streams={"Flow": (50_000, 4)},
        told=("id = 'Message', identifier = 'ID (hex)'",),
    ),
    Kept(
        "messages-with-an-identifier-alone",
        xlsx({"Devices": PLAIN,
              "Bus": [["Bus", "ID", "Tx node", "Rx nodes", "DLC", "Cycle (ms)"],
                      ["B1", "0x101", "pump", "lamp", 4, 50]]}),
        devices=PLAIN_READ, streams={"0x101": (50_000, 4)},
    ),
    Kept(
        "streams-without-a-period",
        csv("Signal;Source;Destination;Bytes;Every now and then\nflow;pump;lamp;2;20\n"), ".csv",
        refused=("expected a column for period_us, got none",
                 "headings for period_us: period, cycle, cycle time or interval; not understood "
                 "here: Every now and then; understood: id = 'Signal', from = 'Source'"),
    ),
    Kept(
        "streams-that-are-called-messages",
        xlsx({"Devices": PLAIN,
              "Signals": [["Message", "Sender", "Receivers", "Bytes", "Cycle (ms)"],
                          ["Flow now", "pump", "lamp", 2, 20]]}),
        devices=PLAIN_READ, streams={"Flow-now": (20_000, 2)}, told=("id = 'Message'",),
    ),
    Kept(
        "points-and-ways-alone",
        xlsx({"Points": [["Point", "x [m]", "y [m]"], ["front", 1.5, 0], ["rear", 3, 1]],
              "Ways": [["A", "B"], ["front", "rear"]]}),
        refused=("expected a list of devices, streams or bus messages, found none",),
    ),
    Kept(
        "data-rate-for-period",
        xlsx({"Devices": PLAIN,
              "Streams": [["Stream", "From", "To", "Payload [bytes]", "Rate [kbit/s]"],
                          ["flow", "lamp", "pump", 100, 400]]}),
        devices=PLAIN_READ, streams={"flow": (2_000, 100)},
    ),
    Kept(
        "names-with-spaces-and-repeated-heading",
        csv("Name,X [m],Y [m],Z [m]\nHead lamp (left),1.5,0,2\nName,X [m],Y [m],Z [m]\n"
            "Water pump,3,-0.25,0\n"),
        ".csv", devices={"Head-lamp-left": (1500, 0, 2000), "Water-pump": (3000, -250, 0)},
    ),
    Kept(
        "flat-plan",
        xlsx({"S": [["Item", "Pos X [mm]", "Pos Y [mm]"], ["lamp", 1500, 0],
                    ["pump", 3000, -250]]}),
        devices={"lamp": (1500, 0, 0), "pump": (3000, -250, 0)}, told=("every height",),
    ),
    Kept(
        "text-in-a-number-column",
        xlsx({"S": [["Name", "X [mm]", "Y [mm]"],
                    *[[f"d{n}", "left side" if n % 2 else n, 0] for n in range(40)]]}),
        refused=("S!B3: error[wrong-kind] devices.X [mm]: 'X [mm]' is read as x_m: expected "
                 "numbers in m, got text in 20 of 40 rows, first 'left side'",),
    ),
    Kept(
        "formulas-never-worked-out",
        xlsx({"S": [["Name", "X [m]", "Y [m]"], ["lamp", "=1+0.5", 0], ["pump", "=B2*2", 1]]}),
        refused=("S!B2: error[wrong-kind] devices.X [m]: 'X [m]' is read as x_m: expected values, "
                 "got a formula without a value in 2 of 2 rows",),
    ),
    Kept(
        "two-headings-alike",
        xlsx({"S": [["Name", "X [m]", "Y [m]", "X [m]"], ["lamp", 1, 2, 3], ["pump", 2, 2, 4]]}),
        refused=("error[duplicate-key] devices.X [m]: 'X [m]' is read as x_m: the heading 'X [m]' "
                 "stands 2 times (S!B1, S!D1)",),
    ),
    Kept(
        "no-headings",
        csv("lamp,1.5,0,2\npump,3,-0.25,0\n"), ".csv",
        refused=("expected a row with headings of a list of devices",),
    ),
    Kept(
        "same-name-twice",
        xlsx({"S": [*PLAIN, ["Lamp", 5, 5, 5]]}),
        refused=("S!A4: error[duplicate-name] devices[Lamp].Name: 'Lamp' given twice; first in "
                 "S!A2",),
    ),
    Kept(
        "either-decimal-mark",
        csv('Name,X [m],Y [m]\nlamp,"1,250",0\npump,"2,500",1\n'), ".csv",
        refused=("can't tell whether '1,250' is 1.250 or 1250",),
    ),
    Kept(
        "point-between-thousands-or-not",
        csv("Name;X [mm];Y [mm]\nlamp;13.500;0\npump;2500;1\n"), ".csv",
        refused=("can't tell whether '13.500' is 13.500 or 13500",),
    ),
    Kept(
        "points-beside-semicolons",
        csv("Name;X [m];Y [m]\nlamp;1.250;0.5\npump;2;1\n"), ".csv",
        devices={"lamp": (1250, 500, 0), "pump": (2000, 1000, 0)},
    ),
    Kept(
        "strange-unit",
        xlsx({"S": [["Name", "X [bar]", "Y [m]"], ["lamp", 1, 2], ["pump", 2, 3]]}),
        refused=("expected a unit of m, got [bar]",),
    ),
    Kept("cut-off", lambda path: (workbook(path, {"S": PLAIN}),
                                  path.write_bytes(path.read_bytes()[:-900]))[0],
         refused=("cut off or damaged",)),
    Kept("with-a-password", lambda path: path.write_bytes(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)) and None,
        refused=("got one with a password or of an older kind",)),
    Kept("empty", xlsx({"S": []}), refused=("expected a table, got an empty file",)),
)  # fmt: skip
