"""A study from Python: cases as they end, the table at the end, nothing done twice."""

from __future__ import annotations

import signal

import pytest

import partitioner
from tests.studies.problems import write_study
from tests.studies.test_sweep import FEW, Here

LENGTH = "limits.10BASE-T1S-multidrop.length_m"


def test_cases_come_as_they_end_and_the_table_at_the_end(tmp_path) -> None:
    path, out, client = write_study(tmp_path, FEW), tmp_path / "out", Here()
    study = partitioner.sweep(path, out, client=client)
    assert client.sent == []
    assert (study.problem.name, len(study.problem.frames["devices"])) == ("hall", 4)
    first = next(iter(study))
    assert (first.number, first.settings) == (1, {LENGTH: "2", "lamps": "all"})
    assert 1 <= len(client.sent) < 4
    cases = {case.number: case for case in study}
    told = [cases[n].status for n in range(1, 5)]
    assert told == ["no-layout", "no-layout", "optimal", "optimal"]
    assert cases[1].priced_total is cases[1].bound is None
    assert cases[3].priced_total == cases[3].bound > cases[4].priced_total

    answer = study.answer(best=1)
    assert answer.is_complete
    table = answer.tables["cases"]
    assert table["cost"].dropna().tolist() == [cases[3].priced_total, cases[4].priced_total]
    assert table[LENGTH].tolist() == [2, 2, 7, 7]
    assert answer.verdict.replace("\xa0", " ").startswith("4 cases: 2 proved optimal")
    assert "4 cases" in answer.text()
    assert answer.drawings
    # The folder of the study is its own: not refused, though nothing was written there yet.
    answer.write(out)
    assert {p.name for p in out.iterdir()} >= {"report.html", "cases.csv", "sweep.json", "best-1"}
    best = partitioner.read_problem(out / "best-1" / "problem.yaml")
    assert partitioner.check_layout(best, out / "best-1" / "layout.yaml").is_kept

    again = Here()
    assert [c.number for c in partitioner.sweep(path, out, client=again)] == [1, 2, 3, 4]
    assert again.sent == []


def test_ctrl_c_gives_what_there_is(tmp_path) -> None:
    class Interrupted(Here):
        def submit(self, *asked, **told):
            if not self.sent:
                signal.raise_signal(signal.SIGINT)
            return super().submit(*asked, **told)

    earlier = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        study = partitioner.sweep(write_study(tmp_path, FEW), client=Interrupted())
        answer = study.answer()
    finally:
        signal.signal(signal.SIGINT, earlier)
    assert not answer.is_complete
    assert len(answer.tables["cases"]) < 4


def test_a_wrong_study_is_told_with_every_finding(tmp_path) -> None:
    with pytest.raises(partitioner.WrongFile) as caught:
        partitioner.sweep(write_study(tmp_path, FEW + "what_if: 3\n"))
    assert [(f.code, f.line) for f in caught.value.findings] == [("unknown-key", 10)]
    with pytest.raises(ValueError, match="at least 1 worker"):
        partitioner.sweep(tmp_path / "study.yaml", workers=0)
