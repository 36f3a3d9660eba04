"""Rules on the limits of a segment and of the pathways; the reserve for growth counts as used."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from partitioner.check.facts import Facts
from partitioner.check.laid import LaidSegment
from partitioner.check.rules.measure import Breach, Measure
from partitioner.check.rules.rule import Chapter
from partitioner.model.layout import link_name
from partitioner.model.problem import Basis, SegmentLimits
from partitioner.wording import agree, count, listed, metres, percent, unit_loads

CHAPTER = Chapter("Limits")


def _limited(facts: Facts) -> Iterator[tuple[LaidSegment, SegmentLimits]]:
    for laid in facts.laid:
        if laid.limits is not None:
            yield laid, laid.limits


def _limited_lines(facts: Facts) -> Iterator[tuple[LaidSegment, SegmentLimits]]:
    return ((laid, limits) for laid, limits in _limited(facts) if laid.is_line)


def _origin(laid: LaidSegment, limits: SegmentLimits) -> dict[str, Any]:
    """Where a limit comes from that the standard may promise; the file if not told."""
    is_promised = limits.basis is Basis.GUARANTEED
    return {"source": laid.grade.source, "trust": laid.grade.trust} if is_promised else {}


def _amount(
    laid: LaidSegment, used: int, limit: int, show: Callable[[int], str], breach: str, **more: Any
) -> Measure:
    """What a segment has of an amount that its grade limits."""
    id_ = laid.segment.id
    return Measure((id_,), id_, used, limit, show, breach, grade=laid.grade.id, **more)


@CHAPTER.limit(
    "nodes",
    "The nodes of a line, its switch port and the reserve included, are within the limit.",
    keys=("limits.*.nodes", "limits.*.reserve.nodes"),
    by_segment=True,
)
def _nodes(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited_lines(facts):
        yield _amount(
            laid,
            len(laid.segment.devices) + 1,
            limits.nodes,
            str,
            "{0} has {used} nodes with its switch port{kept}: {over} above the limit of "
            "{limit} for {grade}.",
            margin="{used}{kept} of {limit} nodes, {left}",
            spare=limits.reserve.nodes,
            **_origin(laid, limits),
        )


@CHAPTER.limit(
    "length",
    "The cable of a segment, slack and reserve included, is within the limit.",
    keys=("limits.*.length_m", "limits.*.reserve.length_m"),
    note="The length is the sum of all pieces from drop to drop with the slack of every drop and "
    "of both ends. Stubs do not count.",
    by_segment=True,
)
def _length(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited(facts):
        yield _amount(
            laid,
            laid.geometry.length_um,
            limits.length_um,
            metres,
            "{0} is {used} long{kept}: {over} above the limit of {limit} for {grade}.",
            spare=limits.reserve.length_um,
            **_origin(laid, limits),
        )


@CHAPTER.limit(
    "stub",
    "No stub on a line is longer than the limit.",
    keys=("limits.*.stub_m",),
    note="A link has no stubs.",
    by_segment=True,
)
def _stub(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited_lines(facts):
        for device in laid.segment.devices:
            stub_um = facts.problem.devices[device].stub_um
            if stub_um:
                yield Measure(
                    (laid.segment.id, device),
                    f"{device} on {laid.segment.id}",
                    stub_um,
                    limits.stub_um,
                    metres,
                    "The stub of {1} on {0} is {used} long: {over} above the limit of {limit} for "
                    "{grade}.",
                    grade=laid.grade.id,
                    **_origin(laid, limits),
                )


@CHAPTER.limit(
    "spacing",
    "Neighbouring nodes on a line are at least the stated length of cable apart.",
    keys=("limits.*.spacing_m",),
    note="The cable way and the slack of the drop count, the slack of an end does not. The switch "
    "port is a node too.",
    by_segment=True,
)
def _spacing(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited_lines(facts):
        if not limits.spacing_min_um:
            continue
        for piece in laid.geometry.pieces:
            yield Measure(
                (laid.segment.id, piece.inner, piece.owner),
                f"{piece.inner} to {piece.owner} on {laid.segment.id}",
                piece.way_um + piece.drop_slack_um,
                limits.spacing_min_um,
                metres,
                "{1} and {2} are {used} of cable apart on {0}: {over} less than the least spacing "
                "of {limit} for {grade}.",
                "{used} apart, at least {limit}",
                grade=laid.grade.id,
                is_least=True,
            )


@CHAPTER.limit(
    "load",
    "The share of time a segment is busy, the reserve included, is within the limit.",
    keys=("limits.*.load_share", "limits.*.reserve.load_share"),
    note="On a line every frame counts with its gap, preamble, end delimiters and one loop delay. "
    "On a full-duplex link the busier direction counts.",
)
def _load(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited(facts):
        load_ppm = facts.timing.load_ppm.get(laid.segment.id)
        if load_ppm is not None:
            yield _amount(
                laid,
                load_ppm,
                limits.load_share_ppm,
                percent,
                "{0} is {used} loaded{kept}: {over} of the time above the limit of {limit} for "
                "{grade}.",
                spare=limits.reserve.load_share_ppm,
            )


@CHAPTER.limit(
    "unit-loads",
    "The unit loads of a line are within the limit.",
    keys=("limits.*.unit_loads",),
    by_segment=True,
)
def _unit_loads(facts: Facts) -> Iterator[Measure]:
    for laid, limits in _limited_lines(facts):
        if limits.unit_loads_mul is not None:
            yield _amount(
                laid,
                sum(facts.problem.devices[d].unit_load_mul for d in laid.segment.devices),
                limits.unit_loads_mul,
                unit_loads,
                "{0} carries {used}: {over} above the limit of {limit} for {grade}.",
            )


def cables_through_pathways(facts: Facts) -> dict[str, list[str]]:
    """Segments and backbone links that run through each pathway, in the order of the layout.

    One that runs through a pathway there and back counts once.
    """
    through: dict[str, list[str]] = {pathway.id: [] for pathway in facts.problem.pathways}
    for laid in facts.laid:
        for pathway in laid.geometry.pathways(facts.network):
            through[pathway].append(laid.segment.id)
    for link in facts.layout.backbone:
        if all(end in facts.problem.switches for end in link.ends):
            for pathway in facts.network.pathways_on(*link.ends):
                through[pathway].append(link_name(*link.ends))
    return through


def _pathways(facts: Facts) -> Iterator[Measure]:
    limits = [(p.id, p.max_cables) for p in facts.problem.pathways if p.max_cables is not None]
    through = cables_through_pathways(facts) if limits else {}
    for pathway, limit in limits:
        cables = through[pathway]
        yield Measure(
            (pathway, *cables),
            pathway,
            len(cables),
            limit,
            str,
            margin="{used} of {limit} cables, {left}",
        )


@CHAPTER.rule(
    "pathway-capacity",
    "No more cables run through a pathway than fit; one that runs there and back counts once.",
    measures=_pathways,
    keys=("pathways.*.max_cables",),
    note="Segments and backbone links count, each by its shortest cable way.",
)
def _pathway_capacity(facts: Facts) -> Iterator[Breach]:
    for full in _pathways(facts):
        if full.over > 0:
            pathway, *cables = full.subjects
            yield (
                full.subjects,
                f"{count(len(cables), 'cable')} ({listed(cables)}) "
                f"{agree(len(cables), 'runs', 'run')} through {pathway}: {full.over} above the "
                f"{full.limit} that fit.",
            )
