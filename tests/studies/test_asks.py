"""Studies that ask for a trade-off or a replan: what a command answers alone, case by case."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest

from partitioner.application.reading import read_layout_of, read_problem
from partitioner.application.replan import replan
from partitioner.application.search import Search
from partitioner.application.sweep import Sweep, SweepAnswer
from partitioner.cluster.connection import given_cluster
from partitioner.studies.folder import InFolder
from partitioner.studies.study_file import read_study
from partitioner.tradeoff.state import STATE, point_file
from tests.processes import ROOT
from tests.studies.test_sweep import Here

pytestmark = pytest.mark.slow
GOLD = ROOT / "tests" / "gold" / "small-sprayer"
HEAD = "format: 1\nname: two\nproblem: problem.yaml\ntime_limit_s: 3000\n"


def answered(folder: Path, text: str) -> SweepAnswer:
    """The answer of a study of the small sprayer, its cases run here."""
    shutil.copy(GOLD / "problem.yaml", folder)
    shutil.copy(GOLD / "layout-by-hand.yaml", folder)
    study = folder / "study.yaml"
    study.write_text(HEAD + text)
    client = given_cluster(Here())
    return Sweep(read_study(study), InFolder(folder / "cases"), cluster=client).answer(0)


def test_two_trade_offs(tmp_path: Path) -> None:
    answer = answered(
        tmp_path,
        "ask: tradeoff\naxis: ports\npoints: 2\nvary: {switches.zone-rear.price: [30, 38]}\n",
    )
    cheap, dear = answer.results
    assert [r.data["ask"] for r in answer.results] == ["tradeoff"] * 2
    assert dear.cost_money - cheap.cost_money == 8 * 10_000
    for result in answer.results:
        assert result.bound_money <= result.cost_money
        place = tmp_path / "cases" / result.key
        assert result.data["points"] >= 1
        assert (place / STATE).is_file()
        assert (place / point_file(result.data["points"])).is_file()
    table = list(csv.DictReader(io.StringIO(answer.files()["cases.csv"])))
    assert [int(row["points"]) for row in table] == [r.data["points"] for r in answer.results]


def test_two_replans(tmp_path: Path) -> None:
    answer = answered(
        tmp_path,
        "ask: replan\nbefore: layout-by-hand.yaml\nvary:\n  horn:\n    without: {}\n    with:\n"
        "      add:\n        devices:\n"
        "          - {id: horn, place: front, grades: [10BASE-T1S-multidrop]}\n"
        "        streams:\n          - {id: blow, from: panel, to: [horn], payload_bytes: 8,\n"
        "             period_us: 100000, deadline_us: 50000, pcp: 1}\n",
    )
    without, horn = answer.results
    problem = read_problem(GOLD / "problem.yaml")
    before = read_layout_of(problem, GOLD / "layout-by-hand.yaml").layout
    alone = replan(problem, before, Search(time_limit_s=3000)).rerun.best
    assert without.cost_money == alone.found.total_money
    assert without.data["change_money"] == alone.found.change_money
    text = (tmp_path / "cases" / horn.key / "layout.yaml").read_text()
    assert "horn" in text
    assert "change" in answer.data()["cases"][0]
