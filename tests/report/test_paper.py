"""What is printed, counted in pages of a real browser, and what axe-core finds on the page."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from partitioner.application.explain import explain
from partitioner.application.plan import plan
from partitioner.application.reading import read_layout, read_problem
from partitioner.application.replan import replan
from partitioner.application.report import report
from partitioner.application.search import Search
from partitioner.application.sweep import Sweep
from partitioner.application.tradeoff import tradeoff
from partitioner.cluster.connection import given_cluster
from partitioner.studies.study_file import read_study
from tests.browser import chromium
from tests.report.fixtures import DEMOS, ROOT, demo_plan, demo_report
from tests.studies.problems import write_study
from tests.studies.test_sweep import FEW, Here

CASES = ROOT / "tests" / "cases"
SPRAYER = ROOT / "tests" / "gold" / "small-sprayer"
PAPER_IN = {"A4": (8.27, 11.69), "A3": (11.69, 16.54)}


@pytest.fixture(scope="module")
def files() -> dict[str, str]:
    read = read_layout(SPRAYER / "problem.yaml", SPRAYER / "layout-by-hand.yaml")
    answer = report(read.problem, read.layout)
    found = {}
    for paper in ("summary", "sheets", "all", "drawings"):
        found.update(answer.files(paper=paper))
    return found


def test_each_choice_has_all_that_the_one_before_has(files: dict[str, str]) -> None:
    headings = [
        set(re.findall(r"<h[23] id=\"([^\"]*)\"", files[f"print-{p}.html"]))
        for p in ("summary", "sheets", "all")
    ]
    assert headings[0] < headings[1] < headings[2]
    assert any(h.startswith("sheet-") for h in headings[1])
    assert not any(h.startswith("sheet-") for h in headings[0])
    whole = set(re.findall(r"<h[23] id=\"([^\"]*)\"", files["report.html"]))
    assert headings[2] == whole


def test_a_page_to_be_printed_has_nothing_to_click(files: dict[str, str]) -> None:
    for paper in ("summary", "sheets", "all", "drawings"):
        page = files[f"print-{paper}.html"]
        assert "<nav" not in page
        assert "<input" not in page
        anchors = set(re.findall(r'href="#([^"]*)"', page))
        assert anchors <= set(re.findall(r'id="([^"]*)"', page))


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    with chromium() as driver:
        yield driver


def pages(driver: Any, paper: str = "A4", choice: str = "print-all") -> int:
    """Pages of the PDF that the browser makes of what it shows."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", printed(driver, paper, choice)))


def printed(driver: Any, paper: str = "A4", choice: str = "print-all") -> bytes:
    """The PDF that the browser makes of what it shows, in the page's own orientation."""
    choose = "document.getElementById(arguments[0])?.click()"
    driver.execute_script(choose, choice)
    wide, tall = PAPER_IN[paper]
    asked = {"preferCSSPageSize": True, "paperWidth": wide, "paperHeight": tall}
    return base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", asked)["data"])


@pytest.mark.browser
@pytest.mark.parametrize("paper", list(PAPER_IN))
def test_every_page_has_its_number_the_title_and_the_heads_of_its_tables(
    driver: Any, files: dict[str, str], tmp_path: Path, paper: str
) -> None:
    pypdf = pytest.importorskip("pypdf")
    (tmp_path / "all.html").write_text(files["print-all.html"], encoding="utf-8")
    driver.get((tmp_path / "all.html").as_uri())
    sheets = pypdf.PdfReader(io.BytesIO(printed(driver, paper))).pages
    wide, tall = PAPER_IN[paper]
    for number, sheet in enumerate(sheets, 1):
        words = " ".join(sheet.extract_text().split())
        assert f"page {number} of {len(sheets)}" in words
        assert "Layout of small-sprayer" in words
        box = sheet.mediabox
        assert (box.width / 72, box.height / 72) == pytest.approx((tall, wide), abs=0.02)
    # A table that goes on over pages.
    texts = [sheet.extract_text() for sheet in sheets]
    with_places = [words for words in texts if "all but delays and loads" in words]
    assert len(with_places) > 1
    assert all("Judged by" in words for words in with_places)


@pytest.mark.browser
def test_no_row_and_no_figure_is_broken_by_the_end_of_a_page(
    driver: Any, files: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "all.html").write_text(files["print-all.html"], encoding="utf-8")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    driver.get((tmp_path / "all.html").as_uri())
    styles = (
        "return [...new Set([...document.querySelectorAll('tr, figure')]"
        ".map(e => getComputedStyle(e).breakInside))]"
    )
    assert driver.execute_script(styles) == ["avoid"]
    # A figure taller than a page would be broken all the same: 210 mm less the margins.
    tallest = (
        "return Math.max(...[...document.querySelectorAll('svg.drawing')]"
        ".map(e => e.getBoundingClientRect().height))"
    )
    assert driver.execute_script(tallest) <= (210 - 24) / 25.4 * 96
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


@pytest.mark.slow
@pytest.mark.browser
def test_each_drawing_is_a_sheet(driver: Any, files: dict[str, str], tmp_path: Path) -> None:
    page = files["print-drawings.html"]
    (tmp_path / "drawings.html").write_text(page, encoding="utf-8")
    drawn = [name for name in files if name.startswith("drawing-")]
    assert page.count("<figure>") == page.count("<figcaption>") == len(drawn) > 3
    driver.get((tmp_path / "drawings.html").as_uri())
    assert [pages(driver, paper) for paper in PAPER_IN] == [len(drawn), len(drawn)]


@pytest.mark.browser
def test_the_summary_fits_two_pages_however_it_is_chosen(
    driver: Any, files: dict[str, str], tmp_path: Path
) -> None:
    for name in ("report.html", "print-summary.html"):
        (tmp_path / name).write_text(files[name], encoding="utf-8")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    driver.get((tmp_path / "print-summary.html").as_uri())
    summary = pages(driver)
    driver.get((tmp_path / "report.html").as_uri())
    whole = pages(driver)
    assert pages(driver, choice="print-summary") == summary <= 2
    assert whole > pages(driver, choice="print-sheets")
    assert whole > pages(driver, "A3")


@pytest.mark.browser
def test_a_summary_without_a_second_page_has_no_empty_one(
    driver: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("partitioner.report.story.SUMMARY_LINES", 0.0)
    read = read_layout(SPRAYER / "problem.yaml", SPRAYER / "layout-by-hand.yaml")
    files = report(read.problem, read.layout).files(paper="summary")
    for name, choice in (("print-summary.html", ""), ("report.html", "print-summary")):
        (tmp_path / name).write_text(files[name], encoding="utf-8")
        driver.get((tmp_path / name).as_uri())
        assert pages(driver, choice=choice) == 1


SCREEN = (1280, 900)


def _first_sheet_ends_at(driver: Any, folder: Path, page: str) -> float:
    """How far down the first sheet reaches on a screen, in px."""
    (folder / "screen.html").write_text(page, "utf-8")
    width, height = SCREEN
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    driver.get((folder / "screen.html").as_uri())
    ends = "return document.querySelector('header').getBoundingClientRect().bottom + scrollY"
    found = driver.execute_script(ends)
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    return found


@pytest.mark.browser
def test_the_first_sheet_fits_one_screen(
    driver: Any, files: dict[str, str], tmp_path: Path
) -> None:
    assert _first_sheet_ends_at(driver, tmp_path, files["report.html"]) <= SCREEN[1]


THINNED = """
const form = row => [row, ...row.querySelectorAll('*')].map(e => e.tagName + [...e.attributes].map(
  a => ' ' + a.name + (/^(class|style|role|scope)$/.test(a.name) ? '=' + a.value : '')).join('')
  + (e.textContent.trim() ? '.' : '')).join();
const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
document.querySelectorAll('details').forEach(d => d.open = true);
for (const body of document.querySelectorAll('tbody')) {
  if (body.querySelector('[rowspan]')) continue;
  const seen = new Set();
  for (const row of [...body.rows]) seen.has(form(row)) ? row.remove() : seen.add(form(row));
}
return ids.filter((id, n) => ids.indexOf(id) !== n);
"""
"""Unfolds everything, leaves one row of each form in a table and tells the ids that stand twice.

A table has thousands of cells of the same elements, attributes, classes and styles, and axe-core
needs minutes for them; it finds the same in one row of each form.
"""


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("demo", DEMOS)
def test_a_demo_has_a_summary_of_two_pages_and_one_for_each_line(
    driver: Any, tmp_path: Path, demo: str
) -> None:
    answer = demo_report(demo)
    counted = {}
    for paper in ("summary", "sheets"):
        page = tmp_path / f"{paper}.html"
        page.write_text(answer.files(paper=paper)[f"print-{paper}.html"], "utf-8")
        driver.get(page.as_uri())
        counted[paper] = pages(driver)
    assert counted["summary"] <= 2
    lines = sum(bool(f.segment.plca_ids) for f in answer.assessment.segments)
    first = "document.querySelectorAll('main > *').forEach(e => e.remove())"
    driver.get((tmp_path / "summary.html").as_uri())
    driver.execute_script(first)
    assert pages(driver) == 1
    # Besides: the summary, all segments, links with ports, blocks with their table.
    assert lines + 2 < counted["sheets"] <= lines + 8
    if len(answer.problem.devices) == 42:
        assert counted["sheets"] <= 12


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("demo", DEMOS)
def test_the_first_sheet_of_a_planned_demo_fits_one_screen(
    driver: Any, tmp_path: Path, demo: str
) -> None:
    """One that breaks rules has more to clear first."""
    page = demo_plan(demo).files()["report.html"]
    assert _first_sheet_ends_at(driver, tmp_path, page) <= SCREEN[1]


def violations(driver: Any, address: str, states: Sequence[tuple[int, str]]) -> list[str]:
    """What axe-core has against a page in each width and colour scheme, everything unfolded."""
    from axe_core_python import selenium

    driver.get(address)
    told = [f"id {id} stands twice" for id in driver.execute_script(THINNED)]
    driver.set_script_timeout(600)
    driver.command_executor.client_config.timeout = 600
    for width, scheme in states:
        media = {"name": "prefers-color-scheme", "value": scheme}
        asked = {"media": "screen", "features": [media]}
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", asked)
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        # What is in order would be listed piece by piece, which takes most of the time.
        found = selenium.Axe().run(driver, options={"resultTypes": ["violations"]})["violations"]
        told += [f"{width} {scheme} {v['id']}: {v['nodes'][0]['html'][:200]}" for v in found]
    return told


@pytest.mark.browser
def test_axe_finds_nothing(driver: Any, files: dict[str, str], tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    page.write_text(files["report.html"], encoding="utf-8")
    assert violations(driver, page.as_uri(), [(1280, "light"), (390, "dark")]) == []


STATES = [(width, scheme) for width in (1280, 390) for scheme in ("light", "dark")]


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("demo", DEMOS)
def test_axe_finds_nothing_on_the_page_of_a_demo(driver: Any, tmp_path: Path, demo: str) -> None:
    page = tmp_path / "report.html"
    page.write_text(demo_report(demo).files()["report.html"], "utf-8")
    assert violations(driver, page.as_uri(), STATES) == []


def page_of(command: str, folder: Path) -> str:
    """The page that a command makes of a small problem."""
    match command:
        case "tradeoff":
            asked = read_problem(CASES / "tradeoff-floor.yaml")
            files = tradeoff(asked, Search(time_limit_s=60), points=None).files()
        case "explain":
            files = explain(read_problem(CASES / "explain-links.yaml")).files()
        case "sweep":
            study = read_study(write_study(folder, FEW))
            files = Sweep(study, cluster=given_cluster(Here())).answer(0).files()
        case "replan":
            read = read_layout(SPRAYER / "problem.yaml", SPRAYER / "layout-by-hand.yaml")
            files = replan(read.problem, read.layout, Search(time_limit_s=60), points=3).files()
        case "against":
            read = read_layout(SPRAYER / "problem.yaml", SPRAYER / "layout-by-hand.yaml")
            best = plan(read.problem, work_limit=20).outcome.layout
            files = report(read.problem, best, against=("by hand", read.layout)).files()
    return next(text for name, text in files.items() if name.endswith(".html"))


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("command", ["tradeoff", "explain", "sweep", "replan", "against"])
def test_axe_finds_nothing_on_the_page_of_a_command(
    driver: Any, tmp_path: Path, command: str
) -> None:
    page = tmp_path / "page.html"
    page.write_text(page_of(command, tmp_path), "utf-8")
    assert violations(driver, page.as_uri(), STATES) == []
