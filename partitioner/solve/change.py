"""What changing an earlier layout costs: one definition, for the master and for a selection.

A new segment carries on one old segment of its grade that it shares a device with, or none; an
old segment is carried on by at most one. Whoever carries on keeps name and, on the same port
group, the port. With that, the change of a layout is a sum over its segments:

* each old device on a segment that does not carry on its own: moved to another segment;
* each device that must be taken off its line and put back to get the new order;
* a segment on another port than the one it carries on;
* each old device whose PLCA ID cannot stay;
* a line that carries on none: new;
* each old device whose piece of cable (towards the switch) gets another cut length.

Devices that the earlier layout did not have cost nothing here: they are no change but a wish.

Which PLCA IDs stay is a choice of its own: one above the number of devices lengthens the cycle, so
each line comes with every PLCA node count that lets more devices keep their ID, and keeps what it
can below that count, whichever segment it carries on.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import networkx as nx
from ortools.sat.python import cp_model

from partitioner.model.layout import Layout, Segment
from partitioner.model.plca import HIGHEST_ID
from partitioner.model.problem import ChangePrices
from partitioner.solve.columns import Column
from partitioner.solve.instance import Instance
from partitioner.solve.kept import kept
from partitioner.solve.master import Choice, Master, Selection

Expr = cp_model.LinearExpr
TIE_SCALE = 2**20
"""Money weighs so much more than what settles ties: devices and port in common."""
FORCED = 2**80
"""Worth of carrying on a segment that must be carried on: above every price."""


@dataclass(frozen=True, slots=True)
class Held:
    """What a rerun must not touch, by ids of devices, old segments and switches.

    ``devices`` keep segment, port, PLCA ID and the neighbour towards the switch. ``placed``
    devices keep segment, port, PLCA ID and their order among each other, but others may come
    between. ``segments`` stay exactly as they are, ``switches`` with all their segments.
    """

    devices: frozenset[str] = frozenset()
    placed: frozenset[str] = frozenset()
    segments: frozenset[str] = frozenset()
    switches: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class OldSegment:
    """A segment of the earlier layout in numbers, without what the problem no longer has.

    ``switch``, ``group`` and ``grade`` are None where the problem no longer has them.
    """

    segment: Segment
    switch: int | None
    group: int | None
    grade: int | None
    out: tuple[int, ...]
    back: tuple[int, ...]

    @property
    def devices(self) -> tuple[int, ...]:
        """Its devices in the order in which the cable meets them."""
        return self.back[::-1] + self.out


@dataclass(frozen=True, slots=True)
class Aim:
    """What a rerun minimises: weighted plan cost and change cost, each capped where asked."""

    plan_weight: int = 1
    change_weight: int = 1
    most_plan_money: int | None = None
    most_change_money: int | None = None


def kept_in_order(old: Sequence[int], new: Sequence[int]) -> int:
    """Most devices that both arms have in the same order: longest common increasing run.

    Examples
    --------
    >>> kept_in_order((1, 2, 3, 4), (2, 9, 1, 4))
    2
    """
    rank = {device: k for k, device in enumerate(old)}
    tails: list[int] = []
    for device in new:
        k = rank.get(device)
        if k is None:
            continue
        at = bisect_left(tails, k)
        tails[at : at + 1] = [k]
    return len(tails)


def order_changes(
    old_arms: tuple[Sequence[int], Sequence[int]], new_arms: tuple[Sequence[int], Sequence[int]]
) -> int:
    """Fewest devices to take off a line and put back, among those that both lines have.

    Arms are outward from the switch; a cable may be read from either of its ends.
    """
    (a, b), (c, d) = old_arms, new_arms
    both = len({*a, *b} & {*c, *d})
    straight = kept_in_order(a, c) + kept_in_order(b, d)
    turned = kept_in_order(a, d) + kept_in_order(b, c)
    return both - max(straight, turned)


def plca_ids(
    devices: Sequence[str], wishes: Iterable[Mapping[str, int]], highest: int = HIGHEST_ID
) -> dict[str, int]:
    """PLCA IDs for devices given in order outward from the switch.

    Wishes are heard in turn: a device gets the ID it wishes for if that is free and no higher than
    ``highest``. All others get the least free ones in order.

    Examples
    --------
    >>> plca_ids(("new", "b", "c"), [{"b": 2, "c": 3}])
    {'new': 1, 'b': 2, 'c': 3}
    """
    taken: dict[str, int] = {}
    used: set[int] = set()
    for wanted in wishes:
        for device in devices:
            id_ = wanted.get(device)
            if device not in taken and id_ is not None and 1 <= id_ <= highest and id_ not in used:
                taken[device] = id_
                used.add(id_)
    free = (id_ for id_ in range(1, HIGHEST_ID + 1) if id_ not in used)
    return {d: taken[d] if d in taken else next(free) for d in devices}


def _inner_neighbours(*arms: Sequence[int]) -> dict[int, int]:
    """What comes before each device, outward from the switch; -1: the switch."""
    return {i: inner for arm in arms for inner, i in pairwise((-1, *arm))}


def _settable(ids: Iterable[int]) -> set[int]:
    return {id_ for id_ in ids if 1 <= id_ <= HIGHEST_ID}


class ChangeModel:
    """Prices every segment against the earlier layout and adds the rows to a master.

    ``old_cuts_um``: cut length of each device's old piece, as far as it is known.

    Attributes
    ----------
    old_of
        Old segment (its number) of each device that was there before.
    old_id
        Old PLCA ID of each device that had one.
    """

    def __init__(
        self,
        instance: Instance,
        layout: Layout,
        prices: ChangePrices,
        old_cuts_um: Mapping[str, int],
        held: Held,
    ):
        self.instance, self.prices, self.held = instance, prices, held
        self.old_cuts_um = old_cuts_um
        self.olds: list[OldSegment] = []
        self.old_of: dict[int, int] = {}
        self.old_id: dict[int, int] = {}
        self._inner: dict[int, int] = {}
        ports: set[tuple[str, int]] = set()
        for segment in layout.segments:
            self.olds.append(self._number(segment, ports))
        self.new_devices = tuple(i for i in range(instance.n) if i not in self.old_of)
        self._frozen = frozenset(
            o
            for o, old in enumerate(self.olds)
            if old.segment.id in held.segments or old.segment.switch in held.switches
        )
        self._frozen_switches = frozenset(
            instance.switch_index[s] for s in held.switches if s in instance.switch_index
        )

    def _number(self, segment: Segment, ports: set[tuple[str, int]]) -> OldSegment:
        inst = self.instance
        number = len(self.olds)
        fresh = []
        for k, name in enumerate(segment.devices):
            i = inst.index.get(name)
            if i is None or i in self.old_of:
                continue
            self.old_of[i] = number
            if k < len(segment.plca_ids):
                self.old_id[i] = segment.plca_ids[k]
            fresh.append((k, i))
        out = tuple(i for k, i in fresh if k >= segment.switch_index)
        back = tuple(i for k, i in reversed(fresh) if k < segment.switch_index)
        s = inst.switch_index.get(segment.switch)
        group = None
        # A port that two segments claim can be kept by one of them only.
        if s is not None and (segment.switch, segment.port) not in ports:
            ports.add((segment.switch, segment.port))
            group = inst.problem.switches[segment.switch].group_of_port(segment.port)
        self._inner |= _inner_neighbours(out, back)
        return OldSegment(segment, s, group, inst.grade_index.get(segment.grade), out, back)

    # -- prices -------------------------------------------------------------------------------

    @kept
    def base_money(self, column: Column) -> int:
        """Change cost of a segment that carries on none."""
        prices, is_line = self.prices, self.instance.grades[column.grade].is_line
        known = [i for i in column.devices if i in self.old_of]
        total = prices.device_segment_money * len(known)
        if is_line:
            total += prices.new_line_money
            total += prices.plca_id_money * self._lost_ids(column)
        if prices.cut_length_money:
            names, new = self.instance.device_ids, self.pieces_um(column)
            changed = sum(new[i] != self.old_cuts_um.get(names[i]) for i in known)
            total += prices.cut_length_money * changed
        return total

    def _lost_ids(self, column: Column) -> int:
        """Old devices of a line that cannot keep their PLCA ID: it is too high, or had twice."""
        known = self._ids_of(column.devices)
        return len(known) - len({id_ for id_ in known if 1 <= id_ < column.node_count})

    def _ids_of(self, devices: Iterable[int]) -> list[int]:
        return [self.old_id[i] for i in devices if i in self.old_id]

    def node_counts(self, column: Column) -> list[int]:
        """PLCA node counts that a line may have for the sake of IDs that stay, the least first.

        The least has room for the devices, the reserve, and what is held. Between two counts given
        no further device could keep its ID; where IDs have no price, the least is enough.
        """
        data = self.instance.grades[column.grade]
        if not data.is_line:
            return [column.node_count]
        held = (i for i in column.devices if self._is_held(i) or self.old_of.get(i) in self._frozen)
        least = max([len(column.devices) + data.spare_ids, *_settable(self._ids_of(held))])
        more = _settable(self._ids_of(column.devices)) if self.prices.plca_id_money else ()
        return [1 + least, *sorted(1 + id_ for id_ in more if id_ > least)]

    def id_wishes(self, column: Column, old: int | None) -> list[dict[str, int]]:
        """Old PLCA IDs of the devices on a line that carries on ``old``, by name.

        Those of what is held first, then of who stays on the line, then of all.
        """
        names = self.instance.device_ids
        known = {i: self.old_id[i] for i in column.devices if i in self.old_id}
        rows = (
            [i for i in known if self._is_held(i)],
            [i for i in known if self.old_of[i] == old],
            known,
        )
        return [{names[i]: known[i] for i in row} for row in rows]

    def pieces_um(self, column: Column) -> dict[int, int]:
        """Cut length of each device's piece of a segment."""
        inst = self.instance
        line = inst.problem.line
        at_end = not (column.out and column.back)
        pieces: dict[int, int] = {}
        for arm in (column.out, column.back):
            for k, i in enumerate(arm):
                way = inst.way_along_um(column.switch, arm, k, i)
                ends = (k == len(arm) - 1) + (at_end and k == 0)
                pieces[i] = way + line.drop_slack_um + ends * line.end_slack_um
        return pieces

    @kept
    def ties(self, column: Column) -> tuple[tuple[int, int], ...]:
        """(old segment, what carrying it on saves on its own port group), possible ones."""
        prices, is_line = self.prices, self.instance.grades[column.grade].is_line
        shared = Counter(self.old_of[i] for i in column.devices if i in self.old_of)
        found = []
        for o in sorted(shared):
            old = self.olds[o]
            if old.grade != column.grade:
                continue
            saving = prices.device_segment_money * shared[o]
            if is_line:
                saving += prices.new_line_money
                moves = order_changes((old.out, old.back), (column.out, column.back))
                saving -= prices.device_order_money * moves
            found.append((o, saving))
        return tuple(found)

    def keeps_port(self, column: Column, port: int, old: int) -> bool:
        """Whether a segment on a port class can have the port of an old segment."""
        group = self.instance.port_classes[port].group
        row = self.olds[old]
        return row.switch == column.switch and row.group == group

    def saving_money(self, choice: Choice, old: int, saving: int) -> int:
        """What carrying on an old segment saves against carrying on none."""
        if self.keeps_port(choice.column, choice.port, old):
            return saving
        return saving - self.prices.port_money

    # -- what is held -------------------------------------------------------------------------

    @kept
    def allowed(self, column: Column, port: int) -> bool:
        """Whether a segment leaves untouched what is held."""
        if self.held == Held():
            return True
        frozen = {self.old_of.get(i) for i in column.devices} & self._frozen
        if frozen:
            only = next(iter(frozen)) if len(frozen) == 1 else None
            return only is not None and self._same(column, port, only)
        if column.switch in self._frozen_switches:
            return False
        held_here = [i for i in column.devices if self._is_held(i)]
        if not held_here:
            return True
        number, *others = {self.old_of[i] for i in held_here}
        if others:
            return False
        if not self._can_stay(held_here, column, port, number):
            return False
        old, inner = self.olds[number], _inner_neighbours(column.out, column.back)
        names = self.instance.device_ids
        if any(inner[i] != self._inner[i] for i in held_here if names[i] in self.held.devices):
            return False

        def held_of(arm: Sequence[int]) -> list[int]:
            return [i for i in arm if i in held_here]

        return order_changes(
            (held_of(old.out), held_of(old.back)), (held_of(column.out), held_of(column.back))
        ) == 0

    def _is_held(self, device: int) -> bool:
        name = self.instance.device_ids[device]
        return device in self.old_of and (
            name in self.held.devices or name in self.held.placed
        )

    def _same(self, column: Column, port: int, o: int) -> bool:
        old = self.olds[o]
        return self._can_stay(column.devices, column, port, o) and (column.out, column.back) in (
            (old.out, old.back), (old.back, old.out),
        )

    def _can_stay(self, devices: Sequence[int], column: Column, port: int, o: int) -> bool:
        """Whether a segment has grade and port of an old one, and room for the devices' IDs."""
        ids = self._ids_of(devices)
        return (
            self.olds[o].grade == column.grade
            and self.keeps_port(column, port, o)
            and all(1 <= id_ < column.node_count for id_ in ids)
            and len(set(ids)) == len(ids)
        )

    def forced(self, column: Column) -> int | None:
        """The old segment that a segment must carry on because of what is held."""
        for i in column.devices:
            o = self.old_of.get(i)
            if o is not None and (o in self._frozen or self._is_held(i)):
                return o
        return None

    # -- the master ---------------------------------------------------------------------------

    def extend(self, master: Master, aim: Aim) -> None:
        """Add who carries on whom, the change cost and what is held to a master."""
        model = master.model
        terms: list[cp_model.IntVar] = []
        weights: list[int] = []
        constant = 0
        heirs: dict[int, list[cp_model.IntVar]] = defaultdict(list)
        made: list[tuple[Choice, int, cp_model.IntVar]] = []
        rows: list[tuple[Choice, cp_model.IntVar | None]] = [
            (Choice(column, p), var)
            for column, picks in zip(master.columns, master.pick, strict=True)
            for p, var in picks.items()
        ]
        rows += [(choice, None) for choice in master.fixed]
        for number, (choice, var) in enumerate(rows):
            if var is not None and not self.allowed(choice.column, choice.port):
                model.add(var == 0)
                continue
            base = self.base_money(choice.column)
            if var is None:
                constant += base
            elif base:
                terms.append(var)
                weights.append(base)
            forced = self.forced(choice.column)
            carried = []
            for o, saving in self.ties(choice.column):
                worth = self.saving_money(choice, o, saving)
                if worth <= 0 and o != forced:
                    continue
                tie = model.new_bool_var(f"heir[{number},{o}]")
                carried.append(tie)
                made.append((choice, o, tie))
                heirs[o].append(tie)
                terms.append(tie)
                weights.append(-worth)
                if o == forced:
                    model.add(tie == (1 if var is None else var))
            if len(carried) == 1 and var is not None:
                model.add_implication(carried[0], var)
            elif carried:
                model.add(Expr.sum(carried) <= (1 if var is None else var))
        for ties in heirs.values():
            if len(ties) > 1:
                model.add_at_most_one(ties)
        self._weigh(master, aim, terms, weights, constant)
        master.hinters.append(partial(self._hint, master, made))

    def _weigh(
        self,
        master: Master,
        aim: Aim,
        terms: Sequence[cp_model.IntVar],
        weights: Sequence[int],
        constant: int,
    ) -> None:
        """Cap and weigh plan cost and change cost as an aim asks; the latter is given in terms."""
        model = master.model
        plan_terms, plan_weights = list(master.cost_terms), list(master.cost_weights)
        plan_constant = master.cost_constant
        if aim.most_change_money is not None:
            model.add(Expr.weighted_sum(terms, weights) + constant <= aim.most_change_money)
        if aim.most_plan_money is not None:
            model.add(
                Expr.weighted_sum(plan_terms, plan_weights) + plan_constant
                <= aim.most_plan_money
            )
        if aim.plan_weight != 1:
            outs = {id(v) for v in master.left_out.values()}
            master.cost_weights = [
                w if id(v) in outs else aim.plan_weight * w
                for v, w in zip(plan_terms, plan_weights, strict=True)
            ]
            master.cost_constant = aim.plan_weight * plan_constant
        if aim.change_weight:
            for var, weight in zip(terms, weights, strict=True):
                master.pay(var, aim.change_weight * weight)
            master.cost_constant += aim.change_weight * constant

    def _hint(
        self,
        master: Master,
        ties: Iterable[tuple[Choice, int, cp_model.IntVar]],
        selection: Selection,
    ) -> None:
        """Suggest who carries on whom in a selection."""
        found, _ = self.carried_on(selection.choices)
        heir = dict(zip(selection.choices, found, strict=True))
        for choice, o, tie in ties:
            master.model.add_hint(tie, int(heir.get(choice) == o))

    # -- a selection --------------------------------------------------------------------------

    def carried_on(self, choices: Sequence[Choice]) -> tuple[list[int | None], int]:
        """Old segment that each choice carries on at least change, and its cost in money steps."""
        total = sum(self.base_money(c.column) for c in choices)
        graph = nx.Graph()
        worth: dict[tuple[int, int], int] = {}
        first_old = len(choices)
        for number, choice in enumerate(choices):
            forced = self.forced(choice.column)
            for o, saving in self.ties(choice.column):
                value = self.saving_money(choice, o, saving)
                worth[number, o] = value
                if value < 0 and o != forced:
                    continue
                common = sum(self.old_of.get(i) == o for i in choice.column.devices)
                weight = value * TIE_SCALE + 2 * common
                weight += self.keeps_port(choice.column, choice.port, o)
                graph.add_edge(
                    number, first_old + o, weight=weight + (FORCED if o == forced else 0)
                )
        found: list[int | None] = [None] * len(choices)
        for a, b in nx.max_weight_matching(graph):
            number, o = min(a, b), max(a, b) - first_old
            found[number] = o
            total -= worth[number, o]
        return found, total

    def change_money(self, selection: Selection) -> int:
        """Change cost of a selection in money steps."""
        return self.carried_on(selection.choices)[1]

    def value(self, selection: Selection, aim: Aim) -> int:
        """What an aim comes to for a selection."""
        return (
            aim.plan_weight * selection.cost
            + aim.change_weight * self.change_money(selection)
        )

    def touches_held(self, choices: Collection[Choice]) -> bool:
        """Whether any of the segments touches what is held."""
        return any(not self.allowed(c.column, c.port) for c in choices)
