"""The whole front of a very small problem, by trying everything, limit by limit."""

from __future__ import annotations

from dataclasses import replace

from partitioner.check.judge import assess
from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from tests.brute.brute import _Search


def latency_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, worst linear bound in ns) of every point nothing beats, cheapest first."""
    return _front(problem, _WithinLatency, _worst_ns)


def line_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, shared lines) of every point nothing beats, cheapest first."""
    return _front(problem, _WithLines, _lines)


def port_front(problem: Problem) -> list[tuple[int, int]]:
    """(cost, ports in use) of every point nothing beats, cheapest first."""
    return _front(problem, _WithPorts, lambda p, layout: len(layout.segments))


def _front(problem: Problem, search, value) -> list[tuple[int, int]]:
    found: dict[int, int] = {}
    limit = 2**40
    while (best := search(problem, limit).run()) is not None:
        cost, layout = best
        here = value(problem, layout)
        assert here <= limit
        # A later layout of the same cost has the smaller value: it replaces the earlier one.
        found[cost] = here
        limit = here - 1
        if limit < 0:
            break
    return sorted(found.items())


def _worst_ns(problem: Problem, layout: Layout) -> int:
    streams = assess(problem, layout, "linear").streams
    return max((f.linear_ns for f in streams if f.stream in problem.streams), default=0)


def _lines(problem: Problem, layout: Layout) -> int:
    grades = problem.catalogue.grades
    return sum(grades[s.grade].medium is Medium.MIXING for s in layout.segments)


class _WithinLatency(_Search):
    """Deadlines tightened to a limit after the windows of the analysis were taken from them."""

    def __init__(self, problem: Problem, limit_ns: int):
        super().__init__(problem)
        self.streams = {
            k: replace(s, deadline_ns=min(s.deadline_ns, limit_ns))
            for k, s in self.streams.items()
        }


class _WithPorts(_Search):
    def __init__(self, problem: Problem, most: int):
        super().__init__(problem)
        self.most = most

    def counted(self, candidate) -> int:
        return 1

    def extend(self, net, grades, rest, chosen, cost, free, used) -> None:
        if sum(self.counted(c) for c, _ in chosen) <= self.most:
            super().extend(net, grades, rest, chosen, cost, free, used)


class _WithLines(_WithPorts):
    def counted(self, candidate) -> int:
        return self.problem.catalogue.grades[candidate.grade].medium is Medium.MIXING
