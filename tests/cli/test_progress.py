from __future__ import annotations

import time

import pytest

from partitioner.application.reading import read_problem
from partitioner.cli.progress import Progress
from partitioner.cli.searching import searching
from partitioner.cli.session import Session
from partitioner.cli.voice import Voice
from partitioner.model.outcome import Sample
from tests.processes import ROOT


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def show(progress: Progress, clock: Clock, until: int) -> None:
    for second in range(until + 1):
        clock.now = float(second)
        progress.sample(Sample(clock.now, 100_000, 90_000), "improving")


def test_a_line_every_ten_seconds_without_a_terminal(clock, capsys) -> None:
    show(Progress(Voice(Session()), 60.0, "EUR", clock), clock, 25)
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        "best 10.00 EUR, bound 9.00, gap 10.0 %, 50 s left: improving",
        "best 10.00 EUR, bound 9.00, gap 10.0 %, 40 s left: improving",
    ]


def test_one_rewritten_line_on_a_terminal(clock, capsys, monkeypatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    voice = Voice(Session(color=False))
    progress = Progress(voice, 60.0, "EUR", clock)
    show(progress, clock, 3)
    voice.clear_line()
    err = capsys.readouterr().err
    assert "\n" not in err
    assert err.count("\r") == 4 + 2
    assert err.endswith("\r"), "the line is wiped before the answer"


def test_quiet_shows_nothing(clock, capsys) -> None:
    show(Progress(Voice(Session(is_quiet=True)), 60.0, "EUR", clock), clock, 60)
    assert capsys.readouterr() == ("", "")


def test_every_sample_with_two_v(clock, capsys) -> None:
    show(Progress(Voice(Session(verbosity=2)), 60.0, "EUR", clock), clock, 1)
    assert capsys.readouterr().err.splitlines() == [
        "     0.0 s  best 10.00 EUR, bound 9.00, gap 10.0 %, 1 min left: improving",
        "     1.0 s  best 10.00 EUR, bound 9.00, gap 10.0 %, 59 s left: improving",
    ]


def test_the_limit_counts_from_the_start_of_the_program() -> None:
    path = ROOT / "tests" / "gold" / "small-sprayer" / "problem.yaml"
    problem = read_problem(path)

    def left_s(before_s: float, limit_s: float) -> float:
        session = Session(is_quiet=True, begun_s=time.monotonic() - before_s)
        with searching(Voice(session), problem, path, limit_s, 0, 1, lambda: False) as search:
            return search.left_s

    assert left_s(4.0, 60.0) == pytest.approx(56.0, abs=1.0)
    # Loading took longer than all of the limit, and half of that is for the search still.
    assert left_s(40.0, 20.0) == pytest.approx(10.0, abs=1.0)
