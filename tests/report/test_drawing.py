"""The layout drawing: everything on it, nothing covered, and the same every time."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from partitioner.model.layout import BuiltLink
from partitioner.report.drawing import (
    Looks,
    device_numbers,
    layout_figures,
)
from partitioner.report.drawing_input import (
    DrawingInput,
    DrawnDevice,
    DrawnPathway,
    DrawnSegment,
    DrawnSwitch,
    built_segments,
    drawing_input,
)
from partitioner.report.files import report_files
from partitioner.report.strips import stack_labels, strip_figures
from partitioner.report.strokes import Stroke, line_stroke
from partitioner.report.svg import standalone, text_width
from partitioner.report.tables import device_numbers_table
from partitioner.report.told import Told
from partitioner.report.zone_plan import zone_plan
from tests.report.fixtures import switches_in_a_row

GOLD = Path(__file__).parent / "gold"
M = 1_000_000


def _texts(markup: str) -> list[str]:
    return [t.text or "" for t in ET.fromstring(markup).iterfind(".//{*}text")]


def _tiny() -> DrawingInput:
    """One line of two devices and one link at one of two switches, on an L of pathways."""
    a, b, c = (0, 0, 0), (2 * M, 0, 0), (2 * M, M, 0)
    return DrawingInput(
        name="tiny",
        places=(("a", a), ("b", b), ("c", c)),
        pathways=(
            DrawnPathway("ab", ("a", "b"), a, b),
            DrawnPathway("bc", ("b", "c"), b, c, most_lines=2),
        ),
        switches=(DrawnSwitch("hub", a, True, 4), DrawnSwitch("spare", c, False, 4)),
        devices=(
            DrawnDevice("lamp", b, "L1", "10BASE-T1S-multidrop", 1, 1, None, 50_000, 2_100_000),
            DrawnDevice("fan", c, "L1", "10BASE-T1S-multidrop", 2, 2, "winter", 0, 3_200_000),
            DrawnDevice("camera", c, "K1", "100BASE-T1", 2),
        ),
        segments=(
            DrawnSegment(
                "L1", "hub", 1, "10BASE-T1S-multidrop", True,
                (("a", a), ("b", b), ("c", c)), 0, ("lamp", "fan"), 3_400_000,
            ),
            DrawnSegment(
                "K1", "hub", 3, "100BASE-T1", False,
                (("a", a), ("b", b), ("c", c)), 0, ("camera",), 3_200_000,
            ),
        ),
        backbone=(BuiltLink(("hub", "spare"), "1000BASE-T1"),),
    )  # fmt: skip


def test_golden_drawing() -> None:
    """The tiny drawing byte for byte; renew it with RENEW_GOLD=1 after looking at it."""
    (figure,) = layout_figures(_tiny())
    got = standalone(figure.alone)
    path = GOLD / "tiny-top.svg"
    if os.environ.get("RENEW_GOLD"):
        path.write_text(got, encoding="utf-8")
    assert got == path.read_text(encoding="utf-8")


def test_everything_is_named_in_the_drawing(twelve) -> None:
    data = drawing_input(*twelve)
    (figure,) = layout_figures(data)
    texts = _texts(figure.svg)
    for thing in (*data.devices, *data.switches):
        assert thing.id in texts
    for segment in data.segments:
        assert segment.id in texts
        assert str(segment.port) in texts
    assert "1 m" in texts  # the scale bar
    assert "x" in texts
    assert "y" in texts


def test_zones_are_drawn_in_every_view(many, twelve) -> None:
    """On the first sheet from above, and from the side where the layout is drawn so."""
    data = drawing_input(*many)
    above, side = zone_plan(data), zone_plan(data, "zones-side", 1)
    assert above is not None
    assert side is not None
    for switch in (s for s in data.switches if s.is_open):
        own = {s.id for s in data.segments if s.switch == switch.id}
        count = sum(d.segment in own for d in data.devices)
        for drawn in (above, side):
            assert f"{switch.id}: {count}\u00a0devices" in drawn.svg
    assert "Side view" in side.caption
    assert zone_plan(drawing_input(*twelve), "zones-side", 1) is None


@pytest.mark.parametrize("count", [2, 8, 29, 90])
def test_names_of_zones_never_cover_each_other(count: int) -> None:
    """However many switches stand in one row, and each is joined to its name where it is far."""
    data = switches_in_a_row(count)
    drawn = zone_plan(data)
    assert drawn is not None
    root = ET.fromstring(drawn.svg)
    width, height = float(root.get("width", "")), float(root.get("height", ""))
    boxes = []
    for text in root.iterfind(".//{*}text"):
        x, y = float(text.get("x", "")), float(text.get("y", ""))
        wide = text_width(text.text or "", 12, bold=True)
        boxes.append((x - wide / 2, y - 9, x + wide / 2, y + 3))
    assert len(boxes) == count
    assert all(
        0 <= left < right <= width and 0 <= top < low <= height for left, top, right, low in boxes
    )
    for a, b in combinations(boxes, 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)
    leaders = root.findall(".//{*}line[@class='leader']")
    marks = [
        (float(r.get("x", "")) + 6, float(r.get("y", "")) + 6)
        for r in root.iterfind(".//{*}rect[@class='switch']")
    ]
    joined = {(float(one.get("x1", "")), float(one.get("y1", ""))) for one in leaders}
    assert joined <= set(marks)
    assert len(joined) == len(leaders) == count or count <= 8

    def away(mark: tuple[float, float], box: tuple[float, float, float, float]) -> float:
        x, y = mark
        left, top, right, low = box
        return math.hypot(max(left - x, 0, x - right), max(top - y, 0, y - low))

    for mark, box in zip(marks, boxes, strict=True):
        others = [away(other, box) for other in marks if other != mark]
        assert mark in joined or away(mark, box) < min(others), "whose name is it?"


def test_names_of_very_many_zones_are_short() -> None:
    """With their devices the rows of names would take more than a screen is high."""
    few, very_many = zone_plan(switches_in_a_row(29)), zone_plan(switches_in_a_row(90))
    assert few is not None
    assert very_many is not None
    assert "zone-28: 2" in few.svg
    assert _texts(very_many.svg)[-1] == "zone-89"


def test_every_line_has_a_stroke_of_its_own(many) -> None:
    data = drawing_input(*many)
    strokes = Looks.of(data).strokes
    shared = [strokes[s.id] for s in data.segments if s.is_shared]
    assert len({_look(s) for s in shared}) == len(shared) > 18


def _look(stroke: Stroke) -> tuple[int | None, str, bool]:
    """A look that two lines never share: a dash that only begins elsewhere counts as the same."""
    marks = [float(m) for m in stroke.dash.split()]
    turns = [tuple(marks[k:] + marks[:k]) for k in range(0, len(marks), 2)] or [()]
    return stroke.hue, str(min(turns)), stroke.has_core


def test_strokes_repeat_only_after_180_lines() -> None:
    looks = [_look(line_stroke(i)) for i in range(181)]
    assert len(set(looks[:180])) == 180
    assert looks[180] == looks[0]


def test_each_shared_line_has_two_terminators(twelve) -> None:
    data = drawing_input(*twelve)
    (figure,) = layout_figures(data)
    titles = [t.text for t in ET.fromstring(figure.svg).iter("title")]
    for segment in data.segments:
        found = titles.count(f"terminator of {segment.id}")
        assert found == (2 if segment.is_shared else 0)


def test_dense_layouts_are_numbered_and_detailed_per_switch(many, many_figures) -> None:
    problem, assessment = many
    data = drawing_input(problem, assessment)
    figures = many_figures
    assert [f.id for f in figures[:2]] == ["layout-top", "layout-side"]
    numbers = device_numbers(data)
    assert sorted(numbers.values()) == list(range(1, 181))
    assert set(map(str, numbers.values())) <= set(_texts(figures[0].svg))
    named = [t for f in figures[2:] for t in _texts(f.svg)]
    assert {d.id for d in data.devices} <= set(named)


def test_a_page_has_one_legend_and_what_stands_alone_has_its_own(many) -> None:
    files = report_files(Told(*many), drawings=True)
    sign = ">port number<"
    assert files["report.html"].count(sign) == 1
    drawn = [files[name].count(sign) for name in files if name.startswith("drawing-layout-")]
    assert drawn == [1] * 8
    assert files["print-drawings.html"].count(sign) == 8
    # The overview's legend has every line, that of a switch its own.
    lines = {s.id: s.switch for s in many[1].layout.segments}
    own = set(_texts(files["drawing-layout-at-1.svg"])) & lines.keys()
    assert own == {id for id, switch in lines.items() if switch == "zone-1"} < lines.keys()
    assert lines.keys() <= set(_texts(files["drawing-layout-side.svg"]))


def test_lines_that_go_on_look_alike_in_another_layout() -> None:
    data = _tiny()
    line, link = data.segments
    here = replace(data, segments=(link, replace(line, id="L2"), line))
    there = replace(data, segments=(replace(line, id="new"), replace(line, id="old"), link))
    looks = Looks.of(here)
    other = looks.of_another(there, {"old": "L1", "K1": "K1"})
    assert other.strokes["old"] == looks.strokes["L1"]
    assert other.strokes["K1"] == looks.strokes["K1"]
    assert _look(other.strokes["new"]) not in {_look(s) for s in looks.strokes.values()}


def test_numbers_in_drawing_and_table_agree(many) -> None:
    problem, assessment = many
    rows = device_numbers_table(assessment).records()
    table = {row["device"]: row["number"] for row in rows}
    assert table == device_numbers(drawing_input(problem, assessment))


def test_device_stops_lie_on_their_line(many) -> None:
    data = drawing_input(*many)
    route = {s.id: s.route for s in data.segments}
    for device in data.devices:
        assert route[device.segment][device.stop][1] == device.at_um


def _boxes(markup: str, words: set[str]) -> list[tuple[float, float, float, float]]:
    found = []
    for text in ET.fromstring(markup).iter("text"):
        if text.text not in words or text.get("text-anchor") != "middle":
            continue
        x, y, size = (float(text.get(k, "0")) for k in ("x", "y", "font-size"))
        half = text_width(text.text or "", size) / 2
        found.append((x - half, y - size * 0.8, x + half, y + size * 0.2))
    return found


@pytest.mark.parametrize("case", ["twelve", "many"])
def test_device_labels_hardly_cover_each_other(case: str, request) -> None:
    data = drawing_input(*request.getfixturevalue(case))
    names = {d.id for d in data.devices} | set(map(str, device_numbers(data).values()))
    figures = request.getfixturevalue("many_figures") if case == "many" else layout_figures(data)
    for figure in figures:
        boxes = _boxes(figure.svg, names)
        covered = 0.0
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                w = min(a[2], b[2]) - max(a[0], b[0])
                h = min(a[3], b[3]) - max(a[1], b[1])
                covered += max(w, 0.0) * max(h, 0.0)
        area = sum((b[2] - b[0]) * (b[3] - b[1]) for b in boxes)
        assert covered <= 0.01 * area, figure.id


def test_drawing_is_deterministic(many, many_figures) -> None:
    assert layout_figures(drawing_input(*many)) == many_figures


def test_no_segments_no_drawing() -> None:
    assert layout_figures(DrawingInput("none", (), (), (), (), ())) == ()
    assert strip_figures(DrawingInput("none", (), (), (), (), ())) == {}


def test_names_with_markup_are_escaped() -> None:
    from dataclasses import replace

    data = _tiny()
    nasty = replace(data, switches=(replace(data.switches[0], id="hub"), data.switches[1]),
                    devices=(replace(data.devices[0], id="<b>&"), *data.devices[1:]))  # fmt: skip
    (figure,) = layout_figures(nasty)
    assert "<b>" not in figure.svg
    assert "<b>&" in _texts(figure.svg)


def test_strips_show_every_drop_once(twelve) -> None:
    data = drawing_input(*twelve)
    figures = strip_figures(data)
    assert list(figures) == [s.id for s in data.segments if s.is_shared]
    texts = " | ".join(t for f in figures.values() for t in _texts(f.svg))
    for segment in data.segments:
        for device in segment.devices:
            assert texts.count(f" {device} ") == (1 if segment.is_shared else 0)


def test_labels_of_a_strip_end_within_it_however_long_the_names(twelve) -> None:
    data = drawing_input(*twelve)
    names = {d.id: f"{d.id}-{'of-the-far-end-of-the-boom-' * 2}" for d in data.devices}
    longer = replace(
        data,
        devices=tuple(replace(d, id=names[d.id]) for d in data.devices),
        segments=tuple(
            replace(s, devices=tuple(names[d] for d in s.devices)) for s in data.segments
        ),
    )
    for drawn in (data, longer):
        for figure in strip_figures(drawn).values():
            root = ET.fromstring(figure.svg)
            width = float(root.get("width", ""))
            for text in root.iter("text"):
                size = float(text.get("font-size", ""))
                is_start = text.get("text-anchor") is None
                end = float(text.get("x", "")) + text_width(text.text or "", size) * is_start
                assert end <= width


def test_strip_labels_cover_neither_labels_nor_ticks() -> None:
    import random

    rng = random.Random(11)
    for _ in range(200):
        count = rng.randrange(1, 16)
        xs = sorted(rng.uniform(0, 900) for _ in range(count))
        labels = stack_labels([(x, f"{i} name-{'x' * rng.randrange(9)}") for i, x in enumerate(xs)])
        for i, a in enumerate(labels):
            reach = a.x + text_width(a.words, 10.0)
            for b in labels[i + 1 :]:
                if a.is_above == b.is_above and b.x <= reach:
                    # b's tick stands under a's words: a must lie further out than b.
                    assert a.level > b.level


def test_a_unit_without_options_is_cut_back_to_its_last_fitted_device() -> None:
    data = _tiny()
    line, link = built_segments(data, {"lamp", "camera"})
    assert line.devices == ("lamp",)
    assert [name for name, _ in line.route] == ["a", "b"]
    assert link == data.segments[1]
    assert built_segments(data, {"camera"}) == (data.segments[1],)
    assert built_segments(data, {"lamp", "fan", "camera"}) == data.segments


def test_a_switch_along_the_line_keeps_its_place_in_a_smaller_unit() -> None:
    from dataclasses import replace

    data = _tiny()
    line = replace(data.segments[0], switch="spare", switch_stop=1, switch_index=1,
                   switch_along_um=2_150_000)  # fmt: skip
    (cut,) = built_segments(replace(data, segments=(line,)), {"fan"})
    assert [name for name, _ in cut.route] == ["b", "c"]


def test_very_many_devices_are_only_marked_in_the_overview(many, monkeypatch) -> None:
    monkeypatch.setattr("partitioner.report.drawing.NUMBERS_UP_TO", 100)
    data = drawing_input(*many)
    plan = layout_figures(data)[0]
    assert "marked only" in plan.caption
    assert "180" not in _texts(plan.svg)
    marks = [t.text or "" for t in ET.fromstring(plan.svg).iter("title")]
    assert sum(m.startswith("node-") for m in marks) == 180


def test_details_of_huge_layouts_keep_looks_without_the_rest(
    many, many_figures, monkeypatch
) -> None:
    monkeypatch.setattr("partitioner.report.drawing.HINTS_UP_TO", 10)
    alone = layout_figures(drawing_input(*many))[-1]
    among = many_figures[-1]
    assert "left out" in alone.svg

    def hints(markup: str) -> int:
        paths = ET.fromstring(markup).iter("path")
        return sum(p.get("class") == "dim" and p.get("stroke-width") == "1" for p in paths)

    assert hints(alone.svg) == 0
    assert hints(among.svg) > 0

    def looks(markup: str) -> set[tuple[str | None, str | None]]:
        runs = [p for p in ET.fromstring(markup).iter("path") if "run" in (p.get("class") or "")]
        return {(p.get("class"), p.get("stroke-dasharray")) for p in runs}

    assert looks(alone.svg) == looks(among.svg) != set()


def test_devices_without_a_place_are_crossed_out_with_their_name() -> None:
    data = _tiny()
    spot = data.devices[0].at_um
    where = (spot[0] + M, spot[1] + M, spot[2])
    incomplete = replace(data, unplaced=(("left-over", where),))
    whole, marked = (layout_figures(d)[0].alone for d in (data, incomplete))
    assert "left-over" in _texts(marked)
    assert "device without a place" in _texts(marked)
    assert "device without a place" not in _texts(whole)
    titles = [t.text for t in ET.fromstring(marked).iter("title")]
    assert "left-over: no place yet" in titles
