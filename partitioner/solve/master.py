"""The restricted master: CP-SAT chooses among columns under all rules of more than one segment.

One method per rule, its sentence as docstring. Rules that one segment can break on its own are
kept by :class:`~partitioner.solve.columns.ColumnBuilder` and do not appear here.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from ortools.sat.python import cp_model

from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column
from partitioner.solve.cpsat import CpResult, Effort, Model, run
from partitioner.solve.instance import Delivery, Instance
from partitioner.solve.latency import SegmentLegs
from partitioner.solve.nogood import NoGood, SegmentFamily

Expr = cp_model.LinearExpr
Term = tuple[Expr | None, int]
"""Whether a column is picked (None: it is for certain), and the ns of a leg on it."""
Terms = Mapping[int, Sequence[Term]]
"""Legs that one end of a stream may have, by switch."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A column hung on a port class."""

    column: Column
    port: int


@dataclass(frozen=True, slots=True)
class Selection:
    """What a master run chose: segments with their port classes, open switches, backbone."""

    choices: tuple[Choice, ...]
    open_switches: tuple[int, ...]
    backbone: tuple[tuple[int, str], ...]
    """(index of the listed link, grade)."""
    cost: int
    """Objective money, without any penalty for devices left out."""
    left_out: tuple[int, ...] = ()
    """Devices on no segment: not yet a layout, but something to mend."""

    @property
    def columns(self) -> list[Column]:
        """Its segments without their ports."""
        return [c.column for c in self.choices]


@dataclass(frozen=True, slots=True)
class MasterResult:
    """``selection`` is None if none was found; ``bound`` holds for the columns given only."""

    selection: Selection | None
    proved: bool
    bound: int | None


class Master:
    """The choice among columns as a CP-SAT model.

    Parameters
    ----------
    columns
        Candidate segments.
    fixed
        Segments that are chosen already (large-neighbourhood search keeps them as they are).
    cover
        Devices that must be covered by ``columns``; all others are covered by ``fixed``.
    penalty
        By device: if given, it may be left out at this price, the way to a first layout.
    still_out
        Devices that stay left out whatever is chosen here.
    refused
        What must not come together.
    legs
        Delays to plan with in place of the least ones, by column.
    full_pathways
        Whether pathways may be too full to take a segment; without, the master is a relaxation.
    extend
        Called with the finished master to add rows or costs of a study (:meth:`pay`).
    """

    def __init__(
        self,
        instance: Instance,
        backbone: BackboneData,
        columns: Sequence[Column],
        fixed: Sequence[Choice] = (),
        cover: Iterable[int] | None = None,
        penalty: Sequence[int] | None = None,
        still_out: Iterable[int] = (),
        refused: Iterable[NoGood] = (),
        legs: Callable[[Column], SegmentLegs] | None = None,
        full_pathways: bool = True,
        extend: Callable[[Master], None] | None = None,
    ):
        self.instance = instance
        self.backbone = backbone
        self.columns = list(columns)
        self.fixed = list(fixed)
        self.cover = list(range(instance.n)) if cover is None else sorted(cover)
        self.penalty = penalty
        self._legs: Callable[[Column], Column | SegmentLegs] = legs or (lambda column: column)
        self.still_out = tuple(still_out)
        self.model = Model()
        self._port_used: dict[int, list[cp_model.IntVar]] = defaultdict(list)
        self.cost_terms: list[cp_model.IntVar] = []
        self.cost_weights: list[int] = []
        self.cost_constant = 0
        self.pick: list[dict[int, cp_model.IntVar]] = []
        self.opened: list[cp_model.IntVar] = []
        self.link_built: dict[tuple[int, str], cp_model.IntVar] = {}
        self._pick_any: list[Expr] = []
        self.hinters: list[Callable[[Selection], None]] = []
        """Called by :meth:`hint`, for the variables that a study adds."""
        self._make_variables()
        self._each_device_in_one_segment()
        self._ports_suffice()
        self._apart_groups_keep_switches_apart()
        self._no_switch_carries_too_many_of_a_failure_group()
        if full_pathways:
            self._pathways_hold_the_cables()
        self._backbone_has_its_shape()
        self.deliveries = list(self._legs_of_deliveries())
        """(Stream, legs of its source, legs of one destination) that it may have here."""
        self._deadlines_hold_end_to_end()
        self._what_was_refuted_does_not_return(refused)
        if extend is not None:
            extend(self)

    # -- variables ----------------------------------------------------------------------------

    def _make_variables(self) -> None:
        inst, model = self.instance, self.model
        always = inst.always_open.union(c.column.switch for c in self.fixed)
        for s, switch in enumerate(inst.switch_ids):
            opened = model.new_bool_var(f"open[{switch}]")
            if s in always:
                model.add(opened == 1)
            self.opened.append(opened)
            self.pay(opened, self.backbone.switch_value(s))
        for k, column in enumerate(self.columns):
            ports = inst.ports_of.get((column.switch, column.grade), [])
            picks = {p: model.new_bool_var(f"seg[{k},{p}]") for p in ports}
            self.pick.append(picks)
            for p, var in picks.items():
                self._port_used[p].append(var)
                self.pay(var, column.cost + inst.port_classes[p].value)
            self._pick_any.append(
                next(iter(picks.values())) if len(picks) == 1 else Expr.sum(list(picks.values()))
            )
        for choice in self.fixed:
            self.cost_constant += choice.column.cost + inst.port_classes[choice.port].value
        for index, link in enumerate(self.backbone.links):
            for grade in link.grades:
                built = model.new_bool_var(f"link[{index},{grade}]")
                self.link_built[index, grade] = built
                self.pay(built, self.backbone.link_value(index, grade))

    def pay(self, var: cp_model.IntVar, amount: int) -> None:
        """Make a variable cost ``amount`` of objective money a unit."""
        self.cost_terms.append(var)
        self.cost_weights.append(amount)

    def chosen(self, columns: Iterable[int]) -> Expr:
        """Give the number of the numbered columns that are picked, as an expression."""
        return Expr.sum([self._pick_any[k] for k in columns])

    # -- rules --------------------------------------------------------------------------------

    def _each_device_in_one_segment(self) -> None:
        """Each device is on exactly one segment."""
        on: dict[int, list[cp_model.IntVar]] = {i: [] for i in self.cover}
        for k, column in enumerate(self.columns):
            for i in column.devices:
                on[i].extend(self.pick[k].values())
        self.left_out: dict[int, cp_model.IntVar] = {}
        for i in self.cover:
            if self.penalty is not None:
                self.left_out[i] = self.model.new_bool_var(f"out[{i}]")
                self.pay(self.left_out[i], self.penalty[i])
                on[i].append(self.left_out[i])
            self.model.add_exactly_one(on[i])

    def _ports_suffice(self) -> None:
        """A switch has at most as many segments of a port group as it has ports, if open."""
        inst = self.instance
        group_of: dict[tuple[int, int], list[int]] = defaultdict(list)
        for p, port in enumerate(inst.port_classes):
            group_of[port.switch, port.group].append(p)
        taken: dict[int, int] = defaultdict(int)
        for choice in self.fixed:
            taken[choice.port] += 1
        for (s, _), ports in group_of.items():
            used = [v for p in ports for v in self._port_used[p]]
            count = inst.port_classes[ports[0]].count
            if used:
                fixed = sum(taken[p] for p in ports)
                self.model.add(Expr.sum(used) + fixed <= count * self.opened[s])

    def _apart_groups_keep_switches_apart(self) -> None:
        """No two devices of an apart-switch group hang on one switch."""
        for members in self.instance.apart_switch:
            self._cap_per_switch(members, 1)

    def _no_switch_carries_too_many_of_a_failure_group(self) -> None:
        """Losing one switch loses at most as many of a set as its failure rule allows."""
        for members, cap in self.instance.loss_caps:
            self._cap_per_switch(members, cap)

    def _cap_per_switch(self, members: Sequence[int], cap: int) -> None:
        inside = set(members)
        per_switch: dict[int, tuple[list[Expr], list[int]]] = defaultdict(lambda: ([], []))
        for k, column in enumerate(self.columns):
            count = sum(i in inside for i in column.devices)
            if count:
                variables, weights = per_switch[column.switch]
                variables.append(self._pick_any[k])
                weights.append(count)
        fixed = Counter(
            c.column.switch for c in self.fixed for i in c.column.devices if i in inside
        )
        # What is fixed may be too much by itself, where no column adds to it.
        for s in dict.fromkeys([*per_switch, *(s for s in fixed if fixed[s] > cap)]):
            variables, weights = per_switch[s]
            self.model.add(Expr.weighted_sum(variables, weights) <= cap - fixed[s])

    def _pathways_hold_the_cables(self) -> None:
        """No more segments and backbone links run through a pathway than fit."""
        caps = self.backbone.pathway_caps
        if not caps:
            return
        through: dict[str, list[Expr]] = {p: [] for p in caps}
        fixed: dict[str, int] = defaultdict(int)
        for k, column in enumerate(self.columns):
            for pathway in self.backbone.passes(column):
                through[pathway].append(self._pick_any[k])
        for choice in self.fixed:
            for pathway in self.backbone.passes(choice.column):
                fixed[pathway] += 1
        for (index, _), built in self.link_built.items():
            for pathway in self.backbone.link_passes(index):
                through[pathway].append(built)
        for pathway, cap in caps.items():
            if len(through[pathway]) + fixed[pathway] > cap:
                self.model.add(Expr.sum(through[pathway]) <= cap - fixed[pathway])

    def _backbone_has_its_shape(self) -> None:
        """The links between open switches form the shape asked for, each of one grade."""
        self.backbone.add_shape(self.model, self.opened, self.link_built)

    def _deadlines_hold_end_to_end(self) -> None:
        """The legs of a stream on its two segments and the hops between add up to its deadline.

        For a sender at switch s and a receiver at switch t the sum may use what the deadline
        leaves after the least delay from s to t. Rows that no pair of columns can break are left
        out.
        """
        for stream, source_terms, target_terms in self.deliveries:
            hop_ns = self.backbone.hop_function(stream)
            deadline_ns = self.instance.streams[stream].limit_ns
            longest = {t: max(ns for _, ns in downs) for t, downs in target_terms.items()}
            for s, ups in source_terms.items():
                high_up = max(ns for _, ns in ups)
                for t, high_down in longest.items():
                    room = deadline_ns - hop_ns(s, t)
                    if high_up + high_down > room:
                        self._pair_row(ups, high_up, target_terms[t], high_down, room)

    def _what_was_refuted_does_not_return(self, refused: Iterable[NoGood]) -> None:
        """Choices that were shown to break a rule together do not come together again."""
        refused = list(refused)
        if not refused:
            return
        at: dict[tuple[int, int], list[Expr]] = defaultdict(list)
        over: dict[tuple[int, int, frozenset[int]], list[int]] = defaultdict(list)
        for k, column in enumerate(self.columns):
            for i in column.devices:
                at[i, column.switch].append(self._pick_any[k])
            over[column.segment].append(k)
        sure = {(i, c.column.switch) for c in self.fixed for i in c.column.devices}
        sure_over: dict[tuple[int, int, frozenset[int]], list[Column]] = defaultdict(list)
        for choice in self.fixed:
            sure_over[choice.column.segment].append(choice.column)
        for bad in refused:
            self._not_together(bad, at, over, sure, sure_over)

    def _not_together(
        self,
        bad: NoGood,
        at: Mapping[tuple[int, int], Sequence[Expr]],
        over: Mapping[tuple[int, int, frozenset[int]], list[int]],
        sure: Collection[tuple[int, int]],
        sure_over: Mapping[tuple[int, int, frozenset[int]], list[Column]],
    ) -> None:
        """At least one of the conditions of a no-good does not hold."""
        conditions: list[Expr] = []
        for pair in bad.homes:
            if pair in sure:
                continue
            if pair not in at:
                return
            conditions.append(Expr.sum(at[pair]))
        for family in bad.segments:
            key = family.switch, family.grade, family.devices
            if any(_belongs(c, family) for c in sure_over.get(key, ())):
                continue
            members = [
                self._pick_any[k] for k in over.get(key, ()) if _belongs(self.columns[k], family)
            ]
            if not members:
                return
            conditions.append(Expr.sum(members))
        for index, grades in bad.built:
            conditions.append(Expr.sum([self.link_built[index, g] for g in grades]))
        for index in bad.absent:
            grades = self.backbone.links[index].grades
            if grades:
                conditions.append(1 - Expr.sum([self.link_built[index, g] for g in grades]))
        self.model.add(sum(conditions) <= len(conditions) - 1)

    def _pair_row(
        self, ups: Sequence[Term], high_up: int, downs: Sequence[Term], high_down: int, room: int
    ) -> None:
        """If both ends are at these switches, their two legs together take at most ``room``.

        ``high_up``, ``high_down``: the longest leg of each end.
        """
        # Each end alone must not make the row bind when the other end is elsewhere.
        free_up, free_down = max(0, high_down - room), max(0, high_up - room)
        variables, weights = [], []
        constant = 0
        for terms, lift in ((ups, free_up), (downs, free_down)):
            for var, ns in terms:
                if var is None:
                    constant += ns + lift
                else:
                    variables.append(var)
                    weights.append(ns + lift)
        self.model.add(
            Expr.weighted_sum(variables, weights) <= room + free_up + free_down - constant
        )

    def _legs_of_deliveries(self) -> Iterator[tuple[int, Terms, Terms]]:
        """Give per (stream, destination) the legs its two ends may have, by switch.

        Yields (stream, source terms, target terms): terms map a switch to a list of (picked
        variable, ns); None in place of a variable stands for what is certain.
        """
        up: dict[Delivery, dict[int, list[Term]]] = defaultdict(lambda: defaultdict(list))
        down: dict[tuple[int, int], dict[int, list[Term]]] = defaultdict(lambda: defaultdict(list))
        everything: list[tuple[Column, Expr | None]] = [
            *((c, self._pick_any[k]) for k, c in enumerate(self.columns)),
            *((c.column, None) for c in self.fixed),
        ]
        inst = self.instance
        for column, var in everything:
            members = set(column.devices)
            legs = self._legs(column)
            for stream, ns in legs.up:
                for target in inst.streams[stream].targets:
                    if target.device is None or target.device not in members:
                        up[stream, target.key][column.switch].append((var, ns))
            for (stream, device), ns in legs.down:
                down[stream, device][column.switch].append((var, ns))
        for stream, data in enumerate(inst.streams):
            for target in data.targets:
                ups: Terms | None = (
                    {data.source_switch: [(None, 0)]}
                    if data.source_device is None
                    else up.get((stream, target.key))
                )
                downs: Terms | None = (
                    {target.switch: [(None, 0)]}
                    if target.device is None
                    else down.get((stream, target.device))
                )
                if ups and downs:
                    yield stream, ups, downs

    # -- solving ------------------------------------------------------------------------------

    def cost_expression(self) -> Expr:
        """Give the whole objective as an expression, without the constant of fixed segments."""
        return Expr.weighted_sum(self.cost_terms, self.cost_weights)

    def left_out_expression(self, weights: Sequence[int]) -> Expr:
        """Give the number of devices left out, each counted so many times, as an expression."""
        out = self.left_out
        return Expr.weighted_sum(list(out.values()), [weights[i] for i in out])

    def hint(self, selection: Selection) -> None:
        """Suggest a selection; complete hints only, so nothing is done if a column is missing."""
        values = self._values(selection)
        if values is None:
            return
        self.model.clear_hints()
        for var, value in values:
            self.model.add_hint(var, value)
        for hinter in self.hinters:
            hinter(selection)

    def allow_only(self, selection: Selection) -> None:
        """Leave no choice but a selection, whose columns must all be here."""
        values = self._values(selection)
        if values is None:
            raise ValueError("a column of the selection is missing")
        for var, value in values:
            self.model.add(var == value)

    def build_only(self, links: Mapping[int, str]) -> None:
        """Leave out every backbone link but those numbered, each in the grade given."""
        for (index, grade), built in self.link_built.items():
            if links.get(index) != grade:
                self.model.add(built == 0)

    def _values(self, selection: Selection) -> list[tuple[cp_model.IntVar, int]] | None:
        """Each variable with what it is in a selection; None if a column is missing."""
        number = {c: k for k, c in enumerate(self.columns)}
        fixed = set(self.fixed)
        wanted: set[tuple[int, int]] = set()
        for choice in selection.choices:
            k = number.get(choice.column)
            if k is not None:
                wanted.add((k, choice.port))
            elif choice not in fixed:
                return None
        built = set(selection.backbone)
        return [
            *(
                (var, int((k, p) in wanted))
                for k, picks in enumerate(self.pick)
                for p, var in picks.items()
            ),
            *((var, int(s in selection.open_switches)) for s, var in enumerate(self.opened)),
            *((var, int(key in built)) for key, var in self.link_built.items()),
            *((var, int(i in selection.left_out)) for i, var in self.left_out.items()),
        ]

    def solve(
        self, effort: Effort, *, objective: Expr | None = None, presolve: bool = True
    ) -> MasterResult:
        """Minimise the cost (or ``objective``) over the columns given."""
        self.model.minimize(self.cost_expression() if objective is None else objective)
        watched = [v for picks in self.pick for v in picks.values()]
        watched += self.opened
        watched += list(self.link_built.values())
        watched += list(self.left_out.values())
        result = run(self.model, watched, effort, presolve=presolve)
        bound = None if result.bound is None else result.bound + self.cost_constant
        return MasterResult(self._selection(result), result.proved, bound)

    def _selection(self, result: CpResult) -> Selection | None:
        if result.values is None:
            return None
        values = iter(result.values)
        choices = list(self.fixed)
        for k, picks in enumerate(self.pick):
            for p in picks:
                if next(values):
                    choices.append(Choice(self.columns[k], p))
        opened = tuple(s for s in range(len(self.opened)) if next(values))
        built = tuple(key for key in self.link_built if next(values))
        left_out = self.still_out + tuple(i for i in self.left_out if next(values))
        cost = selection_cost(self.instance, self.backbone, choices, opened, built)
        return Selection(tuple(choices), opened, built, cost, left_out)


def _belongs(column: Column, family: SegmentFamily) -> bool:
    """Whether a column over the devices of a family is at least as slow as it says."""
    return column.length_um >= family.least_um and column.node_count >= family.least_count


def selection_cost(
    instance: Instance,
    backbone: BackboneData,
    choices: Iterable[Choice],
    open_switches: Iterable[int],
    built: Iterable[tuple[int, str]],
) -> int:
    """Objective money of a selection, summed item by item."""
    cost = sum(c.column.cost + instance.port_classes[c.port].value for c in choices)
    cost += sum(backbone.switch_value(s) for s in open_switches)
    return cost + sum(backbone.link_value(i, g) for i, g in built)
