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

import numpy as np
from ortools.linear_solver.python.model_builder_helper import (
    ModelBuilderHelper,
    ModelSolverHelper,
    SolveStatus,
    Variable,
)

from partitioner.solve.precheck.blocks import Reason
from partitioner.solve.precheck.rows import Row, Rows
from partitioner.solve.precheck.statements import Key

LEAST_WEIGHT = 1e-7
"""Weights below are taken for rounding."""
LEAST_LEFT = 1e-6
"""Share of every block left without a place above which that is taken for more than rounding."""
STEPS = 2**50
"""Steps of a weight in integers."""
MOST_S = 10.0
"""Safety net: none of these programs was seen to take a half of it."""
MANY_TERMS = 100_000
"""Terms of rows above which it is first looked whether they have a solution, which is quicker."""
MOST_STEPS = 2_000
"""Steps that may take."""


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
    force = None if active is None else frozenset(active)
    held = {
        v
        for v, home in enumerate(rows.home_of)
        if home is not None and any(force is None or r <= force for r in home.against)
    }
    kept = [row for row in rows.rows if force is None or row.because <= force]
    is_large = sum(len(row.terms) for row in kept) > MANY_TERMS
    for is_all_elastic in (False, True):
        inst.look()
        program = _Program(rows, kept, held, is_all_elastic)
        if is_large and program.has_places():
            return None
        inst.look()
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
        self._model = model = ModelBuilderHelper()
        self._solver = ModelSolverHelper("glop")
        self._solver.set_time_limit_in_seconds(MOST_S)
        self._variables = [
            Variable(model, 0.0, 0.0 if v in held else float(most), False)
            for v, most in enumerate([*rows.upper, 1])
        ]
        self._without = len(rows.upper)
        model.set_var_objective_coefficient(self._without, 1.0)
        # Two rows for each block: one place at least, one at most.
        for b in rows.blocks:
            there = rows.of_block[b]
            ones = [1.0] * len(there)
            self._row([*there, self._without], [*ones, 1.0], 1.0, np.inf)
            self._row(there, ones, -np.inf, 1.0)
        self._scale = [max(map(abs, row.terms.values()), default=1) or 1 for row in kept]
        for row, largest in zip(kept, self._scale, strict=True):
            variables = list(row.terms)
            weights = [weight / largest for weight in row.terms.values()]
            if is_all_elastic:
                variables.append(self._without)
                weights.append(-sum(map(abs, weights)))
            self._row(variables, weights, -np.inf, row.most / largest)

    def _row(self, variables: list[int], weights: list[float], least: float, most: float) -> None:
        row = self._model.add_linear_constraint()
        self._model.set_constraint_lower_bound(row, least)
        self._model.set_constraint_upper_bound(row, most)
        self._model.add_terms_to_constraint(row, [self._variables[v] for v in variables], weights)

    def has_places(self) -> bool:
        """Whether a first-order method, to its own precision, finds places for all blocks.

        No proof is lost by more than that: one too many of a thousand is far beyond it.
        """
        solver = ModelSolverHelper("pdlp")
        solver.set_time_limit_in_seconds(MOST_S)
        solver.set_solver_specific_parameters(
            f"termination_criteria {{ iteration_limit: {MOST_STEPS} }}"
        )
        solver.solve(self._model)
        is_solved = solver.status() == SolveStatus.OPTIMAL
        return bool(is_solved and solver.variable_value(self._without) < LEAST_LEFT)

    def solve(self) -> bool:
        """Whether an optimum was found."""
        self._solver.solve(self._model)
        return bool(self._solver.status() == SolveStatus.OPTIMAL)

    @property
    def left(self) -> float:
        """Share of every block that stays without a place."""
        return float(self._solver.variable_value(self._without))

    def proof(self) -> Leaning | None:
        """What has weight, if that is a contradiction in integers too."""
        rows = self._rows
        blocks, statements = set[int](), set[Key]()
        summed: dict[int, int] = defaultdict(int)
        most = 0
        dual = np.abs(self._solver.dual_values()).tolist()
        homes, limits = dual[: 2 * len(rows.blocks)], dual[2 * len(rows.blocks) :]
        for n, value in enumerate(homes):
            weight = round(value * STEPS)
            if weight > LEAST_WEIGHT * STEPS:
                block, sign = rows.blocks[n // 2], (-1, 1)[n % 2]
                blocks.add(block)
                most += sign * weight
                for v in rows.of_block[block]:
                    summed[v] += sign * weight
        for row, value, largest in zip(self._kept, limits, self._scale, strict=True):
            if value > LEAST_WEIGHT:
                weight = round(value * STEPS / largest)
                statements |= row.because
                most += weight * row.most
                for v, times in row.terms.items():
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
