"""Small multiples: every panel shows what it should, and shape tells what colour tells."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from partitioner.model.layout import link_name
from partitioner.report.drawing_input import drawing_input
from partitioner.report.panels import Panel, panels_figure


@pytest.fixture(scope="module")
def data(twelve):
    return drawing_input(*twelve)


def drawn(data, *panels: Panel) -> ET.Element:
    figure = panels_figure(data, "small", "Title", "What it shows.", panels, "Caption.")
    return ET.fromstring(figure.svg)


def titles(root: ET.Element) -> list[str]:
    return [e.text or "" for e in root.iter("title")]


def test_one_panel_each_at_the_same_scale(data) -> None:
    root = drawn(data, *(Panel(f"number {k}", f"note {k}") for k in range(4)))
    texts = [e.text for e in root.iter("text")]
    assert [t for t in texts if t and t.startswith("number")] == [f"number {k}" for k in range(4)]
    frames = [e for e in root.iter("rect") if e.get("class") == "thin"]
    assert len({(f.get("width"), f.get("height")) for f in frames}) == 1
    assert len(frames) == 4
    # Three columns, so the fourth starts a second row.
    places = [g.get("transform") for g in root.findall("g")]
    assert places[3].startswith("translate(0 ")
    assert places[3] != places[0]
    assert root.get("role") == "img"
    assert root.find("title").text == "Title"


def test_many_devices_at_one_point_of_the_edge_stay_within_the_frame(data) -> None:
    corner = max(data.points_um)
    crowded = replace(data, devices=tuple(replace(d, at_um=corner) for d in data.devices))
    root = drawn(crowded, Panel("all"))
    frame = next(e for e in root.iter("rect") if e.get("class") == "thin")
    width = float(frame.get("width", ""))
    dots = [c for c in root.iter("circle") if c.get("data-device")]
    assert len(dots) == len(data.devices) > 6
    assert all(2 < float(c.get("cx", "")) < width - 2 for c in dots)


def test_absent_devices_are_hollow_and_their_cable_is_not_there(data) -> None:
    every = frozenset(d.id for d in data.devices)
    segment = next(s for s in data.segments if len(s.devices) == 1)
    absent = frozenset(segment.devices)
    root = drawn(data, Panel("all", carried=every), Panel("less", carried=every - absent))
    named = titles(root)
    for device in absent:
        assert named.count(device) == 1
        assert named.count(f"{device}, not in this build") == 1
    assert named.count(segment.id) == 1
    other = next(s for s in data.segments if s.id != segment.id)
    assert named.count(other.id) == 2


def test_lost_parts_are_crossed_and_said(data) -> None:
    segment, link = data.segments[0], data.backbone[0]
    root = drawn(
        data,
        Panel(
            "bad",
            lost_devices=frozenset(segment.devices),
            lost_segments=frozenset({segment.id}),
            lost_switches=frozenset({segment.switch}),
            lost_links=frozenset({frozenset(link.ends)}),
        ),
    )
    named = titles(root)
    for device in segment.devices:
        assert f"{device}, lost" in named
    assert f"switch {segment.switch}, lost" in named
    assert f"{segment.id}, lost" in named
    assert link.ends != tuple(sorted(link.ends)), "its name differs from how it was written"
    assert f"backbone link {link_name(*link.ends)} lost" in named
    lit = {e.get("data-backbone") for e in root.iter()} - {None}
    assert link_name(*link.ends) in lit, "what tables call it lights it"
    assert "lost cable" in [e.text for e in root.iter("text")]


def test_nothing_lost_no_word_of_loss(data) -> None:
    root = drawn(data, Panel("good"))
    assert not [t for t in titles(root) if "lost" in t]
    assert "lost" not in [e.text for e in root.iter("text")]
