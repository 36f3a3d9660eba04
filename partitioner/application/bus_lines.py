"""What each way to pack bus messages means for load and delay: every bus as one shared line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from partitioner.check.judge import assess
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Device, GradeChoice, PortGroup, Problem, Stream, Switch
from partitioner.reading.build import stream_of
from partitioner.reading.messages import buses_of, streams_of
from partitioner.reading.schema import MessageTable, Packing, StreamTable

_GRADE = "10BASE-T1S-multidrop"
_MOST_NODES = 255


@dataclass(frozen=True, slots=True)
class BusVariant:
    """A bus as one shared line, with its messages packed one way.

    ``worst_ns`` is the longest worst-case delay of a stream between nodes of the bus, None where
    the line is overloaded; ``late`` counts streams that may miss their deadline.
    """

    bus: str
    packing: Packing
    nodes: int
    messages: int
    streams: int
    frames_per_s: float
    load_share: float
    worst_ns: int | None
    late: int


def bus_variants(messages: Sequence[MessageTable], problem: Problem) -> list[BusVariant]:
    """Weigh every way to pack the messages of every bus.

    Each bus becomes one shared line of all its nodes, 0.5 m apart, with a switch port at its end:
    no layout, but the same for all ways, so that they can be compared. A bus of more nodes than
    PLCA has IDs for is left out.
    """
    found = []
    for bus, nodes in buses_of(messages).items():
        own = [m for m in messages if m.bus == bus]
        names = [n for n in nodes if n]
        if not 2 <= len(names) < _MOST_NODES:
            continue
        for packing in Packing:
            found.append(_variant(bus, names, own, packing, problem))
    return found


def _variant(
    bus: str, nodes: Sequence[str], own: Sequence[MessageTable], packing: Packing, problem: Problem
) -> BusVariant:
    inside = set(nodes)
    streams: dict[str, Stream] = {}
    for made in streams_of(own, packing):
        table = StreamTable.model_validate(made.raw)
        near = tuple(n for n in table.to if n in inside)
        stream = stream_of(table)
        # Receivers elsewhere hear it through the switch port, where it passes in any case.
        name = f"{stream.id}-{len(streams)}"
        streams[name] = replace(stream, id=name, destinations=near or (bus,))
    line = _one_line(bus, nodes, streams, problem)
    segment = Segment(
        "line", bus, 1, _GRADE, tuple(nodes), 0, tuple(range(1, len(nodes) + 1)), len(nodes) + 1
    )
    judged = assess(line, Layout(line.name, "", (bus,), (), (segment,)))
    worst = [s.bound_ns for s in judged.streams]
    return BusVariant(
        bus=bus,
        packing=packing,
        nodes=len(nodes),
        messages=len(own),
        streams=len(streams),
        frames_per_s=sum(1e9 / s.period_ns for s in streams.values()),
        load_share=judged.segments[0].load_share_ppm / 1e6,
        worst_ns=None if None in worst else max((w for w in worst if w is not None), default=0),
        late=sum(s.margin_ns is None or s.margin_ns < 0 for s in judged.streams),
    )


def _one_line(
    bus: str, nodes: Sequence[str], streams: dict[str, Stream], problem: Problem
) -> Problem:
    """A problem of nothing but one bus."""
    grade = (GradeChoice(_GRADE),)
    return replace(
        problem,
        name=bus,
        places={},
        pathways=(),
        switches={
            bus: Switch(bus, None, (0, 0, 0), (PortGroup((_GRADE,), 1),), 0, 0, True, 0)
        },
        backbone=replace(problem.backbone, links=()),
        devices={
            n: Device(n, None, ((k + 1) * 500_000, 0, 0), grade) for k, n in enumerate(nodes)
        },
        groups=(),
        streams=streams,
        transfers={},
        options={},
        builds=(),
        forecast=(),
        failure_rules=(),
    )
