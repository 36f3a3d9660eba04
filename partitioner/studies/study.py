"""A study: what varies in a problem, which cases that makes, and what is asked of each. Data only.

Every way to choose cases goes over one numbering: the grid of all factors, counted like an
odometer. A list names its cases; random draws pick numbers of the grid.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import prod
from typing import Any

from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.reading.origin import Origin, YamlOrigin


class Ask(StrEnum):
    """What a case is asked: a command of the program."""

    PLAN = "plan"
    TRADEOFF = "tradeoff"
    REPLAN = "replan"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of one case, and how long and how to search; one core works on it.

    ``work_limit`` is that of a plan, in rounds; ``axis``, ``points`` and ``gap`` (a share of the
    cost) are those of a trade-off.
    """

    ask: Ask = Ask.PLAN
    time_limit_s: float = 60.0
    seed: int = 0
    work_limit: int | None = None
    axis: str = "latency"
    points: int = 8
    gap: float = 0.01


QUESTION_KEYS = ("time_limit_s", "seed", "work_limit")
"""Keys of the question that may vary; none of them is a key of a problem."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One value of a factor: what it is called, and what it changes in the problem.

    ``label`` is unique within the factor; ``number`` is the value, where it is a number: charts may
    have it on a scale. ``put`` has values by path in the problem, or by a key of
    :data:`QUESTION_KEYS`; None leaves a key out. ``leave_out`` are ids of devices and switches that
    are not there, nor what depends on them; ``add`` has items to add, by list section of the
    problem.
    """

    label: str
    number: float | None = None
    put: Mapping[str, Any] = field(default_factory=dict)
    leave_out: Sequence[str] = ()
    add: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    origin: Origin | None = None


AS_IS = Setting("as is")
"""What a case of a list has of a factor that it does not name."""


@dataclass(frozen=True, slots=True)
class Factor:
    """Something that varies; ``settings`` are its values in the order of the study."""

    name: str
    settings: tuple[Setting, ...]

    @property
    def is_numeric(self) -> bool:
        """Whether all its values are numbers."""
        return all(s.number is not None for s in self.settings)

    @property
    def short_name(self) -> str:
        """Last part of the path, for headings."""
        return self.name.rsplit(".", 1)[-1]


@dataclass(frozen=True, slots=True)
class Case:
    """One case: its number from 1, and a setting for each factor of the study."""

    number: int
    settings: tuple[Setting, ...]


@dataclass(frozen=True, slots=True)
class Study:
    """A study as read.

    ``base`` is the problem as data with its lists in place; ``before`` is the layout that a replan
    starts from, as text, and ``before_file`` its file. ``digests`` are those of the problems of
    the cases, by number, and ``made`` these problems, pickled, as many as were kept when they were
    checked.
    """

    name: str
    note: str
    base: YamlOrigin
    question: Question
    factors: tuple[Factor, ...]
    cases: tuple[Case, ...]
    before_file: str = ""
    before: str = ""
    digests: dict[int, str] = field(default_factory=dict, compare=False, repr=False)
    made: dict[int, bytes] = field(default_factory=dict, compare=False, repr=False)

    def words(self, case: Case) -> str:
        """What a case has, for people."""
        pairs = zip(self.factors, case.settings, strict=True)
        return ", ".join(f"{f.short_name} {s.label}" for f, s in pairs) or "as is"


@dataclass(frozen=True, slots=True)
class CaseTask:
    """A case as it travels to a worker.

    ``key`` is the digest of all that the answer depends on, but for the layout to ``start`` from:
    one of the case ``start_case`` that costs less than what was found here.
    """

    key: str
    problem: Problem
    question: Question
    before: Layout | None = None
    start: Layout | None = None
    start_case: int | None = None


@dataclass(frozen=True, slots=True)
class JudgeTask:
    """Layouts to be judged in a case, their own or another; ``key`` as for a case."""

    key: str
    problem: Problem
    layouts: tuple[Layout, ...]


def grid_size(factors: Sequence[Factor]) -> int:
    """Cases of the whole grid."""
    return prod(len(f.settings) for f in factors)


def grid_cases(factors: Sequence[Factor], numbers: Sequence[int]) -> tuple[Case, ...]:
    """Cases of the grid by number from 0; the last factor changes first.

    Examples
    --------
    >>> two = Factor("a", (Setting("1"), Setting("2"))), Factor("b", (Setting("x"), Setting("y")))
    >>> [[s.label for s in c.settings] for c in grid_cases(two, [1, 2])]
    [['1', 'y'], ['2', 'x']]
    """
    cases = []
    for count, number in enumerate(numbers, start=1):
        chosen: list[Setting] = []
        for factor in reversed(factors):
            number, place = divmod(number, len(factor.settings))
            chosen.append(factor.settings[place])
        cases.append(Case(count, tuple(reversed(chosen))))
    return tuple(cases)


def asked_of(study: Study, case: Case) -> Question:
    """The question of one case."""
    changed = {k: v for s in case.settings for k, v in s.put.items() if k in QUESTION_KEYS}
    if "time_limit_s" in changed:
        changed["time_limit_s"] = float(changed["time_limit_s"])
    return replace(study.question, **changed)
