"""Phase one: a home for every device under all rules, whatever it costs.

A master that only counts the devices left out is proved in a moment where the one that minimises
cost takes seconds. The walk goes from one incomplete layout to the next by exchanges; devices that
stay without a home count more each time, so it wanders on instead of resting where one device
blocks the way (weights as in breakout local search).
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace

from partitioner.solve.columns import Column
from partitioner.solve.exchange_columns import NEAR, NEAREST_SWITCHES, exchange_columns
from partitioner.solve.instance import Delivery
from partitioner.solve.master import Choice, Selection, selection_cost
from partitioner.solve.search import Search
from partitioner.solve.verify import Verdict

REGION = 36
"""Devices that may change places at once, at first."""
MOST_SOUGHT = 10
"""Devices left out that a place is sought for at once: those near one of them."""
MOST_IDLE = 24
"""Steps without fewer devices left out after which it rests until more columns are known."""
MOST_RESTS = 3
"""Steps over all devices that change nothing, after which it rests as well."""
MOST_GOOD = 700
"""Columns of the pool in one choice: with many more it is not made in time."""
MOST_EXCHANGES = 800
"""Columns an exchange away in one choice."""
MOST_TRIES = 4
"""Choices of one step that are refuted one after the other."""
SOLVE_S = 4.0
"""Longest master run."""


class PhaseOne:
    """A walk through incomplete layouts that keep all rules; what it learns it keeps.

    Pool, cuts and judge are those of ``search``, to which all that is found is offered.
    """

    def __init__(self, search: Search):
        self.search = search
        self.weight = list(search.hubness)
        self.turns = Counter[int]()
        """How often it was a device's turn."""
        self._backbones = search.backbone.quick_backbones()
        self._walks = search.limits.seed
        """Each walk goes by the next one; from another seed, by another one first."""
        self._quick = self._backbones[0]
        self._is_quick = True
        """Whether the backbone is that one; not where it leads nowhere."""
        self._now: Selection | None = None
        self._near = NEAR
        """Devices tried on each line."""

    def run(
        self,
        basics: Sequence[Column],
        good: Sequence[Column],
        over: Callable[[], bool],
        steps: int | None = None,
    ) -> bool:
        """Walk until every device has a home or it is ``over``; at most so many ``steps``.

        ``basics`` are segments that may always be of use, ``good`` columns of the pool, the most
        promising first.
        """
        search = self.search
        self._quick = self._backbones[self._walks % len(self._backbones)]
        self._is_quick = True
        now = search.incumbent if self._now is None else self._now
        fresh = self._leave_out_least(
            (), [*good[:MOST_GOOD], *basics], range(search.instance.n), over, now
        )
        if fresh is not None:
            search.offer(fresh)
            if now is None or self._weight_of(fresh) <= self._weight_of(now):
                now = fresh
        self._near = NEAR
        idle, rests, fewest = 0, 0, search.instance.n + 1
        for _ in itertools.count() if steps is None else range(steps):
            if now is None or not now.left_out or over():
                break
            if idle >= MOST_IDLE + len(now.left_out):
                break
            self._now = now
            widest = self._near >= search.instance.n
            found = self._step(now, basics, good, over)
            if found is None and over():
                break
            same = found is None or found.left_out == now.left_out
            rests = rests + 1 if same and widest else 0
            if rests == MOST_RESTS:
                break
            if same:
                self._near = min(search.instance.n, self._near * 7 // 5)
            else:
                self._near = NEAR
            if found is not None:
                search.offer(found)
                now = found
            if len(now.left_out) < fewest:
                idle, fewest = 0, len(now.left_out)
            else:
                idle += 1
            self._is_quick = idle < MOST_IDLE // 2
        self._walks += steps != 0
        return now is not None and not now.left_out

    def _weight_of(self, selection: Selection) -> int:
        return sum(self.weight[i] for i in selection.left_out)

    def _step(
        self,
        now: Selection,
        basics: Sequence[Column],
        good: Sequence[Column],
        over: Callable[[], bool],
    ) -> Selection | None:
        """Exchange among the segments near the devices left out."""
        search = self.search
        sought = self._sought(now)
        free = self._free(now, sought)
        fixed = [c for k, c in enumerate(now.choices) if k not in free]
        segments = [now.choices[k].column for k in sorted(free)]
        members = {i for c in segments for i in c.devices} | set(sought)
        made = exchange_columns(
            search.builder, segments, sought, self._near, NEAREST_SWITCHES, over
        )
        search.pool |= dict.fromkeys(made)
        # Those with a device that has no home are what it is about, and never too many.
        made.sort(key=lambda c: sought.isdisjoint(c.devices))
        usable = [c for c in [*good[:MOST_GOOD], *basics] if members.issuperset(c.devices)]
        found = self._leave_out_least(
            fixed, [*segments, *made[:MOST_EXCHANGES], *usable], sorted(members), over, now
        )
        for i in sought:
            self.weight[i] += 1
        return found

    def _sought(self, now: Selection) -> frozenset[int]:
        """Devices left out that a place is sought for: one whose turn it is, and those nearest."""
        turn = min(now.left_out, key=lambda i: (self.turns[i], -self.weight[i], i))
        self.turns[turn] += 1
        near = sorted(now.left_out, key=lambda i: (self.search.distance_between([turn], [i]), i))
        unit_of = self.search.instance.unit_of
        return frozenset(i for near_by in near[:MOST_SOUGHT] for i in unit_of[near_by])

    def _free(self, now: Selection, sought: Collection[int]) -> set[int]:
        """Segments (numbers) that may change: those nearest to the devices sought a place for."""
        search = self.search
        most = REGION * self._near // NEAR
        distance = sorted(
            (search.distance_between(sorted(sought), c.column.devices), k)
            for k, c in enumerate(now.choices)
        )
        free: set[int] = set()
        count = 0
        for _, k in distance:
            free.add(k)
            count += len(now.choices[k].column.devices)
            if count >= most:
                break
        return free

    # -- one choice ---------------------------------------------------------------------------

    def _leave_out_least(
        self,
        fixed: Sequence[Choice],
        columns: Iterable[Column],
        cover: Collection[int],
        over: Callable[[], bool],
        now: Selection | None,
    ) -> Selection | None:
        """Choose for some devices so that those left out weigh least, whatever the rest costs.

        Gives a choice that the judge accepts; what makes one late is taken off again.
        """
        search = self.search
        columns = list(dict.fromkeys(columns))
        known = {c.segment for c in columns}
        for _ in range(MOST_TRIES):
            learned = len(search.refused)
            orders = [c for c in search.other_orders if c.segment in known]
            master = search.master_beside(
                fixed,
                list(dict.fromkeys([*columns, *orders])),
                cover,
                still_out=() if now is None else set(now.left_out).difference(cover),
            )
            if self._is_quick:
                # Others delay streams more than need be, and cost is no matter.
                master.build_only(self._quick)
            if now is not None:
                master.hint(now)
            selection = master.solve(
                search.limits.effort(SOLVE_S, over),
                objective=master.left_out_expression(self.weight),
                presolve=False,
            ).selection
            if selection is None:
                return None
            found = self._in_time(selection)
            if found is not None or over() or len(search.refused) == learned:
                return found
        return None

    def _in_time(self, selection: Selection) -> Selection | None:
        """Take devices off until the judge finds nothing wrong; None where that does not help."""
        found = self.shortened(selection, self.search.judged(selection, with_cuts=False))
        return None if found is None else found[0]

    def shortened(
        self, selection: Selection, verdict: Verdict, *, at_once: bool = False
    ) -> tuple[Selection, Verdict] | None:
        """Take devices off a selection until the judge, who found this, finds nothing wrong.

        ``at_once``: with every judgement for all that is late, so that there are few. None where
        it does not help.
        """
        search, ends_of = self.search, self.search.instance.ends_of
        while not verdict.holds:
            late = {delivery for delivery in verdict.late_ns if ends_of(delivery)}
            if not late or search.limits.over():
                return None
            while late:
                shorter = self._without(selection, self._least_needed(late))
                if shorter is None:
                    return None
                selection = shorter
                gone = set(selection.left_out)
                late = {d for d in late if at_once and gone.isdisjoint(ends_of(d))}
            verdict = search.judged(selection, with_cuts=False)
        return selection, verdict

    def _least_needed(self, latest: Iterable[Delivery]) -> int:
        """Give a device whose absence takes most of the late streams away, the lighter one."""
        ends = Counter(i for delivery in latest for i in self.search.instance.ends_of(delivery))
        return min(ends, key=lambda i: (self.weight[i] / ends[i], i))

    def _without(self, selection: Selection, device: int) -> Selection | None:
        """Take a device off its segment, and with it those it must be together with."""
        search = self.search
        gone = search.instance.unit_of[device]
        choices = []
        for choice in selection.choices:
            c = choice.column
            if device not in c.devices:
                choices.append(choice)
                continue
            out, back = c.arms_without(gone)
            if out or back:
                rest = search.builder.line(c.switch, c.grade, out, back)
                if rest is None:
                    return None
                choices.append(replace(choice, column=rest))
        cost = selection_cost(
            search.instance, search.backbone, choices, selection.open_switches, selection.backbone
        )
        return replace(
            selection,
            choices=tuple(choices),
            cost=cost,
            left_out=tuple(sorted({*selection.left_out, *gone})),
        )
