"""Proven lower bound by column generation, valid whenever it is stopped.

First with relaxed walks, which price in milliseconds; then with lines that repeat no device (short
lines) or none of their neighbourhood (long ones); then with subset cuts. Every pricing gives a
proven bound on its own; the best one counts. Large problems are bounded region by region.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from partitioner.solve.bound.column_generation import SHORT_LINE, ColumnGeneration, OutOfTime
from partitioner.solve.bound.completions import CELLS
from partitioner.solve.bound.cuts import violated_triples
from partitioner.solve.bound.duals import Duals
from partitioner.solve.bound.labels import LabelSearch
from partitioner.solve.bound.memories import Memories
from partitioner.solve.bound.openings import openings_of
from partitioner.solve.bound.regions import LARGE, HandOut, RegionalBound
from partitioner.solve.bound.relaxed_master import LpFailed
from partitioner.solve.bound.walks import Order
from partitioner.solve.columns import Column, ColumnBuilder

SWEEP_GAIN = 2e-3
"""Least gain of a sweep over the regions that is worth another, as a share of the bound."""
CAP_ROUNDS = 4
"""Most times rows per switch are looked for in one relaxation."""
SHORT_LIMITS = (1_000, 15_000, 150_000)
"""Labels kept in a layer, one after the other, for short lines."""
LABEL_BUDGETS = (20_000, 100_000, 500_000)
"""Labels of one search of long lines, over all layers."""
CUTS_A_ROUND = 40
CUTS_A_DEVICE = 5
SLACK_ROUNDS = 3
"""Rounds of cuts with hardly any gain after which cutting stops."""


@dataclass(slots=True)
class BoundResult:
    """What was proved.

    Attributes
    ----------
    value
        Objective money that no layout goes below.
    orders
        (switch, grade, out, back) of exact lines met on the way with small reduced cost.
    source
        Which relaxation gave the value.
    """

    value: int
    duals: Duals
    orders: list[Order]
    source: str


def lower_bound(
    builder: ColumnBuilder,
    seeds: Sequence[Column] = (),
    *,
    remaining: Callable[[], float],
    on_bound: Callable[[int, str], object] = lambda value, source: None,
    target: Callable[[], int | None] = lambda: None,
    should_stop: Callable[[], bool] = lambda: False,
    hand_out: HandOut | None = None,
) -> BoundResult:
    """Prove a lower bound on the cost of every layout.

    ``seeds`` are columns known already; they save rounds. ``remaining`` gives the seconds left and
    is read often; ``should_stop`` is asked more often than that, wherever much is done between two
    readings. ``on_bound`` is told each better bound and where it comes from. ``target`` gives the
    cost of the best layout known; the run ends when the bound meets it. ``hand_out`` has regions of
    a large problem priced beside.
    """
    openings = openings_of(builder.instance, should_stop)
    if builder.instance.n > LARGE:
        return _by_regions(builder, seeds, remaining, openings.constant, on_bound, target, hand_out)
    try:
        run = ColumnGeneration(
            builder,
            seeds,
            remaining=remaining,
            openings=openings,
            on_bound=on_bound,
            target=target,
            should_stop=should_stop,
        )
    except OutOfTime:
        return BoundResult(0, Duals.zero(builder), [], "nothing")
    # Without an end the best bound so far stands.
    with contextlib.suppress(LpFailed, OutOfTime):
        _phases(run)
    return BoundResult(run.value, run.best_duals, run.orders(), run.source)


def _phases(run: ColumnGeneration) -> None:
    """Relax less and less."""
    for _ in range(CAP_ROUNDS):
        price = partial(run.walks.price_relaxed, look=run.look)
        done = run.generate(price, "relaxed walks", close_enough=2e-4)
        if not done or not run.add_broken_caps():
            break
    models = run.pricing.models
    run.walks.add_real_lines(run.look)
    run.smoothing = 0.8
    if not all(m.counts_devices and m.capacity <= SHORT_LINE for m in models):
        _neighbourhoods(run)
        return
    searches = [LabelSearch(m, look=run.look) for m in models]
    run.walks.keep_real_lines()
    for limit in SHORT_LIMITS:
        if limit == SHORT_LIMITS[-1] and not run.close():
            searches = [LabelSearch(m, look=run.look, cells=CELLS) for m in models]
        for _ in range(CAP_ROUNDS):
            done = _generate(
                run, searches, limit, "elementary lines", shrink=limit > SHORT_LIMITS[0]
            )
            if not done or not run.add_broken_caps():
                break
    if done:
        _cut_rounds(run, searches)


def _generate(
    run: ColumnGeneration, searches: Sequence[LabelSearch], limit: int, source: str, *, shrink: bool
) -> bool:
    """Generate columns by labels, at most ``limit`` in a layer; True if converged."""
    price = partial(
        run.walks.price_labels, searches=searches, limit=limit, look=run.look, spent=run.spent
    )
    return run.generate(price, source, close_enough=1e-4, shrink=shrink)


def _neighbourhoods(run: ColumnGeneration) -> None:
    """Long lines: walks that remember their neighbourhood, which grows where they repeat."""
    models = run.pricing.models
    memories = Memories(models)
    while not run.over():
        run.forget_walks(memories)
        searches = [
            LabelSearch(m, memory, look=run.look)
            for m, memory in zip(models, memories.of_models, strict=True)
        ]
        for budget in LABEL_BUDGETS:
            done = _generate(
                run, searches, max(50, budget // max(m.capacity for m in models)),
                "lines without near repetitions", shrink=budget > LABEL_BUDGETS[0],
            )
        if not run.forbid_repetitions(memories) or not done:
            return


def _cut_rounds(run: ColumnGeneration, searches: Sequence[LabelSearch]) -> None:
    """Add subset cuts round by round, until nothing is left to cut or too little is gained."""
    slack = 0
    master = run.master
    while not run.over() and slack < SLACK_ROUNDS:
        before = run.value
        master.solve(details=True)
        cuts = violated_triples(
            master.columns,
            master.values(),
            set(master.cuts),
            most=CUTS_A_ROUND + run.instance.n // 4,
            per_device=CUTS_A_DEVICE,
            look=run.look,
        )
        if not cuts:
            return
        for cut in cuts:
            master.add_cut(cut)
        for limit in SHORT_LIMITS[1:]:
            done = _generate(
                run, searches, limit, "elementary lines with subset cuts",
                shrink=limit > SHORT_LIMITS[1],
            )
        if not done:
            return
        slack = slack + 1 if run.value - before < 2e-4 * run.value else 0
        run.drop_idle_cuts()


def _by_regions(
    builder: ColumnBuilder,
    seeds: Sequence[Column],
    remaining: Callable[[], float],
    constant: int,
    on_bound: Callable[[int, str], object],
    target: Callable[[], int | None],
    hand_out: HandOut | None,
) -> BoundResult:
    """Bound a large problem: sweeps over regions while they gain something."""
    inst = builder.instance
    value = constant
    dual = np.zeros(inst.n)
    source = "relaxed walks by region"
    run = RegionalBound(builder, seeds, lambda: remaining() - reserve)
    # Proving comes after the last region, so time for it is kept back.
    reserve = 0.0
    reserve = run.proving_time(remaining)
    is_worth_it = is_first = True
    while is_worth_it and remaining() > reserve:
        cost = target()
        if cost is not None and value >= cost:
            break
        whole = run.sweep(first=is_first, hand_out=hand_out)
        is_first = False
        # A sweep that was cut short is worth proving too.
        proof = run.prove()
        if not run.priced.all():
            proof = max(proof, run.prove(run.guess_the_rest()), key=lambda p: p[1])
        run.dual, total = proof
        is_worth_it = whole and total + constant > value + SWEEP_GAIN * value
        if total + constant > value:
            dual, value = run.dual.copy(), total + constant
            on_bound(value, source)
    duals = Duals(dual, np.zeros(len(inst.port_classes)))
    return BoundResult(value, duals, run.orders(dual, 4 * inst.n), source)
