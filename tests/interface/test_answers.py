"""Each function on a small problem: nothing printed, nothing written but on request."""

from __future__ import annotations

import dataclasses
import signal
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import pandas as pd
import pytest

import partitioner
from partitioner.cli.main import run
from partitioner.interface.stopping import stop_wish
from tests.interface.test_frames import build

ROOT = Path(__file__).parent.parent.parent
CASE = ROOT / "tests" / "gold" / "small-sprayer"
CASES = ROOT / "tests" / "cases"
HAND = CASE / "layout-by-hand.yaml"


@pytest.fixture(scope="module")
def problem() -> partitioner.Problem:
    return partitioner.read_problem(CASE / "problem.yaml")


@pytest.fixture(scope="module")
def plan(problem: partitioner.Problem) -> partitioner.Plan:
    return partitioner.plan_layout(problem, workers=1, work_limit=20)


@pytest.mark.usefixtures("silent_and_clean")
def test_each_function_answers_without_a_word(problem, plan) -> None:
    assert (plan.is_optimal, plan.gap, plan.stopped_by) == (True, 0.0, "proof")
    assert plan.bound == plan.priced_total >= plan.money
    checked = partitioner.check_layout(problem, plan.layout, simulate_s=0.01)
    assert checked.is_kept
    assert (checked.money, checked.mass_g) == (plan.money, plan.mass_g)
    report = partitioner.report_layout(problem, HAND)
    assert report.layout == partitioner.read_layout(HAND, problem)
    held = partitioner.replan_layout(problem, HAND, complete=True, workers=1, time_limit_s=20)
    assert (held.change_price, held.is_optimal, held.bound) == (0.0, False, None)
    why = partitioner.explain_problem(
        partitioner.read_problem(CASES / "explain-links.yaml"), workers=1
    )
    assert why.data["status"] == "optimal"
    front = partitioner.trade_off(
        partitioner.read_problem(CASES / "tradeoff-floor.yaml"), points=None, workers=1
    )
    assert front.is_complete
    assert len(front.layouts) == len(front.tables["front"]) > 1
    for answer in (plan, checked, report, held, why, front):
        shown = answer._repr_html_()
        assert answer.verdict.split(".")[0] in shown.replace("\xa0", " ") or "<strong>" in shown
        assert answer.tables
        assert answer.sections
        with pytest.raises(dataclasses.FrozenInstanceError):
            answer.problem = problem


def test_tables_are_those_of_the_csv_files(plan) -> None:
    files = {name: text for name, text in plan.files().items() if name.endswith(".csv")}
    assert set(files) <= {f"{name}.csv" for name in plan.tables}
    for name, text in files.items():
        header = text.splitlines()[0].split(",")
        assert list(plan.tables[name.removesuffix(".csv")].columns) == header
    assert plan.tables["segments"]["length_m"].dtype == float
    assert plan.tables["segments"]["port"].dtype == int
    assert isinstance(plan.tables["wires"], pd.DataFrame)


def test_drawings_and_sections_show_themselves(plan) -> None:
    for drawing in plan.drawings.values():
        root = ET.fromstring(drawing._repr_svg_())
        assert root.tag.endswith("svg")
        assert root.find(".//{http://www.w3.org/2000/svg}style") is not None
    for section in plan.sections.values():
        shown = section._repr_html_()
        assert section.title in shown
        # In a notebook no file lies beside it, and no style of it may reach other cells.
        assert "<style" not in shown
        assert ".csv</a>" not in shown
    assert 'src="data:image/svg+xml;base64,' in plan._repr_html_()


def test_writing_gives_what_the_command_writes(problem, plan, tmp_path, capsys) -> None:
    by_python = plan.write(tmp_path / "python")
    words = ["--workers", "1", "--work-limit", "20", "-q"]
    assert run(["plan", str(CASE / "problem.yaml"), "-o", str(tmp_path / "cli"), *words]) == 0
    capsys.readouterr()
    names = [sorted(p.name for p in (tmp_path / kind).iterdir()) for kind in ("python", "cli")]
    assert names[0] == names[1]
    layouts = [(tmp_path / kind / "layout.yaml").read_bytes() for kind in ("python", "cli")]
    assert layouts[0] == layouts[1]
    assert run(["check", str(CASE / "problem.yaml"), str(by_python / "layout.yaml"), "-q"]) == 0


def test_a_folder_with_other_things_is_left_alone(plan, tmp_path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(FileExistsError, match="force=True"):
        plan.write(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]
    plan.write(tmp_path, force=True)
    with pytest.raises(FileExistsError):
        partitioner.check_layout(plan.problem, plan.layout).write(tmp_path)
    assert (tmp_path / "thesis.txt").read_text() == "mine"
    assert (tmp_path / "report.html").is_file()


def test_a_report_beside_another_layout_for_a_batch_in_one_file(problem, plan, tmp_path) -> None:
    alone = partitioner.report_layout(problem, plan.layout)
    beside = partitioner.report_layout(problem, plan.layout, against=HAND, units=7)
    assert set(alone.tables) < set(beside.tables)
    assert "against" in beside.sections
    assert [7 in set(a.tables["orders"]["units"]) for a in (alone, beside)] == [False, True]
    folder = beside.write(tmp_path, archive=True)
    with zipfile.ZipFile(folder / "small-sprayer.zip") as packed:
        inside = {name.partition("/")[2] for name in packed.namelist()}
    assert inside == {p.name for p in folder.iterdir() if p.suffix != ".zip"}
    with pytest.raises(ValueError, match="at least 1 unit"):
        partitioner.report_layout(problem, HAND, units=0)


@pytest.fixture
def heeded():
    """Ctrl-C is heeded, also where the tests were started in the background."""
    earlier = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    signal.signal(signal.SIGINT, earlier)


@pytest.mark.usefixtures("heeded")
def test_ctrl_c_gives_the_best_so_far(problem) -> None:
    told: list[partitioner.Progress] = []

    def stop_once(progress: partitioner.Progress) -> None:
        if progress.priced_total is not None and not any(p.priced_total for p in told):
            signal.raise_signal(signal.SIGINT)
        told.append(progress)

    plan = partitioner.plan_layout(problem, workers=1, on_progress=stop_once)
    assert plan.stopped_by == "user"
    assert plan.broken_rules == ()
    assert [p.seconds for p in told] == sorted(p.seconds for p in told)


@pytest.mark.usefixtures("heeded")
def test_a_second_ctrl_c_is_an_interrupt_as_anywhere(problem) -> None:
    def insist(progress: partitioner.Progress) -> None:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        partitioner.plan_layout(problem, workers=1, on_progress=insist)


def test_ctrl_c_is_left_to_who_has_taken_it(heeded) -> None:
    taken = signal.signal(signal.SIGINT, signal.SIG_IGN)
    with stop_wish() as is_stopped:
        signal.raise_signal(signal.SIGINT)
        assert not is_stopped()
    signal.signal(signal.SIGINT, taken)


def test_errors_carry_their_findings(problem, tmp_path) -> None:
    with pytest.raises(partitioner.WrongFile, match="no such file") as caught:
        partitioner.read_problem(tmp_path / "none.yaml")
    assert caught.value.findings[0].code == "unreadable-file"
    with pytest.raises(ValueError, match="no device 'nobody'"):
        partitioner.explain_problem(problem, device="nobody")
    with pytest.raises(ValueError, match="expected one of latency"):
        partitioner.trade_off(problem, axis="beauty")
    with pytest.raises(ValueError, match="above 0 s"):
        partitioner.plan_layout(problem, time_limit_s=0)
    with pytest.raises(ValueError, match="at least 1 worker"):
        partitioner.plan_layout(problem, workers=0)
    apart = pd.DataFrame(
        [{"id": "backup", "kind": "apart-segment", "devices": ["left", "right"]}]
    )
    with pytest.raises(partitioner.NoLayout) as none:
        partitioner.plan_layout(build(groups=apart), workers=1, time_limit_s=20)
    assert none.value.conflicts
