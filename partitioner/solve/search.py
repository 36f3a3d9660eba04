"""The search: keeps the best selection and improves it region by region through the master."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

from partitioner.model.problem import Stream
from partitioner.solve.backbone import BackboneData
from partitioner.solve.bound.duals import Duals
from partitioner.solve.columns import Column, ColumnBuilder, TooManyColumns
from partitioner.solve.cpsat import Effort
from partitioner.solve.enumeration import columns_below
from partitioner.solve.instance import Instance
from partitioner.solve.latency import SegmentLegs
from partitioner.solve.master import Choice, Master, MasterResult, Selection
from partitioner.solve.nogood import NoGood
from partitioner.solve.verify import Judge, Verdict
from partitioner.units import ceil_div


@dataclass(slots=True)
class Limits:
    """What a run may use; ``work_limit`` replaces the clock where answers must repeat."""

    seconds_left: Callable[[], float]
    workers: int
    seed: int
    should_stop: Callable[[], bool]
    work_limit: int | None

    def effort(
        self,
        seconds: float,
        over: Callable[[], bool],
        *,
        seed: int | None = None,
        counted_s: float | None = None,
        better_s: float | None = None,
    ) -> Effort:
        """What one solver run may take, of the time left so many seconds at most.

        Where work is counted, so many deterministic seconds, or ``counted_s``, whatever
        ``better_s`` is.
        """
        work = seconds if counted_s is None else counted_s
        return Effort(
            max(0.05, min(seconds, self.seconds_left())),
            self.workers,
            self.seed if seed is None else seed,
            over,
            None if self.work_limit is None else min(work, 0.1 * self.work_limit),
            better_s if self.work_limit is None else None,
        )

    def over(self) -> bool:
        """Whether to stop now."""
        return self.should_stop() or self.seconds_left() <= 0


SMALL = 60
"""Devices up to which every choice is judged by the whole analysis from the start: that is quick
enough there, and where deadlines are tight little can be found that is sure to be in time."""
MOST_LESSONS = 8
"""Choices of one neighbourhood that are refuted one after the other before it is left."""
REGION_S = 8.0
"""Most seconds of solving one region again."""
REGION_LABELS, REGION_COLUMNS = 60_000, 6_000
"""Labels of one size tried for the columns of one region, and most columns."""
REMEMBERED = 500
"""Columns of one region that are kept for later choices, cheapest first."""
HUB = 4
"""Devices it talks to that make leaving a device out dearer, at most so many times."""


Among = Sequence[tuple[frozenset[int], Column]]
"""Columns, each with its devices as a set."""


class Claim(Enum):
    """What a proof of a master run is to hold for."""

    NOTHING = "nothing"
    """No proof is wanted: guesses lead the choice, and it plays safe if the search does."""
    COLUMNS = "the columns given"
    LAYOUTS = "all layouts"
    """With cuts only that hold for every order of the lines."""


@dataclass(frozen=True, slots=True)
class Study:
    """What a study adds to a plain plan.

    Attributes
    ----------
    extend
        Adds rows or costs to every master run.
    only_watches
        ``extend`` adds nothing to a run: what is found without it counts as well.
    charge
        What the added costs come to for a selection, in objective money.
    first_only
        End at the first layout.
    helps
        The run that it helps has found no conflict, and lines by geometry to lead nowhere.
    only_cheaper
        Only make the layout to start from cheaper; nothing is proved.
    latency_limit
        See :class:`~partitioner.solve.instance.Instance`.
    """

    extend: Callable[[Master], None] | None = None
    only_watches: bool = False
    charge: Callable[[Selection], int] | None = None
    first_only: bool = False
    helps: bool = False
    only_cheaper: bool = False
    latency_limit: Callable[[Stream], int] | None = None

    def value(self, selection: Selection) -> int:
        """Plan cost and added costs of a selection."""
        return selection.cost + (self.charge(selection) if self.charge is not None else 0)


class Search:
    """State of a run: pool, best selection so far, duals that guide it.

    Parameters
    ----------
    on_better
        Called with each better selection.
    between_regions
        Called before each region of a sweep; may add to the pool and offer selections.
    """

    def __init__(
        self,
        instance: Instance,
        builder: ColumnBuilder,
        backbone: BackboneData,
        limits: Limits,
        on_better: Callable[[Selection], None],
        study: Study,
        between_regions: Callable[[], object],
    ):
        self.instance = instance
        self.builder = builder
        self.backbone = backbone
        self.limits = limits
        self.study = study
        self.pool: dict[Column, None] = {}
        """Columns seen so far, in the order they came."""
        self.incumbent: Selection | None = None
        self.incumbent_value = 2**62
        self.duals: Duals | None = None
        self.judge = Judge(builder, backbone, is_over=limits.over)
        self.refused: dict[NoGood, None] = {}
        """No-good cuts learned, each true of every layout."""
        self.guesses: dict[NoGood, None] = {}
        """Cuts that are likely, to lead the search; forgotten where it comes to rest."""
        self.plays_safe = self.instance.n > SMALL
        """Whether columns are chosen by what their legs take at most, so that a choice is sure to
        be in time; else by the least, and each choice is judged."""
        self.other_orders: dict[Column, None] = {}
        """Further orders of lines that were too long as they were, to choose from as well."""
        self.unproved: set[NoGood] = set()
        """Cuts that some order of a line not known might not be subject to."""
        self.proposed: dict[Column, None] = {}
        """Lines the heuristic proposed, the latest last."""
        self._on_better = on_better
        self.between_regions = between_regions
        self._exhausted: set[frozenset[Choice]] = set()
        """Regions in which nothing cheaper is left to be found as yet."""
        self.hubness = self._hubness()
        """How many times a device counts where as few as possible are to be left out."""
        self.penalty = self._penalties()

    def _hubness(self) -> list[int]:
        inst = self.instance
        partners = [len(inst.ends_with([i]) - {i}) for i in range(inst.n)]
        return [min(max(1, count), HUB) for count in partners]

    def _penalties(self) -> list[int]:
        """Price of leaving each device out: above anything that covering it could cost.

        That is a segment of its own, every switch and link there is, and what its presence makes
        others dearer by where latency has a price. Leaving a device out takes the deadlines of its
        streams away, so it costs more with the devices it talks to: the hub of many tight streams
        is not to be left out to save them.
        """
        inst = self.instance
        around = sum(self.backbone.switch_value(s) for s in range(inst.switch_count))
        around += sum(
            max((self.backbone.link_value(k, g) for g in link.grades), default=0)
            for k, link in enumerate(self.backbone.links)
        )
        around += self._dearest_latency()
        worst = max((p.value for p in inst.port_classes), default=0)
        worst += max((self.backbone.switch_value(s) for s in range(inst.switch_count)), default=0)
        reach = int(inst.switch_um.max(initial=0))
        for grade in range(len(inst.grades)):
            worst += inst.cable_value(grade, 2 * reach)
            worst += int(inst.phy_value[:, grade].max(initial=0))
        return [around + (4 * worst + 10_000) * times for times in self.hubness]

    def _dearest_latency(self) -> int:
        """What the legs of all streams together can be priced at in any layout, or more."""
        inst = self.instance
        if not inst.problem.objective.latency_price_per_ms_money:
            return 0
        legs = sum(1 + len(s.targets) for s in inst.streams)
        longest = max((self.builder.latency.dearest_leg_ns(g) for g in inst.line_grades), default=0)
        price = inst.problem.objective.latency_price_per_ms_money
        return legs * ceil_div(longest * price, 1_000_000)

    def _out_penalty(self, left_out: Iterable[int]) -> int:
        return sum(self.penalty[i] for i in left_out)

    def aim_at(self, study: Study) -> None:
        """Search for another study from now on: without a best selection, with all cuts learned."""
        self.study = study
        self.incumbent, self.incumbent_value = None, 2**62
        self._exhausted.clear()

    # -- incumbents ---------------------------------------------------------------------------

    def begin_with(self, selection: Selection) -> str | None:
        """Take a whole selection as the first incumbent, if it keeps all rules; else say why not.

        That takes what it takes, whatever the limits are.
        """
        master = Master(
            self.instance,
            self.backbone,
            selection.columns,
            extend=self.study.extend,
        )
        master.allow_only(selection)
        result = master.solve(Effort(2.0**20, should_stop=self.limits.should_stop))
        if result.selection is None:
            return "its segments, switches and backbone together break a rule"
        if not self.offer(selection):
            return "a stream is late, or a switch, link or pathway carries too much"
        return None

    def offer(
        self,
        selection: Selection | None,
        verdict: Verdict | None = None,
        *,
        is_near: bool = False,
    ) -> bool:
        """Take a selection as the best if it is better and holds; learn from it if it is late.

        ``verdict``: the judge's, if it was asked already. ``is_near``: it differs little from one
        that holds, and most likely holds too.
        """
        if selection is None:
            return False
        value = self.study.value(selection) + self._out_penalty(selection.left_out)
        if value >= self.incumbent_value:
            return False
        if verdict is None and is_near:
            # Near the last one judged that takes a tenth of the time.
            near = self.judge(selection, with_cuts=False)
            verdict = near if near.holds else None
        if not (verdict or self.judged(selection)).holds:
            return False
        self.incumbent, self.incumbent_value = selection, value
        self._on_better(selection)
        return True

    def judged(self, selection: Selection, *, with_cuts: bool = True) -> Verdict:
        """Ask the judge, and learn from what it says."""
        verdict = self.judge(selection, with_cuts=with_cuts)
        if not verdict.holds:
            for cut in verdict.cuts:
                self._learn(cut)
            self.guesses.update(dict.fromkeys(verdict.guesses))
        return verdict

    def _learn(self, cut: NoGood) -> None:
        """Keep a cut; where a shorter cable could escape it, make those cables known too."""
        if cut in self.refused:
            return
        self.refused[cut] = None
        if not cut.depends_on_length:
            return
        for family in cut.segments:
            if not self.instance.grades[family.grade].is_line:
                continue
            orders = self.builder.orders(family.switch, family.grade, family.devices)
            if orders is None:
                self.unproved.add(cut)
            else:
                self.other_orders.update(dict.fromkeys(orders))

    # -- master runs --------------------------------------------------------------------------

    def master_over_pool(
        self,
        columns: Sequence[Column],
        seconds: float,
        *,
        soft: bool,
        claim: Claim = Claim.NOTHING,
        full_pathways: bool = True,
        enough: Callable[[], bool] = lambda: False,
    ) -> MasterResult:
        """Run the master over columns for the whole problem, until it is done or ``enough``.

        What it chose and the judge refutes is cut off, and it is run again. Without
        ``full_pathways`` choices that overfill them are allowed as well.
        """
        is_proof = claim is not Claim.NOTHING

        def made() -> Master:
            cuts = list(self.refused)
            if claim is Claim.NOTHING:
                cuts += self.guesses
            elif claim is Claim.LAYOUTS:
                cuts = [c for c in cuts if c not in self.unproved]
            return Master(
                self.instance,
                self.backbone,
                list(dict.fromkeys([*columns, *self.other_orders])),
                penalty=self.penalty if soft else None,
                refused=cuts,
                legs=None if is_proof else self._legs(),
                full_pathways=full_pathways,
                extend=self.study.extend,
            )

        return self._solved(
            made, seconds, work=seconds, enough=enough,
            lessons=None if is_proof else 4 * MOST_LESSONS,
        )

    def master_beside(
        self,
        fixed: Sequence[Choice],
        columns: Sequence[Column],
        cover: Collection[int],
        *,
        is_soft: bool = True,
        still_out: Iterable[int] = (),
    ) -> Master:
        """Make a master that covers some devices beside what is fixed, by all that was learned."""
        return Master(
            self.instance,
            self.backbone,
            columns,
            fixed=fixed,
            cover=cover,
            penalty=self.penalty if is_soft else None,
            still_out=still_out,
            refused=[*self.refused, *self.guesses],
            legs=self._legs(),
            extend=self.study.extend,
        )

    def _legs(self) -> Callable[[Column], SegmentLegs] | None:
        """Delays that choices are made with; None for the least."""
        if not self.plays_safe:
            return None
        most = self.builder.latency.most
        return lambda column: most(column.grade, frozenset(column.devices), column.node_count)

    def be_bold(self) -> None:
        """Choose by the least delays from now on, and look at everything again."""
        self.plays_safe = False
        self.guesses.clear()
        self._exhausted.clear()

    def complete(
        self, kept: Sequence[Choice], columns: Sequence[Column], seconds: float
    ) -> bool:
        """Choose for the devices that the kept segments leave out; true if better."""
        rest = set(range(self.instance.n)).difference(*(c.column.devices for c in kept))
        before = self.incumbent_value
        self._solved(lambda: self.master_beside(kept, columns, rest), seconds)
        return self.incumbent_value < before

    def _solved(
        self,
        made: Callable[[], Master],
        seconds: float,
        *,
        work: float = 4.0,
        enough: Callable[[], bool] = lambda: False,
        lessons: int | None = MOST_LESSONS,
    ) -> MasterResult:
        """Solve a master again and again while what it chooses is refuted; offers each choice.

        ``made`` makes it anew with the cuts learned so far. It takes so many ``seconds`` in all,
        where work is counted ``work`` each time. ``lessons``: so many times at most.
        """
        ends = self.limits.seconds_left() - seconds
        for lesson in itertools.count(1):
            master = made()
            if self.incumbent is not None:
                master.hint(self.incumbent)
            result = master.solve(
                self.limits.effort(
                    self.limits.seconds_left() - ends,
                    lambda: self.limits.over() or enough(),
                    counted_s=work,
                )
            )
            before = len(self.refused)
            self.offer(result.selection)
            done = len(self.refused) == before or lesson == lessons
            is_late = self.limits.over() or self.limits.seconds_left() <= ends
            if done or is_late or enough():
                return result
        raise AssertionError

    # -- regions ------------------------------------------------------------------------------

    def distance_between(self, a: Sequence[int], b: Sequence[int]) -> int:
        """Least cable way between two sets of devices."""
        return int(self.instance.way_um(list(a), list(b)).min())

    def reduced(self, choice: Choice) -> float:
        """Reduced cost of a chosen segment under the present duals."""
        return self.present_duals.reduced(self.instance, choice.column, choice.port)

    @property
    def present_duals(self) -> Duals:
        """Those that guide the search, all zero as long as there are none."""
        return self.duals or Duals.zero(self.builder)

    def _region_around(self, seed_devices: Sequence[int], most_devices: int) -> list[int]:
        """Segments (numbers) nearest to some devices, until they hold ``most_devices``."""
        assert self.incumbent is not None
        choices = self.incumbent.choices
        distance = sorted(
            (self.distance_between(seed_devices, c.column.devices), k)
            for k, c in enumerate(choices)
        )
        picked: list[int] = []
        count = 0
        for _, k in distance:
            size = len(choices[k].column.devices)
            if picked and count + size > most_devices:
                if size > 1:
                    break
                continue
            picked.append(k)
            count += size
        return picked

    def _improve_region(
        self, picked: Sequence[int], among: Among | None, most_s: float
    ) -> bool:
        """Solve one region again, everything else as it is; true if it got better.

        The columns tried are those given with ``among``; else all that could take part in an
        improvement, as far as the duals are those of a valid bound, or those cheap under them.
        """
        assert self.incumbent is not None
        choices = [self.incumbent.choices[k] for k in picked]
        region = frozenset(choices)
        if region in self._exhausted:
            return False
        current = [c.column for c in choices]
        members = {i for c in current for i in c.devices}
        if among is not None:
            columns = [*current, *(c for devices, c in among if devices <= members)]
        else:
            columns = self._columns_of_region(choices, sorted(members))
            columns += [c for c in self.pool if members.issuperset(c.devices)]
            columns += current
        columns = list(dict.fromkeys(columns))
        if among is None:
            self.pool |= dict.fromkeys(columns[:REMEMBERED])
        seconds = min(max(0.1, self.limits.seconds_left()), most_s)
        refuted = len(self.refused)
        value = self.incumbent_value
        result = self._choose_again(picked, (), columns, seconds)
        better = self.incumbent_value < value
        if not better and len(self.refused) == refuted and (
            result.proved or result.selection is not None
        ):
            self._exhausted.add(region)
        return better

    def _columns_of_region(
        self, choices: Iterable[Choice], members: Sequence[int]
    ) -> list[Column]:
        """Columns over the devices of some segments that could make these cheaper."""
        threshold = max(1.0, sum(self.reduced(c) for c in choices))
        for _ in range(6):
            try:
                return columns_below(
                    self.builder, members, self.present_duals, threshold,
                    tells_pathways=bool(self.backbone.pathway_caps), label_limit=REGION_LABELS,
                    column_limit=REGION_COLUMNS, should_stop=self.limits.over,
                )
            except TooManyColumns:
                threshold *= 0.5
        return []

    def _choose_again(
        self, picked: Sequence[int], extra: Sequence[int], columns: Sequence[Column], seconds: float
    ) -> MasterResult:
        """Choose anew for the picked segments and some devices left out, all else as it is."""
        assert self.incumbent is not None
        choices = self.incumbent.choices
        free = set(picked)
        fixed = [c for k, c in enumerate(choices) if k not in free]
        members = {i for k in picked for i in choices[k].column.devices} | set(extra)
        still_out = [i for i in self.incumbent.left_out if i not in members]
        return self._solved(
            lambda: self.master_beside(
                fixed, columns, members, is_soft=bool(extra), still_out=still_out
            ),
            seconds,
        )

    def take_layout(self, selection: Selection) -> bool:
        """Try a layout found elsewhere, or what is cheaper of it; true if better."""
        if self.offer(selection, is_near=True):
            return True
        best = self.incumbent
        assert best is not None
        new = [c for c in selection.choices if c not in set(best.choices)]
        devices = [i for c in new for i in c.column.devices]
        return bool(new) and self.take_part(devices, [c.column for c in new])

    def take_part(self, devices: Sequence[int], columns: Sequence[Column]) -> bool:
        """Try what was planned for some devices in place of what they have; true if better."""
        assert self.incumbent is not None
        self.pool |= dict.fromkeys(columns)
        inside = set(devices)
        picked = [
            k for k, c in enumerate(self.incumbent.choices) if inside.issuperset(c.column.devices)
        ]
        out = inside.intersection(self.incumbent.left_out)
        current = [self.incumbent.choices[k].column for k in picked]
        covered = out.union(*(c.devices for c in current))
        usable = [c for c in columns if covered.issuperset(c.devices)]
        if not usable:
            return False
        before = self.incumbent_value
        self._choose_again(picked, sorted(out), list(dict.fromkeys(current + usable)), 5.0)
        return self.incumbent_value < before

    def sweep(
        self,
        most_devices: int,
        *,
        among: Among | None = None,
        ends_with_s: float = 0.0,
        most_s: float = REGION_S,
    ) -> int:
        """Go once over all segments, dearest under the duals first; counts improvements.

        Parameters
        ----------
        most_devices
            Of one region.
        among
            The only columns to try.
        ends_with_s
            Seconds that are left when it ends at the latest.
        most_s
            Seconds of one region.
        """
        gained = 0
        if self.incumbent is None:
            return 0

        def over() -> bool:
            return self.limits.over() or self.limits.seconds_left() <= ends_with_s

        order = sorted(
            self.incumbent.choices, key=lambda c: (-self.reduced(c), c.column.devices)
        )
        for choice in order:
            self.between_regions()
            if over():
                break
            assert self.incumbent is not None
            if choice not in self.incumbent.choices:
                continue
            while self._improve_region(
                self._region_around(choice.column.devices, most_devices), among, most_s
            ):
                gained += 1
                if over():
                    break
        return gained

    def from_lines(
        self, lines: Iterable[tuple[int, tuple[int, ...]]], grade: int
    ) -> list[Column]:
        """Turn lines proposed by the heuristic into columns of the pool and give these.

        They are given as switch and devices outward from it. A line that breaks a rule the
        heuristic does not know is cut into allowed pieces. What is not yet looked at when time is
        over is left.
        """
        columns: list[Column] = []
        for switch, devices in lines:
            if self.limits.over():
                break
            columns += self.builder.allowed_pieces(switch, grade, devices)
        self.pool |= dict.fromkeys(columns)
        for column in columns:
            self.proposed.pop(column, None)
            self.proposed[column] = None
        return columns
