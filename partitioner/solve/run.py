"""What every planning run keeps: time, bound, best layout, progress, and the outcome of it all."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version

from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample, Status
from partitioner.model.problem import Problem
from partitioner.solve.backbone import BackboneData
from partitioner.solve.bound.lower_bound import lower_bound
from partitioner.solve.bound.regions import HandOut
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.layout_in import columns_of, read_start
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Selection
from partitioner.solve.precheck.hopeless import hopeless
from partitioner.solve.search import Limits, Search, Study
from partitioner.visible import some_of


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """How long and how a run may work.

    ``work_limit``: rounds of work in place of the clock; with one worker the same problem, seed
    and limit then give the same layout every time. ``enough_gap``: proven gap, as a share of the
    cost, at which the run may end. ``known_bound_money``: a bound that is proved already.
    ``finishing_s``: seconds of the limit that are for what is done with a layout afterwards; while
    there is none only a small share of the limit is kept for that.
    """

    time_limit_s: float = 60.0
    seed: int = 0
    workers: int = 1
    work_limit: int | None = None
    enough_gap: float = 0.0
    known_bound_money: int = 0
    finishing_s: float = 0.0


FINISHING_SHARE = 0.2
"""Most of the limit that is kept for what follows while there is no layout."""
OnLayout = Callable[[int, Callable[[], Layout]], None]
"""Told the cost of each better layout that keeps all rules, and what makes it."""
NAMED = 10
"""Most devices named that have no place yet."""


class Run:
    """State of one run over a problem.

    The parameters are those of :func:`~partitioner.solve.planner.plan_layout`.
    """

    def __init__(
        self,
        problem: Problem,
        settings: PlanSettings,
        clock: Callable[[], float] = time.monotonic,
        on_progress: Callable[[Sample, str], None] | None = None,
        should_stop: Callable[[], bool] = lambda: False,
        study: Study | None = None,
        start: Layout | None = None,
        known: Iterable[Layout] = (),
        on_layout: OnLayout | None = None,
    ):
        self.settings = settings
        self.clock = clock
        self.begun = clock()
        self.on_progress, self.on_layout = on_progress, on_layout
        self.deterministic = settings.work_limit is not None
        self._stop = should_stop
        self.stopped_by_user = False
        self.study = study or Study()
        self.limits = Limits(
            self.seconds_left, settings.workers, settings.seed, self.should_stop,
            settings.work_limit,
        )
        self._preparing = True
        self._kept_s = min(settings.finishing_s, FINISHING_SHARE * settings.time_limit_s)
        self._start = start
        self.start_unusable: tuple[str, ...] = ()
        self.instance = Instance(problem, self.study.latency_limit, self._look)
        self.builder = ColumnBuilder(self.instance)
        self.backbone = BackboneData(self.instance)
        self.search = Search(
            self.instance, self.builder, self.backbone, self.limits, self._on_better, self.study,
            self.take_in,
        )
        self.bound = settings.known_bound_money
        self.bound_source = "known before" if self.bound else "none yet"
        self.timeline: list[Sample] = []
        self.seconds_to_best = 0.0
        self.proved = False
        self.given = [c for layout in known for c in columns_of(self.builder, layout)]
        self.dual_bound = 0
        """What the duals of the search prove."""
        self._step = "starting"
        self._ticks = 0
        self._set_up()

    def _set_up(self) -> None:
        """Begin with what a kind of run keeps besides."""

    def go(self) -> Outcome:
        """Plan and give the outcome."""
        self.run()
        return self.outcome()

    def run(self) -> None:
        """Begin with the start and search; NoLayout at once where arithmetic rules all out."""
        if self._start is not None:
            self._preparing = False
            self._begin_with(self._start)
        if self.cost is None and not self.study.helps:
            # A layout that keeps all rules would be proof enough that there is one.
            self._preparing = True
            conflicts = hopeless(self.builder, self.backbone)
            if conflicts:
                raise NoLayout(conflicts)
            self._preparing = False
        if self.cost is None or not self.over():
            self.plan()

    def _begin_with(self, layout: Layout) -> None:
        """Make a layout the first incumbent, or let the search know what of it can be used."""
        start = read_start(self.builder, self.backbone, layout)
        self.given = [*start.columns, *self.given]
        self.search.pool |= dict.fromkeys(start.columns)
        unusable = start.unusable
        if start.selection is not None:
            refusal = self.search.begin_with(start.selection)
            unusable += [] if refusal is None else [f"as a whole it does not do: {refusal}"]
        self.start_unusable = tuple(unusable)

    def _known_from(self, layout: Layout) -> Selection | None:
        """Let the search know the segments of a layout found beside; gives it if it is whole."""
        start = read_start(self.builder, self.backbone, layout)
        self.search.pool |= dict.fromkeys(start.columns)
        return start.selection

    def _begin_with_found(self, layout: Layout) -> None:
        """Make a layout found beside the first incumbent."""
        selection = self._known_from(layout)
        if selection is not None:
            self.search.begin_with(selection)

    def settings_beside(self, seed: int, seconds: float) -> PlanSettings:
        """Settings of a search beside this one, which knows by itself when it is settled."""
        return PlanSettings(seconds, seed, work_limit=self.settings.work_limit)

    def plan(self) -> None:
        """Search until settled or out of time."""
        raise NotImplementedError

    def take_in(self) -> bool:
        """Take in what has been found beside; true if it made a better layout."""
        return False

    def close(self) -> None:
        """End all that is at work beside."""

    # -- time, progress -----------------------------------------------------------------------

    def seconds(self) -> float:
        """Seconds since the run began."""
        return self.clock() - self.begun

    def seconds_left(self) -> float:
        """Seconds left; endless where work is counted instead."""
        if self.deterministic:
            return 1e6
        return self.settings.time_limit_s - self._kept_s - self.seconds()

    def should_stop(self) -> bool:
        """Whether the user asked to stop."""
        if not self.stopped_by_user and self._stop():
            self.stopped_by_user = True
        return self.stopped_by_user

    def _look(self) -> None:
        """End the run if it is to stop before it has begun to search.

        With a layout to start from that is not done for want of time: it may be an answer.
        """
        over = self.limits.over if self._start is None else self.should_stop
        if self._preparing and over():
            raise NoAnswer(
                "no layout found, as the problem was still being prepared; whether one exists is "
                "not known",
                seconds=self.seconds(),
                ended_by="user" if self.stopped_by_user else "time limit",
            )

    def _on_better(self, selection: Selection) -> None:
        if not selection.left_out:
            self._kept_s = self.settings.finishing_s
            if self.on_layout is not None:
                make = partial(to_layout, self.instance, self.backbone, selection)
                self.on_layout(self.study.value(selection), make)
        self.seconds_to_best = self.seconds()
        self._sample()

    def on_bound(self, value: int, source: str) -> None:
        """Take note of a proved bound."""
        if value > self.bound:
            self.bound, self.bound_source = value, source
            self._sample()

    def _sample(self) -> None:
        cost = self.cost
        sample = Sample(round(self.seconds(), 3), cost, self.bound or None)
        self.timeline.append(sample)
        if self.on_progress is not None:
            self.on_progress(sample, self._step)

    def step(self, name: str) -> None:
        """Begin a part of the run."""
        self._step = name
        self._sample()

    @property
    def cost(self) -> int | None:
        """Cost of the best whole layout so far."""
        best = self.search.incumbent
        return None if best is None or best.left_out else self.study.value(best)

    def settled(self) -> bool:
        """Whether the best layout meets the bound, or is all that was asked for."""
        cost = self.cost
        return cost is not None and (self.enough_bound() <= self.bound or self.study.first_only)

    def enough_bound(self) -> int:
        """Bound that would settle the run with the best layout so far."""
        cost = self.cost
        assert cost is not None
        return cost - int(self.settings.enough_gap * cost)

    def over(self) -> bool:
        """Whether to end: settled, out of time, or asked to."""
        return self.settled() or self.limits.over()

    # -- bound --------------------------------------------------------------------------------

    def run_bound(
        self,
        seconds: float,
        known: Sequence[Column],
        meanwhile: Callable[[], object],
        hand_out: HandOut | None = None,
    ) -> list[Column]:
        """Run column generation; gives lines met on the way, cheapest under its duals first.

        Parameters
        ----------
        seconds
            What it may take.
        known
            Columns it starts with.
        meanwhile
            Called often, to take in what is found beside; not where work is counted.
        hand_out
            Has regions of a large problem priced beside.
        """
        stop_at = self.seconds() + seconds

        def remaining() -> float:
            if self.should_stop():
                return 0.0
            if self.settings.work_limit is not None:
                self._ticks += 1
                return float(4 * self.settings.work_limit - self._ticks)
            meanwhile()
            return stop_at - self.seconds()

        def is_late() -> bool:
            late = not self.deterministic and self.seconds() >= stop_at
            return self.should_stop() or late

        result = lower_bound(
            self.builder,
            known,
            remaining=remaining,
            on_bound=self.on_bound,
            target=lambda: None if self.cost is None else self.enough_bound(),
            should_stop=is_late,
            hand_out=hand_out,
        )
        self.on_bound(result.value, result.source)
        self.dual_bound = result.value
        self.search.duals = result.duals
        made = []
        for order in result.orders:
            if self.limits.over():
                # Nobody will choose among them.
                break
            made.append(self.builder.line(*order))
        return [c for c in made if c is not None]

    # -- outcome ------------------------------------------------------------------------------

    def outcome(self) -> Outcome:
        """Put the best layout and all that is known of it together; NoAnswer if there is none."""
        best = self.search.incumbent
        if best is None or best.left_out:
            raise self.no_answer(best)
        cost = self.study.value(best)
        bound = min(self.bound, cost)
        optimal = bound >= cost
        self._sample()
        return Outcome(
            status=Status.OPTIMAL if optimal else Status.FEASIBLE,
            layout=to_layout(self.instance, self.backbone, best),
            cost_money=cost,
            bound_money=bound,
            seconds=self.seconds(),
            seconds_to_best=self.seconds_to_best,
            seed=self.settings.seed,
            workers=self.settings.workers,
            stopped_by=self.ending(optimal),
            bound_source=self.bound_source,
            timeline=tuple(self.timeline),
            versions=tuple((p, version(p)) for p in ("ortools", "pyvrp", "networkx", "numpy")),
            columns=len(self.search.pool),
            has_start=self._start is not None,
            start_unusable=self.start_unusable,
        )

    def no_answer(self, best: Selection | None = None) -> NoAnswer:
        """That no layout was found, with the nearest to one and what it leaves out."""
        missing, nearest = "; no device had a place yet", None
        if best is not None:
            names = [self.instance.device_ids[i] for i in sorted(best.left_out)]
            without = "device" if len(names) == 1 else "devices"
            missing = f"; {without} without a place: {some_of(names, NAMED)}"
            nearest = to_layout(self.instance, self.backbone, best)
        return NoAnswer(
            f"no layout found{missing}; whether one exists is not known",
            seconds=self.seconds(),
            bound_money=self.bound or None,
            start_unusable=self.start_unusable,
            nearest=nearest,
            ended_by=self.ending(False),
        )

    def ending(self, proved: bool) -> str:
        """What ended the run."""
        if proved:
            return "proof"
        if self.settled() and not self.study.first_only:
            return "gap reached"
        if self.stopped_by_user:
            return "user"
        if self.deterministic:
            return "work limit"
        if self.seconds_left() <= 0.05 * self.settings.time_limit_s:
            # A rest too short to begin anything with counts as used up.
            return "time limit"
        return "nothing left to try"
