"""Seeded problems without a layout, each for a reason that is put in on purpose."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

from partitioner.model.problem import (
    Backbone,
    BackboneLink,
    Basis,
    Device,
    Encapsulation,
    FailureRule,
    GradeChoice,
    Group,
    GroupKind,
    LineRules,
    Metric,
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
)
from tests.brute.parts import LINE, LINK10, LINK100, LINK1000
from tests.brute.random_problems import random_problem

M = 1_000_000
MS = 1_000_000


def roomy(seed: int, devices: int = 5, switches: int = 1, ports: int = 1) -> Problem:
    """A problem with room on all sides: ``ports`` line ports a switch, limits far off."""
    rng = random.Random(seed)
    base = random_problem(seed, devices, switches=switches, streams=False)

    def spot() -> tuple[int, int, int]:
        return (rng.randrange(100, 500) * 10_000, rng.randrange(100, 400) * 10_000, 0)

    hubs = {
        k: replace(
            s,
            place=None,
            position_um=spot(),
            port_groups=(PortGroup((LINE,), ports, 7_003),),
            forwarding_delay_ns=5_000,
        )
        for k, s in base.switches.items()
    }
    ids = list(hubs)
    line = SegmentLimits(Basis.ENGINEERED, devices + 2, 60 * M, 100_000, 600_000)
    link = SegmentLimits(Basis.GUARANTEED, 2, 15 * M, 0, 750_000)
    return replace(
        base,
        name=f"no-layout-{seed}",
        routing=Routing(Metric.RECTILINEAR, 1_000_000),
        switches=hubs,
        backbone=Backbone(
            links=tuple(
                BackboneLink((a, b), (LINK1000,), length_um=3 * M)
                for k, a in enumerate(ids)
                for b in ids[k + 1 :]
            )
        ),
        devices={
            f"d{k}": Device(f"d{k}", None, spot(), (GradeChoice(LINE),), stub_um=50_000)
            for k in range(devices)
        },
        streams={
            f"s{k}": _stream(f"s{k}", f"d{k}", ids[0], rng.choice([10, 20, 50]) * MS)
            for k in range(devices)
        },
        limits={LINE: line, LINK10: link, LINK100: link, LINK1000: link},
        line=LineRules(drop_slack_um=50_000, end_slack_um=100_000),
        plca=PlcaRules(),
    )


def _stream(id_: str, source: str, target: str, period_ns: int) -> Stream:
    return Stream(
        id_, source, (target,), 16, Encapsulation.RAW, True, ReleaseKind.PERIODIC,
        period_ns, 0, period_ns, 3,
    )  # fmt: skip


def limited(problem: Problem, **changes) -> Problem:
    """The problem with other limits of lines."""
    changed = replace(problem.limits[LINE], **changes)
    return replace(problem, limits={**problem.limits, LINE: changed})


def changed(problem: Problem, device: str, **changes) -> Problem:
    """The problem with another device."""
    devices = {
        k: replace(d, **changes) if k == device else d for k, d in problem.devices.items()
    }
    return replace(problem, devices=devices)


def grouped(problem: Problem, kind: GroupKind, *devices: str) -> Problem:
    """The problem with one group more."""
    return replace(
        problem, groups=(*problem.groups, Group(f"g{len(problem.groups)}", kind, devices))
    )


def ports_and_nodes(seed: int) -> Problem:
    return limited(roomy(seed), nodes=4)


def length(seed: int) -> Problem:
    return limited(changed(roomy(seed, ports=5), "d2", position_um=(30 * M, 9 * M, 0)),
                   length_um=20 * M)  # fmt: skip


def stub(seed: int) -> Problem:
    return changed(roomy(seed), "d3", stub_um=250_000)


def ports_and_unit_loads(seed: int) -> Problem:
    return limited(roomy(seed), unit_loads_mul=3_500)


def ports_and_load(seed: int) -> Problem:
    problem = roomy(seed)
    streams = {
        k: replace(s, payload_bytes=700, period_ns=10 * MS, deadline_ns=40 * MS)
        for k, s in problem.streams.items()
    }
    return limited(replace(problem, streams=streams), load_share_ppm=200_000)


def ports_and_spacing(seed: int) -> Problem:
    """Four devices at one spot and only one other to stand between them."""
    problem = roomy(seed)
    beside = problem.devices["d0"].position_um
    for k in range(1, 4):
        problem = changed(problem, f"d{k}", position_um=beside)
    return limited(problem, spacing_min_um=300_000)


def reserve(seed: int) -> Problem:
    return limited(roomy(seed), nodes=6, reserve=Reserve(nodes=1))


def deadline(seed: int) -> Problem:
    problem = roomy(seed, ports=5)
    late = replace(problem.streams["s1"], deadline_ns=120_000)
    return replace(problem, streams={**problem.streams, "s1": late})


def pins(seed: int) -> Problem:
    problem = limited(roomy(seed, switches=2), nodes=4)
    for k in range(4):
        problem = changed(problem, f"d{k}", pinned_switches=("sw0",))
    return problem


def apart_switch(seed: int) -> Problem:
    return grouped(roomy(seed, ports=5), GroupKind.APART_SWITCH, "d0", "d3")


def apart_segment(seed: int) -> Problem:
    return grouped(roomy(seed), GroupKind.APART_SEGMENT, "d1", "d2")


def together(seed: int) -> Problem:
    problem = limited(roomy(seed, ports=5), nodes=3)
    return grouped(problem, GroupKind.TOGETHER, "d0", "d1", "d4")


def pathway(seed: int) -> Problem:
    """Three devices beyond a grommet that one segment fits through, two nodes a line."""
    problem = limited(roomy(seed, devices=4, ports=5), nodes=3)
    places = {
        "near": Place("near", (0, 0, 0)),
        "far": Place("far", (4 * M, 0, 0)),
    }
    at = ["near", "far", "far", "far"]
    devices = {
        k: replace(d, place=p, position_um=None)
        for (k, d), p in zip(problem.devices.items(), at, strict=True)
    }
    switch = replace(problem.switches["sw0"], place="near", position_um=None)
    return replace(
        problem,
        places=places,
        pathways=(Pathway("grommet", ("near", "far"), 4 * M, max_cables=1),),
        devices=devices,
        switches={"sw0": switch},
    )


def failure(seed: int) -> Problem:
    problem = roomy(seed, switches=2, ports=4)
    for k in range(3):
        problem = changed(problem, f"d{k}", function="watched")
    return replace(problem, failure_rules=(FailureRule("r0", None, "watched", 1),))


def safety_span(seed: int) -> Problem:
    problem = changed(roomy(seed), "d0", safety_level=3)
    problem = changed(problem, "d1", safety_level=0)
    return replace(problem, sharing=Sharing(safety_span=1))


def security_domain(seed: int) -> Problem:
    problem = changed(roomy(seed), "d0", security_domain="drive")
    return changed(problem, "d4", security_domain="comfort")


def backbone(seed: int) -> Problem:
    problem = changed(roomy(seed, switches=2), "d0", pinned_switches=("sw1",))
    return replace(problem, backbone=Backbone())


def stub_and_apart(seed: int) -> Problem:
    return grouped(stub(seed), GroupKind.APART_SWITCH, "d0", "d1")


def ports_twice(seed: int) -> Problem:
    """Too few line ports for the lines, and too few link ports for the links."""
    problem = ports_and_nodes(seed)
    switch = problem.switches["sw0"]
    groups = (*switch.port_groups, PortGroup((LINK100,), 1, 2_003))
    problem = replace(problem, switches={"sw0": replace(switch, port_groups=groups)})
    for k in range(2):
        link = Device(f"e{k}", None, (2 * M, k * M, 0), (GradeChoice(LINK100),))
        problem = replace(problem, devices={**problem.devices, link.id: link})
    return limited(problem, nodes=4)


def length_and_deadline(seed: int) -> Problem:
    problem = length(seed)
    late = replace(problem.streams["s1"], deadline_ns=120_000)
    return replace(problem, streams={**problem.streams, "s1": late})


ONE: dict[str, tuple[Callable[[int], Problem], set[str]]] = {
    "ports and nodes": (ports_and_nodes, {"port-exists", "nodes"}),
    "length": (length, {"length"}),
    "stub": (stub, {"stub"}),
    "ports and unit loads": (ports_and_unit_loads, {"port-exists", "unit-loads"}),
    "ports and load": (ports_and_load, {"port-exists", "load"}),
    "ports and spacing": (ports_and_spacing, {"port-exists", "spacing"}),
    "reserve": (reserve, {"port-exists", "nodes"}),
    "deadline": (deadline, {"deadline"}),
    "pins": (pins, {"pin", "nodes", "port-exists"}),
    "apart on switches": (apart_switch, {"apart-switch"}),
    "apart on segments": (apart_segment, {"apart-segment", "port-exists"}),
    "together": (together, {"together", "nodes"}),
    "pathway": (pathway, {"pathway-capacity", "nodes"}),
    "failure": (failure, {"failure"}),
    "safety span": (safety_span, {"safety-span", "port-exists"}),
    "security domain": (security_domain, {"security-domain", "port-exists"}),
    "backbone": (backbone, {"backbone-link", "pin"}),
}
"""Maker and rules in conflict, one kind each."""
TWO: dict[str, tuple[Callable[[int], Problem], list[set[str]]]] = {
    "stub, and apart": (stub_and_apart, [{"stub"}, {"apart-switch"}]),
    "line ports, and link ports": (ports_twice, [{"port-exists", "nodes"}, {"port-exists"}]),
    "length, and deadline": (length_and_deadline, [{"length"}, {"deadline"}]),
}
"""Maker and the rules of two conflicts at once."""
