"""One function for each command that computes: nothing printed, nothing written."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from partitioner.application.reading import for_batch
from partitioner.application.search import Search, cores_for
from partitioner.interface.answers import Check, Explanation, Plan, Replan, Report, TradeOff
from partitioner.interface.problem import AnyPath, Problem, layout_of
from partitioner.interface.stopping import stop_wish
from partitioner.model import problem as model
from partitioner.model.layout import Layout
from partitioner.model.outcome import Sample
from partitioner.units import MONEY_STEPS, in_units

if TYPE_CHECKING:
    from partitioner.cluster.connection import Client


@dataclass(frozen=True, slots=True)
class Progress:
    """How a search is going.

    Attributes
    ----------
    seconds
        Since it began.
    doing
        What is done, in words.
    priced_total
        Of the best layout so far; None without one, or where several searches are made.
    bound
        No layout has a priced total below this; None where nothing is proved yet.
    """

    seconds: float
    doing: str
    priced_total: float | None = None
    bound: float | None = None


OnProgress = Callable[[Progress], None]


def plan_layout(
    problem: Problem,
    *,
    time_limit_s: float = 60.0,
    workers: int | None = None,
    seed: int = 0,
    work_limit: int | None = None,
    start: Layout | AnyPath | None = None,
    zones: bool = False,
    units: int | None = None,
    on_progress: OnProgress | None = None,
    client: Client | None = None,
) -> Plan:
    """Plan the cheapest layout that keeps every rule; Ctrl-C gives the best one so far.

    Parameters
    ----------
    problem
        What to plan.
    time_limit_s
        Seconds that search and check may take together.
    workers
        Cores to use; None: all of them.
    seed
        Of the search.
    work_limit
        End after so many rounds of search; with one worker the same layout every time.
    start
        A layout to start from, or its file. Of one that keeps every rule the answer is never worse;
        of any other ``start_unusable`` says what could not be used.
    zones
        Also plan with each candidate switch the other way round, open ones closed and closed ones
        open, and report what it costs; every such run may take as long as the plan itself.
    units
        Units ordered together, for the order list; None: ``shop.batch`` of the problem.
    on_progress
        Told now and then how it goes.
    client
        A ``distributed.Client`` of a cluster that works on the parts of a problem of more than 300
        devices; it stays open. Its workers, and its scheduler, need the program in the same
        version. A warning names the workers that are not used, and says when the cluster is lost:
        the plan then goes on with ``workers`` cores of this machine.

    Raises
    ------
    NoLayout
        Proved: no layout keeps all rules.
    NoAnswer
        None was found within the limit.
    MachineFault
        The scheduler of the cluster, or every worker, lacks the program in this version.

    Examples
    --------
    >>> import partitioner
    >>> problem = partitioner.read_problem("tests/cases/explain-links.yaml")
    >>> plan = partitioner.plan_layout(problem, workers=1, work_limit=5)
    >>> plan.is_optimal, plan.broken_rules, len(plan.tables["segments"])
    (True, (), 2)
    """
    from partitioner.application.plan import plan

    with _search(problem, time_limit_s, workers, seed, on_progress) as search:
        answer = plan(
            _model(problem, units), _on_cluster(search, client), work_limit=work_limit,
            start=_start(start, problem), with_zones=zones,
        )  # fmt: skip
    return Plan(problem, answer)


def check_layout(
    problem: Problem, layout: Layout | AnyPath, *, simulate_s: float | None = None, seed: int = 0
) -> Check:
    """Judge a layout, planned or written by hand; the planner takes no part in it.

    Parameters
    ----------
    problem
        What the layout is for.
    layout
        The layout, or its file.
    simulate_s
        Also simulate so many seconds of the network, if the layout keeps every rule.
    seed
        Of the simulation.

    Raises
    ------
    WrongFile
        If the file of the layout is wrong. A layout that breaks rules is no error:
        ``broken_rules`` has them.

    Examples
    --------
    >>> import partitioner
    >>> folder = "tests/gold/small-sprayer"
    >>> problem = partitioner.read_problem(f"{folder}/problem.yaml")
    >>> partitioner.check_layout(problem, f"{folder}/layout-by-hand.yaml").is_kept
    True
    """
    from partitioner.application.check import check

    found = layout_of(layout, problem)
    return Check(problem, check(problem.model, found, simulate_s=simulate_s, seed=seed))


def report_layout(
    problem: Problem,
    layout: Layout | AnyPath,
    *,
    simulate_s: float | None = None,
    seed: int = 0,
    against: Layout | AnyPath | None = None,
    units: int | None = None,
) -> Report:
    """Look at a layout from every side: rules, builds, growth, transfers, single failures.

    Parameters
    ----------
    problem, layout, simulate_s, seed
        As of ``check_layout``; transfers are simulated too.
    against
        Another layout to put beside it, or its file: what differs, and the change order. It may
        name what the problem no longer has.
    units
        As of ``plan_layout``.

    Raises
    ------
    WrongFile
        If the file of the layout is wrong.
    """
    from partitioner.application.report import report
    from partitioner.visible import visible

    found = layout_of(layout, problem)
    other = None
    if against is not None:
        called = "the other layout" if isinstance(against, Layout) else visible(str(against))
        other = called, _earlier(against, problem)
    answer = report(
        _model(problem, units), found, simulate_s=simulate_s, seed=seed, against=other
    )
    return Report(problem, answer)


def replan_layout(
    problem: Problem,
    before: Layout | AnyPath,
    *,
    freeze: Sequence[str] = (),
    complete: bool = False,
    use_reserve: bool = False,
    points: int = 0,
    problem_before: Problem | None = None,
    units: int | None = None,
    time_limit_s: float = 60.0,
    workers: int | None = None,
    seed: int = 0,
    start: Layout | AnyPath | None = None,
    on_progress: OnProgress | None = None,
) -> Replan:
    """Plan on from an earlier layout, so that plan and changes together cost least.

    Parameters
    ----------
    problem
        The changed problem; its ``change_prices`` price the changes.
    before
        The earlier layout, or its file; it may name what the problem no longer has.
    freeze
        Ids of devices, segments or switches that must stay untouched.
    complete
        Hold every device that the earlier layout places.
    use_reserve
        Let the change use up the room that is kept free for growth.
    points
        How many layouts to show between touching nothing and planning afresh; 0: the best only.
    problem_before
        The problem before the change, for exact cut lengths.
    units, time_limit_s, workers, seed, start, on_progress
        As of ``plan_layout``.

    Raises
    ------
    ValueError
        Something is to stay untouched that is not there, or not as it was.
    NoLayout
        Proved: no layout keeps all rules and what is held.
    NoAnswer
        None was found within the limit.
    """
    from partitioner.application.replan import Question, replan

    earlier = _earlier(before, problem)
    with _search(problem, time_limit_s, workers, seed, on_progress) as search:
        answer = replan(
            _model(problem, units), earlier, search,
            question=Question(tuple(freeze), complete, use_reserve), points=points,
            problem_before=None if problem_before is None else problem_before.model,
            start=_start(start, problem),
        )  # fmt: skip
    return Replan(problem, answer)


def trade_off(
    problem: Problem,
    *,
    axis: str = "latency",
    points: int | None = 8,
    gap: float = 0.01,
    time_limit_s: float = 300.0,
    workers: int | None = None,
    seed: int = 0,
    start: Layout | AnyPath | None = None,
    on_progress: OnProgress | None = None,
) -> TradeOff:
    """Find layouts that trade cost against another quantity; Ctrl-C gives those so far.

    Parameters
    ----------
    problem
        What to plan.
    axis
        What to weigh against cost: ``latency``, ``margin``, ``mass``, ``ports`` or ``lines``.
    points
        How many layouts, spread between the ends; None: all there are.
    gap
        Proven gap, as a share of the cost, that a layout must reach.
    time_limit_s, workers, seed, start, on_progress
        As of ``plan_layout``.

    Raises
    ------
    ValueError
        If there is no such axis.
    NoLayout
        The problem has no layout at all.
    NoAnswer
        No layout was found within the limit.
    """
    from partitioner.application.tradeoff import tradeoff
    from partitioner.tradeoff.axes import AXES

    if axis not in AXES:
        raise ValueError(f"expected one of {', '.join(AXES)}, got {axis!r}")
    with _search(problem, time_limit_s, workers, seed, on_progress) as search:
        answer = tradeoff(
            problem.model, search, axis=axis, points=points, gap=gap, start=_start(start, problem)
        )
    return TradeOff(problem, answer)


def explain_problem(
    problem: Problem,
    *,
    device: str | None = None,
    time_limit_s: float = 120.0,
    workers: int | None = None,
    seed: int = 0,
    start: Layout | AnyPath | None = None,
    on_progress: OnProgress | None = None,
) -> Explanation:
    """Explain a problem: its conflict and ways out, or the price of its rules.

    Parameters
    ----------
    problem
        What to explain.
    device
        Explain why this device is where it is, if there is a layout.
    time_limit_s, workers, seed, start, on_progress
        As of ``plan_layout``.

    Raises
    ------
    ValueError
        If the problem has no such device.
    NoAnswer
        Neither a layout nor a proof that there is none was found.
    """
    from partitioner.application.explain import explain

    if device is not None and device not in problem.model.devices:
        raise ValueError(f"the problem has no device {device!r}")
    with _search(problem, time_limit_s, workers, seed, on_progress) as search:
        answer = explain(problem.model, search, device=device, start=_start(start, problem))
    return Explanation(problem, answer)


def _model(problem: Problem, units: int | None) -> model.Problem:
    if units is not None and units < 1:
        raise ValueError(f"expected at least 1 unit, got {units}")
    return for_batch(problem.model, units)


def _earlier(layout: Layout | AnyPath, problem: Problem) -> Layout:
    """A layout that may be of another state of the problem."""
    from partitioner.replan.reading import read_earlier_layout

    if isinstance(layout, Layout):
        return layout
    return read_earlier_layout(Path(layout), problem.model)[0]


def _start(start: Layout | AnyPath | None, problem: Problem) -> Layout | None:
    from partitioner.application.start import read_start

    if start is None or isinstance(start, Layout):
        return start
    return read_start(Path(start), problem.model)


def _on_cluster(search: Search, client: Client | None) -> Search:
    """Give the search the cluster of a client; what is said of it becomes a warning."""
    if client is None:
        return search
    from partitioner.cluster.connection import given_cluster

    def warn(sentence: str) -> None:
        warnings.warn(sentence, stacklevel=2)

    return replace(search, cluster=given_cluster(client), on_warning=warn)


@contextmanager
def _search(
    problem: Problem,
    time_limit_s: float,
    workers: int | None,
    seed: int,
    on_progress: OnProgress | None,
) -> Iterator[Search]:
    """How to search, Ctrl-C being a wish to stop meanwhile."""
    from partitioner.explain.placement import locator

    if time_limit_s <= 0:
        raise ValueError(f"expected a time limit above 0 s, got {time_limit_s}")
    cores = cores_for(workers)
    begun_s = time.monotonic()

    def tell(doing: str, cost_money: int | None = None, bound_money: int | None = None) -> None:
        if on_progress is not None:
            cost, bound = (in_units(money, MONEY_STEPS) for money in (cost_money, bound_money))
            on_progress(Progress(time.monotonic() - begun_s, doing, cost, bound))

    def sample(at: Sample, doing: str) -> None:
        tell(doing, at.cost_money, at.bound_money)

    locate = None
    if problem.path is not None:
        locate = locator(problem.model, problem.path, problem.lists_from)
    with stop_wish() as is_stopped:
        yield Search(
            time_limit_s=time_limit_s, seed=seed, workers=cores, begun_s=begun_s,
            stop=is_stopped, on_progress=sample, on_state=tell, on_step=tell, locate=locate,
        )  # fmt: skip
