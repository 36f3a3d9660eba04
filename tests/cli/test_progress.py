from __future__ import annotations

import pytest

from partitioner.cli.progress import Progress
from partitioner.cli.session import Session
from partitioner.cli.voice import Voice
from partitioner.model.outcome import Sample


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
