"""One planning run: seeds, bound, master, improvement, proof, until the time or the gap is used up.

The parts run in this order, each stoppable at any time:

1. a routing heuristic proposes lines by geometry alone (in a process of its own if there is a
   second worker and there are more than a few devices) and a first master run makes them a layout
   under all rules;
2. where that is no layout, the compact model chooses ports around the devices left out, then phase
   one finds a place for them if they are few, then the compact model chooses a port for every
   device, and ports of whole regions anew for less; where it leads nowhere, phase one finds a place
   for every device, among columns of short runs of the bound;
3. column generation proves a lower bound and leaves duals and good columns behind;
4. the master chooses among all good columns;
5. regions of neighbouring segments are solved again, with every column that the duals allow, and
   where that gains nothing by the compact model;
6. when few enough columns are left that a better layout could use, the master over all of them
   proves the best layout optimal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from enum import Enum

from partitioner.errors import Conflict, NoLayout
from partitioner.solve.basic_columns import basic_columns
from partitioner.solve.bound.column_generation import SHORT_LINE
from partitioner.solve.columns import Column, TooManyColumns
from partitioner.solve.compact_search import LAST_FEW, CompactSearch
from partitioner.solve.enumeration import columns_below
from partitioner.solve.phase_one import PhaseOne
from partitioner.solve.port_regions import PortRegions
from partitioner.solve.run import PlanSettings, Run
from partitioner.solve.search import Claim
from partitioner.solve.seed_task import Routes, SeedTask
from partitioner.solve.seeds import LineSeeder
from partitioner.solve.side_process import SideProcess

POOL_RUN = 2_500
"""Most columns of one master run over the pool; more slow it down more than they help."""
PROOF_COLUMNS = 30_000
"""Most columns of a proving master run."""
WIDEST_PROOF = 0.012
"""Largest room, as a share of the cost, in which all columns are worth collecting with many
devices: those within a wider one are far too many."""
ROOMS = (1.0, 0.5, 0.25)
"""Shares of that, or of the gap, that are tried."""
FEW_COLUMNS = 8_000
"""Up to so many columns are proved over at once; with more, those within less room come first."""
MOST_WITHOUT_LAYOUT = 40
"""Devices up to which all columns are collected although no layout is known that narrows them."""
FEW_DEVICES = 16
"""Up to so many devices the routing heuristic comes to rest in a moment; more time or a process of
its own would be wasted."""
ROUNDS_PER_DEVICE = 40
"""Rounds it then gets; nearly all sets came to rest within eight."""
SHORT_SEEDS_S, SHORT_SEEDS_PER_DEVICE_S = 0.3, 0.01
"""What the heuristic takes before the first layout where it has no process of its own."""
FIRST_PRICES_S, FIRST_PRICES_PER_DEVICE_S = 0.3, 0.01
"""What the first prices of devices may take; each further try takes twice as long."""
WALK_PER_PRICES = 10
"""How many times as long as the prices before it each walk to a first layout may take."""
LAST_S, LAST_PER_DEVICE_S = 0.5, 0.01
"""What finding a place for the last few may take before ports are chosen for all devices."""
PORTS_SHARE = 0.5
"""Share of the time that choosing a port for every device may take."""
CHEAPER_SHARE = 0.4
"""Share of the time left that choosing ports anew for less may take before the bound."""
SOON_PROVED, SHORT_CHEAPER_SHARE = 48, 0.05
"""Up to so many devices it takes less: the bound often settles them in seconds."""
AFTER_BOUND_SHARE, LEAST_AFTER_BOUND_S = 0.6, 1.5
"""The same share after the bound, of more devices than those: it is seldom near enough then to be
met by all columns there are."""
PORTS_S = 3.0
"""What that may take at least where it takes turns with regions of listed segments."""
COUNTED_STEPS = 8
"""Steps of a walk to a first layout where work is counted."""
MOST_SWITCHES = 8
"""Nearest switches a device is tried at alone."""


class _Proof(Enum):
    """How a proof over all columns within some room ended."""

    DONE = "done"
    CHEAPER = "cheaper"
    """Cut short by a cheaper layout, which narrows the room."""
    GIVEN_UP = "given up"
    """Time is short, or the columns are too many."""


class DirectRun(Run):
    """A run over all devices at once."""

    def _set_up(self) -> None:
        self.waiting_seeds: list[tuple[int, float]] = []
        self.seeding: tuple[LineSeeder, SideProcess] | None = None
        self.newest = 0
        self._last_poll = 0.0
        self._polls = 0
        self.basics: list[Column] = []
        self.hopeless_room = {False: 2.0**62, True: 2.0**62}
        """Room with too many columns, without and with those for full pathways."""
        self.proposals = 400 + self.instance.n
        self.phase_one = PhaseOne(self.search)
        self.compact: CompactSearch | None = None
        self.port_regions: PortRegions | None = None

    # -- seeds --------------------------------------------------------------------------------

    @property
    def is_small(self) -> bool:
        """Whether there are only a few devices."""
        return self.instance.n <= FEW_DEVICES

    @property
    def seeds_have_process(self) -> bool:
        """Whether the heuristic has a process of its own."""
        return self.has_workers_beside(self.instance.n, self.settings)

    @staticmethod
    def has_workers_beside(devices: int, settings: PlanSettings) -> bool:
        """Whether a run over so many devices has processes beside it."""
        return settings.workers > 1 and settings.work_limit is None and devices > FEW_DEVICES

    def start_seeds(self, *, short: bool = False) -> None:
        """Start the heuristic on the lines of each line grade; ``short``: for a first layout."""
        inst = self.instance
        beside = self.seeds_have_process
        for grade in inst.line_grades:
            if not inst.can[:, grade].any():
                continue
            seconds = (0.1 if self.given else 0.25) * self.seconds_left()
            if short:
                seconds = min(seconds, SHORT_SEEDS_S + SHORT_SEEDS_PER_DEVICE_S * inst.n)
            if beside:
                # Regions of long lines are hardly improved any other way.
                most = 0.93 * self.seconds_left()
                long = inst.grades[grade].max_devices > SHORT_LINE
                seconds = most if long else min(0.75 * self.seconds_left() + 3.0, most)
            self.waiting_seeds.append((grade, seconds))
        if beside:
            self._next_seed()
            return
        while self.waiting_seeds and not self.limits.over():
            if (made := self._seed_task()) is not None:
                seeder, task = made
                found: list[Routes] = []
                task.run(found.append)
                self._take_routes(seeder, found[-8:])

    def _take_routes(self, seeder: LineSeeder, found: Iterable[Routes]) -> None:
        for routes in found:
            self.search.from_lines(seeder.lines(routes), seeder.grade)
            self.newest = len(routes)

    def _seed_task(self) -> tuple[LineSeeder, SeedTask] | None:
        grade, seconds = self.waiting_seeds.pop(0)
        ports = {p: c.count for p, c in enumerate(self.instance.port_classes)}
        seeder = LineSeeder(self.builder, grade, range(self.instance.n), ports)
        if not seeder.usable:
            return None
        iterations = None
        if self.settings.work_limit is not None:
            iterations = 40 * self.settings.work_limit
        if self.is_small:
            iterations = min(iterations or 2**30, ROUNDS_PER_DEVICE * len(seeder.members))
        task = seeder.task(
            seconds=max(0.2, seconds), iterations=iterations, seed=self.settings.seed + 1
        )
        return seeder, task

    def _next_seed(self) -> None:
        while self.waiting_seeds and not self.should_stop():
            if (made := self._seed_task()) is not None:
                seeder, task = made
                self.seeding = (seeder, SideProcess(task, self.should_stop))
                return

    @property
    def seeds_running(self) -> bool:
        """Whether the heuristic is still at work beside."""
        return self.seeding is not None

    def poll_seeds(self, wait_s: float = 0.0) -> bool:
        """Take in what the heuristic has found; true if there was anything."""
        if self.seeding is None:
            return False
        seeder, process = self.seeding
        before = len(self.search.pool)
        self._take_routes(seeder, process.poll(wait_s))
        if not process.running:
            process.close()
            self.seeding = None
            self._next_seed()
        return len(self.search.pool) > before

    def take_in(self) -> bool:
        """Take in what the heuristic has found, at most once a second; true if it was better."""
        if self.seeding is None or self.seconds() - self._last_poll < 1.0:
            return False
        self._last_poll = self.seconds()
        before = self.search.incumbent_value
        if self.poll_seeds():
            self._quick_master(1.0, newest_only=self.cost is not None)
        return self.search.incumbent_value < before

    def close(self) -> None:
        """End the process beside."""
        self._end_seeds()

    def _end_seeds(self) -> None:
        self.waiting_seeds.clear()
        if self.seeding is not None:
            self.seeding[1].close()
            self.seeding = None

    # -- parts --------------------------------------------------------------------------------

    def first_layout(self) -> None:
        """Make the first proposals a layout, or as much of one as they allow."""
        self.basics = basic_columns(self.builder, MOST_SWITCHES) + self.given
        self.search.pool |= dict.fromkeys(self.basics)
        if self.study.helps:
            return
        while self.seeds_running and not self.limits.over():
            if self.poll_seeds(0.1):
                break
        # Proposals that fit together as they are make a layout at once.
        self._quick_master(1.0, newest_only=True)

    def _quick_master(self, seconds: float, *, newest_only: bool = False) -> None:
        """Run the master over what is sure to be needed and what was proposed last.

        With ``newest_only`` just the present layout and about as many new lines, besides what
        devices on none of them need: a tiny model.
        """
        best = self.search.incumbent
        kept = [] if best is None else best.columns
        if newest_only:
            columns = kept + self._proposed(max(len(kept), self.newest) + 5)
            covered = {i for c in columns for i in c.devices}
            columns += [c for c in self.basics if covered.isdisjoint(c.devices)]
            columns += self.given
            columns = list(dict.fromkeys(columns))
        else:
            columns = list(dict.fromkeys(kept + self.basics + self._proposed(self.proposals)))
        self.search.master_over_pool(columns, min(seconds, self.seconds_left()), soft=True)

    def _good_columns(self, most: int) -> list[Column]:
        """Columns of least reduced cost in the pool, the present layout's among them."""
        best = self.search.incumbent
        kept = [] if best is None else best.columns
        if self.cost is None:
            kept += self.basics + self._proposed(self.proposals)
        return list(dict.fromkeys(kept + self._cheapest(most)))

    def _cheapest(self, most: int) -> list[Column]:
        """Columns of the pool, those of least reduced cost first."""
        columns = list(self.search.pool)
        duals = self.search.present_duals
        score = sorted((duals.reduced(self.instance, c), k) for k, c in enumerate(columns))
        return [columns[k] for _, k in score[:most]]

    def _proposed(self, most: int) -> list[Column]:
        return list(self.search.proposed)[-most:]

    def prove_bound(self, seconds: float) -> None:
        """Prove a bound, taking in proposals of the heuristic on the way."""
        self.step("proving a bound")
        known = list(self.search.pool)[-2_000:]
        met = self.run_bound(seconds, known, self._take_in_for_bound)
        self.search.pool |= dict.fromkeys(met)

    def _take_in_for_bound(self) -> None:
        """Take in proposals, now and then with all those before them."""
        now = self.seconds()
        if now - self._last_poll <= 1.0:
            return
        self._last_poll = now
        if self.poll_seeds():
            self._polls += 1
            newest = self.cost is not None and self._polls % 8 != 0
            self._quick_master(0.7 if self.cost is not None else 3.0, newest_only=newest)
            self._last_poll = self.seconds()

    def choose_among_pool(self, seconds: float) -> None:
        """Let the master choose among the best columns of the pool, then among more of them.

        Few columns of small reduced cost are chosen among quickly and well; what they give then
        guides the choice among more.
        """
        best = self.search.incumbent
        soft = best is None or bool(best.left_out)
        stop_at = self.seconds() + seconds
        most = POOL_RUN // 5
        while not self.over():
            columns = self._good_columns(min(POOL_RUN, most))
            left = min(stop_at - self.seconds(), self.seconds_left())
            if self.deterministic:
                left = seconds
            if left <= 0.2:
                return
            result = self.search.master_over_pool(
                columns, left if most >= POOL_RUN else 0.4 * left, soft=soft
            )
            if most >= POOL_RUN or len(columns) < most or (not result.proved and not soft):
                return
            soft = soft and self.cost is None
            most *= 2

    def prove_by_enumeration(self) -> None:
        """Collect every column that a layout below the bound sought could use, and choose.

        That bound is the cost of the best layout, which settles the run, or what is enough of it;
        where the columns are too many for that, one nearer to what the duals prove.
        """
        cost = self.cost
        if self.search.duals is None or (cost is None and self.instance.n > MOST_WITHOUT_LAYOUT):
            return
        # Without capped pathways the labels of the bound find all that matters, and quicker.
        ways = (False, True) if self.backbone.pathway_caps else (False,)
        for every_pathway in ways if cost is not None else (True,):
            ending = _Proof.CHEAPER
            while ending is _Proof.CHEAPER and not self.over():
                ending = self._prove_from_below(every_pathway)
            if self.proved or ending is not _Proof.DONE:
                return

    def _prove_from_below(self, every_pathway: bool) -> _Proof:
        """Collect columns within less and less room until they are few, then prove upwards."""
        collected: list[tuple[float, list[Column]]] = []
        for share in ROOMS:
            room = self._room(share)
            if room <= self.bound - self.dual_bound:
                # As much is proved already.
                break
            if room < self.hopeless_room[every_pathway]:
                try:
                    columns = self._columns_within(room, every_pathway)
                except TooManyColumns:
                    if self.over():
                        return _Proof.GIVEN_UP
                    self.hopeless_room[every_pathway] = room
                    continue
                collected.append((room, columns))
                if len(columns) <= FEW_COLUMNS:
                    break
        for room, columns in reversed(collected):
            if self.over():
                return _Proof.GIVEN_UP
            ending = self._prove_over(room, columns, every_pathway)
            if self.proved or ending is not _Proof.DONE:
                return ending
        return _Proof.DONE if collected else _Proof.GIVEN_UP

    def _columns_within(self, room: float, every_pathway: bool) -> list[Column]:
        """All columns of so little reduced cost that matter."""
        assert self.search.duals is not None
        return columns_below(
            self.builder, range(self.instance.n), self.search.duals, room,
            tells_pathways=every_pathway,
            label_limit=max(20_000, 12_000_000 // max(60, self.instance.n)),
            column_limit=PROOF_COLUMNS, should_stop=self.limits.over,
        )

    def _room(self, share: float) -> float:
        """How far above what the duals prove the bound sought is, or a share of that.

        What columns a better layout can use is told by the duals and what they prove; a bound
        known from elsewhere says nothing about reduced costs.
        """
        cost = self.cost
        if cost is None:
            return 2.0**60
        room = float(self.enough_bound() - self.dual_bound)
        if self.instance.n > 60:
            room = min(room, WIDEST_PROOF * cost)
        return share * room

    def _cheaper_came(self, cost: int | None) -> bool:
        """Whether the heuristic has just found a layout for less than ``cost``."""
        if not self.take_in():
            return False
        now = self.cost
        return now is not None and (cost is None or now < cost)

    def _prove_over(self, room: float, columns: list[Column], every_pathway: bool) -> _Proof:
        """Run the master over all columns within ``room``; it may prove what they come to.

        Whatever uses another column costs more than what the duals prove and the room together.

        With ``every_pathway`` columns that only a full pathway would make worth it are there too,
        and the caps count; without, both are left out, which can only make it cheaper.
        """
        cost = self.cost
        if cost is not None and room >= cost - self.dual_bound:
            # The best layout is one of those asked about: a start for the master. If less is
            # asked, its columns would only hide what is certain about the others.
            best = self.search.incumbent
            assert best is not None
            columns = list(dict.fromkeys(best.columns + columns))
        seconds = self.seconds_left()
        if not self.deterministic and (self.seeds_running or room > WIDEST_PROOF * (cost or 1)):
            seconds *= 0.5
        cheaper = False

        def enough() -> bool:
            nonlocal cheaper
            cheaper = cheaper or self._cheaper_came(cost)
            return cheaper

        result = self.search.master_over_pool(
            columns, seconds, soft=False, full_pathways=every_pathway, enough=enough,
            claim=Claim.LAYOUTS,
        )
        if result.proved and result.selection is None and cost is None and self.cost is None:
            raise NoLayout(
                [
                    Conflict(
                        "combination",
                        (),
                        "Every device fits on some segment, but no choice of segments keeps all "
                        "rules at once.",
                    )
                ]
            )
        bound = result.bound
        if result.proved and result.selection is None:
            # Every layout uses a column beyond the room.
            bound = self.dual_bound + int(room)
        if bound is not None:
            self.on_bound(
                min(bound, self.cost or bound, self.dual_bound + int(room)),
                f"{self.bound_source}, then all columns within the gap",
            )
        self.proved = self.settled()
        if cheaper and not self.proved:
            return _Proof.CHEAPER
        return _Proof.DONE if result.proved else _Proof.GIVEN_UP

    # -- whole --------------------------------------------------------------------------------

    def plan(self) -> None:
        """Run all parts in order."""
        if self.study.only_cheaper:
            self.search.be_bold()
            self._cheaper_ports(self.seconds_left())
            return
        self.step("first layout")
        in_two_steps = not self.seeds_have_process and not self.deterministic and not self.is_small
        if not self.study.helps:
            self.start_seeds(short=in_two_steps)
        self.first_layout()
        share = 1.0 if self.study.helps else PORTS_SHARE
        self._choose_ports(share * self.settings.time_limit_s)
        self._layout_by_prices()
        if self.compact is not None:
            # Lines by geometry are of little use: no time is taken for them.
            self._go_on_from_ports()
        elif in_two_steps and not self.over():
            self.step("trying lines of devices that are near")
            self.start_seeds()
            self._quick_master(2.0, newest_only=True)
        if not self.over():
            self.prove_bound(0.7 * self.seconds_left())
        self._cheaper_ports_after_bound(AFTER_BOUND_SHARE)
        if not self.over():
            self.step("choosing among the segments found")
            self.choose_among_pool(0.25 * self.settings.time_limit_s)
        if self.cost is None:
            self._find_layout(0.1 * self.settings.time_limit_s)
        if not self.over():
            self.step("proving the layout")
            self.prove_by_enumeration()
        self._cheaper_ports_after_bound(1.0)
        self.improve()

    def _go_on_from_ports(self) -> None:
        """Improve a layout of the compact model, where the bound can wait for that."""
        is_soon_proved = self.instance.n <= SOON_PROVED
        share = SHORT_CHEAPER_SHARE if is_soon_proved else CHEAPER_SHARE
        self._cheaper_ports(share * self.seconds_left())
        if self.seeds_have_process:
            self.start_seeds()

    def _choose_ports(self, seconds: float) -> None:
        """Choose a port for every device, where proposals by geometry are no layout."""
        if self.cost is not None or self.over():
            return
        self.step("choosing a port for every device")
        if not CompactSearch.has_time(self.search):
            return
        # Lines by geometry have not led to a layout, and what looks for them takes a core.
        self._end_seeds()
        self.compact = CompactSearch(self.search)
        over = self._at(seconds)
        if not self.compact.mends(over) and not self._place_the_last(over):
            self.compact.chooses_for_all(over)

    def _place_the_last(self, over: Callable[[], bool]) -> bool:
        """Find a place for the devices that proposals by geometry leave out, if they are few.

        Where length is what binds that takes a moment, and ports chosen without a view of lengths
        lead to lines that are too long.
        """
        best = self.search.incumbent
        if best is None or over() or len(best.left_out) > LAST_FEW * self.instance.n:
            return False
        is_late = self._at(LAST_S + LAST_PER_DEVICE_S * self.instance.n)
        return self.phase_one.run(
            self.basics, self._proposed(self.proposals), lambda: over() or is_late(),
            steps=COUNTED_STEPS if self.deterministic else None,
        )

    def _cheaper_ports(self, seconds: float) -> bool:
        """Choose the ports of regions anew, for so long; true if that is cheaper."""
        if self.cost is None or self.over():
            return False
        self.step("choosing ports anew for less")
        if self.port_regions is None:
            self.port_regions = PortRegions(self.search)
        return self.port_regions.run(self._at(seconds), 1 if self.deterministic else None)

    def _cheaper_ports_after_bound(self, share: float) -> None:
        """Choose so of many devices in a share of the time left, if that is more than it overruns.

        Regions of listed segments gain little where a choice of ports has led to the layout.
        """
        seconds = share * self.seconds_left()
        is_by_ports = self.compact is not None and self.instance.n > SOON_PROVED
        if is_by_ports and not self.deterministic and seconds >= LEAST_AFTER_BOUND_S:
            self._cheaper_ports(seconds)

    def _layout_by_prices(self) -> None:
        """Let prices of devices, better ones with every try, lead to a first layout.

        Rules that no geometry shows are what keeps the proposals from being a layout; the prices
        of the bound know most of them, and its lines fit together.
        """
        n = self.instance.n
        seconds = FIRST_PRICES_S + FIRST_PRICES_PER_DEVICE_S * n * max(1.0, n / 100)
        while self.cost is None and not self.over():
            before = len(self.search.pool)
            self.prove_bound(min(seconds, 0.5 * self.seconds_left()))
            self._find_layout(2.0 + WALK_PER_PRICES * seconds)
            seconds *= 2
            if self.deterministic or len(self.search.pool) == before:
                return

    def _find_layout(self, seconds: float) -> None:
        """Find a home for every device: where all is sure to be in time, then where it may be."""
        self.step("finding a place for every device")
        chosen = [] if self.compact is None else self.compact.columns
        for is_bold in (False, True):
            if not is_bold and not self.search.plays_safe:
                continue
            if self.cost is not None or self.over():
                return
            if is_bold:
                self.search.be_bold()
            steps = COUNTED_STEPS if self.deterministic else None
            self.phase_one.run(
                self.basics, [*chosen, *self._cheapest(POOL_RUN)], self._at(seconds),
                steps=steps if is_bold else 0,
            )

    def _at(self, seconds: float) -> Callable[[], bool]:
        """Say whether so many seconds from now, or the run, are over."""
        if self.deterministic:
            return self.over
        ends = self.seconds() + seconds
        return lambda: self.over() or self.seconds() >= ends

    def improve(self) -> None:
        """Solve regions again, larger ones each time nothing is gained, until time is up.

        Where listed segments lead no further, ports are chosen anew for all of what is left.
        """
        size, rounds = 16, 0
        while not self.over() and not self.proved and self.search.incumbent is not None:
            rounds += 1
            if self.deterministic and rounds > (self.settings.work_limit or 0) // 10:
                break
            self.step("improving the layout part by part")
            begun = self.seconds()
            gained = self.search.sweep(size)
            self.take_in()
            if not gained and not self.deterministic:
                gained = self._cheaper_ports(max(PORTS_S, self.seconds() - begun))
            if gained:
                self.prove_by_enumeration()
                continue
            size = int(size * 1.35)
            if size > self.instance.n + 16 and self.search.plays_safe:
                self.search.be_bold()
                size = 16
            if size <= 2 * self.instance.n + 16:
                continue
            if self.seeds_running:
                if self.poll_seeds(0.5):
                    self._quick_master(3.0)
            elif self.deterministic or self.cost is None:
                break
