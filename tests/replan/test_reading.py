"""An earlier layout read with a problem that has lost things since."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.errors import WrongFile
from partitioner.reading.layout_file import layout_text
from partitioner.replan.beside import without_gone
from partitioner.replan.reading import read_earlier_layout
from partitioner.replan.rerun import rerun
from tests.replan.test_rerun import BEFORE, PROBLEM, QUICK


@pytest.fixture
def keep(tmp_path):
    path = tmp_path / "layout.yaml"
    path.write_text(layout_text(BEFORE, PROBLEM), encoding="utf-8")
    return path


def without(*names):
    return replace(
        PROBLEM, devices={d: row for d, row in PROBLEM.devices.items() if d not in names}
    )


def test_it_reads_back_as_it_was_written(keep):
    assert read_earlier_layout(keep, PROBLEM) == (
        replace(BEFORE, problem_digest=PROBLEM.digest), (),
    )


def test_devices_and_switches_gone_are_kept_and_told(keep):
    text = keep.read_text(encoding="utf-8")
    keep.write_text(
        text.replace("switch: sw0\n    port: 4", "switch: cabinet\n    port: 4"),
        encoding="utf-8",
    )
    layout, noticed = read_earlier_layout(keep, without("d1"))
    assert [s.switch for s in layout.segments] == ["cabinet", "sw0"]
    assert layout.segments[1].devices == ("d0", "d1", "d2")
    assert noticed == (
        "d1 of the earlier layout is no longer in the problem",
        "switch cabinet of the earlier layout is no longer in the problem",
    )
    left = without_gone(layout, without("d1"))
    assert [(s.id, s.devices, s.plca_ids) for s in left.segments] == [
        ("near", ("d0", "d2"), (1, 3))
    ]
    result = rerun(without("d1"), layout, QUICK)
    assert set(result.best.layout.segment_of()) == {"d0", "d2", "d3", "d4"}


def test_other_mistakes_are_still_findings(keep):
    text = keep.read_text(encoding="utf-8")
    keep.write_text(text.replace("grade: 10BASE-T1S-multidrop", "grade: 10BASE-T9", 1))
    with pytest.raises(WrongFile) as told:
        read_earlier_layout(keep, without("d1"))
    assert [f.code for f in told.value.findings] == ["unknown-name"]


def test_a_file_that_is_not_there_is_told_by_the_reader(tmp_path):
    with pytest.raises((WrongFile, OSError)):
        read_earlier_layout(tmp_path / "none.yaml", PROBLEM)
