"""Every number of the page stands in a file beside it, and the drawings hold the parts list."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from dataclasses import replace
from decimal import ROUND_CEILING, Decimal
from html.parser import HTMLParser
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout, read_problem
from partitioner.application.report import report
from partitioner.application.search import Search
from partitioner.application.tradeoff import tradeoff
from partitioner.check.judge import assess
from partitioner.model.assessment import Assessment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um
from partitioner.report.drawing_input import drawing_input
from partitioner.report.sections import TIMES, Column, Kind, Table
from partitioner.report.tables import parts_table
from tests.bench.planted import planted
from tests.report.fixtures import DEMOS, ROOT, demo_plan, demo_report

CASES = ROOT / "tests" / "cases"
CASE = Path(__file__).parent.parent / "gold" / "small-sprayer"
NUMBER = re.compile(r"(?<![\w.-])[-−]?\d[\d\u202f]*(?:\.\d+)?(?![\w-]|\.\d)")


class Tables(HTMLParser):
    """Tables of a page by the file that their caption links to: rows of cell texts."""

    def __init__(self, html: str):
        super().__init__()
        self.found: dict[str, list[list[str]]] = {}
        self.rows: list[list[str]] = []
        self.file = ""
        self.is_caption = self.is_cell = False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        href = dict(attrs).get("href") or ""
        if tag == "table":
            self.rows, self.file = [], ""
        elif tag == "caption":
            self.is_caption = True
        elif tag == "a" and self.is_caption and href.endswith(".csv"):
            self.file = href
        elif tag == "tr":
            self.is_cell = False
            self.rows.append([])
        elif tag in ("td", "th"):
            self.is_cell = True
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        if tag == "caption":
            self.is_caption = False
        elif tag in ("td", "th", "thead", "tbody"):
            self.is_cell = False
        elif tag == "table" and self.file:
            self.found[self.file] = self.rows[1:]

    def handle_data(self, data):
        if self.is_cell:
            self.rows[-1][-1] += data


EACH = ["small-sprayer", *(pytest.param(demo, marks=pytest.mark.slow) for demo in DEMOS)]
PLANS = [pytest.param(f"plan of {demo}", marks=pytest.mark.slow) for demo in DEMOS]


@pytest.fixture(scope="module", params=EACH + PLANS)
def files(request: pytest.FixtureRequest) -> dict[str, str]:
    """All files of the report of a layout made by hand, and of two of each demo problem."""
    if request.param.startswith("plan of "):
        return demo_plan(request.param.removeprefix("plan of ")).files()
    if request.param in DEMOS:
        return demo_report(request.param).files()
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    return report(read.problem, read.layout).files()


def numbers(text: str) -> list[str]:
    return [n.replace("\u202f", "").replace("−", "-") for n in NUMBER.findall(text)]


def is_shown_as(exact: Decimal, shown: str) -> bool:
    """Whether a value may be shown so: rounded either way to the digits shown, three or more."""
    whole, _, part = shown.lstrip("-").partition(".")
    zeros = 0 if part else min(len(whole) - len(whole.rstrip("0")), max(0, len(whole) - 3))
    step = Decimal(1).scaleb(zeros - len(part))
    return abs(exact - Decimal(shown)) < step or exact == Decimal(shown)


def values_of(row: dict[str, str]) -> list[Decimal]:
    """All numbers of a row of a CSV file, shares as percentages too."""
    found = []
    for key, cell in row.items():
        for number in numbers(cell):
            found.append(Decimal(number))
            if key.endswith("share") or key in ("probability", "take_rate"):
                found.append(Decimal(number) * 100)
    return found


def test_every_number_of_a_table_stands_in_its_row_of_the_file(files: dict[str, str]) -> None:
    seen = 0
    tables = Tables(files["report.html"]).found
    assert len(tables) > 15
    for name, shown in tables.items():
        rows = list(csv.DictReader(io.StringIO(files[name])))
        # The page cuts long tables; nothing else leaves out rows or puts them in other order.
        assert len(shown) == min(len(rows), len(shown)) > 0 or not rows, name
        for cells, row in zip(shown, rows, strict=False):
            exact = values_of(row)
            for text in cells:
                for number in numbers(text.replace("note ", "note_")):
                    seen += 1
                    assert any(is_shown_as(value, number) for value in exact), (name, text, row)
    assert seen > 500


def test_files_and_data_hold_the_same_rows(files: dict[str, str]) -> None:
    data = json.loads(files["outcome.json"])["tables"]
    names = {n.removesuffix(".csv") for n in files if n.endswith(".csv")}
    assert names == set(data)
    for name in names:
        rows = list(csv.DictReader(io.StringIO(files[f"{name}.csv"])))
        assert len(rows) == len(data[name])
        for row, record in zip(rows, data[name], strict=True):
            assert list(row) == list(record)
            for key, value in record.items():
                if isinstance(value, (int, float)) and not isinstance(value, bool):
                    assert Decimal(row[key]) == Decimal(str(value)), (name, key)


# -- numbers in sentences and drawings ---------------------------------------------------------


SAID = re.compile(
    r"(?<![\w.-])([-−]?\d[\d\u202f]*(?:\.\d+)?)(?![\w-]|\.\d)"
    r"(?:[\s\u00a0](%|m|µs|ms|s|g|kg|EUR)(?!\w))?"
)
COLUMNS_OF: dict[str, dict[str, Decimal]] = {
    "%": {"share": Decimal(100)},
    "m": {"_m": Decimal(1)},
    "µs": {"_us": Decimal(1)},
    "ms": {"_us": Decimal("0.001"), "_ms": Decimal(1)},
    "s": {"_us": Decimal("0.000001"), "_s": Decimal(1)},
    "g": {"_g": Decimal(1)},
    "kg": {"_g": Decimal("0.001")},
}
"""For each unit the endings of the columns that may hold the number, and what they count in it."""
ANYTHING = ("figures", "layout", "star", "formula", "note")
"""Columns whose unit stands in their row or in their words."""
EXEMPT = re.compile(
    r"RFC \d+|\d{4}-\d\d-\d\d|IEEE Std [\d.]+|802\.\w+|[Cc]lauses? [\d.]+|10 %"
    r"|The first \d+ (?=of)|each arrow: [\d.]+ m|^(?:[125]0*|0\.0*[125]) m$"
)
"""Names of standards and their clauses, dates, the change of price that is asked about, rows shown
of a long table, the scale of a drawing, whose bar has a round length: no figures of the layout.
What else is none has to be in a table all the same."""


class Prose(HTMLParser):
    """Sentences of a page and the words of its drawings, tables and titles left out."""

    SAYS = ("p", "li", "dd", "figcaption", "text")
    ASIDE = frozenset({"table", "nav", "script", "style", "template", "title", "desc", "summary"})

    def __init__(self, html: str):
        super().__init__()
        self.stack: list[str] = []
        self.said: list[str] = []
        self.is_quiet = False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "br", "hr", "img", "input", "link"):
            self.stack.append(tag)
        # Numbers of an axis are part of its scale.
        self.is_quiet = "muted" in (dict(attrs).get("class") or "")
        if tag in self.SAYS:
            self.said.append("")

    def handle_endtag(self, tag):
        # Cells and rows are ended by what follows them.
        while self.stack.pop() != tag:
            pass

    def handle_data(self, data):
        is_tick = self.is_quiet and re.fullmatch(r"[-−\d.\u202f]+", data)
        if is_tick or self.ASIDE & set(self.stack) or not set(self.SAYS) & set(self.stack):
            return
        self.said[-1] += data


def values_by_column(files: dict[str, str]) -> dict[str, set[Decimal]]:
    """All numbers of all CSV files by the key of their column, and how many rows each file has.

    With what the JSON alone holds: the figures of broken rules, and what is proved.
    """
    data = json.loads(files["outcome.json"])
    told = [finding["sentence"] for finding in data["findings"]]
    found: dict[str, set[Decimal]] = {
        "rows": set(), "note": {Decimal(number) for words in told for number in numbers(words)}
    }  # fmt: skip
    if data.get("bound") is not None:
        found |= {"bound": {Decimal(str(data["bound"]))}, "gap_share": {Decimal(str(data["gap"]))}}
    for name, text in files.items():
        if name.endswith(".csv"):
            rows = list(csv.DictReader(io.StringIO(text)))
            found["rows"].add(Decimal(len(rows)))
            cells = [(row, *item) for row in rows for item in row.items()]
            for whole, column, cell in cells:
                # A table of quantities names in each row what its value is.
                key = whole.get("quantity", column) if column == "value" else column
                exact = [Decimal(number) for number in numbers(cell)]
                # "62 EUR less" is said of a difference of -62 EUR.
                exact += [abs(value) for value in exact if "difference" in key]
                found.setdefault(key, set()).update(exact)
    return found


def unfounded(said: str, values: dict[str, set[Decimal]]) -> list[str]:
    """Numbers of a sentence that no column holds which may hold such a number."""
    missing = []
    for number, unit in SAID.findall(EXEMPT.sub("", re.sub(r"[ \n\u00a0]+", " ", said))):
        shown = number.replace("\u202f", "").replace("−", "-")
        ends = COLUMNS_OF.get(unit, {"": Decimal(1)})
        scales = [
            (key, scale) for key in values for end, scale in ends.items() if key.endswith(end)
        ] + [(key, Decimal(1)) for key in ANYTHING]
        if not any(is_shown_as(v * s, shown) for k, s in scales for v in values.get(k, ())):
            missing.append(f"{number} {unit}".strip())
    return missing


def test_every_number_of_a_sentence_or_a_drawing_stands_in_a_file(files: dict[str, str]) -> None:
    said = Prose(files["report.html"]).said
    values = values_by_column(files)
    assert sum(len(SAID.findall(sentence)) for sentence in said) > 300
    assert [(s, m) for s in said if (m := unfounded(s, values))] == []
    # A figure that is none of the layout's is noticed, and so is one in another unit.
    assert unfounded("The longest line takes 987.65 m.", values) == ["987.65 m"]
    segment = next(csv.DictReader(io.StringIO(files["segments.csv"])))
    cycle = segment["longest_cycle_us"]
    assert unfounded(f"A round takes {cycle} µs.", values) == []
    assert unfounded(f"A round is {cycle} m long.", values) == [f"{cycle} m"]


# -- a parts list from the drawing ------------------------------------------------------------


def recounted(problem: Problem, assessment: Assessment) -> Counter[str]:
    """Parts by what the drawings show: segments with their lengths and devices, switches, links.

    Cable in µm, everything else in pieces.
    """
    drawn = drawing_input(problem, assessment)
    grades, network = problem.catalogue.grades, CableNetwork(problem)
    parts: Counter[str] = Counter()
    stub_um = {d.id: d.stub_um for d in drawn.devices}
    for segment in drawn.segments:
        grade = grades[segment.grade]
        parts[grade.cable] += segment.length_um
        parts[grade.device_phy] += len(segment.devices)
        parts[grade.port_phy] += 1
        parts[grade.connector] += len(segment.devices) + 1
        parts[f"port of {segment.switch}"] += 1
        if segment.is_shared:
            parts[grade.cable] += sum(stub_um[d] for d in segment.devices)
            if grade.terminator is not None:
                parts[grade.terminator] += 2
            if grade.junction is not None:
                parts[grade.junction] += sum(stub_um[d] > 0 for d in segment.devices)
    for link in drawn.backbone:
        grade = grades[link.grade]
        parts[grade.cable] += backbone_length_um(problem, network, link.ends)
        parts[grade.connector] += 2
        parts[grade.port_phy] += 2
    parts.update({switch.id: 1 for switch in drawn.switches if switch.is_open})
    return parts


@pytest.mark.parametrize("which", ["planted", *EACH])
def test_the_drawing_adds_up_to_the_parts_list(which: str) -> None:
    if which == "planted":
        machine = planted(20, 1)
        problem, layout = machine.problem, machine.hidden
    elif which in DEMOS:
        answer = demo_report(which)
        problem, layout = answer.problem, answer.assessment.layout
    else:
        read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
        problem, layout = read.problem, read.layout
    assessment = assess(problem, layout)
    listed: Counter[str] = Counter()
    for row in parts_table(problem, assessment).records():
        per = 1_000_000 if row["unit"] == "m" else 1
        listed[row["part"]] += round(row["quantity"] * per)
        if not problem.options:
            # Every item is rounded up to a step of 0.0001 by itself.
            exact = row["quantity"] * row["unit_price"]
            items = 6 * len(problem.devices) if row["unit"] == "m" else row["quantity"]
            assert -1e-6 <= row["price"] - exact <= items * 1e-4
    assert listed == +recounted(problem, assessment)


EXACT = {"period_us": "set as it stands", "time_us": "added up by the reader"}
CUT_M = {"cut_m", "length_before_m", "length_after_m", "difference_m", "new_m", "taken_out_m"}
"""Lengths that somebody cuts, in mm."""


@pytest.fixture(scope="module")
def told() -> list[Table]:
    """All tables of a report that has another layout beside it, of one more and a trade-off."""
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    first, *others = read.layout.segments
    turned = replace(first, devices=first.devices[::-1])
    other = replace(read.layout, segments=(turned, *others))
    machine = planted(8, 0)
    traded = read_problem(CASES / "tradeoff-floor.yaml")
    pages = (
        report(read.problem, read.layout, against=("turned", other)).page(),
        report(machine.problem, machine.hidden).page(),
        tradeoff(traded, Search(time_limit_s=60), points=None).page(),
    )
    tables = [table for page in pages for section in page.walk() for table in section.tables]
    assert {"differing-streams", "frames", "worked", "orders", "front"} <= {t.id for t in tables}
    return tables


def test_no_figure_is_told_more_exactly_than_one_can_use(told: list[Table]) -> None:
    for cell in (c for table in told for row in table.cells() for c in row):
        key, words = cell.column.key, cell.words.replace("\u202f", "").replace("\u00a0", " ")
        for number in re.findall(r"\d+\.\d+", words):
            digits, decimals = number.replace(".", "").lstrip("0"), number.split(".")[1]
            if cell.column.unit in TIMES and key not in EXACT:
                assert len(digits) <= 3, (key, words)
            # A gap is the one share that is told in tenths; below 1 % one digit is not 0.
            if cell.column.kind in (Kind.PERCENT, Kind.BAR) and key != "gap_share":
                assert len(digits) == 1, (key, words)
                assert float(number) < 1, (key, words)
            if cell.column.unit == "m" and key not in CUT_M:
                assert len(decimals) <= 2, (key, words)


LEFT = re.compile(r"margin|left|deadline|limit|gain")
"""Amounts that are allowed or left over; all others are taken."""


def test_what_is_taken_is_rounded_up_and_what_is_left_down(told: list[Table]) -> None:
    """So the same amount reads the same at every place, and no figure flatters the layout."""
    seen = Counter()
    for cell in (c for table in told for row in table.cells() for c in row):
        column, exact = cell.column, cell.value
        is_share = column.kind is Kind.PERCENT and re.search("load|margin|left", column.key)
        is_amount = column.unit in ("m", *TIMES) or is_share
        found = numbers(cell.words.partition("/")[0])
        if not is_amount or not found or "<" in cell.words or column.key == "value":
            continue
        if column.between:
            continue  # Neither taken nor left: the next test says what it is.
        shown, value = Decimal(found[0]), Decimal(str(exact)) * (100 if is_share else 1)
        is_left = bool(LEFT.search(column.key))
        assert (shown <= value) if is_left else (shown >= value), (column.key, cell)
        seen[is_left, column.unit or "%"] += shown != value
    # Each way and unit was rounded somewhere.
    assert {(False, "m"), (False, "µs"), (True, "µs"), (False, "%"), (True, "%")} <= {
        key for key, count in seen.items() if count
    }


def test_a_difference_is_that_of_the_figures_beside_it(told: list[Table]) -> None:
    """To the last digit shown, whatever the exact lengths are."""
    seen = Counter()
    for table in told:
        for cells in table.cells():
            shown = {c.column.key: numbers(c.words) for c in cells}
            for cell in (c for c in cells if c.column.between):
                first, second = (
                    Decimal(shown[k][0]) if shown[k] else 0 for k in cell.column.between
                )
                if shown[cell.column.key]:
                    seen[table.id] += 1
                    assert Decimal(shown[cell.column.key][0]) == second - first, (table.id, cells)
    assert {"order-pieces", "differing-parts"} <= set(seen)


def test_a_difference_of_rounded_lengths_is_not_rounded_by_itself() -> None:
    """1.2341 m and 2.3419 m are shown as 1.235 and 2.342 m, and 1.1078 m between them as 1.107."""
    metres = {"kind": Kind.NUMBER, "unit": "m", "digits": 3, "rounding": ROUND_CEILING}
    table = Table(
        "cut", "",
        [
            Column("a_m", "Before", **metres),
            Column("b_m", "After", **metres),
            Column("more_m", "Difference", between=("a_m", "b_m"), **metres),
        ],
        [(1.2341, 2.3419, 1.1078), (1.0, 1.0002, 0.0002), (None, 1.0002, 1.0002),
         (1.0002, None, -1.0002), (None, None, None)],
    )
    words = [[c.words for c in row] for row in table.cells()]
    assert [numbers(" ".join(row)) for row in words] == [
        ["1.235", "2.342", "1.107"], ["1.000", "1.001", "0.001"], ["1.001", "1.001"],
        ["1.001", "-1.001"], [],
    ]  # fmt: skip
    assert [record["more_m"] for record in table.records()][:2] == [1.1078, 0.0002]


def test_every_figure_of_a_table_has_the_name_that_its_file_has(told: list[Table]) -> None:
    """What a column shows is the value under its key in CSV and JSON, or the limit beside it."""
    seen = 0
    for table in told:
        records = table.records()
        for cells, record in zip(table.cells(), records, strict=False):
            for cell in (c for c in cells if c.column.is_numeric and c.value is not None):
                column = cell.column
                per = 100 if column.kind in (Kind.PERCENT, Kind.BAR) else 1
                held = [record[column.key], *([record[column.limit]] if column.limit else [])]
                for shown in numbers(cell.words.replace("<", "")):
                    seen += 1
                    near = [Decimal(str(v)) * per for v in held if v is not None]
                    is_less = cell.words.startswith("<") and 0 < near[0] < 1
                    assert is_less or any(is_shown_as(v, shown) for v in near), (table.id, cell)
    assert seen > 1000
