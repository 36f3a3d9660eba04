"""What a single failure takes down, compared with what one reads off the drawing of the ground."""

from __future__ import annotations

from dataclasses import replace

from partitioner.check.facts import gather_facts
from partitioner.check.failures import Failure, FailureKind, single_failures
from partitioner.check.judge import assess
from partitioner.model.layout import BuiltLink
from partitioner.model.problem import BackboneShape, FailureRule
from tests.brute.parts import LINK1000
from tests.check.ground import ground_layout, ground_problem


def failures(problem, layout) -> dict[tuple[str, ...], Failure]:
    return {f.where: f for f in single_failures(gather_facts(problem, layout))}


def test_every_segment_switch_and_link_fails_once():
    found = single_failures(gather_facts(ground_problem(), ground_layout()))
    assert [(f.kind, f.where) for f in found] == [
        (FailureKind.SEGMENT, ("line-front",)),
        (FailureKind.SEGMENT, ("link-brain",)),
        (FailureKind.SEGMENT, ("line-rear",)),
        (FailureKind.SEGMENT, ("link-camera",)),
        (FailureKind.SWITCH, ("front",)),
        (FailureKind.SWITCH, ("rear",)),
        (FailureKind.BACKBONE_LINK, ("front", "rear")),
    ]


def test_a_cut_line_takes_its_devices_and_their_streams():
    cut = failures(ground_problem(), ground_layout())[("line-front",)]
    assert cut.down_devices == ("lamp-1", "lamp-2", "heater")
    # brain has lost only partners that are down; nothing that runs is cut off.
    assert cut.cut_off_devices == ()
    assert set(cut.lost_streams) == {("light", "lamp-1"), ("light", "lamp-2"), ("heat", "brain")}


def test_a_switch_takes_all_that_hang_on_it():
    down = failures(ground_problem(), ground_layout())[("rear",)]
    assert down.down_devices == ("motor-1", "motor-2", "camera")
    assert down.lost_devices == {"motor-1", "motor-2", "camera"}
    assert set(down.lost_streams) == {
        ("drive", "motor-1"),
        ("drive", "motor-2"),
        ("picture", "brain"),
        ("speed", "motor-2"),
        ("speed", "front"),
    }


def test_a_backbone_link_cuts_off_who_has_no_partner_left():
    down = failures(ground_problem(), ground_layout())[("front", "rear")]
    assert down.down_devices == ()
    # camera sends to brain only. The motors still hear each other; brain still has the lamps.
    assert down.cut_off_devices == ("camera",)
    assert set(down.lost_streams) == {
        ("drive", "motor-1"),
        ("drive", "motor-2"),
        ("picture", "brain"),
        ("speed", "front"),
    }


def test_a_ring_loses_no_stream_with_a_link():
    problem = ground_problem()
    problem = replace(
        problem,
        backbone=replace(problem.backbone, shape=BackboneShape.RING),
    )
    pairs = [("front", "rear"), ("front", "spare"), ("spare", "rear")]
    layout = replace(
        ground_layout(),
        open_switches=("front", "rear", "spare"),
        backbone=tuple(BuiltLink(pair, LINK1000) for pair in pairs),
    )
    assert assess(problem, layout).findings == ()
    found = failures(problem, layout)
    for pair in pairs:
        key = tuple(sorted(pair))
        assert found[key].lost_streams == ()
        assert found[key].lost_devices == frozenset()


def test_a_rule_counts_devices_cut_off_as_lost():
    problem = ground_problem()
    # motor-1 alone sends to and hears from the far side; make both motors depend on it.
    streams = {k: v for k, v in problem.streams.items() if k == "drive"}
    problem = replace(
        problem, streams=streams, failure_rules=(FailureRule("r", None, "drive", 1),)
    )
    sentences = [f.sentence for f in assess(problem, ground_layout()).findings]
    assert sentences == [
        "A cut or short of line-rear, or its port down, loses 2 devices of function drive "
        "(motor-1 and motor-2): 1 more than the 1 that rule r allows.",
        "rear down loses 2 devices of function drive (motor-1 and motor-2): 1 more than the 1 "
        "that rule r allows.",
        "The backbone link front-rear down loses 2 devices of function drive (motor-1 and "
        "motor-2): 1 more than the 1 that rule r allows.",
    ]


def test_a_group_is_watched_like_a_function():
    problem = replace(
        ground_problem(), failure_rules=(FailureRule("lights", "lamps", None, 1),)
    )
    rules = {f.subjects[:2] for f in assess(problem, ground_layout()).findings}
    assert rules == {("lights", "line-front"), ("lights", "front")}
