"""The block diagram: load and least margin of each block, told as the other tables tell them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.check import CheckAnswer
from partitioner.pages.blocks import blocks_section
from partitioner.report.sections import Section
from partitioner.report.tables import all_tables
from tests.judged import judge
from tests.report.read_page import Page

CASE = Path(__file__).parent.parent / "gold" / "small-sprayer"


@pytest.fixture(scope="module")
def answer() -> CheckAnswer:
    return judge(CASE / "problem.yaml", CASE / "layout-by-hand.yaml")


@pytest.fixture(scope="module")
def section(answer: CheckAnswer) -> Section:
    section = blocks_section(answer.facts, answer.assessment)
    assert section is not None
    return section


def test_every_segment_and_direction_is_a_block_with_its_least_margin(answer, section) -> None:
    tables = all_tables(answer.problem, answer.assessment)
    margins = {
        (r["stream"], r["destination"]): r["margin_share"] for r in tables["streams"].records()
    }
    least: dict[str, float] = {}
    for leg in tables["legs"].records():
        share = margins[leg["stream"], leg["destination"]]
        least[leg["where"]] = min(share, least.get(leg["where"], share))
    loads = {r["segment"]: r["load_share"] for r in tables["segments"].records()}
    ends = [(r["from_switch"], r["to_switch"]) for r in tables["backbone"].records()]
    rows = section.tables[0].records()
    assert len(rows) == len(loads) + 2 * len(ends)
    for row in rows:
        if row["kind"] == "backbone":
            assert (row["switch"], row["to_switch"]) in [*ends, *(e[::-1] for e in ends)]
            assert row["margin_share"] == least[f"{row['switch']}-{row['to_switch']}"]
            assert row["load_share"] > 0
        else:
            assert row["margin_share"] == least[row["where"]]
            assert row["load_share"] == loads[row["where"]]


def test_the_drawing_names_every_block_and_what_lines_have_room_for(answer, section) -> None:
    page = Page(section.figures[0].svg)
    segments = answer.assessment.layout.segments
    for segment in segments:
        assert f"{segment.id} {len(segment.devices)} device" in page.words
    assert [a["data-segment"] for a in page.all("g") if "data-segment" in a] == [
        s.id for s in segments
    ]
    # Each backbone link is a run at the left and a block at either end.
    links = [a for a in page.all("g") if "data-backbone" in a]
    assert len(links) == 3 * len(answer.assessment.layout.backbone) > 0
    front = next(f for f in answer.assessment.segments if f.segment.id == "front-line")
    nodes = front.nodes_limit - front.nodes
    assert f"left; room {nodes} nodes, 19.90 m" in page.words
    assert page.words.count("; room ") == len(answer.facts.lines)


def test_a_late_stream_marks_the_blocks_that_it_passes(answer) -> None:
    streams = answer.assessment.streams
    late = next(f for f in streams if len({leg.where for leg in f.legs}) > 2)
    worse = tuple(replace(f, deadline_ns=1) if f is late else f for f in streams)
    section = blocks_section(answer.facts, replace(answer.assessment, streams=worse))
    assert section is not None
    assert "■ late" in Page(section.figures[0].svg).words
    passed = {r["where"] for r in section.tables[0].records() if (r["margin_share"] or 0) < 0}
    assert {leg.where for leg in late.legs if "line" in leg.kind or "link" in leg.kind} <= passed
