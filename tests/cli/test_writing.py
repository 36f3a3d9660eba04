"""Nothing is written elsewhere, nothing half, and nothing better is lost."""

from __future__ import annotations

import json
import signal
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.application.plan import plan
from partitioner.application.reading import read_problem
from partitioner.application.search import Search
from partitioner.cli.folder_lock import FolderLock
from partitioner.cli.main import run
from partitioner.cli.output import Place
from partitioner.cli.session import Session
from partitioner.cli.so_far import BestSoFar
from partitioner.cli.voice import Voice
from partitioner.errors import ExitCode
from partitioner.model.outcome import Outcome, Status
from partitioner.report import switch
from partitioner.report.switch import STAGE, file_digest
from partitioner.report.writer import MANIFEST, set_digests
from partitioner.solve import planner
from tests.judged import judge

QUICK = ["--time-limit", "20s", "--workers", "1"]


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def is_whole(folder: Path) -> bool:
    digests = set_digests(folder)
    hidden = [p.name for p in folder.iterdir() if p.name.startswith(".")]
    return bool(digests) and not hidden and all(
        file_digest(folder / name) == digest for name, digest in digests.items()
    )


@pytest.fixture(scope="module")
def best(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The optimum of the example."""
    from partitioner.reading.example import example_text

    path = tmp_path_factory.mktemp("example") / "problem.yaml"
    path.write_text(example_text(), encoding="utf-8")
    return plan(read_problem(path), Search(time_limit_s=30)).outcome


@pytest.fixture
def worse(best: Outcome, example: Path, by_hand: Path) -> Outcome:
    """A dearer layout, as a search that was stopped early leaves it."""
    judged = judge(example, by_hand)
    cost = judged.assessment.cost.objective_money
    assert cost > best.cost_money
    return replace(
        best, status=Status.FEASIBLE, layout=judged.assessment.layout, cost_money=cost,
        bound_money=best.bound_money - 10_000,
    )  # fmt: skip


@pytest.fixture
def finds(monkeypatch: pytest.MonkeyPatch):
    """Let the next searches find this."""

    def make(outcome: Outcome) -> None:
        monkeypatch.setattr(planner, "plan_layout", lambda *_, **__: outcome)

    return make


# Where files go


@pytest.mark.parametrize("name", ["../../../x", "/tmp/x", "..", "a/../../x", ".", "C:\\x", "CON"])
def test_a_problems_name_leads_nowhere(
    name, example, by_hand, best, finds, tmp_path, monkeypatch
) -> None:
    finds(best)
    text = example.read_text(encoding="utf-8")
    assert "name: small-sprayer" in text
    example.write_text(text.replace("name: small-sprayer", f"name: '{name}'"), encoding="utf-8")
    here = tmp_path / "1" / "2" / "3" / "4"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    before = {p for p in tmp_path.rglob("*") if here not in p.parents}
    outside = Path("/tmp/x")
    was_there = outside.exists()
    assert run(["report", str(example), str(by_hand)]) == ExitCode.OK
    assert run(["plan", str(example), *QUICK]) == ExitCode.OK
    assert {p for p in tmp_path.rglob("*") if here not in p.parents} == before
    assert outside.exists() == was_there
    (folder,) = here.iterdir()
    assert folder.name.startswith("out-")


def test_every_command_names_its_folder_in_one_place(
    example, by_hand, tmp_path, monkeypatch
) -> None:
    text = example.read_text(encoding="utf-8")
    example.write_text(text.replace("name: small-sprayer", "name: ../../x"), encoding="utf-8")
    here = tmp_path / "1" / "2" / "3"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    assert run(["replan", str(example), "--keep", str(by_hand), *QUICK]) == ExitCode.OK
    words = ["tradeoff", str(example), "--axis", "lines", "--points", "2", "--time-limit", "60s"]
    assert run([*words, "--workers", "1"]) == ExitCode.OK
    assert {p.name for p in here.iterdir()} == {"out-x-replan", "out-x-lines"}
    assert {p.name for p in tmp_path.iterdir()} == {"1", "problem.yaml"}


def test_a_link_that_nobody_named_is_not_followed(example, by_hand, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out-small-sprayer").symlink_to(tmp_path / "elsewhere")
    assert run(["report", str(example), str(by_hand)]) == ExitCode.USAGE
    assert list((tmp_path / "elsewhere").iterdir()) == []


# Whole, or what it was


def cut_off(folder: Path, files: dict[str, bytes], *, is_decided: bool) -> None:
    """Leave what a process leaves that is killed right after, or right before, it decided."""
    stage = Path(tempfile.mkdtemp(prefix=STAGE, dir=folder))
    switch._prepare(folder, stage, files, [])
    if not is_decided:
        (stage / "journal").unlink()


@pytest.mark.parametrize("command", ["check", "report", "replan", "plan"])
@pytest.mark.parametrize("is_decided", [True, False])
def test_the_next_run_recovers_and_tells(
    command, is_decided, example, by_hand, best, finds, tmp_path, capsys
) -> None:
    finds(best)
    folder, made = tmp_path / "out", tmp_path / "made"
    assert run(["report", str(example), str(by_hand), "-o", str(made)]) == ExitCode.OK
    folder.mkdir()
    cut_off(folder, {p.name: p.read_bytes() for p in made.iterdir()}, is_decided=is_decided)
    layout = str(folder / "layout.yaml")
    words = {
        "check": ["check", str(example), layout],
        "report": ["report", str(example), layout, "-o", str(tmp_path / "other")],
        "replan": ["replan", str(example), "--keep", layout, "-o", str(tmp_path / "o"), *QUICK],
        "plan": ["plan", str(example), "-o", str(folder), *QUICK],
    }[command]
    capsys.readouterr()
    code = run(words)
    err = capsys.readouterr().err
    assert code == (ExitCode.OK if is_decided or command == "plan" else ExitCode.WRONG_FILE)
    assert err.count("interrupted run") == 1
    if command == "plan":
        assert is_whole(folder)
    elif is_decided:
        assert content(folder) == content(made)
    else:
        assert list(folder.iterdir()) == []


def test_a_reader_that_may_not_write_reads_what_was_decided(
    example, by_hand, tmp_path, monkeypatch, capsys
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    cut_off(folder, {"layout.yaml": by_hand.read_bytes()}, is_decided=True)
    before = content(folder)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(Path, "replace", refuse)
    assert run(["check", str(example), str(folder / "layout.yaml")]) == ExitCode.OK
    assert content(folder) == before


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_while_writing_waits(
    name, example, by_hand, best, worse, finds, tmp_path, monkeypatch, capsys
) -> None:
    if not hasattr(signal, name):
        pytest.skip("no such signal here")
    number = getattr(signal, name)
    before = signal.getsignal(number)
    real = switch._write

    def write(path: Path, data: bytes) -> None:
        signal.raise_signal(number)
        real(path, data)

    monkeypatch.setattr(switch, "_write", write)
    folder = tmp_path / "out"
    assert run(["report", str(example), str(by_hand), "-o", str(folder)]) == ExitCode.OK
    assert is_whole(folder)
    finds(best)
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.OK
    assert is_whole(folder)
    assert json.loads((folder / "outcome.json").read_text())["status"] == "optimal"
    assert signal.getsignal(number) is before


def test_ctrl_c_while_a_trade_off_keeps_a_point_ends_it_after(
    example, tmp_path, monkeypatch, capfd
) -> None:
    real = switch._write
    raised = []

    def write(path: Path, data: bytes) -> None:
        if not raised and "so-far" not in path.parts:
            raised.append(path)
            signal.raise_signal(signal.SIGINT)
        real(path, data)

    monkeypatch.setattr(switch, "_write", write)
    folder = tmp_path / "front"
    words = ["tradeoff", str(example), "-o", str(folder), "--axis", "lines", "--points", "all"]
    assert run([*words, "--time-limit", "1h", "--workers", "1"]) == ExitCode.OK
    assert "stopping" in capfd.readouterr().err
    assert is_whole(folder)
    assert (folder / "point-01.yaml").is_file()


def test_one_run_at_a_time_writes_into_a_folder(example, by_hand, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    words = ["report", str(example), str(by_hand), "-o", str(folder)]
    assert run(words) == ExitCode.OK
    before = content(folder)
    lock = FolderLock(folder)
    assert lock.take()
    for command in (
        words,
        ["plan", str(example), "-o", str(folder), *QUICK],
        ["replan", str(example), "--keep", str(by_hand), "-o", str(folder)],
        ["tradeoff", str(example), "-o", str(folder), "--force"],
        ["explain", str(example), "-o", str(folder), "--force"],
    ):
        assert run(command) == ExitCode.USAGE
        assert "another run is at work in this folder" in capsys.readouterr().err
    # Reading does not disturb it.
    assert run(["check", str(example), str(folder / "layout.yaml")]) == ExitCode.OK
    lock.give_back()
    assert content(folder) == before
    assert run(words) == ExitCode.OK


def test_a_trade_off_forgets_point_files_it_does_not_have_any_more(tmp_path) -> None:
    from partitioner.report.writer import write_set

    marks = ("tradeoff.json",)
    files = {"tradeoff.json": "", "point-01.yaml": ""}
    write_set(tmp_path, {**files, "point-02.yaml": ""}, marks=marks)
    write_set(tmp_path, files, marks=marks)
    assert {p.name for p in tmp_path.iterdir()} == {"tradeoff.json", "point-01.yaml", MANIFEST}


# The better one stays


def test_a_worse_plan_does_not_replace_a_better_one(
    example, best, worse, finds, tmp_path, capsys
) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    finds(best)
    assert run(words) == ExitCode.OK
    verdict = capsys.readouterr().out
    before = content(folder)
    finds(worse)
    assert run([*words, "--require-optimal"]) == ExitCode.OK, "what the user has is optimal"
    out, err = capsys.readouterr()
    assert out == verdict
    assert "kept the earlier layout" in err
    assert "with a priced total of 143.17 EUR (proved optimal)" in err
    assert "with a priced total of 154.52 EUR (gap 8.0 %)" in err.replace("\xa0", " ")
    assert "also-found" in err
    after = content(folder)
    assert {n: c for n, c in after.items() if not n.startswith("also-found")} == before
    assert is_whole(folder / "also-found")
    data = json.loads(after[str(Path("also-found", "outcome.json"))])
    assert data["cost"]["priced_total"] == worse.cost_money / 10_000
    assert run([*words, "--json"]) == ExitCode.OK
    told = json.loads(capsys.readouterr().out)
    assert told["also_found"] == {
        "folder": str(folder / "also-found"),
        "priced_total": worse.cost_money / 10_000,
        "bound": worse.bound_money / 10_000,
    }
    assert {k: v for k, v in told.items() if k != "also_found"} == json.loads(
        before["outcome.json"]
    )


@pytest.fixture
def killed(monkeypatch: pytest.MonkeyPatch, best: Outcome):
    """Have the next search meet a layout and then end as if it were killed."""

    def make(met: Outcome) -> None:
        def plan_layout(*_: object, on_layout, **__: object) -> Outcome:
            on_layout(met.cost_money, lambda: met.layout)
            raise MemoryError

        monkeypatch.setattr(planner, "plan_layout", plan_layout)

    return make


def test_what_a_run_that_was_cut_off_had_found_is_there(
    example, best, worse, finds, killed, tmp_path, capsys
) -> None:
    folder = tmp_path / "out"
    left = folder / "so-far" / "layout.yaml"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    killed(worse)
    assert run(words) == ExitCode.FAULT
    assert is_whole(left.parent)
    assert run(["check", str(example), str(left)]) == ExitCode.OK
    capsys.readouterr()
    # A better one takes its place, a worse one does not, and each time it is offered.
    for met, stays in ((best, best), (worse, best)):
        killed(met)
        assert run(words) == ExitCode.FAULT
        assert f"--start {left} would begin from it" in capsys.readouterr().err
        judged = judge(example, left)
        assert judged.assessment.cost.objective_money == stays.cost_money
    # A run that ends with less than it keeps it, one that ends with as much removes it.
    finds(worse)
    assert run(words) == ExitCode.OK
    assert f"{left} is cheaper still" in capsys.readouterr().err
    assert left.is_file()
    finds(best)
    assert run(words) == ExitCode.OK
    assert not left.parent.exists()
    assert is_whole(folder)


def test_the_layout_so_far_is_written_once_a_second_and_never_late(
    best, worse, example, tmp_path
) -> None:
    now = 0.0
    folder = tmp_path / "out"
    with Place(folder, Voice(Session())) as place:
        so_far = BestSoFar(place, read_problem(example), lambda: now, None)

        def there() -> int:
            return judge(example, folder / "so-far" / "layout.yaml").assessment.cost.objective_money

        so_far.take(worse.cost_money, lambda: worse.layout)
        assert there() == worse.cost_money
        so_far.take(best.cost_money, lambda: best.layout)
        assert there() == worse.cost_money
        so_far.take_text("told.txt", lambda: "as far as it is known")
        now = 1.0
        so_far.write_if_due()
        assert there() == best.cost_money
        assert (folder / "so-far" / "told.txt").read_text() == "as far as it is known"
        so_far.end(best.cost_money, Voice(Session()))
        assert not (folder / "so-far").exists()


def test_nothing_is_written_beside_the_better_layout_of_a_run_before(
    worse, example, tmp_path
) -> None:
    with Place(tmp_path / "out", Voice(Session())) as place:
        so_far = BestSoFar(place, read_problem(example), lambda: 0.0, worse.cost_money)
        so_far.take(worse.cost_money, lambda: worse.layout)
        so_far.take_text("told.txt", lambda: "of another layout")
        assert not (tmp_path / "out" / "so-far").exists()


def test_a_better_plan_replaces_and_so_does_one_that_is_asked_to(
    example, best, worse, finds, tmp_path, capsys
) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    finds(worse)
    assert run(words) == ExitCode.OK
    finds(best)
    assert run(words) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "optimal"
    finds(worse)
    assert run([*words, "--replace"]) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "feasible"
    assert not (folder / "also-found").exists()


def test_as_cheap_but_not_as_well_proved(example, best, finds, tmp_path, capsys) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    weak = replace(best, status=Status.FEASIBLE, bound_money=best.bound_money - 1)
    finds(weak)
    assert run(words) == ExitCode.OK
    finds(best)
    assert run(words) == ExitCode.OK
    finds(weak)
    assert run(words) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "optimal"
    assert (folder / "also-found" / "layout.yaml").is_file()


def test_another_problem_is_another_matter(example, best, worse, finds, tmp_path) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    finds(best)
    assert run(words) == ExitCode.OK
    example.write_text(example.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
    finds(worse)
    assert run(words) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "feasible"


def test_a_better_layout_made_by_hand_in_the_folder_stays(
    example, best, worse, finds, tmp_path, capsys
) -> None:
    folder, other = tmp_path / "out", tmp_path / "other"
    for outcome, where in ((best, other), (worse, folder)):
        finds(outcome)
        assert run(["plan", str(example), "-o", str(where), *QUICK]) == ExitCode.OK
    (folder / "layout.yaml").write_bytes((other / "layout.yaml").read_bytes())
    capsys.readouterr()
    assert run(["plan", str(example), "-o", str(folder), *QUICK, "--json"]) == ExitCode.OK
    told = json.loads(capsys.readouterr().out)
    assert told["cost"]["priced_total"] == best.cost_money / 10_000
    assert told["also_found"]["priced_total"] == worse.cost_money / 10_000
    assert (folder / "layout.yaml").read_bytes() == (other / "layout.yaml").read_bytes()
    # Its report is renewed where it lies.
    words = ["report", str(example), str(folder / "layout.yaml"), "-o", str(folder)]
    assert run(words) == ExitCode.OK
    assert is_whole(folder)
    assert json.loads((folder / "outcome.json").read_text())["status"] == "checked"


def test_a_layout_that_breaks_rules_now_is_no_better_one(
    example, best, worse, finds, tmp_path
) -> None:
    folder = tmp_path / "out"
    words = ["plan", str(example), "-o", str(folder), *QUICK]
    finds(best)
    assert run(words) == ExitCode.OK
    text = (folder / "layout.yaml").read_text(encoding="utf-8")
    (folder / "layout.yaml").write_text(text.replace("camera", "no-such-device"), encoding="utf-8")
    finds(worse)
    assert run(words) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "feasible"


def test_a_report_does_not_replace_a_better_plan(
    example, by_hand, best, finds, tmp_path, capsys
) -> None:
    folder = tmp_path / "out"
    finds(best)
    assert run(["plan", str(example), "-o", str(folder), *QUICK]) == ExitCode.OK
    before = content(folder)
    words = ["report", str(example), str(by_hand), "-o", str(folder)]
    assert run(words) == ExitCode.OK
    assert "154.52 EUR (not planned)" in capsys.readouterr().err
    after = content(folder)
    assert before.items() <= after.items()
    assert is_whole(folder / "also-found")
    assert run([*words, "--replace"]) == ExitCode.OK
    assert json.loads((folder / "outcome.json").read_text())["status"] == "checked"


def test_a_replan_does_not_replace_a_better_answer(
    example, by_hand, tmp_path, monkeypatch, capsys
) -> None:
    from partitioner.replan import rerun

    folder = tmp_path / "out"
    words = ["replan", str(example), "--keep", str(by_hand), "-o", str(folder), *QUICK]
    assert run(words) == ExitCode.OK
    before = content(folder)
    total = json.loads(before["replan.json"])["total"]
    real = rerun.rerun

    def dearer(problem, layout, settings, **more):
        held = rerun.held_by(problem, layout, list(problem.devices), complete=False)
        return real(problem, layout, settings, **{**more, "held": held})

    monkeypatch.setattr("partitioner.application.replan.rerun", dearer)
    capsys.readouterr()
    assert run([*words, "--json"]) == ExitCode.OK
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["total"] > total
    assert told["kept"]["folder"] == str(folder)
    assert "kept the earlier layout" in err
    assert before.items() <= content(folder).items()
    assert is_whole(folder / "also-found")
    assert run(words) == ExitCode.OK
    assert "kept the earlier layout" in capsys.readouterr().err


def test_a_trade_off_against_another_axis_is_not_replaced(example, tmp_path, capsys) -> None:
    folder = tmp_path / "front"
    words = ["tradeoff", str(example), "-o", str(folder), "--points", "2", *QUICK]
    assert run([*words, "--axis", "lines"]) == ExitCode.OK
    before = content(folder)
    assert run([*words, "--axis", "ports"]) == ExitCode.USAGE
    assert "against lines" in capsys.readouterr().err
    assert content(folder) == before


def test_a_trade_off_that_finds_nothing_leaves_the_earlier_one(
    example, tmp_path, monkeypatch, capsys
) -> None:

    folder = tmp_path / "front"
    words = ["tradeoff", str(example), "-o", str(folder), "--points", "2", "--axis", "lines"]
    assert run([*words, *QUICK]) == ExitCode.OK
    before = content(folder)
    found_nothing = "partitioner.application.tradeoff.trade_off"
    monkeypatch.setattr(found_nothing, lambda problem, state, *_: state)
    assert run([*words, *QUICK, "--afresh"]) == ExitCode.OK
    assert "kept what" in capsys.readouterr().err
    assert content(folder) == before
    # Without an earlier one there is a page that says so.
    elsewhere = tmp_path / "elsewhere"
    words[3] = str(elsewhere)
    assert run([*words, *QUICK]) == ExitCode.OK
    assert "No layout was found." in (elsewhere / "report.html").read_text(encoding="utf-8")
