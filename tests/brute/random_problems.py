"""Small random problems, built as model objects, for comparing roads to one number."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations

from partitioner.model.problem import (
    Backbone,
    BackboneLink,
    BackboneShape,
    Basis,
    Build,
    ChangePrices,
    Device,
    Encapsulation,
    FailureRule,
    GradeChoice,
    Group,
    GroupKind,
    LineRules,
    Metric,
    Objective,
    Option,
    Pathway,
    Place,
    PlcaRules,
    PortGroup,
    Problem,
    QueueOrder,
    ReleaseKind,
    Reserve,
    Routing,
    SegmentLimits,
    Sharing,
    Stream,
    Switch,
    SwitchPosition,
    Transfer,
)
from tests.brute.parts import LINE, LINK10, LINK100, LINK1000, small_catalogue

MS = 1_000_000
CM = 10_000


def random_problem(
    seed: int,
    devices: int,
    *,
    switches: int = 2,
    pathways: bool = False,
    capacities: bool = False,
    options: int = 0,
    groups: bool = False,
    pins: bool = False,
    sharing: bool = False,
    candidates: bool = False,
    backbone: BackboneShape | None = None,
    streams: bool = True,
    deadlines: str = "loose",
    links: bool = False,
    only_links: bool = False,
    anywhere: bool = False,
    option_tail: bool = False,
    mass: bool = False,
    latency: bool = False,
    reserve: bool = False,
    spacing: bool = False,
    nodes: int = 5,
    queue_pcp: bool = False,
    failures: bool = False,
    builds: bool = False,
    transfers: bool = False,
) -> Problem:
    """Make a random problem; the same arguments make the same problem.

    Parameters
    ----------
    seed, devices, switches
        Seed of the random numbers and sizes.
    pathways, capacities
        Cables follow a small grid of pathways; some of which fit few segments.
    options
        How many equipment options with take rates; about half of the devices belong to one.
    groups, pins, sharing
        Some groups apart or together; some devices pinned; safety levels and security domains.
    candidates
        All switches but the first may stay closed, at a price.
    backbone
        Shape of the links between switches; None: the streams then keep to one switch each only
        by luck, so problems may have no layout.
    streams, deadlines
        Whether there is traffic; ``loose``, ``tight`` or ``mixed`` deadlines.
    links, only_links
        Some devices can have links besides lines; some have links only.
    anywhere, option_tail
        Line rules.
    mass, latency
        Whether mass and latency count in the objective.
    reserve, spacing
        Whether lines keep a reserve and a least spacing.
    nodes
        Node limit of a line, the switch port included.
    queue_pcp
        Some devices send by PCP instead of first come, first served.
    failures
        A rule on what a single failure may take down.
    builds
        Stated builds in place of independent take rates (with ``options``).
    transfers
        A bulk transfer or two with longest times.
    """
    rng = random.Random(f"{seed}/{devices}/{switches}")
    places, ways = _grid(rng, capacities) if pathways else ({}, ())
    switch_map = _switches(rng, switches, places, candidates, links or only_links)
    option_map = {
        f"o{k}": Option(f"o{k}", rng.choice([0, 123_457, 300_000, 500_001, 1_000_000]))
        for k in range(options)
    }
    device_map = {
        d.id: d
        for d in (
            _device(rng, k, places, list(option_map), list(switch_map), pins, sharing, links,
                    only_links, queue_pcp)
            for k in range(devices)
        )
    }
    rules: tuple[FailureRule, ...] = ()
    if failures:
        watched = rng.sample(list(device_map), min(len(device_map), 3))
        for id_ in watched:
            device_map[id_] = replace(device_map[id_], function="watched")
        rules = (FailureRule("r0", None, "watched", rng.choice([1, 2])),)
    net = Backbone()
    if backbone is not None and switches > 1:
        net = _backbone(rng, list(switch_map), backbone)
    return Problem(
        name=f"random-{seed}",
        currency="EUR",
        note="random",
        places=places,
        pathways=ways,
        routing=Routing(
            metric=rng.choice(list(Metric)), factor_ppm=rng.choice([1_000_000, 1_100_003])
        ),
        switches=switch_map,
        backbone=net,
        devices=device_map,
        groups=_groups(rng, list(device_map)) if groups else (),
        streams=_streams(rng, list(device_map), list(switch_map), deadlines) if streams else {},
        transfers=_transfers(rng, list(device_map), list(switch_map)) if transfers else {},
        limits=_limits(rng, nodes, reserve, spacing),
        line=LineRules(
            switch_position=SwitchPosition.ANYWHERE if anywhere else SwitchPosition.END,
            drop_slack_um=rng.choice([0, 7_001, 100_000]),
            end_slack_um=rng.choice([0, 13_003, 200_000]),
            option_tail=option_tail,
        ),
        plca=PlcaRules(
            burst_count=rng.choice([0, 0, 0, 1]), logical_collision=rng.random() < 0.5
        ),
        sharing=Sharing(domains=(frozenset({"body", "comfort"}),), safety_span=1)
        if sharing
        else Sharing(),
        options=option_map,
        builds=_builds(rng, list(option_map)) if builds else (),
        forecast=(),
        failure_rules=rules,
        change_prices=ChangePrices(),
        objective=Objective(
            mass_price_per_kg_money=rng.choice([30_011, 150_007]) if mass else 0,
            latency_price_per_ms_money=rng.choice([1_003, 20_011]) if latency else 0,
        ),
        catalogue=small_catalogue(),
        digest=f"random-{seed}",
    )


def _point(rng: random.Random) -> tuple[int, int, int]:
    return (rng.randrange(800) * CM, rng.randrange(600) * CM, rng.randrange(100) * CM)


def _grid(
    rng: random.Random, capacities: bool
) -> tuple[dict[str, Place], tuple[Pathway, ...]]:
    places = {}
    for column in range(3):
        for row in range(2):
            x, y, z = _point(rng)
            places[f"p{column}{row}"] = Place(
                f"p{column}{row}",
                (column * 300 * CM + x // 8, row * 400 * CM + y // 8, z),
            )
    pairs = [(f"p{c}{r}", f"p{c + 1}{r}") for c in range(2) for r in range(2)]
    pairs += [(f"p{c}0", f"p{c}1") for c in range(3)]
    ways = tuple(
        Pathway(
            f"w{k}",
            ends,
            rng.randrange(200, 600) * CM,
            max_cables=rng.choice([None, None, 1, 2]) if capacities else None,
        )
        for k, ends in enumerate(pairs)
    )
    return places, ways


def _spot(rng: random.Random, places: dict[str, Place]):
    """A place's id or coordinates: what a device or switch stands at."""
    if places and rng.random() < 0.7:
        return rng.choice(list(places)), None
    return None, _point(rng)


def _switches(
    rng: random.Random, number: int, places: dict[str, Place], candidates: bool, links: bool
) -> dict[str, Switch]:
    found = {}
    for k in range(number):
        place, position = _spot(rng, places)
        shared_ports = rng.choice([2, 3])
        groups = [PortGroup((LINE, LINK10), shared_ports, rng.choice([0, 7_003]))]
        groups.append(PortGroup((LINE,), 2, rng.choice([15_001, 40_009])))
        if links:
            groups.append(PortGroup((LINK10, LINK100), rng.choice([1, 2, 4]), 2_003))
        found[f"sw{k}"] = Switch(
            id=f"sw{k}",
            place=place,
            position_um=position,
            port_groups=tuple(groups),
            price_money=rng.randrange(50_000, 400_000),
            mass_mg=rng.randrange(100_000, 300_000),
            required=k == 0 or not candidates,
            forwarding_delay_ns=rng.choice([0, 5_000]),
        )
    return found


def _device(
    rng: random.Random,
    number: int,
    places: dict[str, Place],
    options: list[str],
    switches: list[str],
    pins: bool,
    sharing: bool,
    links: bool,
    only_links: bool,
    queue_pcp: bool,
) -> Device:
    place, position = _spot(rng, places)
    grades = [GradeChoice(LINE, rng.choice([None, None, 9_007]))]
    dice = rng.random()
    if only_links and dice < 0.35:
        grades = [GradeChoice(LINK100), GradeChoice(LINK10)]
    elif links and dice < 0.7:
        grades.append(GradeChoice(rng.choice([LINK10, LINK100])))
    pinned = None
    if pins and rng.random() < 0.4:
        pinned = tuple(sorted(rng.sample(switches, rng.randrange(1, len(switches) + 1))))
    return Device(
        id=f"d{number}",
        place=place,
        position_um=position,
        grades=tuple(grades),
        unit_load_mul=rng.choice([500, 1_000, 1_000, 2_000]),
        option=rng.choice(options) if options and rng.random() < 0.5 else None,
        pinned_switches=pinned,
        stub_um=rng.choice([0, 0, 31_001, 99_000]),
        safety_level=rng.choice([None, 0, 1, 2]) if sharing else None,
        security_domain=rng.choice([None, "body", "comfort", "drive"]) if sharing else None,
        queue=rng.choice(list(QueueOrder)) if queue_pcp else QueueOrder.FIFO,
    )


def _limits(
    rng: random.Random, nodes: int, reserve: bool, spacing: bool
) -> dict[str, SegmentLimits]:
    kept = Reserve(1, 500_000, 20_000) if reserve else Reserve()
    line = SegmentLimits(
        basis=Basis.ENGINEERED,
        nodes=nodes + (1 if reserve else 0),
        length_um=rng.choice([12_000_000, 18_000_000, 25_000_000]),
        stub_um=100_000,
        load_share_ppm=rng.choice([300_000, 600_000]),
        unit_loads_mul=rng.choice([None, 4_000, 6_000]),
        spacing_min_um=300_000 if spacing else 0,
        reserve=kept,
    )
    link = SegmentLimits(Basis.GUARANTEED, 2, 15_000_000, 0, 750_000)
    return {LINE: line, LINK10: link, LINK100: link, LINK1000: link}


def _groups(rng: random.Random, devices: list[str]) -> tuple[Group, ...]:
    found = []
    kinds = list(GroupKind)
    rng.shuffle(kinds)
    rest = devices[:]
    rng.shuffle(rest)
    for kind in kinds[: rng.choice([1, 2])]:
        if len(rest) >= 2:
            found.append(Group(f"g{len(found)}", kind, tuple(sorted(rest[:2]))))
            rest = rest[2:]
    return tuple(found)


def _backbone(rng: random.Random, switches: list[str], shape: BackboneShape) -> Backbone:
    grades = [(LINK100,), (LINK1000,), (LINK100, LINK1000)]
    pairs = list(combinations(switches, 2))
    if shape is BackboneShape.FIXED and len(pairs) > 2 and rng.random() < 0.5:
        pairs = pairs[:2]
    return Backbone(
        shape=shape,
        links=tuple(
            BackboneLink(
                ends=pair,
                grades=rng.choice(grades),
                length_um=rng.randrange(200, 1_400) * CM,
                required=shape is not BackboneShape.FIXED and k == 0 and rng.random() < 0.2,
            )
            for k, pair in enumerate(pairs)
        ),
        load_share_ppm=750_000,
    )


def _builds(rng: random.Random, options: list[str]) -> tuple[Build, ...]:
    """Up to three combinations whose shares add up to one."""
    mixes = [frozenset(rng.sample(options, rng.randint(0, len(options)))) for _ in "abc"]
    first, second = rng.choice([200_000, 333_333]), rng.choice([100_001, 500_000])
    shares = [first, second, 1_000_000 - first - second]
    return tuple(
        Build(f"b{k}", c, s) for k, (c, s) in enumerate(zip(mixes, shares, strict=True))
    )


def _transfers(
    rng: random.Random, devices: list[str], switches: list[str]
) -> dict[str, Transfer]:
    found = {}
    for k in range(rng.choice([1, 2])):
        ends = rng.sample([*devices, switches[0]], min(len(devices) + 1, 3))
        found[f"t{k}"] = Transfer(
            id=f"t{k}",
            source=ends[0],
            destinations=tuple(sorted(ends[1 : rng.choice([2, 3])])),
            size_bytes=rng.choice([20_000, 100_001]),
            longest_ns=rng.choice([1_000 * MS, 2_000 * MS, 10_000 * MS, None]),
            frame_payload_bytes=rng.choice([200, 1_400]),
        )
    return found


def _streams(
    rng: random.Random, devices: list[str], switches: list[str], deadlines: str
) -> dict[str, Stream]:
    found = {}
    for device in devices:
        for _ in range(rng.choice([0, 1, 1, 2])):
            others = [d for d in devices if d != device]
            ends = others + switches[:1]
            if not ends:
                continue
            up = rng.random() < 0.6
            partners = rng.sample(ends, min(len(ends), rng.choice([1, 1, 1, 2])))
            if not up:
                partners = partners[:1]
            period = rng.choice([5, 10, 20, 50, 100]) * MS
            tight = deadlines == "tight" or (deadlines == "mixed" and rng.random() < 0.3)
            deadline = rng.choice([1_500_000, 2 * MS, 4 * MS] if tight else [period, 2 * period])
            id_ = f"s{len(found)}"
            found[id_] = Stream(
                id=id_,
                source=device if up else partners[0],
                destinations=tuple(sorted(partners)) if up else (device,),
                payload_bytes=rng.choice([1, 8, 46, 64, 200]),
                encapsulation=rng.choice(list(Encapsulation)),
                tagged=rng.random() < 0.7,
                kind=rng.choice(list(ReleaseKind)),
                period_ns=period,
                jitter_ns=rng.choice([0, 0, 100_000]),
                deadline_ns=deadline,
                pcp=rng.randrange(8),
            )
    return found
