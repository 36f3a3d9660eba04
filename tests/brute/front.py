"""The whole front of a very small problem: every layout that the check accepts, weighed twice."""

from __future__ import annotations

from collections.abc import Callable

from partitioner.check.judge import assess
from partitioner.model.assessment import Assessment
from partitioner.model.catalogue import Medium
from partitioner.model.problem import Problem
from tests.brute.oracle import Oracle

Value = Callable[[Problem, Assessment], int]


def front(problem: Problem, value: Value) -> list[tuple[int, int]]:
    """(cost, value) of every point nothing beats, cheapest first."""
    rows = [
        (cost, value(problem, assess(problem, layout)))
        for cost, layout in Oracle(problem).accepted()
    ]
    kept: list[tuple[int, int]] = []
    for cost, here in sorted(rows):
        if not kept or here < kept[-1][1]:
            kept.append((cost, here))
    return kept


def worst_ns(problem: Problem, assessment: Assessment) -> int:
    """Longest worst-case delay of any stream of the problem."""
    delays = [f.bound_ns for f in assessment.streams if f.stream in problem.streams]
    return max((ns for ns in delays if ns is not None), default=0)


def lines(problem: Problem, assessment: Assessment) -> int:
    """Shared lines."""
    grades = problem.catalogue.grades
    return sum(grades[s.grade].medium is Medium.MIXING for s in assessment.layout.segments)


def ports(problem: Problem, assessment: Assessment) -> int:
    """Switch ports in use by segments."""
    return len(assessment.layout.segments)


def latency_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, longest worst-case delay in ns) of every point nothing beats, cheapest first."""
    return front(problem, worst_ns)


def line_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, shared lines) of every point nothing beats, cheapest first."""
    return front(problem, lines)


def port_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, ports in use) of every point nothing beats, cheapest first."""
    return front(problem, ports)
