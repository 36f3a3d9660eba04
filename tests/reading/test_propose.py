"""A problem without switches gets candidates where cable ways are short, and is planned."""

from __future__ import annotations

import re

import pytest

from partitioner.check.judge import assess
from partitioner.solve.planner import PlanSettings, plan_layout

# Two clusters at the ends of a corridor, and a place between them that no device is at.
CORRIDOR = """\
format: 1
name: corridor
switches: propose
{propose}
places:
  - {{id: west, position_m: [0, 0, 0]}}
  - {{id: middle, position_m: [12, 0, 0]}}
  - {{id: east, position_m: [24, 0, 0]}}
pathways:
  - {{id: one, from: west, to: middle}}
  - {{id: two, from: middle, to: east}}
devices:
  - {{id: door-w, place: west, grades: [10BASE-T1S-multidrop]}}
  - {{id: lamp-w, position_m: [0.5, 0.2, 0], grades: [10BASE-T1S-multidrop]}}
  - {{id: heat-w, position_m: [0.2, 0.6, 0], grades: [10BASE-T1S-multidrop]}}
  - {{id: door-e, place: east, grades: [10BASE-T1S-multidrop]}}
  - {{id: lamp-e, position_m: [23.5, 0.2, 0], grades: [10BASE-T1S-multidrop]}}
streams:
  - {{id: west, from: door-w, to: [heat-w], payload_bytes: 8, period_us: 20000, deadline_us: 9000}}
  - {{id: east, from: door-e, to: [lamp-e], payload_bytes: 8, period_us: 20000, deadline_us: 9000}}
  - {{id: over, from: lamp-w, to: [lamp-e], payload_bytes: 8, period_us: 50000, deadline_us: 9000}}
"""


def corridor(propose: str = "") -> str:
    return CORRIDOR.format(propose=f"propose: {{{propose}}}" if propose else "")


@pytest.mark.parametrize(
    ("number", "places"),
    [(1, ["west"]), (2, ["west", "east"]), (3, ["west", "east", "middle"]),
     (9, ["west", "east", "middle"])],
)  # fmt: skip
def test_candidates_stand_at_places_of_the_pathways(read, number, places) -> None:
    problem, findings = read(corridor(f"number: {number}, price: 7.5, ports: 3, port_price: 2"))
    assert findings == []
    switches = list(problem.switches.values())
    assert [s.place for s in switches] == places
    assert [s.id for s in switches] == [f"zone-{n}" for n in range(1, len(places) + 1)]
    for switch in switches:
        assert not switch.required
        assert switch.price_money == 75_000
        [port] = switch.port_groups
        assert (port.count, port.price_money) == (3, 20_000)
        assert port.grades == ("10BASE-T1S-multidrop",)


def test_without_a_number_there_is_one_for_eight_devices_and_at_least_two(read) -> None:
    text = corridor()
    assert len(read(text)[0].switches) == 2
    more = "".join(
        f"  - {{id: extra-{n}, position_m: [{n / 10}, 1, 0], grades: [10BASE-T1S-multidrop]}}\n"
        for n in range(20)
    )
    # 25 devices would be worth four, and there are three places.
    assert len(read(text.replace("streams:\n", more + "streams:\n"))[0].switches) == 3


def test_links_are_proposed_as_far_as_a_grade_reaches(read) -> None:
    near, _ = read(corridor("number: 3"))
    ways = {frozenset(w.ends): w.grades for w in near.backbone.links}
    # West to east is 24 m, which only the long grade reaches; the others are 12 m.
    assert ways[frozenset(("zone-1", "zone-2"))] == ("10BASE-T1L",)
    assert ways[frozenset(("zone-1", "zone-3"))] == ("100BASE-T1", "1000BASE-T1")


def test_one_may_be_central_and_then_it_is_required(read) -> None:
    problem, findings = read(
        corridor("number: 2, central: core").replace("from: lamp-w", "from: core")
    )
    assert [f for f in findings if f.severity == "error"] == []
    assert {s.id: s.required for s in problem.switches.values()} == {"core": True, "zone-1": False}
    assert problem.streams["over"].source == "core"


@pytest.mark.parametrize(("longest_m", "opened"), [(25, 1), (10, 2)])
def test_the_plan_tells_how_many_and_where(read, longest_m, opened) -> None:
    limit = f"limits: {{10BASE-T1S-multidrop: {{length_m: {longest_m}}}}}\n"
    problem, _ = read(corridor("number: 2") + limit)
    outcome = plan_layout(problem, PlanSettings(time_limit_s=600, workers=1, work_limit=2))
    assert len(outcome.layout.open_switches) == opened
    assert assess(problem, outcome.layout).findings == ()


@pytest.mark.parametrize(
    ("text", "code", "where", "told"),
    [
        (corridor("number: 0"), "out-of-range", "propose.number", "1"),
        (corridor("number: 2.5"), "wrong-kind", "propose.number", "2.5"),
        (corridor("price: -1"), "out-of-range", "propose.price", "-1"),
        (corridor("ports: none"), "wrong-kind", "propose.ports", "none"),
        (corridor("place: west"), "unknown-key", "propose.place", "no such key"),
        (corridor("central: door-w"), "duplicate-name", "door-w", "door-w"),
        (corridor("price: -1, central: core").replace("from: lamp-w", "from: core"),
         "out-of-range", "propose.price", "-1"),
        (corridor().replace("switches: propose", "switches: propos"), "wrong-kind", "switches",
         "or the word 'propose'"),
    ],
)
def test_bad_values_are_findings(read, text, code, where, told) -> None:
    problem, findings = read(text)
    assert problem is None
    [finding] = [f for f in findings if f.severity == "error"]
    assert finding.code == code
    assert where in finding.where
    assert told in finding.message


def test_settings_without_the_word_have_no_effect(read, small) -> None:
    problem, findings = read(small + "propose: {number: 3}\n")
    assert problem is not None
    assert [(f.code, f.severity) for f in findings] == [("not-allowed-together", "warning")]


def test_a_grade_that_is_none_is_told_at_its_device_alone(read) -> None:
    old = "heat-w, position_m: [0.2, 0.6, 0], grades: [10BASE-T1S-multidrop]"
    text = corridor("number: 3").replace(old, "heat-w, place: west, grades: [CAN]")
    problem, findings = read(text)
    assert problem is None
    assert [(f.code, f.where) for f in findings] == [("unknown-name", "devices[heat-w].grades[0]")]


def test_devices_without_a_place_are_told_and_not_what_follows(read) -> None:
    text = re.sub(r"(id: \w+-., )(place: \w+|position_m: \[.*?\]), ", r"\1", corridor())
    problem, findings = read(text)
    assert problem is None
    assert [f.where for f in findings if f.code == "missing-key"] == [
        "devices[door-w]", "devices[lamp-w]", "devices[heat-w]", "devices[door-e]",
        "devices[lamp-e]",
    ]  # fmt: skip
