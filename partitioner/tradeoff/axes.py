"""What can be weighed against cost: latency, margin, mass, ports, lines.

An axis gives every layout a whole number, less being better, and tells a planning run to stay at
or below a limit. Values come from the check; limits go to the solver by a road of their own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import ROUND_FLOOR

from partitioner.model.assessment import Assessment
from partitioner.model.problem import Objective, Problem, Stream
from partitioner.report.amounts import count_text, mass_text, ratio_text, time_text
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.master import Master
from partitioner.solve.search import Study
from partitioner.units import MG_PER_G, NS_PER_MS, PPM, ceil_div

OVERLOAD = 2**40
"""Value of a layout with a stream that has no bound."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One thing to weigh against cost.

    Attributes
    ----------
    id, name
        For the command line; for sentences ("worst latency").
    title, unit, scale
        Axis title of the chart, unit of the CSV column, and how many of ``value``'s units make
        one of it.
    digits
        Decimals shown of it; None: those of a time.
    of
        Value of a layout that was judged, a whole number, less being better; and the stream that it
        is of, where it is of one.
    limit
        Study that keeps every layout of a run at or below a value.
    floor
        A value no layout can be below.
    text
        A value, or a difference of two, in words.
    better
        How a difference for the better is called ("faster").
    proviso
        What every proof on this axis takes for granted; empty if nothing.
    at_title
        What the stream is called that a value is of ("Slowest stream").
    """

    id: str
    name: str
    title: str
    unit: str
    scale: int
    digits: int | None
    of: Callable[[Problem, Assessment], tuple[int, str]]
    limit: Callable[[Problem, int], Study]
    floor: Callable[[Problem], int]
    text: Callable[[int], str]
    better: str
    proviso: str = ""
    at_title: str = ""

    @property
    def is_shown_upward(self) -> bool:
        """Whether more is better as it is shown, as of a margin; as ``value`` less is."""
        return self.id == "margin"

    def shown(self, value: int) -> float:
        """A value in the unit of the chart."""
        return (PPM - value) / self.scale if self.is_shown_upward else value / self.scale


# -- worst latency, least margin --------------------------------------------------------------


def _worst(
    problem: Problem, assessment: Assessment, of: Callable[[int, int], int]
) -> tuple[int, str]:
    """Largest of what ``of`` makes of bound and deadline, in ns, over all streams; whose it is."""
    return max(
        (
            (OVERLOAD if f.bound_ns is None else of(f.bound_ns, f.deadline_ns), f.stream)
            for f in assessment.streams
            if f.stream in problem.streams
        ),
        default=(0, ""),
    )


def _slowest(problem: Problem, assessment: Assessment) -> tuple[int, str]:
    """The largest worst-case delay of any stream, end to end, in ns, and whose it is."""
    return _worst(problem, assessment, lambda bound_ns, deadline_ns: bound_ns)


def _tightest(problem: Problem, assessment: Assessment) -> tuple[int, str]:
    """The largest share of its deadline that a stream may use, in ppm, rounded up; whose it is."""
    return _worst(
        problem, assessment, lambda bound_ns, deadline_ns: ceil_div(bound_ns * PPM, deadline_ns)
    )


def _no_tighter_than(problem: Problem, limit_ppm: int) -> Study:
    def limit(stream: Stream) -> int:
        return stream.deadline_ns * limit_ppm // PPM

    return Study(latency_limit=limit)


def least_delays_ns(problem: Problem) -> dict[str, int]:
    """For each stream a time that its worst-case delay cannot go below in any layout.

    Each end has its best segment with no traffic of others but the stream itself, the switches are
    crossed without waiting, and where the ends could share a line the sender's leg is enough.
    """
    instance = Instance(problem)
    latency = ColumnBuilder(instance).latency
    found = {}
    for j, stream in enumerate(instance.streams):
        up = latency.least_up(j)
        rest = [
            0
            if instance.may_share_a_line(stream.source_device, target.device)
            else latency.least_forward_ns + latency.least_down(j, target.device)
            for target in stream.targets
        ]
        found[stream.id] = up + max(rest, default=0)
    return found


def _least_use_ppm(problem: Problem) -> int:
    least = least_delays_ns(problem)
    return max(
        (ceil_div(least[s.id] * PPM, s.deadline_ns) for s in problem.streams.values()), default=0
    )


# -- ports, lines -----------------------------------------------------------------------------


def _segment_cap(counts: Callable[[Master, Column], bool]) -> Callable[[Problem, int], Study]:
    """A study that caps how many segments of a kind are chosen."""

    def study(problem: Problem, limit: int) -> Study:
        def extend(master: Master) -> None:
            fixed = sum(counts(master, c.column) for c in master.fixed)
            wanted = [k for k, c in enumerate(master.columns) if counts(master, c)]
            master.model.add(master.chosen(wanted) <= limit - fixed)

        return Study(extend=extend)

    return study


def _line_count(problem: Problem, assessment: Assessment) -> tuple[int, str]:
    return sum(problem.catalogue.is_line(s.grade) for s in assessment.layout.segments), ""


# -- mass -------------------------------------------------------------------------------------


def weighed_only(problem: Problem) -> Problem:
    """The same problem with everything free but mass, one money step a milligram, and no traffic.

    A segment's cost in it is its mass in mg, exactly.
    """
    free = problem.catalogue
    catalogue = replace(
        free,
        cables={k: replace(c, price_per_m_money=0) for k, c in free.cables.items()},
        parts={k: replace(p, price_money=0) for k, p in free.parts.items()},
    )
    return replace(
        problem,
        catalogue=catalogue,
        objective=Objective(mass_price_per_kg_money=1_000_000),
        streams={},
        transfers={},
        switches={
            k: replace(
                s,
                price_money=0,
                port_groups=tuple(replace(g, price_money=0) for g in s.port_groups),
            )
            for k, s in problem.switches.items()
        },
        devices={
            k: replace(
                d,
                grades=tuple(
                    c if c.phy_price_money is None else replace(c, phy_price_money=0)
                    for c in d.grades
                ),
            )
            for k, d in problem.devices.items()
        },
    )


def _no_heavier_than(problem: Problem, limit_mg: int) -> Study:
    twin = Instance(weighed_only(problem))
    builder, backbone = ColumnBuilder(twin), BackboneData(twin)
    masses: dict[Column, int] = {}

    def mass_of(column: Column) -> int:
        known = masses.get(column)
        if known is None:
            made = (
                builder.line(column.switch, column.grade, column.out, column.back)
                if twin.grades[column.grade].is_line
                else builder.link(column.switch, column.grade, column.devices[0])
            )
            assert made is not None, "the same rules hold for the twin"
            known = masses[column] = made.cost
        return known

    def extend(master: Master) -> None:
        terms, weights, fixed = [], [], 0
        for k, column in enumerate(master.columns):
            for p, var in master.pick[k].items():
                terms.append(var)
                weights.append(mass_of(column) + twin.port_classes[p].value)
        for choice in master.fixed:
            fixed += mass_of(choice.column) + twin.port_classes[choice.port].value
        for s, var in enumerate(master.opened):
            terms.append(var)
            weights.append(backbone.switch_value(s))
        for (index, grade), var in master.link_built.items():
            terms.append(var)
            weights.append(backbone.link_value(index, grade))
        total = sum(w * v for v, w in zip(terms, weights, strict=True))
        master.model.add(total <= limit_mg - fixed)

    return Study(extend=extend)


AXES: dict[str, Axis] = {
    axis.id: axis
    for axis in (
        Axis(
            "latency", "worst latency",
            "longest worst-case delay of any stream, end to end, in ms", "ms", NS_PER_MS, None,
            _slowest, lambda problem, limit_ns: Study(latency_limit=lambda stream: limit_ns),
            lambda problem: max(least_delays_ns(problem).values(), default=0), time_text, "faster",
            at_title="Slowest stream",
        ),
        Axis(
            "margin", "least margin", "least margin, % of a deadline", "%", PPM // 100, 1,
            _tightest, _no_tighter_than, _least_use_ppm,
            lambda ppm: ratio_text(ppm / PPM, 1, ROUND_FLOOR), "more margin",
            at_title="Tightest stream",
        ),
        Axis(
            "mass", "mass", "mass in g", "g", MG_PER_G, 0,
            lambda problem, assessment: (assessment.cost.mass_mg, ""), _no_heavier_than,
            lambda problem: 0, mass_text, "lighter",
            "Lines are taken in their cheapest order each, which is the lightest one but for "
            "rounding.",
        ),
        Axis(
            "ports", "ports in use", "ports in use", "ports", 1, 0,
            # Those of the backbone are not counted.
            lambda problem, assessment: (len(assessment.layout.segments), ""),
            _segment_cap(lambda master, column: True), lambda problem: 1,
            lambda n: count_text(n, "port"), "fewer",
        ),
        Axis(
            "lines", "shared lines", "shared lines", "lines", 1, 0,
            _line_count,
            _segment_cap(lambda master, column: master.instance.grades[column.grade].is_line),
            lambda problem: 0, lambda n: count_text(n, "line"), "fewer",
        ),
    )
}  # fmt: skip
"""Every axis by its id; the first one is the default."""
