"""The choice among segments for an aim: plan cost and change cost, weighed or capped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from partitioner.replan.columns import with_node_counts
from partitioner.solve.change import Aim, ChangeModel
from partitioner.solve.columns import Column
from partitioner.solve.master import Selection
from partitioner.solve.run import Run
from partitioner.solve.search import Claim, Study

REGION, REGION_S = 22, 4.0
"""Devices of a region that is solved again on its own, and seconds for that."""
SWEPT_FROM = 400
"""With more segments than this regions are solved before the whole."""


@dataclass(slots=True)
class Chosen:
    """A selection, and whether none of the segments given make a better one."""

    selection: Selection
    proved: bool

    def then(self, second: Chosen | None) -> Chosen:
        """What was chosen second among those as good as this one; this one if nothing was."""
        if second is None:
            return Chosen(self.selection, False)
        return Chosen(second.selection, self.proved and second.proved)


class Chooser:
    """Chooses among segments.

    Attributes
    ----------
    wide
        More of them for regions that are solved on their own.
    tried_all
        Whether ``columns`` are all that any layout could use.
    is_refuted
        Whether the last choice asked for was proved impossible with the segments given.
    """

    def __init__(self, run: Run, change: ChangeModel):
        self._run, self.change = run, change
        self.columns: list[Column] = []
        self.wide: list[Column] = []
        self.tried_all = False
        self.is_refuted = False

    def best(self, aim: Aim, starts: Iterable[Selection], share: float) -> Chosen | None:
        """Choose among :attr:`columns` for an aim, in a share of the time left."""
        seconds = max(1.0, share * self._run.seconds_left())
        return self.best_among(aim, self.columns, starts, seconds)

    def best_among(
        self, aim: Aim, columns: Sequence[Column], starts: Iterable[Selection], seconds: float
    ) -> Chosen | None:
        """Choose among segments for an aim, beginning with the best of given selections."""
        change, search = self.change, self._run.search
        search.aim_at(
            Study(
                extend=lambda master: change.extend(master, aim),
                charge=lambda selection: change.value(selection, aim) - selection.cost,
            )
        )
        for start in starts:
            if self._keeps(start, aim):
                search.offer(start)
        self.is_refuted = False
        if self._run.limits.over():
            return None if search.incumbent is None else Chosen(search.incumbent, False)
        known = self._with_node_counts(columns)
        if search.incumbent is not None:
            known |= dict.fromkeys(search.incumbent.columns)
        usable = [
            c
            for c in known
            if any(
                change.allowed(c, p)
                for p in self._run.instance.ports_of.get((c.switch, c.grade), ())
            )
        ]
        if search.incumbent is not None and not self.tried_all and len(usable) > SWEPT_FROM:
            wide = dict.fromkeys([*usable, *self._with_node_counts(self.wide)])
            among = [(frozenset(c.devices), c) for c in wide]
            ends_with_s = self._run.seconds_left() - 0.6 * seconds
            while search.sweep(REGION, among=among, ends_with_s=ends_with_s, most_s=REGION_S):
                pass
            usable = list(dict.fromkeys([*usable, *search.incumbent.columns]))
            seconds *= 0.4
        result = search.master_over_pool(usable, seconds, soft=False, claim=Claim.COLUMNS)
        if search.incumbent is None:
            self.is_refuted = result.proved and result.selection is None
            return None
        # What the master chose last may have been late on the backbone and refused.
        is_its = result.selection is not None and (
            change.value(result.selection, aim) == change.value(search.incumbent, aim)
        )
        return Chosen(search.incumbent, result.proved and is_its)

    def _with_node_counts(self, columns: Iterable[Column]) -> dict[Column, None]:
        """Segments with the PLCA node counts to choose from; of many, the two ends only."""
        made = with_node_counts(self._run.builder, self.change, columns, every=self.tried_all)
        return dict.fromkeys(columns if self.tried_all else made)

    def _keeps(self, selection: Selection, aim: Aim) -> bool:
        if selection.left_out or self.change.touches_held(selection.choices):
            return False
        if aim.most_plan_money is not None and selection.cost > aim.most_plan_money:
            return False
        return (
            aim.most_change_money is None
            or self.change.change_money(selection) <= aim.most_change_money
        )

    def least_change(self, starts: Sequence[Selection]) -> Chosen | None:
        """Least change, and the cheapest plan with no more change."""
        self._run.step("least change")
        least = self.best(Aim(0, 1), starts, 0.15)
        if least is None:
            return None
        return self.then_plan(least, self.columns)

    def then_plan(self, least: Chosen, columns: Sequence[Column]) -> Chosen:
        """Choose the cheapest plan with no more change than ``least``."""
        money = self.change.change_money(least.selection)
        aim, seconds = Aim(1, 0, most_change_money=money), 0.05 * self._run.seconds_left()
        return least.then(self.best_among(aim, columns, [least.selection], max(1.0, seconds)))

    def then_change(self, plan: Chosen) -> Chosen:
        """Choose the least change at no more plan cost than ``plan``."""
        aim = Aim(0, 1, most_plan_money=plan.selection.cost)
        return plan.then(self.best(aim, [plan.selection], 0.15))

    def mixed(self, aim: Aim, starts: Sequence[Selection]) -> Chosen | None:
        """The best that can be put together from the segments of some selections alone."""
        if not starts:
            return None
        chosen = dict.fromkeys(c.column for s in starts for c in s.choices)
        return self.best_among(aim, list(chosen), starts, max(1.0, 0.1 * self._run.seconds_left()))

    def figures(self, choice: Chosen) -> tuple[int, int]:
        """Change cost and plan cost."""
        return self.change.change_money(choice.selection), choice.selection.cost

    def undominated(self, choices: Iterable[Chosen]) -> list[Chosen]:
        """Choices none of which another one beats, by rising change cost."""
        kept: list[Chosen] = []
        for choice in sorted(choices, key=lambda c: (*self.figures(c), not c.proved)):
            if not kept or choice.selection.cost < kept[-1].selection.cost:
                kept.append(choice)
        return kept
