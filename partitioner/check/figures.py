"""Figures of segments, and how near each rule is to breaking at its tightest place."""

from __future__ import annotations

from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.failures import losses
from partitioner.check.laid import LaidSegment
from partitioner.check.rules.limits import segments_through_pathways
from partitioner.check.rules.switches import reach_um
from partitioner.check.wording import duration, metres, percent, unit_loads
from partitioner.model.assessment import RuleMargin, SegmentFigures
from partitioner.model.catalogue import Trust
from partitioner.model.problem import Basis
from partitioner.network.routes import backbone_length_um
from partitioner.network.transfers import PREFIX
from partitioner.units import PPM

FILE = "problem file"


def segment_figures(facts: Facts) -> tuple[SegmentFigures, ...]:
    """Figures of every segment that has a known switch and grade, limits before reserve.

    A grade without limits of its own is measured against what it promises. Stubs and unit loads
    belong to shared lines; on links they are 0.
    """
    return tuple(_figures(facts, laid) for laid in facts.laid)


def _figures(facts: Facts, laid: LaidSegment) -> SegmentFigures:
    segment, grade, limits, geometry = laid.segment, laid.grade, laid.limits, laid.geometry
    devices = [facts.problem.devices[d] for d in segment.devices]
    positions = geometry.positions_um()
    return SegmentFigures(
        segment=segment,
        nodes=len(devices) + 1,
        nodes_limit=grade.guaranteed_nodes if limits is None else limits.nodes,
        length_um=geometry.length_um,
        length_limit_um=laid.length_limit_um,
        longest_stub_um=max((d.stub_um for d in devices), default=0) if laid.is_line else 0,
        stub_limit_um=grade.guaranteed_stub_um if limits is None else limits.stub_um,
        load_share_ppm=facts.timing.load_ppm[segment.id],
        load_limit_ppm=PPM if limits is None else limits.load_share_ppm,
        unit_load_mul=sum(d.unit_load_mul for d in devices) if laid.is_line else 0,
        unit_load_limit_mul=None if limits is None or not laid.is_line else limits.unit_loads_mul,
        cycle_ns=facts.timing.cycle_ns[segment.id],
        positions_um=tuple(positions[d] for d in segment.devices),
        switch_position_um=positions[segment.switch],
        route=geometry.route(facts.network),
    )


def rule_margins(facts: Facts) -> tuple[RuleMargin, ...]:
    """The tightest place of every rule with an amount, nearest to breaking first.

    A rule that nothing in the layout comes under has no margin and is left out.
    """
    found: dict[str, RuleMargin] = {}
    for margin in _margins(facts):
        known = found.get(margin.rule)
        if known is None or margin.used > known.used:
            found[margin.rule] = margin
    return tuple(sorted(found.values(), key=lambda m: (-m.used, m.rule)))


def _share(used: int, limit: int) -> float:
    if limit > 0:
        return used / limit
    return 1.0 if used <= 0 else float("inf")


def _kept(amount: int, text: str) -> str:
    return f" and {text} kept free" if amount else ""


def _left(left: int, text: str) -> str:
    return f"{text} {'left' if left >= 0 else 'too much'}"


def _margins(facts: Facts) -> Iterator[RuleMargin]:
    for laid in facts.laid:
        yield from _segment_margins(facts, laid)
    yield from _service_margins(facts)
    yield from _network_margins(facts)


def _segment_margins(facts: Facts, laid: LaidSegment) -> Iterator[RuleMargin]:
    limits, id_ = laid.limits, laid.segment.id
    if limits is None:
        return
    source, trust = FILE, Trust.USER.value
    if limits.basis is Basis.GUARANTEED:
        source, trust = laid.grade.source, laid.grade.trust.value
    reserve = limits.reserve

    spare_um, length_um = reserve.length_um, laid.geometry.length_um
    left_um = limits.length_um - length_um - spare_um
    yield RuleMargin(
        "length",
        id_,
        _share(length_um + spare_um, limits.length_um),
        f"{metres(length_um)}{_kept(spare_um, metres(spare_um))} of {metres(limits.length_um)}, "
        f"{_left(left_um, metres(abs(left_um)))}",
        source,
        trust,
    )
    load_ppm, spare_ppm = facts.timing.load_ppm[id_], reserve.load_share_ppm
    left_ppm = limits.load_share_ppm - load_ppm - spare_ppm
    yield RuleMargin(
        "load",
        id_,
        _share(load_ppm + spare_ppm, limits.load_share_ppm),
        f"{percent(load_ppm)}{_kept(spare_ppm, percent(spare_ppm))} of "
        f"{percent(limits.load_share_ppm)}, {_left(left_ppm, percent(abs(left_ppm)))}",
        FILE,
        Trust.USER.value,
    )
    if not laid.is_line:
        return
    nodes, spare = len(laid.segment.devices) + 1, reserve.nodes
    left = limits.nodes - nodes - spare
    yield RuleMargin(
        "nodes",
        id_,
        _share(nodes + spare, limits.nodes),
        f"{nodes}{_kept(spare, str(spare))} of {limits.nodes} nodes, {_left(left, str(abs(left)))}",
        source,
        trust,
    )
    for device in laid.segment.devices:
        stub_um = facts.problem.devices[device].stub_um
        if stub_um:
            left_um = limits.stub_um - stub_um
            yield RuleMargin(
                "stub",
                f"{device} on {id_}",
                _share(stub_um, limits.stub_um),
                f"{metres(stub_um)} of {metres(limits.stub_um)}, "
                f"{_left(left_um, metres(abs(left_um)))}",
                source,
                trust,
            )
    if limits.spacing_min_um:
        for piece in laid.geometry.pieces:
            apart_um = piece.way_um + piece.drop_slack_um
            yield RuleMargin(
                "spacing",
                f"{piece.inner} to {piece.owner} on {id_}",
                _share(limits.spacing_min_um, apart_um),
                f"{metres(apart_um)} apart, at least {metres(limits.spacing_min_um)}",
                FILE,
                Trust.USER.value,
            )
    if limits.unit_loads_mul is not None:
        total_mul = sum(facts.problem.devices[d].unit_load_mul for d in laid.segment.devices)
        left_mul = limits.unit_loads_mul - total_mul
        yield RuleMargin(
            "unit-loads",
            id_,
            _share(total_mul, limits.unit_loads_mul),
            f"{unit_loads(total_mul)} of {unit_loads(limits.unit_loads_mul)}, "
            f"{_left(left_mul, unit_loads(abs(left_mul)))}",
            FILE,
            Trust.USER.value,
        )


def _service_margins(facts: Facts) -> Iterator[RuleMargin]:
    for figures in facts.timing.streams:
        if figures.bound_ns is None or figures.margin_ns is None:
            continue
        yield RuleMargin(
            "deadline",
            f"{figures.stream} to {figures.destination}",
            _share(figures.bound_ns, figures.deadline_ns),
            f"{duration(figures.bound_ns)} of {duration(figures.deadline_ns)}, "
            f"{_left(figures.margin_ns, duration(abs(figures.margin_ns)))}",
            FILE,
            Trust.USER.value,
        )
    for figures in facts.timing.transfers:
        if figures.bound_ns is None or figures.margin_ns is None:
            continue
        yield RuleMargin(
            "transfer",
            f"{figures.stream.removeprefix(PREFIX)} to {figures.destination}",
            _share(figures.bound_ns, figures.deadline_ns),
            f"{duration(figures.bound_ns)} for a frame of a pace of "
            f"{duration(figures.deadline_ns)}, "
            f"{_left(figures.margin_ns, duration(abs(figures.margin_ns)))}",
            FILE,
            Trust.USER.value,
        )
    for rule, failure, lost in losses(facts):
        left = rule.most_lost - len(lost)
        yield RuleMargin(
            "failure",
            f"rule {rule.id}, {failure.kind.value} {'-'.join(failure.where)}",
            _share(len(lost), rule.most_lost),
            f"{len(lost)} of {rule.most_lost} devices, {_left(left, str(abs(left)))}",
            FILE,
            Trust.USER.value,
        )


def _network_margins(facts: Facts) -> Iterator[RuleMargin]:
    problem = facts.problem
    through = segments_through_pathways(facts)
    for pathway in problem.pathways:
        if pathway.max_cables is not None:
            used = len(through[pathway.id])
            left = pathway.max_cables - used
            yield RuleMargin(
                "pathway-capacity",
                pathway.id,
                _share(used, pathway.max_cables),
                f"{used} of {pathway.max_cables} segments, {_left(left, str(abs(left)))}",
                FILE,
                Trust.USER.value,
            )
    for link in facts.sound.backbone:
        length_um = backbone_length_um(problem, facts.network, link.ends)
        limit_um = reach_um(facts, link.grade)
        grade = problem.catalogue.grades[link.grade]
        stated = problem.limits.get(link.grade)
        own = stated is None or stated.basis is Basis.GUARANTEED
        yield RuleMargin(
            "backbone-reach",
            "-".join(link.ends),
            _share(length_um, limit_um),
            f"{metres(length_um)} of {metres(limit_um)}, "
            f"{_left(limit_um - length_um, metres(abs(limit_um - length_um)))}",
            grade.source if own else FILE,
            grade.trust.value if own else Trust.USER.value,
        )
    most_ppm = problem.backbone.load_share_ppm
    for (a, b), load_ppm in facts.timing.link_load_ppm.items():
        yield RuleMargin(
            "backbone-load",
            f"{a} to {b}",
            _share(load_ppm, most_ppm),
            f"{percent(load_ppm)} of {percent(most_ppm)}, "
            f"{_left(most_ppm - load_ppm, percent(abs(most_ppm - load_ppm)))}",
            FILE,
            Trust.USER.value,
        )
