"""A hand-made problem and a layout of it that keeps every rule; tests break one thing at a time.

Six places in a row, a switch at each end, a candidate in the middle that stays closed::

    p0 --1.0-- p1 --1.5-- p2 --2.0-- p3 --1.0-- p4 --1.0-- p5      (metres along the pathways)
    front      lamp-1     lamp-2     heater     motor-1    rear
               brain                 camera     motor-2
                                     spare
"""

from __future__ import annotations

from dataclasses import replace

from partitioner.check.facts import Facts, gather_facts
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import (
    Backbone,
    BackboneLink,
    Basis,
    ChangePrices,
    Device,
    Encapsulation,
    FailureRule,
    GradeChoice,
    Group,
    GroupKind,
    LineRules,
    Objective,
    Option,
    Pathway,
    Place,
    PlcaRules,
    PortGroup,
    Problem,
    ReleaseKind,
    Reserve,
    Routing,
    SegmentLimits,
    Sharing,
    Stream,
    Switch,
)
from tests.brute.parts import LINE, LINK100, LINK1000, small_catalogue

M = 1_000_000
MS = 1_000_000


def _device(id_: str, place: str, grade: str = LINE, **more) -> Device:
    return Device(id=id_, place=place, position_um=None, grades=(GradeChoice(grade),), **more)


def _switch(id_: str, place: str, lines: int, links: int, required: bool = True) -> Switch:
    return Switch(
        id=id_,
        place=place,
        position_um=None,
        port_groups=(PortGroup((LINE,), lines, 7_000), PortGroup((LINK100,), links, 5_000)),
        price_money=400_000,
        mass_mg=250_000,
        required=required,
        forwarding_delay_ns=5_000,
    )


def stream(id_: str, source: str, destinations: tuple[str, ...], **more) -> Stream:
    """A stream with plain figures; ``more`` replaces any of them."""
    plain = Stream(
        id=id_,
        source=source,
        destinations=destinations,
        payload_bytes=8,
        encapsulation=Encapsulation.RAW,
        tagged=True,
        kind=ReleaseKind.PERIODIC,
        period_ns=20 * MS,
        jitter_ns=0,
        deadline_ns=20 * MS,
        pcp=3,
    )
    return replace(plain, **more)


def ground_problem() -> Problem:
    """The problem drawn above."""
    places = {
        f"p{k}": Place(f"p{k}", (x, 0, 0))
        for k, x in enumerate([0, M, 2_500_000, 4_500_000, 5_500_000, 6_500_000])
    }
    lengths = [M, 1_500_000, 2 * M, M, M]
    pathways = tuple(
        Pathway(f"w{k}{k + 1}", (f"p{k}", f"p{k + 1}"), length, max_cables=3 if k == 2 else None)
        for k, length in enumerate(lengths)
    )
    devices = [
        _device("lamp-1", "p1", safety_level=1, security_domain="body", stub_um=50_000),
        _device("lamp-2", "p2", safety_level=2, security_domain="comfort"),
        _device("heater", "p3", option="winter"),
        _device("brain", "p1", LINK100),
        _device("camera", "p3", LINK100),
        _device("motor-1", "p4", function="drive", safety_level=3),
        _device("motor-2", "p4", function="drive", security_domain="drive"),
    ]
    streams = [
        stream("light", "brain", ("lamp-1", "lamp-2")),
        stream("drive", "brain", ("motor-1", "motor-2"), period_ns=10 * MS, deadline_ns=10 * MS),
        stream("heat", "heater", ("brain",)),
        stream("picture", "camera", ("brain",), payload_bytes=1_400, period_ns=MS),
        stream("speed", "motor-1", ("motor-2", "front")),
    ]
    line = SegmentLimits(
        basis=Basis.ENGINEERED,
        nodes=6,
        length_um=12 * M,
        stub_um=100_000,
        load_share_ppm=500_000,
        unit_loads_mul=5_000,
        spacing_min_um=100_000,
        reserve=Reserve(nodes=1, length_um=2 * M, load_share_ppm=50_000),
    )
    link = SegmentLimits(Basis.GUARANTEED, 2, 15 * M, 0, 500_000)
    return Problem(
        name="ground",
        currency="EUR",
        note="made for the tests",
        places=places,
        pathways=pathways,
        routing=Routing(),
        switches={
            "front": _switch("front", "p0", lines=2, links=2),
            "rear": _switch("rear", "p5", lines=2, links=2),
            "spare": _switch("spare", "p3", lines=1, links=1, required=False),
        },
        backbone=Backbone(
            links=(
                BackboneLink(("front", "rear"), (LINK1000,), length_um=6 * M),
                BackboneLink(("front", "spare"), (LINK1000, LINK100)),
                BackboneLink(("spare", "rear"), (LINK1000, LINK100)),
            ),
        ),
        devices={d.id: d for d in devices},
        groups=(
            Group("lamps", GroupKind.TOGETHER, ("lamp-1", "lamp-2")),
            Group("ends", GroupKind.APART_SWITCH, ("lamp-1", "motor-1")),
            Group("heat", GroupKind.APART_SEGMENT, ("heater", "motor-2")),
        ),
        streams={s.id: s for s in streams},
        transfers={},
        limits={LINE: line, LINK100: link},
        line=LineRules(drop_slack_um=100_000, end_slack_um=200_000, option_tail=True),
        plca=PlcaRules(),
        sharing=Sharing(domains=(frozenset({"body", "comfort"}),), safety_span=1),
        options={"winter": Option("winter", 300_000)},
        builds=(),
        forecast=(),
        failure_rules=(FailureRule("keep-driving", None, "drive", 2),),
        change_prices=ChangePrices(),
        objective=Objective(),
        catalogue=small_catalogue(),
        digest="ground",
    )


def ground_layout() -> Layout:
    """A layout that keeps every rule."""
    return Layout(
        problem_name="ground",
        problem_digest="ground",
        open_switches=("front", "rear"),
        backbone=(BuiltLink(("front", "rear"), LINK1000),),
        segments=(
            Segment(
                "line-front", "front", 1, LINE, ("lamp-1", "lamp-2", "heater"), 0, (1, 2, 3), 5
            ),
            Segment("link-brain", "front", 3, LINK100, ("brain",)),
            Segment("line-rear", "rear", 1, LINE, ("motor-1", "motor-2"), 2, (2, 1), 4),
            Segment("link-camera", "rear", 3, LINK100, ("camera",)),
        ),
    )


def facts_of(problem: Problem, layout: Layout | None = None) -> Facts:
    """What the check finds out of a layout, that of above if none is given."""
    return gather_facts(problem, layout or ground_layout())


def with_segment(layout: Layout, id_: str, **changes) -> Layout:
    """The layout with some fields of one segment replaced."""
    assert any(s.id == id_ for s in layout.segments)
    return replace(
        layout,
        segments=tuple(replace(s, **changes) if s.id == id_ else s for s in layout.segments),
    )


def without_segment(layout: Layout, id_: str) -> Layout:
    """The layout less one segment."""
    return replace(layout, segments=tuple(s for s in layout.segments if s.id != id_))


def with_device(problem: Problem, id_: str, **changes) -> Problem:
    """The problem with some fields of one device replaced."""
    return replace(
        problem, devices={**problem.devices, id_: replace(problem.devices[id_], **changes)}
    )


def with_limits(problem: Problem, grade: str, **changes) -> Problem:
    """The problem with some limits of one grade replaced."""
    return replace(
        problem, limits={**problem.limits, grade: replace(problem.limits[grade], **changes)}
    )
