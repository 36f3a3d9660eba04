"""What a search that ends without a layout tells: what ended it, and what the time went to."""

from __future__ import annotations

import pytest

from partitioner.application.search import Search
from partitioner.errors import NoAnswer
from partitioner.runs import Answer, Budget
from tests.brute.random_problems import random_problem

BEGUN, SEARCH_BEGAN = 100.0, 101.9


@pytest.mark.parametrize(
    ("ended_by", "now", "told"),
    [
        (
            "time limit", 105.0,
            "The limit of 6 s was reached: 1.9 s went to loading and reading, 3.1 s to the search, "
            "1.0 s were kept for what follows it. A longer --time-limit may find a layout.",
        ),
        (
            "time limit", 106.2,
            "The limit of 6 s was reached: 1.9 s went to loading and reading, 4.3 s to the search. "
            "A longer --time-limit may find a layout.",
        ),
        ("user", 104.0, "Stopped by you after 2.1 s of search. A layout may exist."),
        (
            "work limit", 103.0,
            "The work limit was reached after 1.1 s of search. A larger one may find a layout.",
        ),
        (
            "nothing left to try", 103.0,
            "Nothing was left to try after 1.1 s of search. Another --seed may find a layout.",
        ),
    ],
)  # fmt: skip
def test_the_hint_is_by_what_ended_it(ended_by: str, now: float, told: str) -> None:
    search = Search(time_limit_s=6, clock=lambda: now, begun_s=BEGUN)
    ended = NoAnswer("no layout found", ended_by=ended_by)
    search.tell_ending(ended, SEARCH_BEGAN)
    assert ended.hint.replace("\xa0", " ") == told


def test_where_parts_are_held_less_may_be_held() -> None:
    search = Search(time_limit_s=6, clock=lambda: 103.0, begun_s=BEGUN)
    ended = NoAnswer("no layout found", ended_by="nothing left to try")
    search.tell_ending(ended, SEARCH_BEGAN, is_held=True)
    assert ended.hint.endswith("With less held, or with another --seed, a layout may be found.")


def test_who_stops_before_the_first_of_several_runs_is_not_told_of_a_limit() -> None:
    search = Search(time_limit_s=6, clock=lambda: 104.0, begun_s=BEGUN, stop=lambda: True)
    ended = NoAnswer("no layout found")
    search.tell_ending(ended, SEARCH_BEGAN)
    assert ended.ended_by == "user"
    assert ended.hint.startswith("Stopped by you after")


@pytest.mark.parametrize("stops", [False, True])
def test_a_share_of_the_time_is_no_wish_to_stop(stops: bool) -> None:
    """A run is told both by one question, and they end it alike."""
    now = 0.0

    def clock() -> float:
        nonlocal now
        now += 0.01
        return now

    problem = random_problem(3, 14, switches=3)
    budget = Budget(clock, 1e9, should_stop=lambda: stops)
    result = budget.run(problem, 0.5)
    assert result.answer is Answer.UNKNOWN
    assert result.ended is not None
    assert result.ended.ended_by == ("user" if stops else "time limit")
