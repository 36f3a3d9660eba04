"""A study from its file to its page; its cases run here, one after the other."""

from __future__ import annotations

import json
import pickle
import pkgutil
from contextlib import nullcontext
from functools import partial
from pathlib import Path

import pytest

from partitioner.application.sweep import Sweep
from partitioner.cli.main import run
from partitioner.cluster import connection, fork
from partitioner.cluster.tasks import MOST_DEATHS
from partitioner.report.writer import LAYOUT
from partitioner.studies.folder import RESULT, RUN, InFolder
from partitioner.studies.study_file import read_study
from tests.cluster.test_tasks import Answered, Made, killed
from tests.studies.problems import write_study

FEW = """\
format: 1
name: few
problem: hall.yaml
work_limit: 2
vary:
  limits.10BASE-T1S-multidrop.length_m: [2, 7]
  lamps:
    all: {}
    no-c: {leave_out: [lamp-c]}
"""


class Here(Made):
    """A cluster of one core that works where it is asked."""

    def __init__(self) -> None:
        super().__init__({}, {"here": ""})
        self.deadly = ""

    def submit(self, wrapped, version, function, packed, *, key, pure, workers) -> Answered:
        task = pickle.loads(packed)
        self.sent.append(task.key)
        if task.key == self.deadly:
            return Answered(key, killed(key))
        return Answered(key, pkgutil.resolve_name(function)(task))


@pytest.fixture
def here(monkeypatch) -> Here:
    made = Here()
    monkeypatch.setattr(connection, "local_cluster", lambda *_: lambda: nullcontext(made))
    monkeypatch.setattr(fork, "begin_fork_server", lambda: None)
    return made


def test_from_the_command_to_the_page_and_on_from_there(tmp_path: Path, here: Here, capsys) -> None:
    path, out = write_study(tmp_path, FEW), tmp_path / "out"
    words = ["sweep", str(path), "-o", str(out), "--workers", "1"]
    assert run([*words, "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Study few: 4 cases, varied: length_m (2), lamps (2).\n0 done, 4 to run")
    assert not out.exists()

    assert run([*words, "--best", "1"]) == 0
    said = capsys.readouterr()
    assert "4 cases: 2 proved optimal and 2 proved to have no layout." in said.out
    assert "Traceback" not in said.err
    assert {p.name for p in out.iterdir()} >= {"report.html", "cases.csv", "sweep.json", "best-1"}
    assert len(here.sent) == 8  # four cases, and the best layout judged in each
    assert run(["check", str(out / "best-1/problem.yaml"), str(out / "best-1/layout.yaml")]) == 0
    capsys.readouterr()

    assert run([*words, "--best", "1", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert len(here.sent) == 8, "nothing is done twice"
    assert [c["exit_code"] for c in data["cases"]] == [4, 4, 0, 0]
    assert data["best"][0]["judged"] == 4
    assert "tightest_stream" in data["cases"][0]


def test_results_come_as_they_end_and_the_table_at_the_end(tmp_path: Path) -> None:
    client = Here()
    study = read_study(write_study(tmp_path, FEW))
    running = Sweep(study, cluster=connection.given_cluster(client))
    results = iter(running)
    assert next(results).case.number == 1
    assert len(client.sent) < 4
    assert [r.case.number for r in results] == [2, 3, 4]
    rows = running.answer(0).data()["cases"]
    assert [r["status"] for r in rows] == ["no-layout", "no-layout", "optimal", "optimal"]
    assert rows[3]["cost"] < rows[2]["cost"]


def test_a_damaged_result_is_made_again_and_a_failed_one_when_asked(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path, FEW))
    client, folder = Here(), InFolder(tmp_path / "kept")

    def done(**how) -> int:
        before = len(client.sent)
        for _ in Sweep(study, folder, cluster=connection.given_cluster(client), **how):
            pass
        return len(client.sent) - before

    assert done() == 4
    keys = client.sent[:4]
    (folder.folder / keys[1] / RESULT).write_text("{")
    (folder.folder / keys[2] / RUN).unlink()
    # Half of a file, as after the power went: the result beside it is whole.
    layout = folder.folder / keys[3] / "layout.yaml"
    layout.write_bytes(layout.read_bytes()[:100])
    assert done() == 3
    folder.keep(keys[3], {RESULT: '{"status": "no-answer", "exit_code": 5}', RUN: "{}"})
    assert done() == 0
    assert done(retry=True) == 1
    assert folder.read(keys[3])["status"] == "optimal"


def test_a_case_is_planned_again_from_a_cheaper_layout_of_another(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path, FEW))
    client, folder = Here(), InFolder(tmp_path / "kept")
    cluster = connection.given_cluster(client)
    *_, whole, fewer = Sweep(study, folder, cluster=cluster)
    dearer = {**fewer.data, "status": "feasible", "layout_money": whole.data["layout_money"] + 1}
    dearer["cost_money"] = dearer["layout_money"]
    dearer.pop("run")
    layout = folder.text(whole.key, LAYOUT)
    folder.keep(fewer.key, {RESULT: json.dumps(dearer), RUN: "{}", LAYOUT: layout})
    before = len(client.sent)
    answer = Sweep(study, folder, cluster=cluster).answer(1)
    again = answer.results[3]
    assert again.data["start_case"] == whole.case.number
    assert {**again.data, "run": 0, "start_case": 0} == {**fewer.data, "run": 0, "start_case": 0}
    assert answer.best[0].cheaper == 0
    assert answer.best[0].result.case.number == fewer.case.number
    assert client.sent[before:].count(fewer.key) == 1
    Sweep(study, folder, cluster=cluster).answer(1)
    assert client.sent[before:].count(fewer.key) == 1, "nothing is done twice"


def test_what_a_case_depends_on_is_in_its_key(tmp_path: Path) -> None:
    def keys(text: str) -> list[str]:
        return list(Sweep(read_study(write_study(tmp_path, text)))._cases)

    first = keys(FEW)
    assert len(set(first)) == 4
    assert keys("# a remark\n" + FEW.replace("name: few", "name: other")) == first
    assert not set(keys(FEW.replace("work_limit: 2", "work_limit: 3"))) & set(first)
    assert keys(FEW.replace("[2, 7]", "[7, 9]"))[:2] == first[2:]


def test_a_case_that_ends_three_workers_is_set_aside_and_named(tmp_path: Path) -> None:
    client, folder = Here(), InFolder(tmp_path / "kept")
    study = read_study(write_study(tmp_path, FEW))
    second = list(Sweep(study)._cases)[1]
    client.deadly = second
    sweep_of = partial(Sweep, study, folder, cluster=connection.given_cluster(client))
    answer = sweep_of().answer(0)
    assert [r.status for r in answer.results] == ["no-layout", "set-aside", "optimal", "optimal"]
    assert client.sent.count(second) == MOST_DEATHS
    assert "Set aside, since each ended three workers: case 2." in answer.text()
    assert [row["exit_code"] for row in answer.data()["cases"]] == [4, 1, 0, 0]
    client.deadly = ""
    assert [r.status for r in sweep_of(retry=True).answer(0).results][1] == "no-layout"
