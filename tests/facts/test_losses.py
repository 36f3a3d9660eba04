"""Single failures: what is lost, worst first, and how it is shown."""

from __future__ import annotations

from dataclasses import replace

from partitioner.check.failures import FailureKind
from partitioner.check.judge import assess_facts
from partitioner.facts.losses import every_loss, lost_functions, lost_hardware, to_draw
from partitioner.model.problem import FailureRule, Group, GroupKind
from partitioner.pages.losses import losses_section
from tests.check.ground import facts_of, ground_problem


def test_every_segment_switch_and_link_once() -> None:
    found = every_loss(facts_of(ground_problem()))
    assert sorted((loss.failure.kind.value, loss.name) for loss in found) == [
        ("backbone link", "front-rear"),
        ("segment", "line-front"),
        ("segment", "line-rear"),
        ("segment", "link-brain"),
        ("segment", "link-camera"),
        ("switch", "front"),
        ("switch", "rear"),
    ]


def test_groups_lost_and_weakened() -> None:
    problem = ground_problem()
    # Both motors hang on one line: kept apart from nothing, so one failure loses the whole group.
    pair = Group("motors", GroupKind.APART_SEGMENT, ("motor-1", "motor-2"))
    found = every_loss(facts_of(replace(problem, groups=(*problem.groups, pair))))
    by_name = {loss.name: loss for loss in found}
    assert by_name["line-rear"].lost_groups == ("motors",)
    # "ends" is lamp-1 and motor-1, "heat" is heater and motor-2; "lamps" belongs together.
    assert by_name["line-rear"].weakened_groups == ("ends", "heat")
    assert by_name["line-front"].lost_groups == ()
    assert by_name["line-front"].weakened_groups == ("ends", "heat")
    assert by_name["link-brain"].weakened_groups == ()
    # The switch takes the line and the camera: more devices than the line, so it comes first.
    assert [loss.name for loss in found[:2]] == ["rear", "line-rear"]
    assert by_name["rear"].failure.lost_devices == {"motor-1", "motor-2", "camera"}


def test_a_broken_rule_comes_first() -> None:
    rule = FailureRule("one-left", None, "drive", 0)
    problem = replace(ground_problem(), failure_rules=(rule,))
    found = every_loss(facts_of(problem))
    assert {loss.name for loss in found if loss.broken_rules} == {"rear", "line-rear"}
    assert [bool(loss.broken_rules) for loss in found] == [True, True, *[False] * 5]
    section = losses_section(facts_of(problem), assess_facts(facts_of(problem)))
    assert section is not None
    assert len(section.points) == 2
    assert section.points[0] == "rear down breaks rule one-left."


def test_worst_of_each_kind_is_drawn_and_nothing_twice() -> None:
    found = every_loss(facts_of(ground_problem()))
    drawn = to_draw(found, 4)
    assert {loss.failure.kind for loss in drawn} == set(FailureKind)
    assert len(drawn) == len({loss.name for loss in drawn}) == 4
    assert len(to_draw(found, 99)) == 7


def test_what_a_dead_switch_takes_along() -> None:
    facts = facts_of(ground_problem())
    rear = next(loss for loss in every_loss(facts) if loss.name == "rear")
    assert lost_hardware(facts, rear.failure) == (
        {"line-rear", "link-camera"},
        {"rear"},
        {frozenset(("front", "rear"))},
    )


def test_section_tells_the_same_in_words_table_and_drawing() -> None:
    facts = facts_of(ground_problem())
    section = losses_section(facts, assess_facts(facts))
    assert section is not None
    table, details = (t for t in section.tables if t.id != "failure-functions")
    assert len(table.rows) == 7
    row = dict(zip([c.key for c in table.columns], table.rows[0], strict=True))
    front = next(loss for loss in every_loss(facts) if loss.name == row["failure"])
    assert row["down_count"] == len(front.failure.down_devices)
    assert row["delivery_count"] == len(front.failure.lost_streams)
    lost = [r for r in details.rows if r[0] == front.name]
    assert len(lost) == len(front.failure.lost_devices) + len(front.failure.lost_streams)
    (figure,) = section.figures
    for device in front.failure.lost_devices:
        assert f"{device}, lost" in figure.svg


def test_what_takes_most_comes_first_and_is_called_severe() -> None:
    """A link that loses most deliveries stands before a line that loses a few devices."""
    problem = replace(ground_problem(), groups=())
    facts = facts_of(problem)
    found = every_loss(facts)
    shares = [loss.takes_share for loss in found]
    assert shares == sorted(shares, reverse=True)
    for loss in found:
        lost = len(loss.failure.lost_streams) / len(facts.ways)
        assert loss.takes_share == max(len(loss.failure.lost_devices) / len(problem.devices), lost)
    section = losses_section(facts, assess_facts(facts))
    assert section is not None
    rows = {r["failure"]: r for r in section.tables[0].records()}
    # The first sheet names the one that takes most, of devices or deliveries.
    assert section.urgent[-1].startswith(f"Worst single failure: {found[0].label}, which takes")
    assert f"{len(found[0].failure.lost_streams)}\u00a0deliveries" in section.urgent[-1]
    link = next(loss for loss in found if loss.failure.kind is FailureKind.BACKBONE_LINK)
    assert link.delivery_share > link.device_share
    assert rows[link.name]["takes_share"] == round(link.delivery_share, 6)
    words = {"ok": (0, 0.1), "warn": (0.1, 0.5), "bad": (0.5, 2)}
    for row in rows.values():
        least, most = words[row["state"]]
        assert least <= row["takes_share"] < most


def test_functions_are_told_of_each_failure() -> None:
    facts = facts_of(ground_problem())
    members: dict[str, set[str]] = {}
    for device in facts.problem.devices.values():
        if device.function is not None:
            members.setdefault(device.function, set()).add(device.id)
    assert members
    found = every_loss(facts)
    told = {(f, function): (lost, of) for f, function, lost, of in lost_functions(facts, found)}
    for loss in found:
        for function, devices in members.items():
            lost = len(devices & loss.failure.lost_devices)
            assert told.get((loss.name, function), (0, len(devices))) == (lost, len(devices))
