"""Looking around in the page of a layout, in a real browser: nothing but what a reader does."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from partitioner.application.reading import read_layout
from partitioner.application.report import report
from partitioner.report import drawing
from partitioner.report.looking_around import things_of
from tests.browser import chromium

CASE = Path(__file__).parents[1] / "gold/small-sprayer"


@pytest.fixture(scope="module")
def answer() -> Any:
    read = read_layout(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")
    return report(read.problem, read.layout)


@pytest.fixture(scope="module")
def address(answer: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(answer.files()["report.html"], encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    with chromium() as driver:
        yield driver


class Reader:
    """What a reader does and sees."""

    def __init__(self, driver: Any, address: str):
        self.driver, self.address = driver, address

    def open(self, fragment: str = "") -> Reader:
        self.driver.get("about:blank")
        self.driver.get(self.address + fragment)
        return self

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def keys(self, *keys: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver).send_keys(*keys).perform()

    def find(self, selector: str) -> Any:
        from selenium.webdriver.common.by import By

        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def see(self, selector: str) -> Any:
        """The element, unfolded and scrolled to where one sees it."""
        element = self.find(selector)
        self.run(
            "for (let up = arguments[0]; up; up = up.parentElement) if (up.tagName === 'DETAILS')"
            " up.open = true; arguments[0].scrollIntoView({block: 'center', inline: 'center'})",
            element,
        )
        return element

    def point(self, selector: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver).move_to_element(self.see(selector)).perform()

    def click(self, selector: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver).move_to_element(self.see(selector)).click().perform()

    def choose(self, id: str, value: str) -> None:
        """Choose from a list, as a reader does."""
        from selenium.webdriver.support.ui import Select

        Select(self.find(f"#{id}")).select_by_value(value)

    def lit(self, kind: str) -> set[str]:
        """What is marked as lit in the drawing in sight."""
        return set(
            self.run(
                f"return [...document.querySelectorAll('#layout-top + .lifted [data-{kind}]')]"
                f".map(e => e.dataset.{kind})"
            )
        )

    def rows(self, table: str, mark: str = "") -> list[str]:
        """Headings of the rows that are shown (and have a mark)."""
        return self.run(
            f"return [...document.querySelectorAll('#table-{table} tbody tr{mark}')]"
            ".filter(r => getComputedStyle(r).display !== 'none')"
            ".map(r => (r.querySelector('th') ?? r.cells[0]).textContent)"
        )

    @property
    def told(self) -> str:
        return self.find("#told").text

    @property
    def hash(self) -> str:
        return self.run("return location.hash")

    def wait(self, script: str) -> Any:
        """Wait until something is so; the page puts off what need not be at once."""
        from selenium.webdriver.support.ui import WebDriverWait

        return WebDriverWait(self.driver, 10, 0.05).until(lambda _: self.run(script))


@pytest.fixture
def reader(driver: Any, address: str) -> Reader:
    return Reader(driver, address).open()


def test_pointing_lights_up_what_belongs_together_and_dims_the_rest(reader: Reader) -> None:
    reader.point("#layout-top .marks [data-device=tank-level] circle:last-child")
    reader.wait("return document.querySelector('#layout-top + .lifted')")
    assert "tank-level" in reader.lit("device")
    assert reader.lit("segment") == {"middle-line"}
    assert "valve-left" not in reader.lit("device")
    # A sheet through which the drawing is seen dimly, exactly above it.
    box = "const box = document.querySelector('#layout-top{}').getBoundingClientRect();"
    sides = "return ['left', 'top', 'right', 'bottom'].map(side => Math.round(box[side]))"
    assert reader.run(box.format(" + .lifted") + sides) == reader.run(box.format("") + sides)
    sheet = "return getComputedStyle(document.querySelector('#layout-top + .lifted')).{}"
    opacity = reader.run(sheet.format("backgroundColor")).rstrip(")").split()[-1]
    assert 0.5 < float(opacity) < 0.9
    assert reader.run(sheet.format("pointerEvents")) == "none"
    assert reader.told.startswith("tank-level: device on middle-line")
    reader.point("h1")
    reader.wait("return !document.querySelector('#layout-top + .lifted')")
    assert reader.told == ""


def test_every_drawing_of_the_layout_answers(reader: Reader) -> None:
    """Each holds devices, lines, streams or switches that light up, and has an outline for it."""
    deaf = (
        "return [...document.querySelectorAll('svg.drawing')].filter(svg => !svg.querySelector("
        "'[data-device], [data-segment], [data-stream], [data-switch]')).map(svg => svg.id)"
    )
    assert reader.run(deaf) == []
    for sheet, mark in (
        ("zones-plan", "path[data-device=pump], circle[data-device=pump]"),
        ("sheet-5-round", "[data-device=pump] rect"),
    ):
        reader.see(f"#{sheet}")
        reader.point(f"#{sheet} :is({mark})")
        reader.wait(f"return document.querySelector('#{sheet} + .lifted .is-lit')")
        assert reader.told.startswith("pump: device on rear-line")
        reader.point("h1")
        reader.wait(f"return !document.querySelector('#{sheet} + .lifted')")


def test_rows_and_drawings_answer_to_each_other(reader: Reader) -> None:
    reader.click("#table-segments tbody tr:nth-child(2) th")
    assert reader.rows("segments", ".is-lit") == ["middle-line"]
    reader.see("#layout-top")
    reader.wait("return document.querySelector('#layout-top + .lifted')")
    assert {"tank-level", "pressure-a"} <= reader.lit("device")
    reader.see("#table-streams")
    reader.wait("return document.querySelector('#table-streams.dims')")
    assert set(reader.rows("streams", ".is-near")) == {"level", "pressure-a-now"}
    # Not by colour alone: weight and a bar.
    weight, bar = reader.run(
        "const cell = document.querySelector('#table-segments .is-lit > :first-child');"
        "return [getComputedStyle(cell).fontWeight, getComputedStyle(cell).boxShadow]"
    )
    assert int(weight) >= 600
    assert bar != "none"


@pytest.mark.parametrize(
    ("selector", "key"),
    [
        ("#layout-top .cables [data-segment=boom-right] path", "segment/boom-right"),
        ("#layout-top .switches [data-switch=zone-rear]", "switch/zone-rear"),
        ("#layout-top [data-pathway=front-middle]", "pathway/front-middle"),
        ("#delays [data-stream=video]", "stream/video"),
        ("#layout-top [data-backbone]", "backbone/zone-front-zone-rear"),
    ],
)
def test_every_kind_of_thing_can_be_pointed_at(reader: Reader, selector: str, key: str) -> None:
    """The browser itself decides what lies under the pointer; a bent cable has none in its box."""
    reader.see(selector)
    reader.run(
        "arguments[0].dispatchEvent(new PointerEvent('pointerover', {bubbles: true}))",
        reader.find(selector),
    )
    assert reader.told.startswith(key.split("/")[1] + ": ")
    reader.run("arguments[0].dispatchEvent(new MouseEvent('click', {bubbles: true}))",
               reader.find(selector))  # fmt: skip
    reader.wait(f"return location.hash.includes('at={key}')")


@pytest.mark.parametrize("key", ["device/tank-level", "segment/middle-line", "segment/rear-line"])
def test_pointing_tells_why_it_hangs_there(reader: Reader, answer: Any, key: str) -> None:
    """What the next best places cost more or break, in the words of the section on that."""
    (why,) = [s.told for s in answer.told.sections if s.told]
    kind, name = key.split("/")
    reader.see("#layout-top")
    place = f"#layout-top .{'marks' if kind == 'device' else 'cables'} [data-{kind}={name}]"
    reader.run(
        "arguments[0].dispatchEvent(new PointerEvent('pointerover', {bubbles: true}))",
        reader.find(place),
    )
    words = why[key].replace("\u00a0", " ")
    assert reader.told.endswith(f". Elsewhere: {words}")
    assert " dearer" in words or "breaks " in words


def test_click_pins_and_escape_clears(reader: Reader) -> None:
    reader.click("#layout-top .marks [data-device=pump] circle:last-child")
    reader.point("h1")
    assert reader.find("#lit-name").text == "pump"
    assert reader.told.startswith("pump: device on rear-line")
    from selenium.webdriver.common.keys import Keys

    reader.keys(Keys.ESCAPE)
    assert not reader.find("#lit").is_displayed()
    assert reader.told == ""
    reader.wait("return !location.hash.includes('at=')")


def test_search_by_keyboard_alone(reader: Reader) -> None:
    from selenium.webdriver.common.keys import Keys

    reader.keys("/")
    assert reader.run("return document.activeElement.id") == "find"
    reader.keys("pressure-b")
    assert reader.find("#find").get_attribute("aria-expanded") == "true"
    active = reader.find("#find").get_attribute("aria-activedescendant")
    assert reader.find(f"#{active}").text.startswith("pressure-b device on rear-line")
    assert reader.told.endswith("found")
    reader.keys(Keys.ARROW_DOWN)
    active = reader.find("#find").get_attribute("aria-activedescendant")
    assert reader.find(f"#{active}").text.startswith("pressure-b-now stream")
    reader.keys(Keys.ENTER)
    assert reader.find("#lit-name").text == "pressure-b-now"
    assert not reader.find("#found").is_displayed()
    # On to the first place where it stands, which opens what is folded.
    reader.run("document.querySelector('#lit-places button').focus()")
    reader.keys(Keys.ENTER)
    assert reader.run("return document.activeElement.matches('.scroll')")


def test_a_drawing_and_a_table_are_gone_through_by_keys(reader: Reader) -> None:
    from selenium.webdriver.common.keys import Keys

    region = "document.querySelector('#layout-top').closest('[tabindex]')"
    reader.run(f"{region}.scrollIntoView(); {region}.focus()")
    reader.keys("n")
    first = reader.told
    reader.keys("n")
    second = reader.told
    assert first != second
    reader.keys("p")
    assert reader.told == first
    reader.keys(Keys.ENTER)
    assert reader.find("#lit-name").text == first.split(":")[0]
    reader.keys("n")
    assert reader.find("#lit-name").text == second.split(":")[0]
    reader.keys(Keys.ESCAPE)
    table = "document.querySelector('#table-segments').closest('[tabindex]')"
    reader.run(f"{table}.focus()")
    reader.keys("n", "n")
    assert reader.told.startswith("middle-line: line at zone-front port 2")


@pytest.mark.parametrize(
    ("field", "value", "segments"),
    [
        ("by-switch", "zone-rear", ["rear-line", "boom-left", "boom-right"]),
        ("by-zone", "front", ["front-line", "middle-line", "panel-link", "camera-link"]),
        ("by-option", "wind-kit", ["front-line"]),
        ("by-grade", "100BASE-T1", ["panel-link"]),
    ],
)
def test_filters(reader: Reader, field: str, value: str, segments: list[str]) -> None:
    reader.find("#filter-button").click()
    reader.choose(field, value)
    assert reader.rows("segments") == segments
    assert f"{len(segments)} of 7 rows" in reader.find("#table-segments caption").text
    drawn, out = reader.run(
        "return ['[data-segment]', '.out'].map(of => [...document.querySelectorAll("
        "'#layout-top .cables > ' + of)].map(e => e.dataset.segment))"
    )
    assert set(out) == set(drawn) - set(segments) != set()
    reader.find("#clear").click()
    assert len(reader.rows("segments")) == 7


def test_filter_by_margin(reader: Reader, answer: Any) -> None:
    things = things_of(answer.problem, answer.assessment)
    assert min(left for *_, left in things["stream"].values()) > 0.5
    short = {s for s, own in things["segment"].items() if own["left"] <= 0.5}
    assert 0 < len(short) < len(things["segment"])
    reader.find("#filter-button").click()
    reader.choose("by-left", "0.5")
    assert set(reader.rows("segments")) == short
    assert reader.rows("streams") == []


def test_the_build_hides_what_it_lacks_and_cuts_the_line_back(reader: Reader) -> None:
    way = (
        "return document.querySelector('#layout-top .cables [data-segment=front-line] path')"
        ".getTotalLength()"
    )
    whole = reader.run(way)
    assert "wind" in reader.rows("streams")
    reader.choose("build", "without options")
    assert "wind" not in reader.rows("streams")
    assert "wind-sensor" not in reader.rows("drops")
    assert "work-lamp-left" in reader.rows("drops")
    mark = "#layout-top .marks [data-device=wind-sensor]"
    assert not reader.find(mark).is_displayed()
    assert reader.run(way) < 0.8 * whole
    assert reader.told == "10 of 11 devices shown"
    reader.choose("build", "")
    assert reader.find(mark).is_displayed()
    assert reader.run(way) == whole


def test_tables_are_sorted_by_any_column(reader: Reader) -> None:
    before = reader.rows("segments")
    head = "#table-segments thead th:nth-child({}) button"
    column = reader.run(
        "return [...document.querySelector('#table-segments thead').rows[0].cells]"
        ".findIndex(c => c.textContent.startsWith('Length')) + 1"
    )
    cells = (
        "return [...document.querySelectorAll('#table-segments tbody tr')]"
        f".map(r => parseFloat(r.cells[{column - 1}].textContent))"
    )
    reader.see(head.format(column)).click()
    lengths = reader.run(cells)
    assert lengths == sorted(lengths, reverse=True)
    assert len(set(lengths)) > 3
    heading = f"#table-segments thead th:nth-child({column})"
    assert reader.find(heading).get_attribute("aria-sort") == "descending"
    assert "Sorted by Length" in reader.told
    reader.find(head.format(column)).click()
    assert reader.run(cells) == sorted(lengths)
    reader.find(head.format(column)).click()
    assert reader.rows("segments") == before
    assert reader.find(heading).get_attribute("aria-sort") is None
    reader.find(head.format(1)).click()
    assert reader.rows("segments") == sorted(before)


def _box(reader: Reader) -> list[float]:
    box = reader.run("return document.querySelector('#layout-top').getAttribute('viewBox')")
    return [float(n) for n in box.split()]


def _wheel(reader: Reader, **options: Any) -> None:
    reader.run(
        "const svg = document.querySelector('#layout-top'), box = svg.getBoundingClientRect();"
        "svg.dispatchEvent(new WheelEvent('wheel', {deltaY: -320, bubbles: true, cancelable: true,"
        " clientX: box.left + box.width / 2, clientY: box.top + box.height / 4, ...arguments[0]}))",
        options,
    )


def test_zoom_by_wheel_and_keys(reader: Reader) -> None:
    reader.see("#layout-top")
    whole = _box(reader)
    _wheel(reader)  # without focus the page scrolls
    reader.run("return new Promise(requestAnimationFrame)")
    assert _box(reader) == whole
    _wheel(reader, ctrlKey=True)
    reader.wait("return document.querySelector('#layout-top.zoomed')")
    assert _box(reader)[2] == pytest.approx(whole[2] / 2)
    reader.run("document.querySelector('#layout-top').closest('[tabindex]').focus()")
    from selenium.webdriver.common.keys import Keys

    reader.keys("+", Keys.ARROW_RIGHT)
    reader.wait("return location.hash.includes('view=layout-top,3.20')")
    assert _box(reader)[2] == pytest.approx(whole[2] / 3.2)
    reader.keys("0")
    reader.wait("return !document.querySelector('#layout-top.zoomed')")
    assert _box(reader) == whole


def test_what_is_lit_stays_in_its_place_when_one_zooms(reader: Reader) -> None:
    reader.click("#layout-top .marks [data-device=pump] circle:last-child")
    _wheel(reader, ctrlKey=True)
    reader.wait("return document.querySelector('#layout-top.zoomed + .lifted.zoomed')")
    middles = reader.run(
        "return ['#layout-top', '#layout-top + .lifted'].map(of => {"
        " const box = document.querySelector(`${of} .marks [data-device=pump]`)"
        ".getBoundingClientRect();"
        " return [box.x + box.width / 2, box.y + box.height / 2]; })"
    )
    assert middles[0] == pytest.approx(middles[1], abs=0.5)


def test_pan_by_drag_and_zoom_by_two_fingers(reader: Reader) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    svg = reader.see("#layout-top")
    _wheel(reader, ctrlKey=True)
    reader.wait("return document.querySelector('#layout-top.zoomed')")
    before = _box(reader)
    ActionChains(reader.driver).move_to_element(svg).click_and_hold().move_by_offset(
        60, 0
    ).release().perform()
    reader.wait(f"return document.querySelector('#layout-top').viewBox.baseVal.x < {before[0] - 9}")
    assert not reader.find("#lit").is_displayed()  # a drag is no click
    width = _box(reader)[2]
    reader.run(
        "const svg = document.querySelector('#layout-top'), b = svg.getBoundingClientRect();"
        "const send = (type, pointerId, x) => svg.dispatchEvent(new PointerEvent(type, {pointerId,"
        " bubbles: true, pointerType: 'touch', clientX: b.left + x, clientY: b.top + 90}));"
        "send('pointerdown', 7, 200); send('pointerdown', 8, 300); send('pointermove', 8, 400);"
    )
    reader.wait(f"return document.querySelector('#layout-top').viewBox.baseVal.width < {width - 9}")
    assert _box(reader)[2] == pytest.approx(width / 2, rel=0.01)


def test_one_finger_moves_a_drawing_that_is_zoomed(reader: Reader) -> None:
    svg = reader.see("#layout-top")
    _wheel(reader, ctrlKey=True)
    reader.wait("return document.querySelector('#layout-top.zoomed')")
    before = _box(reader)
    box = svg.rect
    top = reader.run("return arguments[0].getBoundingClientRect().top", svg)
    spot = [box["x"] + box["width"] / 2, top + box["height"] / 2]
    moves = (("touchStart", 0), ("touchMove", 20), ("touchMove", 60), ("touchEnd", None))
    for kind, moved in moves:
        points = [] if moved is None else [{"x": spot[0] + moved, "y": spot[1]}]
        reader.driver.execute_cdp_cmd(
            "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points}
        )
    reader.wait(f"return document.querySelector('#layout-top').viewBox.baseVal.x < {before[0] - 9}")
    assert not reader.find("#lit").is_displayed()  # a drag is no tap


def test_a_view_is_sent_by_its_address(reader: Reader) -> None:
    reader.click("#table-segments tbody tr:nth-child(2) th")
    reader.choose("build", "without options")
    reader.find("#filter-button").click()
    reader.choose("by-zone", "front")
    reader.see("#table-segments thead th:nth-child(1) button").click()
    reader.see("#layout-top")
    _wheel(reader, ctrlKey=True)
    reader.wait("return location.hash.includes('view=') && location.hash.includes('zone=')")
    state = {
        part.split("=")[0]: part.split("=")[1] for part in reader.hash[1:].split("&") if "=" in part
    }
    assert state["at"] == "segment/middle-line"
    assert state["sort"] == "segments.0.a"
    view = _box(reader)
    reader.open(reader.hash)
    reader.see("#layout-top")
    reader.wait("return document.querySelector('#layout-top.zoomed')")
    assert _box(reader) == pytest.approx(view, abs=1)
    assert reader.find("#lit-name").text == "middle-line"
    assert reader.find("#build").get_attribute("value") == "without options"
    assert reader.rows("segments") == ["camera-link", "front-line", "middle-line", "panel-link"]


def test_an_address_of_something_else_does_no_harm(reader: Reader) -> None:
    reader.open("#at=device/nobody&switch=nowhere&build=none&sort=x.9.a&sort=segments.99.d&view=a,b")
    assert reader.driver.get_log("browser") == []
    assert len(reader.rows("segments")) == 7
    assert not reader.find("#lit").is_displayed()


def test_links_within_the_page_keep_the_view(reader: Reader) -> None:
    reader.click("#table-segments tbody tr:nth-child(2) th")
    reader.wait("return location.hash.includes('at=')")
    anchor = reader.run(
        "const link = document.querySelector('nav a[href^=\"#\"]'); link.click();"
        "return link.getAttribute('href')"
    )
    reader.wait(f"return location.hash === '{anchor}&at=segment/middle-line'")


def test_levels_of_detail(
    driver: Any, answer: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drawing too full for names shows zones, then lines, then devices as one zooms in."""
    monkeypatch.setattr(drawing, "NAMES_UP_TO", 2)
    monkeypatch.setattr(drawing, "NUMBERS_UP_TO", 5)
    path = tmp_path / "report.html"
    path.write_text(answer.files()["report.html"], encoding="utf-8")
    reader = Reader(driver, path.as_uri()).open()
    reader.see("#layout-top")
    shown = (
        "return ['zones', 'marks', 'names'].filter(c => { const g ="
        " document.querySelector('#layout-top > .' + c);"
        " return g && getComputedStyle(g).display !== 'none'; })"
    )
    assert reader.run(shown) == ["zones"]
    names = (
        "return [...document.querySelectorAll('#layout-top > .names text')]"
        ".map(t => t.textContent)"
    )
    reader.run("document.querySelector('#layout-top').closest('[tabindex]').focus()")
    _wheel(reader)
    reader.wait("return document.querySelector('#layout-top > .names')")
    assert reader.run(shown) == ["zones", "names"]
    devices = set(answer.problem.devices)
    lines = {s.id for s in answer.assessment.layout.segments}
    assert set(reader.run(names)) <= lines
    assert reader.run(names)
    _wheel(reader)
    _wheel(reader)
    reader.wait(
        "return document.querySelector('#layout-top').dataset.level === 'devices'"
        " && document.querySelector('#layout-top > .names')"
    )
    assert reader.run(shown) == ["marks", "names"]
    assert set(reader.run(names)) <= lines | devices


def test_nothing_is_asked_of_the_network_and_the_console_stays_empty(reader: Reader) -> None:
    reader.driver.get_log("performance")
    reader.open("#at=device/pump")
    reader.keys("/", "pump")
    requests = [
        message["params"]["request"]["url"]
        for entry in reader.driver.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"]
        == "Network.requestWillBeSent"
    ]
    assert {url.split("#")[0] for url in requests} == {reader.address}
    assert reader.driver.get_log("browser") == []


def test_paper_and_scriptless_readers_get_the_whole_report(reader: Reader, address: str) -> None:
    text = (
        "const main = document.querySelector('main').cloneNode(true);"
        "main.querySelectorAll('.zoom').forEach(e => e.remove());"
        "return main.textContent.replace(/\\s+/g, ' ').trim()"
    )
    reader.open("#at=device/pump&build=without options&switch=zone-front")
    assert "wind" not in reader.rows("streams")
    reader.run("dispatchEvent(new Event('beforeprint'))")
    assert "wind" in reader.rows("streams")
    marked = "return document.querySelectorAll('.dims, .lifted, .out, .absent').length"
    assert reader.run(marked) == 0
    reader.run("dispatchEvent(new Event('afterprint'))")
    assert "wind" not in reader.rows("streams")
    reader.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert not reader.find(".looking").is_displayed()
    assert not reader.find(".zoom").is_displayed()
    waits = "return getComputedStyle(document.querySelector('.waits')).contentVisibility"
    assert reader.run(waits) == "visible"
    reader.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert reader.run(waits) == "auto"
    with_script = reader.open().run(text)
    reader.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        reader.open()
        found = reader.driver.execute_cdp_cmd(
            "DOM.getOuterHTML",
            {"nodeId": reader.driver.execute_cdp_cmd("DOM.getDocument", {})["root"]["nodeId"]},
        )["outerHTML"]
    finally:
        reader.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert 'class="looking"' not in found.split("<template")[0]
    reader.driver.get("about:blank")
    reader.run("document.body.innerHTML = new DOMParser().parseFromString(arguments[0],"
               " 'text/html').body.innerHTML", found)  # fmt: skip
    assert reader.run(text) == reader.run("return arguments[0]", with_script)


def _in_sight(reader: Reader, selector: str) -> bool:
    return reader.run(
        "const box = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return box.height > 0 && box.top >= 0 && box.bottom <= innerHeight",
        selector,
    )


@pytest.mark.parametrize(
    ("asked", "place", "answer_at", "words"),
    [
        ("zone-rear", "Every single failure", "#table-failures .is-lit", "zone-rear"),
        ("wind-kit", "What each option adds", "#table-option-parts .is-lit", "wind-kit"),
        ("rear-line", "Wire list", "#table-wires .is-lit", "pressure-b"),
    ],
    ids=["what fails with a switch", "what an option adds", "what to cut for a line"],
)
def test_questions_of_a_thing_take_a_search_and_one_click(
    reader: Reader, asked: str, place: str, answer_at: str, words: str
) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    reader.keys("/", asked, Keys.ENTER)
    reader.wait("return document.querySelector('#lit-places button')")
    (button,) = [
        b for b in reader.driver.find_elements(By.CSS_SELECTOR, "#lit-places button")
        if b.text.startswith(place)
    ]  # fmt: skip
    button.click()
    reader.wait(f"return document.querySelector('{answer_at}')")
    assert _in_sight(reader, answer_at)
    assert words in reader.find(answer_at).text


@pytest.mark.parametrize(
    ("table", "column", "largest"),
    [("segments", "Length", True), ("streams", "Left of deadline", False)],
    ids=["the longest line", "the worst margin"],
)
def test_questions_of_an_extreme_take_a_search_and_one_click(
    reader: Reader, table: str, column: str, largest: bool
) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    caption = reader.run(
        f"return document.querySelector('#table-{table} caption').firstChild.textContent.trim()"
    )
    reader.keys("/", caption, Keys.ENTER)
    heads = reader.driver.find_elements(By.CSS_SELECTOR, f"#table-{table} thead th")
    (at,) = [i for i, head in enumerate(heads) if head.text.startswith(column)][-1:]
    cells = (
        f"return [...document.querySelectorAll('#table-{table} tbody tr')]"
        f".map(r => parseFloat(r.cells[{at}].textContent))"
    )
    if largest:  # streams stand worst first already
        heads[at].find_element(By.TAG_NAME, "button").click()
    values = reader.run(cells)
    assert values[0] == (max(values) if largest else min(values))
    assert _in_sight(reader, f"#table-{table} tbody tr:first-child")


def test_a_drawing_wider_than_the_screen_begins_at_its_first_switch(reader: Reader) -> None:
    metrics = {"width": 390, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    reader.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        reader.open()
        reader.run("document.querySelector('#layout-top').scrollIntoView()")
        region = "document.querySelector('#layout-top').closest('[tabindex]')"
        assert reader.run(f"return {region}.scrollWidth - {region}.clientWidth") > 300
        left, right = reader.wait(
            f"const own = {region}; if (!own.scrollLeft) return null;"
            "const box = own.querySelector('rect[data-switch]').getBoundingClientRect();"
            "return [box.left, box.right]"
        )
        assert 0 <= left < right <= 390
    finally:
        reader.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
