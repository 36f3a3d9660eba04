"""Handles of the rules on the limits of segments and pathways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from partitioner.explain.handles.handle import Change, Handle, Handles, Scale, by_amount, edit
from partitioner.model.assessment import Assessment, SegmentFigures
from partitioner.model.problem import Basis, Device, Pathway, Problem, SegmentLimits
from partitioner.network.cable import CableNetwork
from partitioner.units import MUL_PER_UNIT_LOAD, PPM, UM_PER_M, ceil_div, from_base
from partitioner.wording import agree, count, metres, percent

CM = 10_000
"""Lengths are eased by whole centimetres."""
PERCENT = PPM // 100
"""Shares are eased by whole percents."""
HIGHEST_NODES = 255
"""Most nodes that a line can be given."""


@dataclass(frozen=True, slots=True)
class LimitHold:
    """Makes the handles of one limit that the problem states for each grade.

    Attributes
    ----------
    rule
        Name of the rule.
    part, field, key
        Where the limit stands in the limits of a grade: a part of them, if not they themselves; its
        field in the model; its key in the file.
    step
        By how much it is eased.
    enough
        An amount as good as no limit, for the devices that can have the grade; the one in force
        where there is nothing to ease.
    sentence
        The rule, from grade and amount.
    words
        The change, from grade, amount in force and new amount.
    concerned
        Devices that the rule is about by name, at the amount in force.
    promised
        Field of a grade with what the standard guarantees.
    is_of_links
        Links have the limit too.
    figure
        What a segment has of it.
    """

    rule: str
    field: str
    key: str
    step: int
    enough: Callable[[Problem, str, SegmentLimits, list[Device]], int | None]
    sentence: Callable[[str, int], str]
    words: Callable[[str, int, int], str]
    part: tuple[str, ...] = ()
    concerned: Callable[[Device, int], bool] = lambda device, now: False
    promised: str = ""
    is_of_links: bool = False
    figure: Callable[[SegmentFigures], int | None] = lambda figures: None

    def __call__(self, problem: Problem) -> Handles:
        """Handles of the limit, one for each grade that it can bind for."""
        served = problem.served_grades
        for grade, limits in problem.limits.items():
            users = [d for d in problem.devices.values() if grade in {c.grade for c in d.grades}]
            if grade in served and users and (problem.catalogue.is_line(grade) or self.is_of_links):
                where = limits.reserve if self.part else limits
                now = getattr(where, self.field)
                end = self.enough(problem, grade, limits, users)
                if now is not None and end is not None and (end - now) * self.step > 0:
                    yield self._handle(problem, grade, users, now, end)

    def _handle(
        self, problem: Problem, grade: str, users: list[Device], now: int, end: int
    ) -> Handle:
        promised = getattr(problem.catalogue.grades[grade], self.promised, None)
        is_engineered = problem.limits[grade].basis is Basis.ENGINEERED

        def to(amount: int) -> Change:
            change = edit("limits", grade, *self.part, **{self.field: amount})
            if promised is None or amount <= promised:
                return change
            # Beyond what is guaranteed it rests on the user's own qualification.
            qualified = edit("limits", grade, basis=Basis.ENGINEERED)
            return lambda p: qualified(change(p))

        def words(amount: int) -> str:
            is_further = promised is not None and amount > promised and not is_engineered
            further = " with basis: engineered" if is_further else ""
            return self.words(grade, now, amount) + further

        limits = problem.limits[grade]

        def used(assessment: Assessment) -> int | None:
            """The limit that the segments need with the reserve, or the reserve they leave."""
            figures = [self.figure(s) for s in assessment.segments if s.segment.grade == grade]
            most = max((f for f in figures if f is not None), default=None)
            if most is None:
                return None
            if self.part:
                return max(0, min(now, int(getattr(limits, self.field)) - most))
            return most + int(getattr(limits.reserve, self.field, 0))

        return by_amount(
            self.rule,
            (grade, *(d.id for d in users if self.concerned(d, now))),
            self.sentence(grade, now),
            ("limits", grade, *self.part, self.key),
            Scale(now, end, self.step, to, words, used),
            part="".join(self.part),
        )


def enough_length_um(problem: Problem, grade: str) -> int:
    """A length no useful segment of a grade needs more than.

    From each switch to ever the nearest device not visited yet, twice over, with all slack: every
    set of devices has a line within it, however options have to be ordered.
    """
    network = CableNetwork(problem)
    devices = [d.id for d in problem.devices.values() if grade in {c.grade for c in d.grades}]
    between = network.matrix_um(devices, devices)
    first = network.matrix_um(list(problem.switches), devices)
    longest = 0
    for row in first:
        left = np.ones(len(devices), dtype=bool)
        here = int(row.argmin())
        total = int(row.max()) + int(row[here])
        left[here] = False
        for _ in range(len(devices) - 1):
            after = int(np.where(left, between[here], 2**62).argmin())
            total += int(between[here, after])
            here = after
            left[here] = False
        longest = max(longest, total)
    line = problem.line
    slack = len(devices) * line.drop_slack_um + 2 * line.end_slack_um
    reserve = problem.limits[grade].reserve.length_um
    return ceil_div(2 * longest + slack + reserve, UM_PER_M) * UM_PER_M


def _unit_loads(load_mul: int) -> str:
    return f"{from_base(load_mul, MUL_PER_UNIT_LOAD):f}"


NODES = LimitHold(
    "nodes",
    "nodes",
    "nodes",
    1,
    lambda p, g, limits, users: min(len(users) + 1 + limits.reserve.nodes, HIGHEST_NODES),
    lambda g, n: f"A line of {g} has at most {n} nodes, its switch port included.",
    lambda g, now, n: f"raise the node limit of {g} from {now} to {n}",
    promised="guaranteed_nodes",
    figure=lambda s: s.nodes,
)
STUB = LimitHold(
    "stub",
    "stub_um",
    "stub_m",
    CM,
    lambda p, g, limits, users: max(d.stub_um for d in users),
    lambda g, um: f"A stub on a line of {g} is at most {metres(um)} long.",
    lambda g, now, um: f"raise the stub limit of {g} from {metres(now)} to {metres(um)}",
    concerned=lambda device, now: device.stub_um > now,
    promised="guaranteed_stub_um",
    figure=lambda s: s.longest_stub_um,
)
UNIT_LOADS = LimitHold(
    "unit-loads",
    "unit_loads_mul",
    "unit_loads",
    MUL_PER_UNIT_LOAD // 10,
    lambda p, g, limits, users: sum(d.unit_load_mul for d in users),
    lambda g, mul: f"A line of {g} carries at most {_unit_loads(mul)} unit loads.",
    lambda g, now, mul: (
        f"raise the unit loads of {g} from {_unit_loads(now)} to {_unit_loads(mul)}"
    ),
    figure=lambda s: s.unit_load_mul,
)
SPACING = LimitHold(
    "spacing",
    "spacing_min_um",
    "spacing_m",
    -CM,
    lambda p, g, limits, users: 0,
    lambda g, um: f"Neighbours on a line of {g} are at least {metres(um)} of cable apart.",
    lambda g, now, um: f"lower the least spacing on {g} from {metres(now)} to {metres(um)}",
)
LENGTH = LimitHold(
    "length",
    "length_um",
    "length_m",
    CM,
    lambda p, g, limits, users: enough_length_um(p, g),
    lambda g, um: f"A segment of {g} is at most {metres(um)} long.",
    lambda g, now, um: f"raise the length limit of {g} from {metres(now)} to {metres(um)}",
    promised="guaranteed_length_um",
    is_of_links=True,
    figure=lambda s: s.length_um,
)
LOAD = LimitHold(
    "load",
    "load_share_ppm",
    "load_share",
    PERCENT,
    lambda p, g, limits, users: PPM if p.streams else None,
    lambda g, ppm: f"A segment of {g} is busy at most {percent(ppm)} of the time.",
    lambda g, now, ppm: f"raise the load share of {g} from {percent(now)} to {percent(ppm)}",
    is_of_links=True,
    figure=lambda s: s.load_share_ppm,
)


def _reserve(
    rule: str,
    field: str,
    key: str,
    step: int,
    show: Callable[[int], str],
    figure: Callable[[SegmentFigures], int | None],
    *,
    is_many: bool = False,
) -> LimitHold:
    """Make the hold of room kept free on every line; what needs the room may be many."""

    def sentence(grade: str, now: int) -> str:
        are = "are" if is_many and now > 1 else "is"
        return f"{show(now)} of each line of {grade} {are} kept free for growth."

    return LimitHold(
        rule,
        field,
        key,
        -step,
        lambda p, g, limits, users: 0,
        sentence,
        lambda g, now, n: f"keep {show(n)} of each line of {g} free in place of {show(now)}",
        part=("reserve",),
        figure=figure,
    )


RESERVED_NODES = _reserve(
    "nodes", "nodes", "nodes", 1, lambda n: count(n, "node"), NODES.figure, is_many=True
)
RESERVED_LENGTH = _reserve("length", "length_um", "length_m", CM, metres, LENGTH.figure)
RESERVED_LOAD = _reserve("load", "load_share_ppm", "load_share", PERCENT, percent, LOAD.figure)


def pathway_capacity(problem: Problem) -> Handles:
    """Room in pathways for one cable more, and one more."""
    for pathway in problem.pathways:
        now = pathway.max_cables
        if now is not None and now < len(problem.devices):
            yield _room(problem, pathway, now)


def _room(problem: Problem, pathway: Pathway, now: int) -> Handle:
    def to(most: int | None) -> Change:
        return edit("pathways", pathway.id, max_cables=most)

    def used(assessment: Assessment) -> int:
        """Segments and backbone links that run through it where every option is fitted."""
        return len({
            piece.belongs_to for piece in assessment.wires
            if pathway.id in piece.pathways and not piece.only_without
        })

    return by_amount(
        "pathway-capacity",
        (pathway.id,),
        f"{count(now, 'cable')} {agree(now, 'fits', 'fit')} through {pathway.id}.",
        ("pathways", pathway.id, "max_cables"),
        Scale(
            now, len(problem.devices), 1, to,
            lambda most: f"make room for {most} cables in {pathway.id} in place of {now}",
            used,
        ),
        off=to(None),
    )  # fmt: skip
