"""The page: one file, well formed, readable, and honest in what it flags."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from partitioner.report.charts import Series, xy_figure
from partitioner.report.files import report_files
from partitioner.report.page import page_files, render
from partitioner.report.sections import Column, Kind, Section, State, Table
from partitioner.report.sections import Page as Described
from partitioner.report.strokes import DARK_HUES, LIGHT_HUES, TOKENS_DARK, TOKENS_LIGHT
from partitioner.report.text import table_text
from partitioner.report.told import Told
from tests.report.fixtures import outcome_of, with_finding
from tests.report.read_page import Page


@pytest.fixture(scope="module", params=["twelve", "many"])
def html(request) -> str:
    return request.getfixturevalue(f"{request.param}_page")


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_nothing_is_fetched(html: str, page: Page) -> None:
    assert "http:" not in html
    assert "https:" not in html
    assert "src=" not in html
    assert "@import" not in html
    assert page.all("link") == []
    # Scripts stand in the page, and what they know as well; one fetches as little as the other.
    assert [set(a) for a in page.all("script")] == [{"type", "id"}, set()]
    assert not re.search(r"\b(fetch|import|XMLHttpRequest|WebSocket|sendBeacon|eval)\b\s*\(", html)
    # References within styles stay on the page.
    assert all(u.startswith("#") for u in re.findall(r"url\(([^)]*)\)", html))


def test_ids_are_unique_and_references_resolve(page: Page) -> None:
    ids = [a["id"] for _, a in page.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    for _, attributes in page.tags:
        for name in ("aria-labelledby", "aria-describedby"):
            assert set((attributes.get(name) or "").split()) <= set(ids)
        href = attributes.get("href") or ""
        assert not href.startswith("#") or href[1:] in ids
        clip = re.fullmatch(r"url\(#(.+)\)", attributes.get("clip-path") or "")
        assert clip is None or clip[1] in ids


def test_every_drawing_has_title_description_and_view_box(page: Page) -> None:
    drawings = page.all("svg")
    assert len(drawings) >= 5
    for attributes, children in zip(drawings, page.svg_children, strict=True):
        assert children[:2] == ["title", "desc"]
        assert attributes["role"] == "img"
        assert attributes["viewbox"]
        assert attributes["aria-labelledby"]


def test_headings_run_in_order_under_one_h1(page: Page) -> None:
    assert page.headings.count(1) == 1
    assert page.headings[0] == 1
    assert all(b <= a + 1 for a, b in pairwise(page.headings))


def test_landmarks_language_captions_and_scopes(page: Page) -> None:
    assert page.all("html")[0]["lang"] == "en"
    for landmark in ("header", "nav", "main", "footer"):
        assert len(page.all(landmark)) == 1
    assert len(page.all("caption")) == len(page.all("table")) >= 8
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))


def test_the_verdict_comes_first(page: Page) -> None:
    words = page.words
    order = [
        "Every rule is kept",
        "Plan and side views",
        "Lines, one by one",
        "Ports and backbone",
        "Deadlines",
        "Rules and limits",
        "Cost against the star",
        "Software settings",
        "Assumptions and sources",
        "The run",
    ]
    body = words[words.index("Layout of") :]
    places = [body.rindex(w) for w in order]
    assert places == sorted(places)


def test_cautions_and_flags(twelve, many_page) -> None:
    few = Page(html_of(*twelve, None)).words
    assert "Invented prices and masses" in few
    assert "functional-safety case" in few
    assert "limit of stub" in few  # a limit that the fixture marks as from memory
    assert "engineered" not in few
    lots = Page(many_page).words
    assert "limits of 10BASE-T1S-multidrop are engineered ones (10 nodes, 40 m)" in lots
    assert "qualified electrically" in lots


def test_reader_warnings_are_repeated(twelve) -> None:
    problem, assessment = twelve
    warned = replace(problem, warnings=("lamp-1 stands 12 m from the nearest place",))
    assert "lamp-1 stands 12 m" in Page(html_of(warned, assessment, None)).words


def test_broken_rules_are_told_first(twelve) -> None:
    problem, assessment = twelve
    words = Page(html_of(problem, with_finding(assessment), None)).words
    assert "■ not acceptable This layout breaks 1 rule in 1 place" in words
    assert "length: The first line is 1.20 m too long." in words


def test_names_with_markup_are_escaped(twelve) -> None:
    problem, assessment = twelve
    nasty = replace(problem, name="<script>alert(1)</script>", note="a <b> & c")
    html = html_of(nasty, assessment, None)
    assert html.count("<script") == 2  # our own, and what it knows
    assert "&lt;script&gt;" in html
    Page(html)


def test_what_stands_between_grave_accents_is_in_the_code_face(twelve) -> None:
    told = "There was no time; `partitioner <i>` does, and a lone ` stays."
    section = Section("Further", told, points=[told], urgent=[told], cautions=[told])
    html = html_of(*twelve, None, [section])
    set_so = "There was no time; <code>partitioner &lt;i&gt;</code> does, and a lone ` stays."
    assert html.count(set_so) == 4


def html_of(*of: Any) -> str:
    return report_files(Told(*of))["report.html"]


def _extra() -> Section:
    table = Table(
        "histories",
        "What was seen",
        [
            Column("stream", "Stream", Kind.ID, heads_row=True),
            Column("seen_us", "Seen", Kind.NUMBER, "µs", 1),
            Column("state", "State", Kind.STATE),
            Column("trust", "Trust", Kind.TRUST),
            Column("used_share", "Used", Kind.BAR),
        ],
        [("s1", 12.34, "ok", "memory", 0.25), ("s2", None, "bad", "clause", 1.5)],
        note="Seen, not proved.",
    )
    chart = xy_figure("seen", "Seen", "Rises.", [Series("seen", [(0, 1), (1, 2)])], "s", "µs")
    return Section("Simulation", ("One.", "Two."), (table,), (chart,), points=("a point",))


def test_other_parts_add_sections_without_touching_templates(twelve) -> None:
    problem, assessment = twelve
    page = Page(html_of(problem, assessment, outcome_of(assessment), [_extra()]))
    words = page.words
    assert words.rindex("Plan and side views") > words.rindex("Simulation")
    for said in (
        "One.",
        "Two.",
        "a point",
        "12.3",
        "▲ memory",
        "■ bad",
        "25 %",
        "Seen, not proved.",
    ):
        assert said in words
    assert {"simulation", "table-histories", "seen"} <= {a.get("id") for _, a in page.tags}


def test_ids_used_twice_are_refused(twelve) -> None:
    problem, assessment = twelve
    with pytest.raises(ValueError, match="simulation"):
        html_of(problem, assessment, None, [_extra(), _extra()])


def test_sections_can_stand_on_a_page_of_their_own() -> None:
    html = render(
        Described("Front", State.OK, "done", ("Six points.", ""), [_extra()], "front.json")
    )
    assert "● done Six points." in Page(html).words
    assert "in front.json, which lie in the folder of this page" in Page(html).words
    assert "outcome.json" not in Page(html).words


def test_a_long_table_that_leaves_half_a_sheet_empty_stands_in_columns_on_paper() -> None:
    def classes(rows: int, letters: int) -> str:
        columns = [Column("name", "Name"), Column("count", "Count", Kind.NUMBER)]
        table = Table("any", "Any", columns, [("x" * letters, n) for n in range(rows)])
        section = Section("Any part", tables=[table])
        drawn = Page(render(Described("Any", State.OK, "well", ("All is well.",), [section])))
        (found,) = (a["class"] for a in drawn.all("div") if "rows" in a.get("class", ""))
        return found

    assert "narrow" in classes(50, 70)
    assert "narrow" not in classes(50, 90)
    assert "narrow" not in classes(20, 70)


def test_every_table_has_its_csv_twin_with_the_same_numbers(many) -> None:
    problem, assessment = many
    files = report_files(Told(problem, assessment, outcome_of(assessment), [_extra()]))
    page = Page(str(files["report.html"]))
    named = {a["href"] for a in page.all("a") if (a.get("href") or "").endswith(".csv")}
    assert "histories.csv" in named
    assert named <= set(files)
    assert str(files["histories.csv"]).splitlines()[0] == "stream,seen_us,state,trust,used_share"
    asked = {"layout.yaml", "report.html", "outcome.json", "plca-ethtool.sh"}
    asked |= {
        f"{n}.csv" for n in ("segments", "drops", "ports", "streams", "parts", "wires", "plca")
    }
    assert asked <= set(files)


def test_page_is_the_same_every_time(twelve) -> None:
    problem, assessment = twelve
    outcome = outcome_of(assessment)
    assert html_of(problem, assessment, outcome) == html_of(problem, assessment, outcome)


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    """Contrast ratio of WCAG 2.1, success criterion 1.4.3."""
    low, high = sorted((_luminance(a), _luminance(b)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("tokens", [TOKENS_LIGHT, TOKENS_DARK], ids=["light", "dark"])
def test_contrast_of_texts_and_strokes(tokens: dict[str, str]) -> None:
    for name in ("--ink", "--muted", "--ok", "--warn", "--bad"):
        assert _contrast(tokens[name], tokens["--page"]) >= 4.5, name
    assert _contrast(tokens["--ink"], tokens["--bar"]) >= 4.5
    for hue in range(6):
        # Strokes are graphics: 3:1 (WCAG 2.1, 1.4.11), on the page.
        assert _contrast(tokens[f"--h{hue}"], tokens["--page"]) >= 3.0, hue


def _lab(linear: list[float]) -> tuple[float, float, float]:
    r, g, b = (min(max(c, 0.0), 1.0) for c in linear)
    xyz = (
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    )
    x, y, z = (c ** (1 / 3) if c > 0.008856 else 7.787 * c + 16 / 116 for c in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


# Simulation of complete dichromacy in linear RGB: Machado, Oliveira and Fernandes, IEEE
# Transactions on Visualization and Computer Graphics 15(6), 2009, severity 1.0.
VISION = {
    "normal": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("hues", [LIGHT_HUES, DARK_HUES], ids=["light", "dark"])
def test_hues_stay_apart_for_everyone(hues: tuple[str, ...], vision: str) -> None:
    seen = []
    for colour in hues:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        rows = VISION[vision]
        seen.append(_lab([sum(m * c for m, c in zip(r, linear, strict=True)) for r in rows]))
    nearest = min(
        sum((p - q) ** 2 for p, q in zip(a, b, strict=True)) ** 0.5
        for i, a in enumerate(seen)
        for b in seen[:i]
    )
    assert nearest >= 13.0


def test_long_tables_are_cut_on_the_page_and_whole_in_their_file() -> None:
    columns = [Column("device", "Device", Kind.ID), Column("only_in_the_file")]
    rows = [(f"lamp-{n}", n) for n in range(16)]
    table = Table("drops", "Drops", columns, rows, note="All of them.", most_rows=5)
    files = page_files(Described("T", State.OK, "done", ("One.",), [Section("S", tables=[table])]))
    words = Page(files["report.html"]).words
    assert "The first 5 of 16 rows; drops.csv has all of them. All of them." in words
    assert "lamp-4" in words
    assert "lamp-5" not in words
    assert len(files["drops.csv"].splitlines()) == 17
    assert files["drops.csv"].startswith("device,only_in_the_file\n")


def test_a_table_says_the_same_in_every_form() -> None:
    """Page, terminal, CSV and JSON are written from one description."""
    table = Table(
        "t",
        "Caption",
        [
            Column("line", "Line", Kind.ID, heads_row=True),
            Column("length_m", "Length", Kind.NUMBER, "m", 2, limit="limit_m"),
            Column("limit_m"),
            Column("state", "State", Kind.STATE, state_words=("kept", "tight", "late")),
            Column("source", "Source", Kind.SOURCE),
        ],
        [("L1", 1.5, 25.0, "ok", "a standard"), ("L2", 26.25, 0, "bad", "long " * 20)],
    )
    page = Page(render(Described("T", State.OK, "done", ("One.",), [Section("S", tables=[table])])))
    assert "Line Length , m State Source L1 1.50 / 25 ● kept a standard" in page.words
    assert "L2 – ■ late note 1" in page.words
    assert table_text(table).splitlines() == [
        "Line  Length, m  State  Source",
        "L1    1.50 / 25  kept   a standard",
        "L2            –  late   note 1",
    ]
    header, first, _ = table.csv_text().splitlines()
    assert (header, first) == ("line,length_m,limit_m,state,source", "L1,1.5,25.0,ok,a standard")
    assert table.records()[0] == dict(zip(header.split(","), table.rows[0], strict=True))
    assert list(table.frame().columns) == header.split(",")
    assert table.frame()["length_m"].sum() == 27.75
