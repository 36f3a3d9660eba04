"""One broken layout per rule: it breaks that rule, no other, and the sentence has the amount.

The sound ground of ``ground.py`` is changed in one place per case. Amounts are worked out by hand
in the comments.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    FailureRule,
    GradeChoice,
    Group,
    GroupKind,
    Problem,
    Reserve,
    Transfer,
)
from tests.brute.parts import LINE, LINK100, LINK1000
from tests.check.ground import (
    MS,
    M,
    ground_layout,
    ground_problem,
    stream,
    with_device,
    with_limits,
    with_segment,
    without_segment,
)

Change = Callable[[Problem, Layout], tuple[Problem, Layout]]


def layout_only(change: Callable[[Layout], Layout]) -> Change:
    return lambda problem, layout: (problem, change(layout))


def problem_only(change: Callable[[Problem], Problem]) -> Change:
    return lambda problem, layout: (change(problem), layout)


def more_segments(*segments: Segment) -> Change:
    return layout_only(lambda lay: replace(lay, segments=lay.segments + segments))


def with_streams(problem: Problem, **changed) -> Problem:
    """Fields of streams replaced: ``light={"deadline_ns": 1}``."""
    streams = dict(problem.streams)
    for id_, changes in changed.items():
        streams[id_] = replace(streams[id_], **changes)
    return replace(problem, streams=streams)


def three_open(problem: Problem, layout: Layout, shape: BackboneShape, *links) -> tuple:
    """All three switches open under another backbone shape; ``links`` as pairs of names."""
    return (
        replace(
            problem,
            backbone=replace(problem.backbone, shape=shape),
        ),
        replace(
            layout,
            open_switches=("front", "rear", "spare"),
            backbone=tuple(BuiltLink(pair, LINK1000) for pair in links),
        ),
    )


FR, FS, SR = ("front", "rear"), ("front", "spare"), ("spare", "rear")

CASES: dict[str, tuple[str, Change, str]] = {
    # -- names, places, ports -----------------------------------------------------------------
    "unknown switch open": (
        "known-names",
        layout_only(lambda lay: replace(lay, open_switches=(*lay.open_switches, "ghost"))),
        "ghost is open but is no switch of the problem.",
    ),
    "unknown device": (
        "known-names",
        layout_only(
            lambda lay: with_segment(
                lay, "line-rear", devices=("motor-1", "motor-2", "ghost"), plca_ids=(2, 1, 3),
                switch_index=3,
            )
        ),
        "line-rear visits ghost, which is no device of the problem.",
    ),
    "unknown backbone grade": (
        "known-names",
        lambda p, lay: (
            # Without streams across, the missing link breaks nothing else.
            replace(p, streams={"light": p.streams["light"]}),
            replace(lay, backbone=(BuiltLink(FR, "carrier pigeon"),)),
        ),
        "The backbone link front-rear is of grade carrier pigeon, which the catalogue does not "
        "have.",
    ),
    "two segments of one name": (
        "segment-once",
        layout_only(lambda lay: with_segment(lay, "link-camera", id="link-brain")),
        "2 segments are called link-brain.",
    ),
    "device nowhere": (
        "complete",
        layout_only(lambda lay: without_segment(lay, "link-camera")),
        "camera is on no segment.",
    ),
    "device twice": (
        "device-once",
        more_segments(Segment("line-more", "rear", 2, LINE, ("motor-2", "motor-1"), 0, (1, 2), 3)),
        "motor-1 is placed 2 times, on line-rear and line-more.",
    ),
    "empty line": (
        "segment-devices",
        more_segments(Segment("line-more", "rear", 2, LINE, (), 0, (), 1)),
        "line-more carries no device.",
    ),
    "empty link": (
        "segment-devices",
        more_segments(Segment("link-more", "rear", 4, LINK100, ())),
        "link-more is a point-to-point link of 100BASE-T1 and carries exactly 1 device; it has 0.",
    ),
    "no such port": (
        "port-exists",
        layout_only(lambda lay: with_segment(lay, "line-rear", port=5)),
        "line-rear ends at port 5 of rear, which has 4 ports.",
    ),
    "port used twice": (
        "port-once",
        layout_only(
            lambda lay: replace(
                lay,
                segments=(
                    *without_segment(lay, "line-rear").segments,
                    Segment("line-rear", "rear", 1, LINE, ("motor-1",), 0, (1,), 3),
                    Segment("line-more", "rear", 1, LINE, ("motor-2",), 0, (1,), 3),
                ),
            )
        ),
        "Port 1 of rear is used 2 times, by line-rear and line-more.",
    ),
    "port of another grade": (
        "port-grade",
        layout_only(lambda lay: with_segment(lay, "line-rear", port=4)),
        "line-rear is of 10BASE-T1S-multidrop, but port 4 of rear serves 100BASE-T1.",
    ),
    "device of another grade": (
        "device-grade",
        problem_only(lambda p: with_device(p, "lamp-2", grades=(GradeChoice(LINK100),))),
        "lamp-2 is on line-front of 10BASE-T1S-multidrop, but can have 100BASE-T1.",
    ),
    "pinned elsewhere": (
        "pin",
        problem_only(lambda p: with_device(p, "camera", pinned_switches=("front", "spare"))),
        "camera hangs on rear but is pinned to front and spare.",
    ),
    "apart group on one segment": (
        "apart-segment",
        problem_only(
            lambda p: replace(
                p,
                groups=(*p.groups, Group("pair", GroupKind.APART_SEGMENT, ("motor-1", "motor-2"))),
            )
        ),
        "motor-1 and motor-2 share line-rear, but group pair keeps its devices on different "
        "segments.",
    ),
    "apart group on one switch": (
        "apart-switch",
        problem_only(
            lambda p: replace(
                p, groups=(*p.groups, Group("pair", GroupKind.APART_SWITCH, ("camera", "motor-2")))
            )
        ),
        "camera and motor-2 share rear, but group pair keeps its devices on different switches.",
    ),
    "together group torn": (
        "together",
        problem_only(
            lambda p: replace(
                p, groups=(*p.groups, Group("pair", GroupKind.TOGETHER, ("lamp-1", "motor-2")))
            )
        ),
        "Group pair belongs on one segment but is spread over 2: line-front and line-rear.",
    ),
    "safety levels too far apart": (
        "safety-span",
        # Levels 1 and 4 are 3 apart.
        problem_only(lambda p: with_device(p, "lamp-2", safety_level=4)),
        "line-front carries lamp-1 of safety level 1 and lamp-2 of level 4: 3 apart, at most 1 "
        "may share a line.",
    ),
    "domains that may not mix": (
        "security-domain",
        problem_only(lambda p: with_device(p, "lamp-2", security_domain="drive")),
        "line-front mixes 2 security domains, body and drive, which may not share a line.",
    ),
    "option device ahead of fitted ones": (
        "option-tail",
        problem_only(lambda p: with_device(p, "lamp-1", option="winter")),
        "On line-front 1 option device (lamp-1) comes before lamp-2, which is always fitted; "
        "option devices belong at the far end.",
    ),
    "switch along the line": (
        "switch-position",
        layout_only(lambda lay: with_segment(lay, "line-rear", switch_index=1)),
        "line-rear has its switch along the line, after 1 of 2 devices; the switch belongs at an "
        "end.",
    ),
    "switch beyond the line": (
        "switch-position",
        layout_only(lambda lay: with_segment(lay, "line-rear", switch_index=3)),
        "line-rear has its switch after 3 devices but visits 2.",
    ),
    # -- switches and backbone ----------------------------------------------------------------
    "required switch closed": (
        "switch-open",
        layout_only(lambda lay: replace(lay, open_switches=("front",))),
        "rear is required but not open.",
    ),
    "segment at a closed switch": (
        "switch-open",
        lambda p, lay: (
            replace(p, streams={"light": p.streams["light"]}),
            with_segment(lay, "link-camera", switch="spare", port=2),
        ),
        "1 segment hangs on spare, which is not open.",
    ),
    "backbone link not offered": (
        "backbone-link",
        lambda p, lay: (
            replace(
                p,
                backbone=replace(
                    p.backbone,
                    links=(BackboneLink(FS, (LINK1000,)), BackboneLink(SR, (LINK1000,))),
                ),
            ),
            lay,
        ),
        "The backbone link front-rear is not among the links that may be built.",
    ),
    "backbone link of a grade not offered": (
        "backbone-link",
        layout_only(lambda lay: replace(lay, backbone=(BuiltLink(FR, LINK100),))),
        "The backbone link front-rear is of 100BASE-T1, but may be 1000BASE-T1.",
    ),
    "backbone link built twice": (
        "backbone-link",
        layout_only(
            lambda lay: replace(
                lay, backbone=(BuiltLink(FR, LINK1000), BuiltLink(FR[::-1], LINK1000))
            )
        ),
        "The backbone link front-rear is built 2 times.",
    ),
    "fixed backbone link missing": (
        "backbone-link",
        lambda p, lay: (
            replace(p, streams={"light": p.streams["light"]}),
            replace(lay, backbone=()),
        ),
        "The backbone link front-rear belongs in every layout but is not built.",
    ),
    "tree with a circle": (
        "backbone-shape",
        lambda p, lay: three_open(p, lay, BackboneShape.TREE, FR, FS, SR),
        "The backbone is no tree: 3 links join 3 switches, 1 too many.",
    ),
    "tree that leaves a switch out": (
        "backbone-shape",
        lambda p, lay: three_open(p, lay, BackboneShape.TREE, FR),
        "The backbone does not join 1 open switch (spare) to front.",
    ),
    "ring not closed": (
        "backbone-shape",
        lambda p, lay: three_open(p, lay, BackboneShape.RING, FR, FS),
        "The backbone is no ring: rear has 1 and spare has 1 of 2 links.",
    ),
    "backbone link too long": (
        "backbone-reach",
        # 15 m is what the test catalogue's grade reaches; 17.5 m is 2.5 m more.
        problem_only(
            lambda p: replace(
                p,
                backbone=replace(
                    p.backbone, links=(BackboneLink(FR, (LINK1000,), length_um=17_500_000),)
                ),
            )
        ),
        "The backbone link front-rear is 17.5 m long: 2.5 m beyond the reach of 1000BASE-T1.",
    ),
    "backbone overloaded by its own limit": (
        "backbone-load",
        # picture: 1400 + 22 bytes, 8 + 12 more on the wire: 11.536 µs every 1000 µs = 1.1536 %;
        # speed: 64 bytes + 20: 0.672 µs every 20 ms = 0.00336 %. Together 1.15696 %, rounded up.
        problem_only(
            lambda p: replace(p, backbone=replace(p.backbone, load_share_ppm=11_000))
        ),
        "The backbone link from rear to front is 1.157 % loaded: 0.057 % above the limit of "
        "1.1 %.",
    ),
    "stream without a way": (
        "stream-way",
        lambda p, lay: (
            replace(
                p,
                backbone=replace(p.backbone, links=()),
                streams={k: p.streams[k] for k in ("light", "heat", "picture")},
            ),
            replace(lay, backbone=()),
        ),
        "Stream picture has no way from camera to brain: no backbone joins rear and front.",
    ),
    # -- PLCA ---------------------------------------------------------------------------------
    "PLCA ID twice": (
        "plca-ids",
        layout_only(lambda lay: with_segment(lay, "line-front", plca_ids=(1, 2, 2))),
        "lamp-2 and heater share PLCA ID 2 on line-front.",
    ),
    "two coordinators": (
        "plca-ids",
        layout_only(lambda lay: with_segment(lay, "line-front", plca_ids=(0, 1, 2))),
        "lamp-1 has PLCA ID 0 on line-front; the switch port is the one coordinator.",
    ),
    "PLCA ID that cannot be set": (
        "plca-ids",
        layout_only(lambda lay: with_segment(lay, "line-front", plca_ids=(1, 2, 255))),
        "heater has PLCA ID 255 on line-front; 1 to 254 can be set.",
    ),
    "PLCA IDs missing": (
        "plca-ids",
        layout_only(lambda lay: with_segment(lay, "line-front", plca_ids=(1, 2))),
        "line-front gives 2 PLCA IDs to 3 devices.",
    ),
    "node count too small": (
        "plca-node-count",
        # IDs 2 and 3 are not below 2.
        layout_only(lambda lay: with_segment(lay, "line-front", node_count=2)),
        "The PLCA node count of line-front is 2, but IDs go up to 3: 2 devices would never be "
        "given a turn.",
    ),
    "node count too large": (
        "plca-node-count",
        layout_only(lambda lay: with_segment(lay, "line-front", node_count=257)),
        "The PLCA node count of line-front is 257, 2 above the 255 that can be set.",
    ),
    "burst count of a stranger": (
        "plca-burst",
        layout_only(lambda lay: with_segment(lay, "line-front", burst_counts=(("camera", 1),))),
        "line-front sets a PLCA burst count for camera, which is not on it.",
    ),
    "burst count that cannot be set": (
        "plca-burst",
        lambda p, lay: (
            # Streams slow enough for the enormous cycle that such a burst allows.
            replace(
                p,
                streams={
                    k: replace(s, period_ns=10_000 * MS, deadline_ns=10_000 * MS)
                    for k, s in p.streams.items()
                },
            ),
            with_segment(lay, "line-front", burst_counts=(("heater", 256),)),
        ),
        "The PLCA burst count of heater on line-front is 256; 0 to 255 can be set.",
    ),
    # -- limits -------------------------------------------------------------------------------
    "too many nodes": (
        "nodes",
        # 3 devices, the port and 1 in reserve are 5.
        problem_only(lambda p: with_limits(p, LINE, nodes=4)),
        "line-front has 4 nodes with its switch port and keeps 1 free: 1 above the limit of "
        "4 for 10BASE-T1S-multidrop.",
    ),
    "line too long": (
        "length",
        # Ways 1 + 1.5 + 2 m, 3 drops of 0.1 m, 2 ends of 0.2 m: 5.2 m; 2 m in reserve.
        problem_only(lambda p: with_limits(p, LINE, length_um=7 * M)),
        "line-front is 5.2 m long and keeps 2 m free: 0.2 m above the limit of 7 m for "
        "10BASE-T1S-multidrop.",
    ),
    "link too long": (
        "length",
        # rear to camera 2 m, a drop of 0.1 m, two ends of 0.2 m.
        problem_only(lambda p: with_limits(p, LINK100, length_um=2_400_000)),
        "link-camera is 2.5 m long: 0.1 m above the limit of 2.4 m for 100BASE-T1.",
    ),
    "stub too long": (
        "stub",
        problem_only(lambda p: with_device(p, "lamp-2", stub_um=130_000)),
        "The stub of lamp-2 on line-front is 0.13 m long: 0.03 m above the limit of 0.1 m for "
        "10BASE-T1S-multidrop.",
    ),
    "drops too close": (
        "spacing",
        # Both motors at one place: only the drop's slack of 0.1 m lies between them.
        problem_only(lambda p: with_limits(p, LINE, spacing_min_um=250_000)),
        "motor-2 and motor-1 are 0.1 m of cable apart on line-rear: 0.15 m less than the least "
        "spacing of 0.25 m for 10BASE-T1S-multidrop.",
    ),
    "line too busy": (
        "load",
        # 64-byte frames: 96 + 64 + 512 + 8 = 680 bit times of 100 ns and a loop delay of 1.56 µs
        # plus 1.6 m at 5 ns/m = 69.568 µs. drive every 10 ms, speed every 20 ms: 1.04352 %.
        problem_only(
            lambda p: with_limits(
                p, LINE, load_share_ppm=30_000, reserve=Reserve(1, 2 * M, 20_000)
            )
        ),
        "line-rear is 1.0436 % loaded and keeps 2 % free: 0.0436 % of the time above the limit "
        "of 3 % for 10BASE-T1S-multidrop.",
    ),
    "too many unit loads": (
        "unit-loads",
        # 1 + 1 + 3.5 = 5.5
        problem_only(lambda p: with_device(p, "heater", unit_load_mul=3_500)),
        "line-front carries 5.5 unit loads: 0.5 unit loads above the limit of 5 unit loads for "
        "10BASE-T1S-multidrop.",
    ),
    "pathway full": (
        "pathway-capacity",
        # line-front reaches heater through w23, and the link between the switches goes there too.
        problem_only(lambda p: replace(
            p, pathways=tuple(replace(w, max_cables=w.max_cables and 1) for w in p.pathways)
        )),
        "2 cables (line-front and front-rear) run through w23: 1 above the 1 that fit.",
    ),
    # -- service ------------------------------------------------------------------------------
    "too much for a line": (
        "overload",
        # A 1500-byte frame lasts over 1.2 ms; it comes every 1 ms.
        problem_only(
            lambda p: with_limits(
                replace(
                    p,
                    streams={
                        "flood": stream(
                            "flood", "motor-1", ("motor-2",), payload_bytes=1_500, period_ns=MS
                        )
                    },
                ),
                LINE,
                load_share_ppm=2_000_000,
            )
        ),
        "line-rear: ",
    ),
    "late stream": (
        "deadline",
        problem_only(lambda p: with_streams(p, heat={"deadline_ns": 100_000})),
        "Stream heat may take",
    ),
    "slow transfer": (
        "transfer",
        # 1000 frames in 250 ms: one every 250 µs. A frame may take longer than that to lamp-1, so
        # the last one comes after the end.
        problem_only(
            lambda p: replace(
                p,
                transfers={
                    "update": Transfer("update", "brain", ("lamp-1",), 46_000, 250 * MS, 46)
                },
            )
        ),
        "Transfer update may take",
    ),
    "single failure loses too many": (
        "failure",
        problem_only(
            lambda p: replace(p, failure_rules=(FailureRule("drive-on", None, "drive", 1),))
        ),
        "A cut or short of line-rear, or its port down, loses 2 devices of function drive "
        "(motor-1 and motor-2): 1 more than the 1 that rule drive-on allows.",
    ),
}


def test_the_ground_keeps_every_rule():
    found = assess(ground_problem(), ground_layout())
    assert found.findings == ()


@pytest.mark.parametrize("case", CASES)
def test_only_the_broken_rule_is_found(case):
    rule, change, sentence = CASES[case]
    problem, layout = change(ground_problem(), ground_layout())
    findings = assess(problem, layout).findings
    assert {f.rule for f in findings} == {rule}, [f.sentence for f in findings]
    assert any(f.sentence.startswith(sentence) for f in findings), [f.sentence for f in findings]
    assert all(f.subjects for f in findings)


def test_every_rule_is_broken_by_a_case():
    assert {rule for rule, _, _ in CASES.values()} == {rule.name for rule in ALL_RULES}


def test_rule_names_are_kebab_case_and_once():
    names = [rule.name for rule in ALL_RULES]
    assert len(names) == len(set(names))
    assert all(n == n.lower() and n.replace("-", "").isalpha() for n in names)
    assert all(m.endswith(".") and m[0].isupper() for m in (rule.meaning for rule in ALL_RULES))
