"""The page in a real browser: widths, dark, print, and nothing in the console."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest

from partitioner.report.sections import State
from partitioner.report.strokes import TOKENS_DARK, TOKENS_LIGHT
from partitioner.report.svg import DRAWING_CSS
from partitioner.report.zone_plan import zone_plan
from tests.browser import chromium
from tests.report.fixtures import switches_in_a_row

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser() -> Iterator:
    with chromium() as driver:
        yield driver


@pytest.fixture(scope="module", params=["twelve", "many"])
def address(request, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(request.getfixturevalue(f"{request.param}_page"), encoding="utf-8")
    return path.as_uri()


def _show(browser, address: str, width: int, *, dark: bool = False, media: str = "screen") -> None:
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": [scheme]})
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    if browser.current_url != address:
        browser.get(address)
    # As a reader finds it, whatever the last test has unfolded.
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = false)")


@pytest.mark.parametrize("width", [1280, 800, 390])
def test_page_never_scrolls_sideways(browser, address: str, width: int) -> None:
    _show(browser, address, width)
    # Also with everything unfolded.
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide, inner = browser.execute_script(
        "return [document.documentElement.scrollWidth, window.innerWidth]"
    )
    assert inner == width
    assert wide <= width


def test_console_stays_empty_and_nothing_is_loaded(browser, address: str) -> None:
    _show(browser, address, 1280)
    assert browser.get_log("browser") == []
    loaded = browser.execute_script("return performance.getEntriesByType('resource').length")
    assert loaded == 0


def _rgb(colour: str) -> str:
    return "rgb({}, {}, {})".format(*(int(colour[i : i + 2], 16) for i in (1, 3, 5)))


def test_judgements_in_tables_have_their_shape(browser, address: str) -> None:
    _show(browser, address, 1280)
    shapes = browser.execute_script(
        "return [...document.querySelectorAll('td:is(.ok,.warn,.bad)')]"
        ".map(cell => [cell.className, getComputedStyle(cell, '::before').content])"
    )
    assert shapes
    assert all(content.startswith(f'"{State(name).glyph} "') for name, content in shapes)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_page_and_drawings_follow_the_colour_scheme(browser, address: str, dark: bool) -> None:
    _show(browser, address, 1280, dark=dark)
    tokens = TOKENS_DARK if dark else TOKENS_LIGHT
    page, ink, label, line = browser.execute_script(
        "const of = (s, p) => getComputedStyle(document.querySelector(s))[p];"
        "return [of('html', 'backgroundColor'), of('body', 'color'),"
        " of('#layout-top text', 'fill'), of('#layout-top path.h0', 'stroke')]"
    )
    assert page == _rgb(tokens["--page"])
    assert ink == label == _rgb(tokens["--ink"])
    assert line == _rgb(tokens["--h0"])


def test_paper_is_light_and_shows_folded_tables(browser, address: str) -> None:
    _show(browser, address, 1000, dark=True, media="print")
    page, tall, nav = browser.execute_script(
        "return [getComputedStyle(document.documentElement).backgroundColor,"
        " document.querySelector('details table').getBoundingClientRect().height,"
        " getComputedStyle(document.querySelector('nav')).display]"
    )
    assert page == _rgb(TOKENS_LIGHT["--page"])
    assert tall > 40
    assert nav == "none"


def test_texts_of_drawings_stay_inside_them(browser, address: str) -> None:
    _show(browser, address, 1280)
    outside = browser.execute_script(
        """
        const bad = [];
        for (const svg of document.querySelectorAll('svg.drawing')) {
          const box = svg.getBoundingClientRect();
          for (const text of svg.querySelectorAll('text')) {
            const r = text.getBoundingClientRect();
            if (r.left < box.left - 2 || r.right > box.right + 2 ||
                r.top < box.top - 2 || r.bottom > box.bottom + 2)
              bad.push(svg.id + ': ' + text.textContent);
          }
        }
        return bad;
        """
    )
    assert outside == []


def test_device_labels_are_readable_in_the_overview(browser, address: str) -> None:
    """Real text boxes, not estimates: at most one label in a hundred is half covered."""
    _show(browser, address, 1280)
    labels, covered = browser.execute_script(
        """
        const names = new Set([...document.querySelectorAll('#layout-top text')]
          .filter(t => t.classList.contains('name')));
        const boxes = [...names].map(t => t.getBoundingClientRect());
        let covered = 0;
        boxes.forEach((a, i) => {
          let area = 0;
          boxes.forEach((b, j) => {
            if (i === j) return;
            const w = Math.min(a.right, b.right) - Math.max(a.left, b.left);
            const h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
            if (w > 0 && h > 0) area += w * h;
          });
          if (area > 0.5 * a.width * a.height) covered += 1;
        });
        return [boxes.length, covered];
        """
    )
    assert labels >= 14
    assert covered <= labels / 100


def test_names_of_zones_do_not_cover_each_other(browser, tmp_path: Path) -> None:
    """Real text boxes of a long narrow machine with 29 switches."""
    drawn = zone_plan(switches_in_a_row(29))
    assert drawn is not None
    path = tmp_path / "zones.html"
    path.write_text(f"<style>{DRAWING_CSS}</style>{drawn.svg}", encoding="utf-8")
    browser.get(path.as_uri())
    boxes = browser.execute_script(
        "return [...document.querySelectorAll('svg text')].map(t => t.getBBox())"
        ".map(b => [b.x, b.x + b.width, b.y, b.y + b.height])"
    )
    assert len(boxes) == 29
    for a, b in combinations(boxes, 2):
        apart = (a[1] <= b[0], b[1] <= a[0], a[3] <= b[2], b[3] <= a[2])
        assert any(apart), (a, b)
