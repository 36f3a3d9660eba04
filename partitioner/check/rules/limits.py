"""Rules on the limits of a segment and of the pathways; the reserve for growth counts as used."""

from __future__ import annotations

from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.rules.rule import Breach, Rule
from partitioner.check.wording import agree, count, listed, metres, percent, unit_loads


def _nodes(facts: Facts) -> Iterator[Breach]:
    for laid in facts.lines:
        if laid.limits is None:
            continue
        spare = laid.limits.reserve.nodes
        nodes = len(laid.segment.devices) + 1
        over = nodes + spare - laid.limits.nodes
        if over > 0:
            kept = f" and keeps {spare} free" if spare else ""
            yield (
                (laid.segment.id,),
                f"{laid.segment.id} has {nodes} nodes, the switch port included{kept}: {over} "
                f"above the limit of {laid.limits.nodes} for {laid.grade.id}.",
            )


def _length(facts: Facts) -> Iterator[Breach]:
    for laid in facts.laid:
        if laid.limits is None:
            continue
        spare_um = laid.limits.reserve.length_um
        length_um = laid.geometry.length_um
        over_um = length_um + spare_um - laid.limits.length_um
        if over_um > 0:
            kept = f" and keeps {metres(spare_um)} free" if spare_um else ""
            yield (
                (laid.segment.id,),
                f"{laid.segment.id} is {metres(length_um)} long{kept}: {metres(over_um)} above "
                f"the limit of {metres(laid.limits.length_um)} for {laid.grade.id}.",
            )


def _stub(facts: Facts) -> Iterator[Breach]:
    for laid in facts.lines:
        if laid.limits is None:
            continue
        for device in laid.segment.devices:
            stub_um = facts.problem.devices[device].stub_um
            over_um = stub_um - laid.limits.stub_um
            if over_um > 0:
                yield (
                    (laid.segment.id, device),
                    f"The stub of {device} on {laid.segment.id} is {metres(stub_um)} long: "
                    f"{metres(over_um)} above the limit of {metres(laid.limits.stub_um)} for "
                    f"{laid.grade.id}.",
                )


def _spacing(facts: Facts) -> Iterator[Breach]:
    for laid in facts.lines:
        if laid.limits is None:
            continue
        least_um = laid.limits.spacing_min_um
        for piece in laid.geometry.pieces:
            apart_um = piece.way_um + piece.drop_slack_um
            if apart_um < least_um:
                yield (
                    (laid.segment.id, piece.inner, piece.owner),
                    f"{piece.inner} and {piece.owner} are {metres(apart_um)} of cable apart on "
                    f"{laid.segment.id}: {metres(least_um - apart_um)} less than the least "
                    f"spacing of {metres(least_um)} for {laid.grade.id}.",
                )


def _load(facts: Facts) -> Iterator[Breach]:
    for laid in facts.laid:
        load_ppm = facts.timing.load_ppm.get(laid.segment.id)
        if laid.limits is None or load_ppm is None:
            continue
        spare_ppm = laid.limits.reserve.load_share_ppm
        over_ppm = load_ppm + spare_ppm - laid.limits.load_share_ppm
        if over_ppm > 0:
            kept = f" and keeps {percent(spare_ppm)} free" if spare_ppm else ""
            yield (
                (laid.segment.id,),
                f"{laid.segment.id} is {percent(load_ppm)} loaded{kept}: {percent(over_ppm)} of "
                f"the time above the limit of {percent(laid.limits.load_share_ppm)} for "
                f"{laid.grade.id}.",
            )


def _unit_loads(facts: Facts) -> Iterator[Breach]:
    for laid in facts.lines:
        if laid.limits is None or laid.limits.unit_loads_mul is None:
            continue
        total_mul = sum(facts.problem.devices[d].unit_load_mul for d in laid.segment.devices)
        over_mul = total_mul - laid.limits.unit_loads_mul
        if over_mul > 0:
            yield (
                (laid.segment.id,),
                f"{laid.segment.id} carries {unit_loads(total_mul)}: {unit_loads(over_mul)} above "
                f"the limit of {unit_loads(laid.limits.unit_loads_mul)} for {laid.grade.id}.",
            )


def segments_through_pathways(facts: Facts) -> dict[str, list[str]]:
    """Ids of the segments that run through each pathway, in the order of the layout.

    A segment that runs through a pathway there and back counts once.
    """
    through: dict[str, list[str]] = {pathway.id: [] for pathway in facts.problem.pathways}
    for laid in facts.laid:
        for pathway in laid.geometry.pathways(facts.network):
            through[pathway].append(laid.segment.id)
    return through


def _pathway_capacity(facts: Facts) -> Iterator[Breach]:
    through = segments_through_pathways(facts)
    for pathway in facts.problem.pathways:
        if pathway.max_cables is None:
            continue
        segments = through[pathway.id]
        over = len(segments) - pathway.max_cables
        if over > 0:
            yield (
                (pathway.id, *segments),
                f"{count(len(segments), 'segment')} ({listed(segments)}) "
                f"{agree(len(segments), 'runs', 'run')} through {pathway.id}: {over} above the "
                f"{pathway.max_cables} that fit.",
            )


RULES = (
    Rule(
        "nodes",
        "The nodes of a line, its switch port and the reserve included, are within the limit.",
        _nodes,
    ),
    Rule(
        "length",
        "The cable of a segment, slack and reserve included, is within the limit.",
        _length,
    ),
    Rule("stub", "No stub on a line is longer than the limit.", _stub),
    Rule(
        "spacing",
        "Neighbouring nodes on a line are at least the stated length of cable apart.",
        _spacing,
    ),
    Rule(
        "load",
        "The share of time a segment is busy, the reserve included, is within the limit.",
        _load,
    ),
    Rule("unit-loads", "The unit loads of a line are within the limit.", _unit_loads),
    Rule(
        "pathway-capacity",
        "No more segments run through a pathway than fit; one that runs there and back counts "
        "once.",
        _pathway_capacity,
    ),
)
