"""Five questions a stranger asks of each demo, answered by the page with a scroll and a click."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from decimal import ROUND_CEILING, Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.browser import chromium
from tests.report.fixtures import DEMOS, demo_plan

pytestmark = [pytest.mark.slow, pytest.mark.browser]

IN_SIGHT = """
const bar = document.querySelector('.looking');
// The bar covers what is scrolled below it.
const covered = element => bar && !bar.contains(element) && !element.closest('nav')
  ? Math.max(0, bar.getBoundingClientRect().bottom) : 0;
const inSight = element => {
  const box = element.getBoundingClientRect();
  return box.height > 0 && box.top >= covered(element) - 1 && box.bottom <= innerHeight + 1
    && box.left >= 0 && box.right <= innerWidth + 1;
};
"""


class Stranger:
    """Somebody who knows nothing of the page: reads what is in sight, clicks on it, scrolls.

    A scroll is one screenful, as the key for it makes; ``clicks`` and ``scrolls`` count the way.
    """

    def __init__(self, driver: Any, address: str):
        self.driver = driver
        driver.get("about:blank")
        driver.get(address)
        self.clicks = self.scrolls = 0

    def _run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(IN_SIGHT + script, *arguments)

    def follow(self, words: str) -> None:
        """Click on the link with these words in the contents, which has to be in sight."""
        (link,) = self._run(
            "return [...document.querySelectorAll('nav a')]"
            ".filter(a => a.textContent === arguments[0] && inSight(a))", words
        )  # fmt: skip
        link.click()
        self.clicks += 1

    def offers(self, words: str) -> bool:
        """Whether the contents has such a link."""
        links = "return [...document.querySelectorAll('nav a')].map(a => a.textContent)"
        return words in self._run(links)

    def figure(self, name: str) -> str | None:
        """A figure of the first sheet, if it is in sight."""
        return self._run(
            "const own = [...document.querySelectorAll('.figures > div')]"
            ".find(d => d.querySelector('dt').textContent === arguments[0]);"
            "return inSight(own) ? own.querySelector('dd').textContent : null", name
        )  # fmt: skip

    def rows(self, caption: str, within: str = "main") -> list[list[str]]:
        """Cells of those rows in sight that belong to the table with this caption."""
        return self._run(
            "const table = [...document.querySelectorAll(`${arguments[1]} table`)]"
            ".find(t => t.caption.firstChild.textContent.trim() === arguments[0]);"
            "return [...table.tBodies[0].rows].filter(r => inSight(r.cells[0]))"
            ".map(r => [...r.cells].map(c => c.textContent.trim()))", caption, within
        )  # fmt: skip

    def read(
        self, caption: str, is_all: Callable[[list[list[str]]], bool], within: str = "main"
    ) -> list[list[str]]:
        """What one reads of a table in one screenful, and in one more if that is not all."""
        found = self.rows(caption, within)
        if not is_all(found):
            self._run(
                "const top = bar.getBoundingClientRect().bottom;"
                "scrollBy({top: innerHeight - top - 40, behavior: 'instant'})"
            )
            self.scrolls += 1
            found += [row for row in self.rows(caption, within) if row not in found]
        return found


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    with chromium() as driver:
        metrics = {"width": 1280, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        yield driver


class Demo:
    """The page of a plan of a demo and what its files hold."""

    def __init__(self, name: str, folder: Path):
        self.answer = demo_plan(name)
        self.files = self.answer.files()
        page = folder / "report.html"
        page.write_text(self.files["report.html"], "utf-8")
        self.address = page.as_uri()

    def table(self, name: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.files[f"{name}.csv"])))


@pytest.fixture(scope="module", params=DEMOS)
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return Demo(request.param, tmp_path_factory.mktemp("demo"))


@pytest.fixture
def stranger(driver: Any, demo: Demo) -> Iterator[Stranger]:
    stranger = Stranger(driver, demo.address)
    yield stranger
    assert stranger.clicks <= 1
    assert stranger.scrolls <= 1


def plain(text: str) -> str:
    return text.replace("\u202f", "").replace("\u00a0", " ").replace("−", "-")


def lines_of(demo: Demo) -> list[dict[str, str]]:
    return [row for row in demo.table("segments") if row["medium"] == "mixing"]


def test_which_is_the_longest_line(stranger: Stranger, demo: Demo) -> None:
    said = plain(stranger.figure("Longest line") or "")
    longest = max(float(row["length_m"]) for row in lines_of(demo))
    # What is used of a limit is shown rounded up, in tenths of a metre.
    tenths = Decimal(str(longest)).quantize(Decimal("0.1"), rounding=ROUND_CEILING)
    assert said.startswith(f"{tenths} m of")
    assert any(
        row["segment"] in said for row in lines_of(demo) if float(row["length_m"]) == longest
    )
    assert stranger.clicks == stranger.scrolls == 0


def test_which_margin_is_the_worst(stranger: Stranger, demo: Demo) -> None:
    said = plain(stranger.figure("Tightest deadline") or "")
    worst = min(
        demo.table("streams"),
        key=lambda row: float(row["margin_us"] or "-inf") / float(row["deadline_us"]),
    )
    assert f"{worst['stream']} to {worst['destination']}" in said
    margin = worst["margin_us"]
    if not margin:
        assert said.startswith("overload")
    elif float(margin) < 0:
        assert said.startswith("late")
    else:
        assert said.startswith(f"{int(100 * float(margin) / float(worst['deadline_us']))} % left")
    assert stranger.clicks == stranger.scrolls == 0


def test_what_fails_when_this_switch_dies(driver: Any, demo: Demo) -> None:
    dies = {row["failure"]: row for row in demo.table("failures") if row["kind"] == "switch"}
    assert set(dies) == set(demo.answer.assessment.layout.open_switches)
    for switch, row in dies.items():
        stranger = Stranger(driver, demo.address)
        stranger.follow("Single failures")
        shown = stranger.read(
            "Every single failure, worst first", lambda rows, s=switch: s in [r[0] for r in rows]
        )
        (own,) = [cells for cells in shown if cells[0] == switch]
        counts = ("down_count", "cut_off_count", "stream_count", "delivery_count")
        assert own[4:8] == [row[key] for key in counts]
        assert {name for name in own[8].split(", ") if name} == set(row["lost_groups"].split())
        assert stranger.clicks <= 1
        assert stranger.scrolls <= 1


def test_what_each_option_adds(stranger: Stranger, demo: Demo) -> None:
    if not demo.answer.problem.options:
        assert not stranger.offers("Options and builds")
        return
    stranger.follow("Options and builds")
    added = demo.table("option-parts")
    assert {row["option"] for row in added} == set(demo.answer.problem.options)
    shown = stranger.read("What each option adds in parts", lambda r: len(r) == len(added))
    assert [cells[:2] for cells in shown] == [[row["option"], row["part"]] for row in added]
    for cells, row in zip(shown, added, strict=True):
        for text, key in zip(cells[4:], ("quantity_alone", "quantity_last", "money_alone",
                                         "money_last"), strict=True):  # fmt: skip
            assert (text == "–") == (row[key] == "")
            if row[key]:
                assert float(plain(text)) == pytest.approx(float(row[key]), abs=0.00501)


def test_what_to_cut_for_a_line(driver: Any, demo: Demo) -> None:
    """For the fifth line, and for the one with the most pieces."""
    pieces = {row["segment"]: [] for row in lines_of(demo)}
    for row in demo.table("wires"):
        if row["segment"] in pieces:
            pieces[row["segment"]].append(row)
    for line in dict.fromkeys([list(pieces)[4], max(pieces, key=lambda id: len(pieces[id]))]):
        stranger = Stranger(driver, demo.address)
        stranger.follow(line)
        sheet = driver.execute_script("return document.querySelector(location.hash).id")
        count = len(pieces[line])
        shown = stranger.read("To cut", lambda rows, n=count: len(rows) == n, f"#{sheet}")
        assert [(cells[0], float(cells[1])) for cells in shown] == [
            (row["piece"], float(row["cut_m"])) for row in pieces[line]
        ]
        assert stranger.clicks <= 1
        assert stranger.scrolls <= 1
