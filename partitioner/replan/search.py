"""The search of a rerun: plan cost against change cost over one set of segments.

1. The plan is made afresh, which proves a bound on the plan cost and leaves good segments behind.
2. To them come the old segments and their relatives; where few enough, all segments there are.
3. The master chooses for each aim: least change, least sum of both, least plan, and between.
   Where time is left and nothing is proved it is planned afresh again, from the best by then.
4. The least change is proved over all segments that a layout with no more change could use.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial

from partitioner.errors import Conflict, NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample, Status
from partitioner.model.problem import Problem
from partitioner.replan.chooser import Chooser, Chosen
from partitioner.replan.columns import (
    Relatives,
    TooMany,
    columns_within,
    every_column,
    order_count,
)
from partitioner.replan.front import Front
from partitioner.replan.searched import Found, RerunSettings, Searched
from partitioner.solve.change import Aim, ChangeModel, Held
from partitioner.solve.columns import Column
from partitioner.solve.layout_in import columns_of
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Master, Selection, selection_cost
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.run import NAMED, OnLayout, Run
from partitioner.solve.search import Study
from partitioner.visible import some_of

ALL_UP_TO = 30_000
"""Up to this many orders of devices every segment is tried."""
HARVEST = 1_200
"""Most segments taken over from planning afresh."""
FEW, MANY = 700, 1_800
"""Segments besides the nearest ones that a first and a later choice may have; more of them slow
the master down more than they help."""
AFRESH_SHARE = 0.7
"""Share of the time left that planning afresh takes where nothing is proved and time is left."""
LEAST_SHARE = 0.05
"""Share of the limit in which no more of it is begun."""


class RerunSearch(Run):
    """One rerun.

    ``layout`` is the earlier one, ``old_cuts_um`` its cut lengths by device; what is ``held`` must
    not be touched. The rest is as for a plan.
    """

    def __init__(
        self,
        problem: Problem,
        layout: Layout,
        old_cuts_um: dict[str, int],
        held: Held,
        settings: RerunSettings,
        clock: Callable[[], float] = time.monotonic,
        on_progress: Callable[[Sample, str], None] | None = None,
        should_stop: Callable[[], bool] = lambda: False,
        start: Layout | None = None,
        on_layout: OnLayout | None = None,
    ):
        super().__init__(
            problem, settings, clock, on_progress, should_stop, start=start, on_layout=on_layout
        )
        self.problem, self.layout, self.held = problem, layout, held
        self.points = settings.points
        # The choices are between few segments, each judged: no need to keep from what may be late.
        self.search.be_bold()
        self.change = ChangeModel(
            self.instance, layout, problem.change_prices, old_cuts_um, held
        )
        self.chooser = Chooser(self, self.change)
        self.front = Front(self, self.chooser, settings.points)
        self._near: list[Column] = []
        self._met: list[Selection] = []
        """Every selection that was the best for some aim for a while."""
        self._least_figures: tuple[int, int] | None = None
        """Change and plan cost of the layout proved to have the least change, then the least
        plan."""
        self._best_total: int | None = None
        self._least_told: int | None = None
        self._searched: Searched | None = None
        self._ended_afresh: NoAnswer | None = None
        """How planning afresh ended when it found no layout."""

    @property
    def cost(self) -> int | None:
        """Plan and change cost of the best layout so far."""
        return self._best_total

    def _on_better(self, selection: Selection) -> None:
        self._kept_s = self.settings.finishing_s
        self._met.append(selection)
        if self.on_layout is not None:
            self._tell(selection, self.on_layout)

    def _tell(self, selection: Selection, on_layout: OnLayout) -> None:
        """Tell of a layout that has the least sum so far, whatever aim it was found for."""
        if selection.left_out or self.change.touches_held(selection.choices):
            return
        total = self.change.value(selection, Aim())
        if self._least_told is None or total < self._least_told:
            self._least_told = total
            on_layout(
                total, partial(to_layout, self.instance, self.backbone, selection, self.change)
            )

    def _begin_with(self, layout: Layout) -> None:
        """Also with the PLCA node counts that it has: they let devices keep their IDs."""
        super()._begin_with(layout)
        counts = {frozenset(s.devices): s.node_count for s in layout.segments}
        for met in tuple(self._met):
            choices = tuple(replace(c, column=self._counted(c.column, counts)) for c in met.choices)
            opened, links = met.open_switches, met.backbone
            cost = selection_cost(self.instance, self.backbone, choices, opened, links)
            self._met.append(Selection(choices, opened, links, cost))

    def _counted(self, column: Column, counts: dict[frozenset[str], int]) -> Column:
        count = counts.get(frozenset(self.instance.device_ids[i] for i in column.devices), 0)
        if count <= column.node_count:
            return column
        return self.builder.with_node_count(column, count) or column

    # -- the run ------------------------------------------------------------------------------

    def searched(self) -> Searched:
        """Search, and give what was found; ends without a layout are those of a rerun."""
        self.run()
        assert self._searched is not None
        return self._searched

    def plan(self) -> None:
        """Take one step after the other, as far as time goes."""
        chooser, change = self.chooser, self.change
        chooser.tried_all = order_count(self.builder, ALL_UP_TO) <= ALL_UP_TO
        # A whole layout to start from is one of the choices for every aim.
        starts = list(self._met)
        fresh: Outcome | None = None
        if chooser.tried_all:
            chooser.columns = every_column(self.builder, self.backbone, change)
            least, proved_change = self._prove_least_change(chooser.least_change(starts))
        else:
            least, proved_change, fresh = self._from_relatives(starts)
        starts += [] if least is None else [least.selection]
        best = self._least_sum(starts)
        ladder = self.front.ladder(best) if self.points and not chooser.tried_all else []
        starts += [c.selection for c in (best, *ladder)]
        self.step("cheapest plan at least change")
        plain = chooser.best(Aim(1, 0), starts, 0.25)
        if plain is not None:
            plain = chooser.then_change(plain)
            if chooser.tried_all and plain.proved:
                self.bound = max(self.bound, plain.selection.cost)
        ends = [c for c in (least, best, *ladder, plain) if c is not None]
        is_open = fresh is None or fresh.status is not Status.OPTIMAL
        if is_open and not (chooser.tried_all or self.points):
            ends += self._go_on(best, ends, proved_change)
        whole = False
        if self.points:
            ends, whole = self.front.filled(ends, self._met)
            if not chooser.tried_all:
                again = chooser.mixed(Aim(), [c.selection for c in ends])
                ends += [] if again is None else [Chosen(again.selection, False)]
        self._searched = self._result(best, ends, whole, proved_change, fresh)

    def _from_relatives(
        self, starts: list[Selection]
    ) -> tuple[Chosen | None, int, Outcome | None]:
        """Gather old segments, their relatives and those of planning afresh; adds to ``starts``.

        Returns the least change, the change cost that no layout can stay below, and what planning
        afresh gave.
        """
        least, proved_change = self._prove_least_change(self._near_old())
        if least is not None:
            starts.append(least.selection)
            self._best_total = self.change.value(least.selection, Aim())
        first = None
        attempt = 0
        while least is None and first is None and self._has_time():
            # Without a layout there is nothing to weigh, so the time is for one, be it dear.
            share = AFRESH_SHARE * self.seconds_left()
            first = self._plan_afresh(None, share, attempt, enough_gap=1.0)
            attempt += 1
        if attempt and first is None:
            # What is left of the time is too little to put anything together.
            raise self._unanswered()
        fresh = self._plan_afresh(self._start_of(least, first)) or first
        self.step("old segments and their relatives")
        starts += self._gather(fresh, starts)
        if least is None:
            least = self.chooser.least_change(starts)
        return least, proved_change, fresh

    def _has_time(self) -> bool:
        """Whether there is enough to begin anything with; no time counts where work does."""
        least_s = LEAST_SHARE * self.settings.time_limit_s
        is_enough = not self.deterministic and self.seconds_left() >= least_s
        return is_enough and not self.limits.over()

    def _go_on(self, best: Chosen, ends: Sequence[Chosen], least_change: int) -> list[Chosen]:
        """Plan afresh from the best as long as nothing is proved; gives what is better."""
        better: list[Chosen] = []
        while self._has_time():
            value = self.change.value(best.selection, Aim())
            if self.bound + least_change >= value:
                break
            share = AFRESH_SHARE * self.seconds_left()
            fresh = self._plan_afresh(self._start_of(best), share, len(better) + 1)
            self.step("cheapest plan and change, again")
            starts = [c.selection for c in (*ends, *better)]
            starts += self._gather(fresh, starts)
            again = self.chooser.mixed(Aim(), starts)
            again = self.chooser.best(Aim(), starts, 0.4) or again
            is_better = again is not None and self.change.value(again.selection, Aim()) < value
            if again is not None and is_better:
                best = again
                better.append(again)
            if fresh is not None and fresh.status is Status.OPTIMAL:
                break
        return better

    def _least_sum(self, starts: list[Selection]) -> Chosen:
        """Least plan and change cost together; adds to ``starts``."""
        self.step("cheapest plan and change")
        best = self.chooser.mixed(Aim(), starts)
        if best is not None:
            starts.append(best.selection)
        best = self.chooser.best(Aim(), starts, 0.4) or best
        if best is None:
            if self.chooser.tried_all and self.chooser.is_refuted:
                held = "" if self.held == Held() else " and leaves what is held untouched"
                sentence = f"No choice of segments keeps all rules{held}."
                raise NoLayout([Conflict("combination", (), sentence)])
            raise self._unanswered()
        return best if self.chooser.tried_all else self._improve(best)

    def _start_of(self, chosen: Chosen | None, found: Outcome | None = None) -> Layout | None:
        """The layout that planning afresh starts from: one chosen, else one found."""
        if chosen is not None:
            return to_layout(self.instance, self.backbone, chosen.selection)
        return None if found is None else found.layout

    def _unanswered(self) -> NoAnswer:
        """That no layout was found, with the nearest to one.

        Where much is held that is the earlier layout itself, else what planning afresh came to.
        """
        ended, own = self._ended_afresh, self.no_answer()
        told, nearest = "", None
        if self.held != Held():
            missing = [d for d in self.problem.devices if d not in self.layout.segment_of()]
            if missing:
                told = "no layout found with what is held where it is; without a place: "
                told += f"{some_of(missing, NAMED)}; whether one exists is not known"
                nearest = self.layout
        elif ended is not None:
            told, nearest = str(ended), ended.nearest
        if nearest is None:
            return own
        return NoAnswer(
            told,
            seconds=own.seconds,
            bound_money=own.bound_money,
            start_unusable=own.start_unusable,
            nearest=nearest,
            ended_by=own.ended_by,
        )

    def _plan_afresh(
        self, start: Layout | None, seconds: float | None = None, attempt: int = 0,
        enough_gap: float = 0.0,
    ) -> Outcome | None:
        """Plan without change costs; keeps the bound and the segments it worked with.

        ``enough_gap`` is the gap that is good enough: 1 for any layout.
        """
        seen: dict[Column, None] = {}

        def extend(master: Master) -> None:
            for column in master.columns:
                seen.pop(column, None)
                seen[column] = None

        def tell(sample: Sample, word: str) -> None:
            if sample.bound_money is not None:
                self.bound = max(self.bound, sample.bound_money)
            self.step(f"planning afresh: {word}")

        share = min(0.25 * self.settings.time_limit_s, max(1.0, 0.5 * self.seconds_left()))
        if seconds is not None:
            share = seconds
        try:
            # What is held is left aside here: the bound holds all the more with it.
            outcome = plan_layout(
                self.problem,
                PlanSettings(
                    time_limit_s=share,
                    seed=(self.settings.seed + attempt) % 2**31,
                    workers=self.settings.workers,
                    known_bound_money=self.bound,
                    enough_gap=enough_gap,
                ),
                clock=self.clock,
                on_progress=tell,
                should_stop=self.should_stop,
                study=Study(extend=extend),
                start=start,
                known=[self.layout, *([] if self._start is None else [self._start])],
            )
        except NoAnswer as ended:
            self._ended_afresh, outcome = ended, None
        self.chooser.columns = list(seen)[-HARVEST:]
        return outcome

    def _near_old(self) -> Chosen | None:
        """Least change among the old segments with new devices put in, and nothing else."""
        relatives = Relatives(self.builder, self.change)
        news = self.change.new_devices
        found = dict.fromkeys(relatives.near(relatives.old_cables(), news, is_wide=False))
        found |= dict.fromkeys(relatives.among(news))
        single = relatives.single(3)
        lone = [c for c in single if c.devices[0] in news]
        self._near = list(found | dict.fromkeys([*single, *self.given]))
        # Old devices alone are seldom needed, and many choices among them take long to settle.
        self.chooser.columns = list(found | dict.fromkeys(lone))
        least = self.chooser.least_change([])
        self.chooser.columns = self._near
        if least is None and self.chooser.is_refuted:
            # If only time was short, more to choose among would take longer still.
            least = self.chooser.least_change([])
        return least

    def _gather(self, fresh: Outcome | None, starts: Sequence[Selection]) -> list[Selection]:
        """Segments to choose from; those of planning afresh as a selection, if it has one."""
        relatives = Relatives(self.builder, self.change)
        news = self.change.new_devices
        kept = dict.fromkeys(self._near)
        more: list[Selection] = []
        if fresh is not None:
            afresh = columns_of(self.builder, fresh.layout)
            kept |= dict.fromkeys(afresh)
            only = self.chooser.best_among(Aim(1, 0), afresh, [], self.seconds_left())
            if only is not None:
                more.append(only.selection)
        wide = dict.fromkeys(relatives.near(relatives.old_cables(), news, is_wide=True))
        wide |= dict.fromkeys(self.chooser.columns)
        self.chooser.columns = self._promising(kept, wide, [*starts, *more], FEW)
        self.chooser.wide = list(wide)
        return more

    def _promising(
        self,
        kept: Iterable[Column],
        wide: Iterable[Column],
        selections: Sequence[Selection],
        room: int,
    ) -> list[Column]:
        """All of ``kept`` and the best of ``wide``, measured by what devices cost by now.

        A device is priced by its share of the segment it has in the best selection; what a
        segment costs beyond the prices of its devices tells how little it promises.
        """
        out = dict.fromkeys(kept)
        rest = [c for c in wide if c not in out]
        if len(rest) <= room or not selections:
            return list(out | dict.fromkeys(rest))
        best = min(selections, key=lambda s: self.change.value(s, Aim()))
        price = [0.0] * self.instance.n
        for choice in best.choices:
            each = self._sum_of(choice.column) / len(choice.column.devices)
            for i in choice.column.devices:
                price[i] = each
        beyond = [
            (self._sum_of(c) - sum(price[i] for i in c.devices), k) for k, c in enumerate(rest)
        ]
        beyond.sort()
        return list(out | dict.fromkeys(rest[k] for _, k in beyond[:room]))

    def _sum_of(self, column: Column) -> int:
        """Cost of a segment with its cheapest port and its least change."""
        inst = self.instance
        ports = inst.ports_of[column.switch, column.grade]
        saving = max((s for _, s in self.change.ties(column)), default=0)
        return (
            column.cost
            + min(inst.port_classes[p].value for p in ports)
            + self.change.base_money(column)
            - max(0, saving)
        )

    def _prove_least_change(self, least: Chosen | None) -> tuple[Chosen | None, int]:
        """Least change over every segment that a layout with no more change could use.

        Returns the choice and the change cost that no layout can stay below.
        """
        if least is None:
            return None, 0
        budget = self.change.change_money(least.selection)
        if self.chooser.tried_all:
            return self._noted(least), budget if least.proved else 0
        least.proved = False
        if self.limits.over():
            return least, 0
        self.step("proving the least change")
        try:
            until = self.seconds() + 0.2 * self.settings.time_limit_s
            columns = columns_within(
                self.builder, self.change, budget,
                should_stop=lambda: self.limits.over() or self.seconds() > until,
            )
        except TooMany:
            return least, 0
        found = self.chooser.best_among(
            Aim(0, 1), columns, [least.selection], max(1.0, 0.2 * self.seconds_left())
        )
        if found is None or not found.proved:
            return least, 0
        proved = self.change.change_money(found.selection)
        return self._noted(self.chooser.then_plan(found, columns)), proved

    def _noted(self, least: Chosen) -> Chosen:
        self._least_figures = self.chooser.figures(least) if least.proved else None
        return least

    def _improve(self, best: Chosen) -> Chosen:
        """Try relatives of the best segments until nothing is gained."""
        relatives = Relatives(self.builder, self.change)
        for _ in range(4):
            self._best_total = self.change.value(best.selection, Aim())
            if self.seconds_left() < 0.4 * self.settings.time_limit_s or self.limits.over():
                break
            self.step("relatives of the best segments")
            cables = relatives.cables_of(best.selection.columns)
            near = relatives.near(cables, self.change.new_devices, is_wide=True)
            self.chooser.columns = self._promising(
                dict.fromkeys([*self._near, *best.selection.columns]),
                dict.fromkeys([*near, *self.chooser.wide]),
                [best.selection],
                MANY,
            )
            again = self.chooser.best(Aim(), [best.selection], 0.2)
            if again is None:
                break
            gained = self.change.value(again.selection, Aim()) < self._best_total
            best = again
            if not gained:
                break
        return best

    # -- the end ------------------------------------------------------------------------------

    def _result(
        self,
        best: Chosen,
        ends: list[Chosen],
        whole: bool,
        least_change: int,
        fresh: Outcome | None,
    ) -> Searched:
        chooser = self.chooser
        # A choice made for another aim may still be the best sum.
        for other in chooser.undominated(ends):
            if self.change.value(other.selection, Aim()) < self.change.value(
                best.selection, Aim()
            ):
                best = Chosen(other.selection, False)
        found = self._found(best)
        bound = self.bound + least_change
        if found.is_proved:
            bound = found.total_money
        proved = found.is_proved or bound >= found.total_money
        found = replace(found, is_proved=proved)
        self._best_total = found.total_money
        self.step("done")
        front = tuple(self._found(c) for c in chooser.undominated([*ends, best]))
        if front and self._least_figures == (front[0].change_money, front[0].plan_money):
            front = (replace(front[0], is_proved=True), *front[1:])
        plan_bound = min(self.bound, *(f.plan_money for f in (found, *front)))
        seconds = self.seconds()
        outcome = Outcome(
            status=Status.OPTIMAL if plan_bound >= found.plan_money else Status.FEASIBLE,
            layout=found.layout,
            cost_money=found.plan_money,
            bound_money=plan_bound,
            seconds=seconds,
            seconds_to_best=seconds,
            seed=self.settings.seed,
            workers=self.settings.workers,
            stopped_by=self.ending(proved),
            bound_source="all segments tried" if chooser.tried_all else "planning afresh",
            timeline=tuple(self.timeline),
            versions=() if fresh is None else fresh.versions,
            columns=len(chooser.columns),
            has_start=self._start is not None,
            start_unusable=self.start_unusable,
        )
        return Searched(
            best=found,
            outcome=outcome,
            total_bound_money=min(bound, found.total_money),
            least_change_money=least_change,
            front=front,
            is_front_whole=whole,
            tried_all=chooser.tried_all,
        )

    def _found(self, choice: Chosen) -> Found:
        layout = to_layout(self.instance, self.backbone, choice.selection, self.change)
        return Found(
            plan_money=choice.selection.cost,
            change_money=self.change.change_money(choice.selection),
            selection=choice.selection,
            layout=layout,
            is_proved=self.chooser.tried_all and choice.proved,
            is_best_offered=choice.proved,
        )
