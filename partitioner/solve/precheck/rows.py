"""Rows over blocks and their homes, each with the statements it rests on, and solving them."""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from typing import Self

from ortools.sat.python import cp_model

from partitioner.errors import NoAnswer
from partitioner.model.problem import BackboneShape
from partitioner.solve.cpsat import Effort, Model, run
from partitioner.solve.precheck.blocks import Reason
from partitioner.solve.precheck.places import Home, Places
from partitioner.solve.precheck.statements import Key

WORK = 0.5
"""Deterministic seconds that one solve may take if not told otherwise."""
MANY_VARIABLES = 1_000
"""Above so many presolve takes longer than the search then; with few it is what proves most."""

Terms = dict[int, int]
"""Weight by variable."""


@dataclass(frozen=True, slots=True)
class Row:
    """The weighted sum of some variables is at most ``most``, by the statements in ``because``."""

    terms: Terms
    most: int
    because: Reason


class Rows:
    """Rows over some blocks of a problem.

    Parameters
    ----------
    blocks
        Numbers of the blocks that are to be placed.
    is_strict
        All statements stay in force, so that homes they rule out need not be thought of.

    Attributes
    ----------
    at
        By switch and grade: (block, variable).
    on
        By block and switch: variables.
    opened
        By switch: the variable that it is open.
    linked
        By backbone link: the variable that it is built, where links are thought of.
    home_of
        By variable: the home it stands for.
    """

    def __init__(self, places: Places, blocks: Iterable[int], *, is_strict: bool = False):
        self.places, self.instance, self.is_strict = places, places.instance, is_strict
        self.blocks = sorted(blocks)
        self.upper: list[int] = []
        self.rows: list[Row] = []
        self.home_of: list[Home | None] = []
        self.at: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
        self.on: dict[tuple[int, int], list[int]] = defaultdict(list)
        self.of_block: dict[int, list[int]] = {}
        self.opened = [self.var(1) for _ in range(self.instance.switch_count)]
        self.linked: list[int] = []
        for b in self.blocks:
            self.of_block[b] = []
            for home in places.homes[b]:
                if is_strict and home.against:
                    continue
                v = self.var(1, home)
                self.of_block[b].append(v)
                self.at[home.switch, home.grade].append((b, v))
                self.on[b, home.switch].append(v)

    def var(self, upper: int, home: Home | None = None) -> int:
        """Make a variable from 0 to ``upper``."""
        self.upper.append(upper)
        self.home_of.append(home)
        return len(self.upper) - 1

    def add(self, terms: Iterable[tuple[int, int]], most: int, because: Iterable[Key] = ()) -> None:
        """Add a row: the weighted sum of some variables is at most ``most``."""
        summed: Terms = defaultdict(int)
        for v, weight in terms:
            summed[v] += weight
        self.rows.append(Row(dict(summed), most, frozenset(because)))

    def resting_on(self, keys: Collection[Key]) -> Self:
        """The same blocks and homes with only the rows that rest on nothing but these."""
        fewer = copy.copy(self)
        fewer.rows = [row for row in self.rows if row.because.issubset(keys)]
        return fewer

    @property
    def size(self) -> int:
        """Terms of all rows: what making and solving it takes goes with that."""
        return sum(len(row.terms) for row in self.rows)

    def statements(self) -> frozenset[Key]:
        """All statements that rows, homes or the backbone rest on."""
        keys = {key for row in self.rows for key in row.because}
        for b in self.blocks:
            keys.update(key for h in self.places.homes[b] for r in h.against for key in r)
        backbone = self.instance.problem.backbone
        if self.instance.switch_count > 1:
            if backbone.shape.joins_all:
                keys.add(("backbone-shape",))
            keys.add(("backbone-link",))
            keys.update(self.places.unreached())
        return frozenset(keys)

    # -- solving ------------------------------------------------------------------------------

    def has_none(self, active: Collection[Key] | None = None, work: float = WORK) -> bool | None:
        """Whether it is proved that the blocks find no places while only these are in force.

        ``active``: all statements if not given. None if ``work`` (deterministic seconds) does not
        suffice to tell.
        """
        inst = self.instance
        active = self.statements() if active is None else frozenset(active)
        model = Model()
        used: list[cp_model.IntVar | None] = [
            None if home is not None and any(r <= active for r in home.against)
            else model.new_int_var(0, upper, "")
            for upper, home in zip(self.upper, self.home_of, strict=True)
        ]
        for b in self.blocks:
            there = [x for v in self.of_block[b] if (x := used[v]) is not None]
            if not there:
                return True
            model.add_exactly_one(there)
        for row in self.rows:
            if row.because <= active:
                terms = [(x, w) for v, w in row.terms.items() if (x := used[v]) is not None]
                if terms:
                    model.add(
                        cp_model.LinearExpr.weighted_sum(
                            [x for x, _ in terms], [w for _, w in terms]
                        ) <= row.most
                    )
                elif row.most < 0:
                    return True
        opened, linked = (
            [x for v in some if (x := used[v]) is not None] for some in (self.opened, self.linked)
        )
        self._add_backbone(model, opened, linked, active)

        def stop() -> bool:
            try:
                inst.look()
            except NoAnswer:
                return True
            return False

        result = run(
            model, [x for x in used if x is not None],
            Effort(10.0, should_stop=stop, work_limit=work),
            short_presolve=len(self.upper) > MANY_VARIABLES,
        )
        inst.look()
        return None if not result.proved else result.values is None

    def _add_backbone(
        self,
        model: cp_model.CpModel,
        opened: list[cp_model.IntVar],
        linked: list[cp_model.IntVar],
        active: frozenset[Key],
    ) -> None:
        """The links between open switches, as far as what is asked of them is in force."""
        if len(opened) < 2 or ("backbone-link",) not in active:
            return
        backbone = self.places.backbone
        eased = copy.copy(backbone)
        eased.links = [
            replace(link, grades=link.grades or self.instance.problem.backbone.links[k].grades)
            if ("backbone-reach", str(k)) not in active else link
            for k, link in enumerate(backbone.links)
        ]
        if backbone.shape.joins_all and ("backbone-shape",) not in active:
            eased.shape = BackboneShape.ANY
        built = {
            (k, g): model.new_bool_var("")
            for k, link in enumerate(eased.links) for g in link.grades
        }
        for (k, _), is_built in built.items():
            if linked:
                model.add_implication(is_built, linked[k])
        eased.add_shape(model, opened, built)
