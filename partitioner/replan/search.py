"""The search of a rerun: plan cost against change cost over one set of segments.

1. The plan is made afresh, which proves a bound on the plan cost and leaves good segments behind.
2. To them come the old segments and their relatives; where few enough, all segments there are.
3. The master chooses for each aim: least change, least sum of both, least plan, and between.
4. The least change is proved over all segments that a layout with no more change could use.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from partitioner.errors import Conflict, NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample
from partitioner.model.problem import Problem
from partitioner.replan.columns import (
    Relatives,
    TooMany,
    columns_within,
    every_column,
    order_count,
    with_node_counts,
)
from partitioner.solve.change import Aim, ChangeModel, Held
from partitioner.solve.columns import Column
from partitioner.solve.layout_in import columns_of
from partitioner.solve.layout_out import to_layout
from partitioner.solve.master import Master, Selection, selection_cost
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.solve.run import Run
from partitioner.solve.search import Claim, Study

ALL_UP_TO = 30_000
"""Up to this many orders of devices every segment is tried."""
HARVEST = 1_200
"""Most segments taken over from planning afresh."""
FEW, MANY = 700, 1_800
"""Segments besides the nearest ones that a first and a later choice may have; more of them slow
the master down more than they help."""
LADDER = (2, 5, 20)
"""How many times its price plan cost weighs in layouts that lie between the ends of the front."""
REGION, REGION_S = 22, 4.0
"""Devices of a region that is solved again on its own, and seconds for that."""
SWEPT_FROM = 400
"""With more segments than this regions are solved before the whole."""


@dataclass(frozen=True, slots=True)
class RerunSettings(PlanSettings):
    """How long and how a rerun may work.

    ``points``: how many layouts to show between touching nothing and planning afresh, both ends
    among them; 0: the cheapest sum only.
    """

    points: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """A layout of a rerun: its two costs in money steps, and what is proved.

    ``is_proved``: no better one is possible for its aim. ``is_best_offered``: none better can be
    put together from the segments that were tried.
    """

    plan_money: int
    change_money: int
    selection: Selection
    layout: Layout
    is_proved: bool
    is_best_offered: bool

    @property
    def total_money(self) -> int:
        """Plan cost and change cost."""
        return self.plan_money + self.change_money


@dataclass(frozen=True, slots=True)
class Searched:
    """What a rerun found.

    ``plan_bound_money`` is a proved bound on the plan cost of any layout, ``least_change_money``
    a proved bound on the change cost of any layout (0 where nothing is proved).
    """

    best: Found
    total_bound_money: int
    plan_bound_money: int
    least_change_money: int
    front: tuple[Found, ...]
    is_front_whole: bool
    columns: int
    tried_all: bool
    fresh: Outcome | None
    seconds: float
    stopped_by: str
    timeline: tuple[Sample, ...]
    has_start: bool = False
    start_unusable: tuple[str, ...] = ()


@dataclass(slots=True)
class _Choice:
    """A selection with what is known about it."""

    selection: Selection
    proved: bool


class RerunSearch(Run):
    """One rerun.

    Parameters
    ----------
    problem, layout
        The changed problem and the earlier layout.
    old_cuts_um
        Cut lengths of the earlier layout by device.
    held
        What must not be touched.
    settings, clock, on_progress, should_stop, start
        As for a plan.
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
    ):
        super().__init__(problem, settings, clock, on_progress, should_stop, start=start)
        self.problem, self.layout, self.held = problem, layout, held
        self.points = settings.points
        # The choices are between few segments, each judged: no need to keep from what may be late.
        self.search.be_bold()
        self.change = ChangeModel(
            self.instance, layout, problem.change_prices, old_cuts_um, held
        )
        self._columns: list[Column] = []
        self._near: list[Column] = []
        self._wide: list[Column] = []
        self._met: list[Selection] = []
        """Every selection that was the best for some aim for a while."""
        self._tried_all = False
        self._is_refuted = False
        """Whether the last choice asked for was proved impossible with the segments given."""
        self._least_figures: tuple[int, int] | None = None
        """Change and plan cost of the layout proved to have the least change, then the least
        plan."""
        self._best_total: int | None = None
        self._searched: Searched | None = None

    @property
    def cost(self) -> int | None:
        """Plan and change cost of the best layout so far."""
        return self._best_total

    def _on_better(self, selection: Selection) -> None:
        self._kept_s = self.settings.finishing_s
        self._met.append(selection)

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
        """Search.

        Raises
        ------
        NoLayout
            Proved that no layout keeps all rules and what is held.
        NoAnswer
            None found within the limit.
        """
        self.run()
        assert self._searched is not None
        return self._searched

    def plan(self) -> None:
        """Take one step after the other, as far as time goes."""
        self._tried_all = order_count(self.builder, ALL_UP_TO) <= ALL_UP_TO
        fresh: Outcome | None = None
        # A whole layout to start from is one of the choices for every aim.
        starts: list[Selection] = list(self._met)
        if self._tried_all:
            self._columns = every_column(self.builder, self.backbone, self.change)
            least = self._least_change(starts)
            least, proved_change = self._prove_least_change(least)
        else:
            least, proved_change = self._prove_least_change(self._near_old())
            if least is not None:
                starts.append(least.selection)
                self._best_total = self.change.value(least.selection, Aim())
            fresh = self._plan_afresh(least)
            self.step("old segments and their relatives")
            starts += self._gather(fresh, starts)
            if least is None:
                least = self._least_change(starts)
        starts += [] if least is None else [least.selection]
        self.step("cheapest plan and change")
        best = self._mixed(Aim(), starts)
        if best is not None:
            starts.append(best.selection)
        best = self._solve(Aim(), starts, 0.4) or best
        if best is None:
            self._give_up()
        assert best is not None
        if not self._tried_all:
            best = self._improve(best)
        ladder = self._ladder(best) if self.points and not self._tried_all else []
        starts += [c.selection for c in (best, *ladder)]
        plain = self._front_end(starts)
        if self._tried_all and plain is not None and plain.proved:
            self.bound = max(self.bound, plain.selection.cost)
        ends = [c for c in (least, best, *ladder, plain) if c is not None]
        whole = False
        if self.points:
            ends, whole = self._front(ends)
            if not self._tried_all:
                again = self._mixed(Aim(), [c.selection for c in ends])
                ends += [] if again is None else [_Choice(again.selection, False)]
        self._searched = self._result(best, ends, whole, proved_change, fresh)

    def _give_up(self) -> None:
        if self._tried_all and self._is_refuted:
            raise NoLayout(
                [
                    Conflict(
                        "combination",
                        (),
                        "No choice of segments keeps all rules"
                        + (" and leaves what is held untouched." if self._holds() else "."),
                    )
                ]
            )
        raise self.no_answer()

    def _holds(self) -> bool:
        held = self.held
        return bool(held.devices or held.placed or held.segments or held.switches)

    def _plan_afresh(self, least: _Choice | None) -> Outcome | None:
        """Plan without change costs; keeps the bound and the segments it worked with."""
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
        start = None
        if least is not None:
            start = to_layout(self.instance, self.backbone, least.selection)
        try:
            # What is held is left aside here: the bound holds all the more with it.
            outcome = plan_layout(
                self.problem,
                PlanSettings(
                    time_limit_s=share, seed=self.settings.seed, workers=self.settings.workers
                ),
                clock=self.clock,
                on_progress=tell,
                should_stop=self.should_stop,
                study=Study(extend=extend),
                start=start,
                known=[self.layout, *([] if self._start is None else [self._start])],
            )
        except NoAnswer:
            outcome = None
        self._columns = list(seen)[-HARVEST:]
        return outcome

    def _near_old(self) -> _Choice | None:
        """Least change among the old segments with new devices put in, and nothing else."""
        relatives = Relatives(self.builder, self.change)
        news = self.change.new_devices
        found = dict.fromkeys(relatives.near(relatives.old_cables(), news, is_wide=False))
        found |= dict.fromkeys(relatives.among(news))
        single = relatives.single(3)
        lone = [c for c in single if c.devices[0] in news]
        self._near = list(found | dict.fromkeys([*single, *self.given]))
        # Old devices alone are seldom needed, and many choices among them take long to settle.
        self._columns = list(found | dict.fromkeys(lone))
        least = self._least_change([])
        self._columns = self._near
        return self._least_change([]) if least is None else least

    def _gather(self, fresh: Outcome | None, starts: Sequence[Selection]) -> list[Selection]:
        """Segments to choose from; those of planning afresh as a selection, if it has one."""
        relatives = Relatives(self.builder, self.change)
        news = self.change.new_devices
        kept = dict.fromkeys(self._near)
        more: list[Selection] = []
        if fresh is not None:
            afresh = columns_of(self.builder, fresh.layout)
            kept |= dict.fromkeys(afresh)
            only = self._solve_over(Aim(1, 0), afresh, [], self.seconds_left())
            if only is not None:
                more.append(only.selection)
        wide = dict.fromkeys(relatives.near(relatives.old_cables(), news, is_wide=True))
        wide |= dict.fromkeys(self._columns)
        self._columns = self._promising(kept, wide, [*starts, *more], FEW)
        self._wide = list(wide)
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

    # -- aims ---------------------------------------------------------------------------------

    def _solve(self, aim: Aim, starts: Iterable[Selection], share: float) -> _Choice | None:
        seconds = max(1.0, share * self.seconds_left())
        return self._solve_over(aim, self._columns, starts, seconds)

    def _solve_over(
        self, aim: Aim, columns: Sequence[Column], starts: Iterable[Selection], seconds: float
    ) -> _Choice | None:
        """Choose among segments for an aim, beginning with the best of given selections."""
        change, search = self.change, self.search
        search.aim_at(
            Study(
                extend=lambda master: change.extend(master, aim),
                charge=lambda selection: change.value(selection, aim) - selection.cost,
            )
        )
        for start in starts:
            if self._keeps(start, aim):
                search.offer(start)
        self._is_refuted = False
        if self.limits.over():
            return None if search.incumbent is None else _Choice(search.incumbent, False)
        known = self._with_node_counts(columns)
        if search.incumbent is not None:
            known |= dict.fromkeys(c.column for c in search.incumbent.choices)
        usable = [
            c
            for c in known
            if any(
                change.allowed(c, p)
                for p in self.instance.ports_of.get((c.switch, c.grade), ())
            )
        ]
        if search.incumbent is not None and not self._tried_all and len(usable) > SWEPT_FROM:
            wide = dict.fromkeys([*usable, *self._with_node_counts(self._wide)])
            among = [(frozenset(c.devices), c) for c in wide]
            ends_with_s = self.seconds_left() - 0.6 * seconds
            while search.sweep(REGION, among=among, ends_with_s=ends_with_s, most_s=REGION_S):
                pass
            usable = list(
                dict.fromkeys(usable) | dict.fromkeys(c.column for c in search.incumbent.choices)
            )
            seconds *= 0.4
        result = search.master_over_pool(usable, seconds, soft=False, claim=Claim.COLUMNS)
        if search.incumbent is None:
            self._is_refuted = result.proved and result.selection is None
            return None
        # What the master chose last may have been late on the backbone and refused.
        is_its = result.selection is not None and (
            change.value(result.selection, aim) == change.value(search.incumbent, aim)
        )
        return _Choice(search.incumbent, result.proved and is_its)

    def _with_node_counts(self, columns: Iterable[Column]) -> dict[Column, None]:
        """Segments with the PLCA node counts to choose from; of many, the two ends only."""
        made = with_node_counts(self.builder, self.change, columns, every=self._tried_all)
        return dict.fromkeys(columns if self._tried_all else made)

    def _keeps(self, selection: Selection, aim: Aim) -> bool:
        if selection.left_out or self.change.touches_held(selection.choices):
            return False
        if aim.most_plan_money is not None and selection.cost > aim.most_plan_money:
            return False
        return (
            aim.most_change_money is None
            or self.change.change_money(selection) <= aim.most_change_money
        )

    def _least_change(self, starts: Sequence[Selection]) -> _Choice | None:
        """Least change, and the cheapest plan with no more change."""
        self.step("least change")
        least = self._solve(Aim(0, 1), starts, 0.15)
        if least is None:
            return None
        return self._then_plan(least, self._columns)

    def _then_plan(self, least: _Choice, columns: Sequence[Column]) -> _Choice:
        money = self.change.change_money(least.selection)
        second = self._solve_over(
            Aim(1, 0, most_change_money=money),
            columns,
            [least.selection],
            max(1.0, 0.05 * self.seconds_left()),
        )
        if second is None:
            return _Choice(least.selection, False)
        return _Choice(second.selection, least.proved and second.proved)

    def _prove_least_change(self, least: _Choice | None) -> tuple[_Choice | None, int]:
        """Least change over every segment that a layout with no more change could use.

        Returns the choice and the change cost that no layout can stay below.
        """
        if least is None:
            return None, 0
        budget = self.change.change_money(least.selection)
        if self._tried_all:
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
        found = self._solve_over(
            Aim(0, 1), columns, [least.selection], max(1.0, 0.2 * self.seconds_left())
        )
        if found is None or not found.proved:
            return least, 0
        proved = self.change.change_money(found.selection)
        return self._noted(self._then_plan(found, columns)), proved

    def _noted(self, least: _Choice) -> _Choice:
        self._least_figures = self._figures(least) if least.proved else None
        return least

    def _front_end(self, starts: Sequence[Selection]) -> _Choice | None:
        """Cheapest plan, and the least change at no more cost."""
        self.step("cheapest plan at least change")
        plain = self._solve(Aim(1, 0), starts, 0.25)
        if plain is None:
            return None
        return self._then_change(plain)

    def _then_change(self, plan: _Choice) -> _Choice:
        second = self._solve(
            Aim(0, 1, most_plan_money=plan.selection.cost), [plan.selection], 0.15
        )
        if second is None:
            return _Choice(plan.selection, False)
        return _Choice(second.selection, plan.proved and second.proved)

    def _improve(self, best: _Choice) -> _Choice:
        """Try relatives of the best segments until nothing is gained."""
        relatives = Relatives(self.builder, self.change)
        for _ in range(4):
            self._best_total = self.change.value(best.selection, Aim())
            if self.seconds_left() < 0.4 * self.settings.time_limit_s or self.limits.over():
                break
            self.step("relatives of the best segments")
            cables = relatives.cables_of(c.column for c in best.selection.choices)
            near = relatives.near(cables, self.change.new_devices, is_wide=True)
            self._columns = self._promising(
                dict.fromkeys([*self._near, *(c.column for c in best.selection.choices)]),
                dict.fromkeys([*near, *self._wide]),
                [best.selection],
                MANY,
            )
            again = self._solve(Aim(), [best.selection], 0.2)
            if again is None:
                break
            gained = self.change.value(again.selection, Aim()) < self._best_total
            best = again
            if not gained:
                break
        return best

    # -- the front ----------------------------------------------------------------------------

    def _ladder(self, best: _Choice) -> list[_Choice]:
        """Layouts for plan costs that weigh more and more, each from the one before."""
        found: list[_Choice] = []
        last = best
        for weight in LADDER:
            if self.limits.over():
                break
            self.step(f"layouts between: plan cost {weight} times as weighty")
            step = self._solve(Aim(weight, 1), [last.selection], 0.2)
            if step is None:
                break
            found.append(_Choice(step.selection, False))
            last = step
        return found

    def _figures(self, choice: _Choice) -> tuple[int, int]:
        return self.change.change_money(choice.selection), choice.selection.cost

    def _front(self, ends: list[_Choice]) -> tuple[list[_Choice], bool]:
        """Fill in layouts between the ends; the whole front where every segment is tried."""
        if self._tried_all:
            return self._whole_front(ends)
        # Layouts met on the way to one end are often good ones between.
        met = [
            _Choice(c, False) for c in dict.fromkeys(self._met)
            if not c.left_out and not self.change.touches_held(c.choices)
        ]
        kept = self._undominated([*ends, *met])
        barren: set[tuple[int, int]] = set()
        while len(kept) < self.points and not self.limits.over():
            self.step(f"layouts between: {len(kept)} so far")
            gaps = [
                (hi[0] - lo[0], lo, hi)
                for a, b in pairwise(kept)
                for lo, hi in [(self._figures(a), self._figures(b))]
                if (lo[0], hi[0]) not in barren and hi[0] - lo[0] > 1
            ]
            if not gaps:
                break
            _, lo, hi = max(gaps, key=lambda g: (g[0] * (g[1][1] - g[2][1]), g[0]))
            found = self._between(kept, (lo[0] + hi[0]) // 2)
            if found is None or found.selection.cost >= lo[1]:
                # Nothing better below the middle: look just below the upper one next.
                found = self._between(kept, hi[0] - 1)
                barren.add((lo[0], hi[0]))
                if found is None or found.selection.cost >= lo[1]:
                    continue
            kept = self._undominated([*kept, self._then_change(found)])
        return self._spread(kept), False

    def _spread(self, kept: list[_Choice]) -> list[_Choice]:
        """As many layouts as were asked for: the ends, the least sum, the rest far apart."""
        most = max(3, self.points)
        if len(kept) <= most:
            return kept
        figures = [self._figures(c) for c in kept]
        wide = max(1, figures[-1][0] - figures[0][0])
        high = max(1, figures[0][1] - figures[-1][1])
        sums = [a + b for a, b in figures]
        picked = {0, len(kept) - 1, sums.index(min(sums))}

        def apart(k: int) -> float:
            return min(
                abs(figures[k][0] - figures[j][0]) / wide
                + abs(figures[k][1] - figures[j][1]) / high
                for j in picked
            )

        while len(picked) < most:
            picked.add(max((k for k in range(len(kept)) if k not in picked), key=apart))
        return [kept[k] for k in sorted(picked)]

    def _between(self, kept: Sequence[_Choice], most_change: int) -> _Choice | None:
        """Cheapest plan with at most so much change, first of the segments chosen so far."""
        aim = Aim(1, 0, most_change_money=most_change)
        starts = [c.selection for c in kept]
        first = self._mixed(aim, starts)
        if first is not None:
            starts.append(first.selection)
        return self._solve(aim, starts, 0.25) or first

    def _mixed(self, aim: Aim, starts: Sequence[Selection]) -> _Choice | None:
        """The best that can be put together from the segments of some selections alone."""
        if not starts:
            return None
        chosen = dict.fromkeys(c.column for s in starts for c in s.choices)
        return self._solve_over(aim, list(chosen), starts, max(1.0, 0.1 * self.seconds_left()))

    def _whole_front(self, ends: list[_Choice]) -> tuple[list[_Choice], bool]:
        found: list[_Choice] = []
        room: int | None = None
        whole = True
        starts = [c.selection for c in ends]
        while not self.limits.over():
            point = self._solve(Aim(1, 0, most_change_money=room), starts, 0.5)
            if point is None:
                whole = whole and self._is_refuted
                break
            point = self._then_change(point)
            whole = whole and point.proved
            found.append(point)
            room = self.change.change_money(point.selection) - 1
            if room < 0:
                break
        else:
            whole = False
        return self._undominated(found or ends), whole and bool(found)

    def _undominated(self, choices: Iterable[_Choice]) -> list[_Choice]:
        """Choices none of which another one beats, by rising change cost."""
        kept: list[_Choice] = []
        for choice in sorted(choices, key=lambda c: (*self._figures(c), not c.proved)):
            if not kept or choice.selection.cost < kept[-1].selection.cost:
                kept.append(choice)
        return kept

    # -- the end ------------------------------------------------------------------------------

    def _result(
        self,
        best: _Choice,
        ends: list[_Choice],
        whole: bool,
        least_change: int,
        fresh: Outcome | None,
    ) -> Searched:
        # A choice made for another aim may still be the best sum.
        for other in self._undominated(ends):
            if self.change.value(other.selection, Aim()) < self.change.value(
                best.selection, Aim()
            ):
                best = _Choice(other.selection, False)
        found = self._found(best, self._tried_all and best.proved)
        bound = self.bound + least_change
        if found.is_proved:
            bound = found.total_money
        proved = found.is_proved or bound >= found.total_money
        found = replace(found, is_proved=proved)
        self._best_total = found.total_money
        self.step("done")
        front = tuple(
            self._found(c, self._tried_all and c.proved) for c in self._undominated([*ends, best])
        )
        if front and self._least_figures == (front[0].change_money, front[0].plan_money):
            front = (replace(front[0], is_proved=True), *front[1:])
        return Searched(
            best=found,
            total_bound_money=min(bound, found.total_money),
            plan_bound_money=min(self.bound, *(f.plan_money for f in (found, *front))),
            least_change_money=least_change,
            front=front,
            is_front_whole=whole,
            columns=len(self._columns),
            tried_all=self._tried_all,
            fresh=fresh,
            seconds=self.seconds(),
            stopped_by=self.ending(proved),
            timeline=tuple(self.timeline),
            has_start=self._start is not None,
            start_unusable=self.start_unusable,
        )

    def _found(self, choice: _Choice, proved: bool) -> Found:
        layout = to_layout(self.instance, self.backbone, choice.selection, self.change)
        return Found(
            plan_money=choice.selection.cost,
            change_money=self.change.change_money(choice.selection),
            selection=choice.selection,
            layout=layout,
            is_proved=proved,
            is_best_offered=choice.proved,
        )
