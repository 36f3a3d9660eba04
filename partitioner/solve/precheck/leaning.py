"""What a contradiction leans on: the few blocks and statements that linear arithmetic needs for it.

One measure says how much of every block stays without a place; it is made as small as the rows
allow. If some stays, the rows and blocks of weight (dual value) in that optimum contradict each
other already (Farkas). Floating point only proposes the weights: added up in integers the rows have
to say that something is less than it can be.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from ortools.linear_solver import pywraplp

from partitioner.solve.precheck.blocks import Reason
from partitioner.solve.precheck.rows import Row, Rows
from partitioner.solve.precheck.statements import Key

LEAST_WEIGHT = 1e-7
"""Weights below are taken for rounding."""
LEAST_LEFT = 1e-6
"""Share of every block left without a place above which that is taken for more than rounding."""
STEPS = 2**50
"""Steps of a weight in integers."""
MOST_MS = 10_000
"""Safety net: none of these programs was seen to take a tenth of it."""


@dataclass(frozen=True, slots=True)
class Leaning:
    """What a proof rests on: ``statements`` under which all blocks of the rows find no places.

    ``blocks``: those of weight, which by themselves are likely to have no places either.
    """

    blocks: tuple[int, ...]
    statements: frozenset[Key]


def leaning(rows: Rows, active: Collection[Key] | None = None) -> Leaning | None:
    """Find what the contradiction of some rows leans on; None if the linear ones have none.

    ``active``: statements in force, all if not given.
    """
    inst = rows.instance
    held = {
        v for v, home in enumerate(rows.home_of)
        if home is not None and any(active is None or r <= set(active) for r in home.against)
    }
    kept = [row for row in rows.rows if active is None or row.because <= set(active)]
    for is_all_elastic in (False, True):
        inst.look()
        program = _Program(rows, kept, held, is_all_elastic)
        is_solved = program.solve()
        inst.look()
        if is_solved:
            return program.proof() if program.left > LEAST_LEFT else None
    return None


class _Program:
    """The linear program over rows; homes that some statement is against are ``held`` at nothing.

    ``is_all_elastic``: what stays without a place eases every row; else the blocks alone, which is
    tried first since it keeps the program sparse, but leaves it no solution where rows ask that
    something be somewhere.
    """

    def __init__(self, rows: Rows, kept: list[Row], held: set[int], is_all_elastic: bool):
        self._rows, self._kept, self._held = rows, kept, held
        self._solver = solver = pywraplp.Solver.CreateSolver("GLOP")
        solver.set_time_limit(MOST_MS)
        never = solver.infinity()
        self._without = solver.NumVar(0, 1, "")
        variables = [
            solver.NumVar(0, 0 if v in held else upper, "") for v, upper in enumerate(rows.upper)
        ]
        self._homes: list[pywraplp.Constraint] = []
        """Two for each block: one place at least, one at most."""
        for b in rows.blocks:
            for least, most in ((1.0, never), (-never, 1.0)):
                row = solver.Constraint(least, most)
                for v in rows.of_block[b]:
                    row.SetCoefficient(variables[v], 1.0)
                self._homes.append(row)
            self._homes[-2].SetCoefficient(self._without, 1.0)
        self._limits = []
        self._scale = [max((abs(w) for w in row.terms.values()), default=1) or 1 for row in kept]
        for data, largest in zip(kept, self._scale, strict=True):
            row = solver.Constraint(-never, data.most / largest)
            for v, weight in data.terms.items():
                row.SetCoefficient(variables[v], weight / largest)
            if is_all_elastic:
                row.SetCoefficient(self._without, -sum(map(abs, data.terms.values())) / largest)
            self._limits.append(row)
        objective = solver.Objective()
        objective.SetCoefficient(self._without, 1.0)
        objective.SetMinimization()

    def solve(self) -> bool:
        """Whether an optimum was found."""
        return bool(self._solver.Solve() == pywraplp.Solver.OPTIMAL)

    @property
    def left(self) -> float:
        """Share of every block that stays without a place."""
        return float(self._without.solution_value())

    def proof(self) -> Leaning | None:
        """What has weight, if that is a contradiction in integers too."""
        rows = self._rows
        blocks, statements = set[int](), set[Key]()
        summed: dict[int, int] = defaultdict(int)
        most = 0
        for n, row in enumerate(self._homes):
            weight = round(abs(row.dual_value()) * STEPS)
            if weight > LEAST_WEIGHT * STEPS:
                block, sign = rows.blocks[n // 2], (-1, 1)[n % 2]
                blocks.add(block)
                most += sign * weight
                for v in rows.of_block[block]:
                    summed[v] += sign * weight
        for data, row, largest in zip(self._kept, self._limits, self._scale, strict=True):
            if abs(row.dual_value()) > LEAST_WEIGHT:
                weight = round(abs(row.dual_value()) * STEPS / largest)
                statements |= data.because
                most += weight * data.most
                for v, times in data.terms.items():
                    summed[v] += weight * times
        against = []
        least = 0
        for v, times in summed.items():
            home = rows.home_of[v]
            if times >= 0:
                continue
            if v in self._held and home is not None:
                against.append(home.against)
            else:
                least += times * rows.upper[v]
        if least <= most:
            return None
        return Leaning(tuple(sorted(blocks)), _covering(against, statements))


def _covering(against: Iterable[tuple[Reason, ...]], statements: set[Key]) -> frozenset[Key]:
    """``statements`` and more, so that of every tuple one reason is among them: few of them."""
    chosen = set(statements)
    open_ = sorted(set(against), key=lambda reasons: (len(reasons), sorted(map(sorted, reasons))))
    while open_ := [r for r in open_ if not any(reason <= chosen for reason in r)]:
        if len(open_[0]) == 1:
            chosen |= open_[0][0]
            continue
        often: Counter[Reason] = Counter(reason for reasons in open_ for reason in reasons)
        chosen |= min(often.items(), key=lambda r: (len(r[0] - chosen), -r[1], sorted(r[0])))[0]
    return frozenset(chosen)
