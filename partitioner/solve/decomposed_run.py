"""A run over many devices: parts are planned on their own, side by side, and put together.

1. The routing heuristic proposes lines field by field: the first layout, and better ones.
2. Beside it a bound is proved region by region.
3. Small parts of the layout are planned as problems of their own, and again with the cuts
   elsewhere, until the time is up. What is found is judged under all rules of the whole problem.

Beside the first lines the compact model chooses ports for all devices. Where those lines are no
better, what is done beside is to choose ports anew for less, instead of planning parts.
"""

from __future__ import annotations

import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from partitioner.model.layout import Layout, Segment
from partitioner.solve.basic_columns import basic_columns
from partitioner.solve.bound.region_task import Found, RegionTask
from partitioner.solve.columns import Column
from partitioner.solve.compact_search import FEW_LEFT_OUT, CompactSearch
from partitioner.solve.crew import Crew, SideProcesses, Work
from partitioner.solve.decomposition import (
    Part,
    part_problem,
    parts_of_devices,
    parts_of_layout,
    port_counts,
)
from partitioner.solve.layout_in import columns_of
from partitioner.solve.master import Choice
from partitioner.solve.phase_one import PhaseOne
from partitioner.solve.plan_task import PlanTask, cheaper_task
from partitioner.solve.race import Race, seeds_beside
from partitioner.solve.run import Run
from partitioner.solve.seed_task import Routes
from partitioner.solve.seeds import LineSeeder
from partitioner.solve.side_process import Task

MANY_DEVICES = 300
"""Above so many devices a run goes part by part."""
PART = 90
"""Most devices of a part."""
PART_S = 7.0
"""Most seconds that planning a part is given: more gain little."""
LEAST_PART_S = 2.0
SHIFTS = (0.5, 0.25, 0.75, 0.0)
"""How far each round moves the cuts, in shares of a part; the first layout had them at 0."""
KNOWN = 1_200
"""Most lines met while proving the bound that planning a part starts with."""
FIELD = 1_000
"""Most devices that the routing heuristic takes at once."""
FIRST_S = 2.0
"""Seconds of the heuristic on a field for the first layout, if there is time for that."""
SEED_SHARE = 0.3
"""Share of the time of all processes that the heuristic then has."""
SEED_END = 0.6
"""Share of the time left that it may take on one field, however many are at work."""
PAUSE_S = 0.03
"""Between two looks at those beside while there is nothing else to do."""
TAKE_EVERY_S = 1.0
"""Least time between two takings from one task, each of which is a run of the master."""
BOUND_SHARE = 0.6
"""Share of the time that the bound may take at most."""
PRICES_SHARE = 0.25
"""The same before there is a layout: its prices lead to one."""
MISS_SHARE, MISS_PER_DEVICE_S = 0.3, 0.006
"""What is kept of the time for the nearest miss, at the most, while ports are chosen for all."""
MOST_AT_ONCE = 1_000
"""Devices up to which the model of all their ports is made in any case."""
NEARLY_ALL = 0.02
"""Share of devices left out up to which lines by geometry are likely to become a layout."""
CHEAPER_S = 40.0
"""Seconds that ports are chosen anew beside before the best layout is gone on with."""
MOST_SWITCHES = 2
"""Nearest switches a device is tried at alone."""


@dataclass(slots=True, eq=False)
class _Job:
    """A task for a part and what is to be done with what it finds, the best last."""

    task: Task
    take: Callable[[Sequence[Any]], object]
    end: Callable[[], object] = lambda: None
    """Called when no more comes of it."""
    work: Work | None = None
    """It at work beside, once it is."""
    taken: float = 0.0
    """When something was last taken in."""


class DecomposedRun(Run):
    """A run over many devices, part by part."""

    def _set_up(self) -> None:
        self.crew: Crew | None = None
        self.is_own_crew = False
        """Whether those beside are processes that nobody else has."""
        self.at_work: list[_Job] = []
        self.waiting: deque[Callable[[], _Job | None]] = deque()
        self.rounds = 0
        self.fields: list[Part] = []
        self.basics: list[Column] = []
        self.is_put_together = False
        """Whether what the heuristic proposed first has been made as much of a layout as it is."""
        self.proposals: list[Column] = []
        """Columns that the first layout was sought among."""
        self.hangs_on_ports = False
        """Whether only the compact model led to a layout: parts cannot be planned by themselves."""
        self.compact: CompactSearch | None = None
        self.race: Race | None = None
        self.latest: dict[tuple[tuple[int, ...], int], list[Column]] = {}
        """Lines proposed last for the first layout, by field and grade."""
        self.cheap: list[Column] = []
        """Lines met while proving the bound, cheapest under its duals first."""

    # -- work beside --------------------------------------------------------------------------

    def work_with(self, crew: Crew) -> None:
        """Have the tasks worked on elsewhere; before the run begins."""
        self.crew = crew

    def _hire(self, busy: int = 0) -> None:
        """Have processes beside, if there may be any and nobody else does the work.

        As many as there are workers, less those that are ``busy`` otherwise: half of them stay.
        """
        if self.crew is None and self.settings.workers > 1 and not self.deterministic:
            size = self.settings.workers - min(busy, self.settings.workers // 2)
            self.crew = SideProcesses(size, self.should_stop)
            self.is_own_crew = True

    @property
    def side(self) -> int:
        """How many tasks are worked on at once."""
        return 1 if self.crew is None else max(1, self.crew.size)

    def take_in(self) -> bool:
        """Take in what came from beside and begin the next jobs; true if a layout is better."""
        before = self.search.incumbent_value
        for job in list(self.at_work):
            assert job.work is not None
            if self.seconds() - job.taken > TAKE_EVERY_S or job.taken == 0.0:
                found = job.work.poll()
                if found:
                    job.taken = self.seconds()
                    job.take(found)
            if not job.work.running:
                self.at_work.remove(job)
                job.end()
            self._hand_out()
        self._hand_out()
        return self.search.incumbent_value < before

    def _hand_out(self) -> None:
        """Begin jobs that wait, as far as there is somebody for them."""
        while self.waiting and self.crew is not None and self.crew.is_free:
            new = self.waiting.popleft()()
            if new is not None:
                new.work = self.crew.give(new.task)
                self.at_work.append(new)

    def _finish(self, until_s: float) -> None:
        """Work on all jobs that wait, beside or here, until done or so late."""
        while (self.waiting or self.at_work) and not self.over() and self.seconds() < until_s:
            if self.crew is not None:
                self.take_in()
                time.sleep(PAUSE_S)
                continue
            new = self.waiting.popleft()()
            if new is not None:
                found: list[Any] = []
                new.task.run(found.append)
                if found:
                    new.take(found)
                new.end()

    def close(self) -> None:
        """End what is at work beside."""
        self._end_race()
        if self.crew is not None:
            self.crew.close()

    # -- first layout -------------------------------------------------------------------------

    def first_layout(self) -> None:
        """Let the heuristic propose lines, briefly, and put them together.

        Meanwhile ports are chosen for all devices, in case that lines by geometry are no layout.
        """
        self.fields = parts_of_devices(self.instance, FIELD)
        may_race = self.instance.n <= MOST_AT_ONCE and CompactSearch.has_time(self.search)
        self._hire(len(seeds_beside(self.settings)) if may_race else 0)
        seconds = 0.1 * self.seconds_left() * self.side / len(self.fields)
        self._begin_seeds(min(FIRST_S, seconds), again=False)
        if self.crew is not None:
            self._hand_out()
            if may_race:
                self._choose_ports()
        if not self.is_put_together:
            self._finish(self.seconds() + 0.4 * self.seconds_left())
            self._put_together()
        if may_race and self.is_own_crew:
            # Those that the race kept busy are free again.
            self._end_searches()

    def _put_together(self) -> None:
        """Make the lines proposed a layout, or as much of one as they allow."""
        self.is_put_together = True
        self.waiting.clear()
        proposed = list(self.search.proposed)
        self.basics = basic_columns(self.builder, MOST_SWITCHES)
        kept = self._lines_on_ports()
        covered = {i for c in kept for i in c.column.devices}
        columns = list(dict.fromkeys(proposed + self.given + self.basics))
        rest = [c for c in columns if covered.isdisjoint(c.devices)]
        had_one = self.cost is not None
        is_better = self.search.complete(kept, rest, self._first_master_s())
        self.hangs_on_ports = had_one and not is_better
        self.proposals = columns
        if self.cost is None and (self._leaves_out(NEARLY_ALL) or self.compact is None):
            self.search.master_over_pool(columns, self._first_master_s(), soft=True)

    def _leaves_out(self, share: float) -> bool:
        """Whether the best layout leaves out no more than such a share of the devices."""
        best = self.search.incumbent
        return best is not None and len(best.left_out) <= share * self.instance.n

    def _first_master_s(self) -> float:
        return 5.0 + 0.002 * self.instance.n

    def _lines_on_ports(self) -> list[Choice]:
        """Give the last lines proposed for each field, as far as ports and switches take them."""
        inst = self.instance
        free = port_counts(inst)
        caps = [(frozenset(g), 1) for g in inst.apart_switch]
        caps += [(frozenset(g), most) for g, most in inst.loss_caps]
        held: Counter[tuple[int, int]] = Counter()
        kept = []
        covered: set[int] = set()
        for column in (c for columns in self.latest.values() for c in columns):
            if not covered.isdisjoint(column.devices):
                # Lines of two grades were proposed for the same devices.
                continue
            more = Counter(
                {(k, column.switch): len(g.intersection(column.devices))
                 for k, (g, _) in enumerate(caps)}
            )
            if any(held[key] + more[key] > caps[key[0]][1] for key in more if more[key]):
                # The heuristic knows nothing of groups.
                continue
            for p in inst.ports_of.get((column.switch, column.grade), []):
                port = inst.port_classes[p]
                if free[port.switch, port.group] > 0:
                    free[port.switch, port.group] -= 1
                    kept.append(Choice(column, p))
                    covered.update(column.devices)
                    held += more
                    break
        return kept

    def _begin_seeds(self, seconds: float, *, again: bool) -> None:
        """Let the heuristic work on each field; ``again``: what it finds goes into the layout."""
        for field in self.fields:
            for grade in self.instance.line_grades:
                self.waiting.append(partial(self._seed_job, field, grade, seconds, again=again))

    def _seed_job(self, field: Part, grade: int, seconds: float, *, again: bool) -> _Job | None:
        inst = self.instance
        ports = {
            p: field.ports.get((c.switch, c.group), 0) for p, c in enumerate(inst.port_classes)
        }
        seeder = LineSeeder(self.builder, grade, field.devices, ports)
        if not seeder.usable or seconds <= 0.0:
            return None
        iterations = None
        if self.settings.work_limit is not None:
            iterations = 20 * self.settings.work_limit
        task = seeder.task(
            seconds=seconds, iterations=iterations, seed=self.settings.seed + 1
        )

        def take(found: Sequence[Routes]) -> None:
            # Each set replaces the one before.
            columns = self.search.from_lines(seeder.lines(found[-1]), grade)
            if not again:
                self.latest[field.devices, grade] = columns
            elif self.search.incumbent is not None:
                self.search.take_part(field.devices, columns)

        return _Job(task, take)

    # -- rounds over the parts ----------------------------------------------------------------

    def begin_round(self) -> None:
        """Cut the present layout into parts, each round elsewhere, and let them be planned."""
        best = self.search.incumbent
        assert best is not None
        shift = SHIFTS[self.rounds % len(SHIFTS)]
        parts = parts_of_layout(self.instance, best, PART, shift)
        fair = 0.5 * self.seconds_left() * self.side / len(parts)
        seconds = min(PART_S, max(LEAST_PART_S, fair))
        self.rounds += 1
        for part in parts:
            self.waiting.append(partial(self._part_job, part, seconds))

    def _part_job(self, part: Part, seconds: float) -> _Job | None:
        left = self.seconds_left() - 0.5
        if left < 0.5 * seconds:
            return None
        settings = self.settings_beside(self.settings.seed + self.rounds, min(seconds, left))
        problem = part_problem(self.builder, part)
        task = PlanTask(problem, settings, known=(self._known(part),))

        def take(found: Sequence[Layout]) -> None:
            self.search.take_part(part.devices, columns_of(self.builder, found[-1]))

        return _Job(task, take)

    def _known(self, part: Part) -> Layout:
        """Give the segments a part has at present, and cheap ones met on the way."""
        inst, best = self.instance, self.search.incumbent
        assert best is not None
        inside = set(part.devices)
        present = [c for c in best.columns if inside.issuperset(c.devices)]
        met = [c for c in self.cheap if inside.issuperset(c.devices)][:KNOWN]
        segments = [
            Segment(
                id="",
                switch=inst.switch_ids[column.switch],
                port=0,
                grade=inst.grades[column.grade].id,
                devices=tuple(inst.device_ids[i] for i in column.devices),
                switch_index=len(column.back),
            )
            for column in dict.fromkeys(present + met)
        ]
        return Layout("", "", (), (), tuple(segments))

    # -- whole --------------------------------------------------------------------------------

    def plan(self) -> None:
        """Run all steps in order."""
        self.step("first layout")
        self.first_layout()
        is_untried = self.compact is None and CompactSearch.has_time(self.search)
        if self.cost is None and is_untried and not self.over():
            self._choose_ports()
        # The bound is proved here meanwhile, which takes a core as well.
        first = max(1, self.side - 1)
        if self.hangs_on_ports:
            self._begin_cheaper_ports(range(first))
        else:
            seconds = SEED_SHARE * self.seconds_left() * self.side / len(self.fields)
            self._begin_seeds(min(seconds, SEED_END * self.seconds_left()), again=True)
        self._prove_bound(BOUND_SHARE if self.cost is not None else PRICES_SHARE)
        if self.cost is None and not self.over():
            self.step("finding a place for every device")
            self._house_everyone()
            self._prove_bound(BOUND_SHARE)
        if self.hangs_on_ports:
            self._begin_cheaper_ports(range(first, self.side))
        self.step("planning parts")
        while True:
            self._finish(2.0**40)
            done = self.deterministic and self.rounds > (self.settings.work_limit or 0) // 10
            if self.hangs_on_ports or done or self.over() or self.search.incumbent is None:
                break
            if self.seconds_left() < LEAST_PART_S:
                break
            self.begin_round()

    def _choose_ports(self) -> None:
        """Choose a port for every device, until lines by geometry have led to a layout."""
        self.step("choosing a port for every device")
        left = self.seconds_left()
        for_miss = min(MISS_SHARE * left, MISS_PER_DEVICE_S * self.instance.n)
        stop_at = self.seconds() + left - for_miss
        if self.is_own_crew:
            self.race = Race(self, stop_at - self.seconds())
        self.compact = compact = CompactSearch(self.search)

        def over() -> bool:
            if self.crew is not None:
                self.take_in()
            if self.race is not None and (found := self.race.found()) is not None:
                self._end_race()
                self._begin_with_found(found)
            is_over = self.cost is not None or self.over() or self.seconds() >= stop_at
            return is_over or self._take_lines()

        compact.run(over)
        if not over():
            compact.run(over)
        self._end_race()
        if not self.is_put_together:
            return
        self.hangs_on_ports |= self.cost is not None
        if not self._take_nearest(compact) and self.search.incumbent is None:
            # Phase one begins with as much of a layout as there is.
            known = [*compact.columns, *self.proposals]
            self.search.master_over_pool(known, self._first_master_s(), soft=True)

    def _take_nearest(self, compact: CompactSearch) -> bool:
        """Take the nearest choice without the devices at which it fails; true if that is better."""
        if self.cost is not None or compact.nearest is None:
            return False
        found = PhaseOne(self.search).shortened(*compact.nearest, at_once=True)
        return found is not None and self.search.offer(*found)

    def _take_lines(self) -> bool:
        """Put lines by geometry together once all are there; true if few devices are left out."""
        if self.is_put_together or self.waiting or self.at_work:
            return False
        self._put_together()
        return self._leaves_out(FEW_LEFT_OUT)

    def _end_race(self) -> None:
        if self.race is not None:
            self.race.close()
            self.race = None

    def _end_searches(self) -> None:
        """End what is at work beside and have others in its place."""
        self.waiting.clear()
        self.at_work.clear()
        self.close()
        self.crew = None
        self._hire()

    def _begin_cheaper_ports(self, numbers: Iterable[int]) -> None:
        """Let ports be chosen anew for less, each from a seed of its own."""
        for k in numbers:
            self.waiting.append(partial(self._cheaper_job, self.settings.seed + k))

    def _cheaper_job(self, seed: int) -> _Job | None:
        left = self.seconds_left() - 0.5
        if left < LEAST_PART_S:
            return None
        # What is worked on here cannot be stopped meanwhile.
        seconds = min(PART_S if self.crew is None else CHEAPER_S, left)

        def take(found: Sequence[Layout]) -> None:
            selection = self._known_from(found[-1])
            assert selection is not None
            self.search.take_layout(selection)

        def again() -> None:
            if not self.deterministic:
                self.waiting.append(partial(self._cheaper_job, seed + self.side))

        return _Job(cheaper_task(self, seed, seconds), take, again)

    def _prove_bound(self, share: float) -> None:
        """Prove a bound in a share of the time left, taking in what comes from beside."""
        if self.over():
            return
        self.step("proving a bound")
        known = list(self.search.pool)[-2 * self.instance.n :]
        hand_out = None
        if self.crew is not None and self.crew.prices_regions:
            hand_out = self._region_waits
        self.cheap = self.run_bound(share * self.seconds_left(), known, self.take_in, hand_out)

    def _region_waits(
        self,
        make: Callable[[], RegionTask | None],
        take: Callable[[Found], object],
        end: Callable[[], object],
    ) -> None:
        """Let a region of the bound be priced, before all else that waits."""

        def job() -> _Job | None:
            task = make()
            return None if task is None else _Job(task, lambda found: take(found[-1]), end)

        self.waiting.appendleft(job)

    def _house_everyone(self) -> None:
        """Find places for devices left out, among cheap columns and what exchanges give."""
        near = self.basics + list(self.search.proposed)
        self.search.be_bold()
        PhaseOne(self.search).run(
            near, self.cheap, self.over,
            steps=self.instance.n if self.deterministic else None,
        )
