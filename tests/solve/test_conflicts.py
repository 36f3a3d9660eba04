"""What arithmetic proves before any search: conflicts of one rule or several, and no others."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest

from partitioner.check.judge import assess
from partitioner.errors import Conflict
from partitioner.explain.handles.handle import edit
from partitioner.model.problem import Problem
from partitioner.reading.problem import problem_from_text
from partitioner.solve.backbone import BackboneData
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck import core
from partitioner.solve.precheck.core import Shrinking
from partitioner.solve.precheck.hopeless import hopeless
from partitioner.solve.precheck.leaning import _Program, leaning
from partitioner.solve.precheck.places import Places
from partitioner.solve.precheck.relaxed import Relaxation
from partitioner.solve.precheck.statements import LEAVES_ANOTHER, Statement, Statements, told
from partitioner.wording import listed
from tests.bench.planted import LINE, LINK
from tests.solve.conflict_table import IMPOSSIBLE, KEPT, Case, machine
from tests.solve.remedies import alternatives, is_still_there

SLOW = {
    "no_cable_for_two", "chatty_devices", "heavy_devices", "deadlines_for_short_cycles",
    "spacing_for_two", "more_apart_than_lines", "many_levels", "many_domains",
    "pinned_to_a_small_switch",
}
"""Conflicts that concern most devices at once, so that a small part takes long to find."""


def marked(cases: list[Case]) -> list[object]:
    return [
        pytest.param(
            case, id=case.name,
            marks=[pytest.mark.slow] if case.name in SLOW or case.devices > 48 else [],
        )
        for case in cases
    ]


def conflicts(problem: Problem) -> list[Conflict]:
    return hopeless(ColumnBuilder(Instance(problem)))


@pytest.mark.parametrize("case", marked(IMPOSSIBLE))
def test_what_rules_make_impossible_is_proved_with_rules_and_names(case: Case) -> None:
    problem, layout, names = case.change(machine(case.devices, case.seed))
    assert assess(problem, layout).findings
    found = conflicts(problem)
    assert case.rules <= {c.rule for c in found}, [(c.rule, c.sentence) for c in found]
    assert names <= {id_ for c in found for id_ in c.subjects}


@pytest.mark.parametrize(
    "case", [pytest.param(c, id=c.name) for c in IMPOSSIBLE if c.name.endswith("behind_a_pathway")]
)
def test_nobody_else_is_behind_the_pathway_of_a_row(case: Case) -> None:
    """Other devices there may be too many by themselves, and the proof may then be of those."""
    problem, _, names = case.change(machine(120, 1))
    found = conflicts(problem)
    assert case.rules <= {c.rule for c in found}
    assert names <= {id_ for c in found for id_ in c.subjects}


@pytest.mark.parametrize("case", marked(KEPT))
def test_what_keeps_a_layout_is_not_called_impossible(case: Case) -> None:
    problem, layout, _ = case.change(machine(case.devices, case.seed))
    assert not assess(problem, layout).findings
    assert not conflicts(problem)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("heavy_device", "dev-002 alone has 5 unit loads, and a line of 10BASE-T1S-multidrop "
         "carries 4 unit loads."),
        ("fewer_line_ports", "add 3 line ports at least"),
        ("one_link_port_fewer", "add 1 port of 100BASE-T1"),
        ("more_apart_than_switches", "add 1 switch"),
        ("pinned_where_no_port_is", "give one of these switches a port for 1000BASE-T1"),
        ("backbone_without_room", "The backbone link zone-0-zone-1 carries all that is sent "
         "between zone-0 and the other switches, and may be busy 75 % of the time."),
        ("losses_beyond_one_link", "No single failure loses more than 1 of the 2 devices "
         "that rule new-rule watches, and a failure of the backbone link zone-0-zone-1 does: "
         "those beyond it reach nothing that they send to or hear."),
        ("deadline_of_one_line_but_apart", "drop group new"),
        ("more_apart_than_lines", "drop group new or make it smaller"),
        ("transfer_in_no_time", "give transfer update longer, or give dev-000 a faster grade"),
        ("heavy_device", "raise the unit loads of 10BASE-T1S-multidrop to 5, or give dev-002 "
         "another PHY"),
        ("long_stub", "shorten the stub of dev-001 to 0.2 m or raise the stub limit of "
         "10BASE-T1S-multidrop to 0.3 m"),
        ("no_cable_for_two", "raise the length limit of 10BASE-T1S-multidrop, or plan less slack "
         "(drop_slack_m)"),
        ("spacing_as_long_as_a_line", "raise the length limit of 10BASE-T1S-multidrop"),
        ("reserve_of_nodes", "raise the node limit of 10BASE-T1S-multidrop or keep fewer nodes "
         "free"),
        ("nodes_for_two_devices", "raise the node limit of 10BASE-T1S-multidrop"),
        ("backbone_without_room", "raise the load share of backbone links, or list more or faster "
         "ones beside zone-0-zone-1"),
    ],
)
def test_words_of_a_conflict_have_its_figures(name: str, told: str) -> None:
    (case,) = (c for c in IMPOSSIBLE if c.name == name)
    found = conflicts(case.change(machine(40, 1))[0])
    assert told in {words for c in found for words in (c.sentence, c.way_out)}


@pytest.mark.parametrize("case", marked(IMPOSSIBLE))
def test_done_as_told_a_way_out_leaves_no_conflict_or_another_one(case: Case) -> None:
    problem = case.change(machine(40, 1))[0]
    found = conflicts(problem)
    assert any(c.way_out for c in found)
    for conflict in found:
        leaves_another = conflict.way_out.endswith(LEAVES_ANOTHER)
        for words, senses in alternatives(problem, found, conflict) if conflict.way_out else ():
            after = [conflicts(changed) for changed in senses]
            assert any(not is_still_there(conflict, found, left) for left in after), words
            assert all(after) or not leaves_another, words


def test_devices_as_far_from_a_switch_are_told_together_with_the_reserve_to_give_up() -> None:
    (case,) = (c for c in IMPOSSIBLE if c.name == "far_device")
    problem, _, (far,) = case.change(machine(40, 1))
    also = next(id_ for id_ in problem.devices if id_ not in far and LINE in {
        c.grade for c in problem.devices[id_].grades})
    there = problem.devices[far].position_um
    problem = edit("devices", also, place=None, position_um=there, pinned_switches=None)(problem)
    (short,) = (c for c in conflicts(problem) if c.rule == "length")
    assert {far, also} <= set(short.subjects)
    assert f" to {listed(short.subjects[:2])}: " in short.sentence
    assert "free" not in short.way_out
    (over,) = re.findall(r": (\S+) m more than a segment", short.sentence)
    assert re.fullmatch(r"\d+(\.\d\d?)?", over)
    # As if that were only kept free for growth.
    over_um = int(Decimal(over) * 1_000_000)
    longer = problem.limits[LINE].length_um + over_um
    roomy = edit("limits", LINE, length_um=longer)(problem)
    assert not conflicts(roomy)
    reserved = edit("limits", LINE, "reserve", length_um=over_um)(roomy)
    (kept,) = conflicts(reserved)
    assert kept.sentence == short.sentence.replace("m).", "m, reserve taken off).")
    assert f"keep {over} m less of it free, or place a switch nearer" in kept.way_out
    *limits, _ = alternatives(reserved, [kept], kept)
    assert len(limits) == 2
    for words, senses in limits:
        assert not any(conflicts(changed) for changed in senses), words


def test_of_suspects_left_open_together_halves_are_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight pairs of blocks, of which four or fewer together are settled."""
    asked = []

    def has_none(rows: Relaxation, active: object = None, work: float = 0.0) -> bool | None:
        asked.append(rows.blocks)
        return None if len(rows.blocks) > 8 else 13 in rows.blocks

    monkeypatch.setattr(Relaxation, "has_none", has_none)
    monkeypatch.setattr(core, "leaning", lambda rows, active=None: None)
    builder = ColumnBuilder(Instance(machine(48, 3).problem))
    shrinking = Shrinking(Places(builder, BackboneData(builder.instance)))
    pairs = [[n, n + 1] for n in range(0, 16, 2)]
    assert shrinking._first_of(pairs) == [12, 13]
    assert asked[:3] == [list(range(16)), list(range(8)), list(range(8, 16))]
    assert shrinking._first_of(pairs[:6]) is None


@pytest.mark.parametrize(
    "name", ["fewer_line_ports", "together_from_end_to_end", "a_domain_for_each_line"]
)
def test_a_quick_look_for_places_hides_no_contradiction(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (case,) = (c for c in (*IMPOSSIBLE, *KEPT) if c.name == name)
    builder = ColumnBuilder(Instance(case.change(machine(40, 1))[0]))
    places = Places(builder, BackboneData(builder.instance))
    rows = Relaxation(places, range(len(places.blocks)), is_strict=True)
    exact = leaning(rows)
    assert (exact is not None) == bool(case.rules)
    solved = []
    monkeypatch.setattr("partitioner.solve.precheck.leaning.MANY_TERMS", 0)
    monkeypatch.setattr(_Program, "solve", lambda self: bool(solved.append(self)))
    leaning(rows)
    assert bool(solved) == bool(case.rules)


def test_load_between_parts_of_the_backbone_names_its_link() -> None:
    (case,) = (c for c in IMPOSSIBLE if c.name == "backbone_without_room")
    inst = Instance(case.change(machine(40, 1))[0])
    first, second, third = inst.switch_ids[:3]
    told_of = Statements(inst, BackboneData(inst))["backbone-load", first, second]
    assert told_of.subjects == (second, third)
    assert f"link {second}-{third} carries all that is sent between two parts of the backbone" in (
        told_of.sentence
    )
    middle = Statements(inst, BackboneData(inst))["backbone-load", second]
    assert set(middle.subjects) == {first, second, third}
    assert "and may each be busy" in middle.sentence


def test_a_switch_that_parts_the_backbone_is_told_with_the_rule_it_breaks() -> None:
    (case,) = (c for c in IMPOSSIBLE if c.name == "losses_beyond_one_switch")
    problem, _, names = case.change(machine(60, 1))
    before_last = list(problem.switches)[-2]
    (told_of,) = (c for c in conflicts(problem) if c.rule == "failure")
    assert f"and a failure of {before_last} does: those beyond it reach nothing" in told_of.sentence
    assert {*names, before_last} <= set(told_of.subjects)


def test_a_way_out_says_whether_one_change_is_enough() -> None:
    """Where a rule has several statements the proof does without each, though not without all."""
    ports = [Statement("port-exists", (s,), f"{s} has 1 port.", f"widen {s}") for s in "ab"]
    pins = [Statement("pin", (d, "a"), "Pinned to a: {who}.", "free {who}") for d in "xy"]
    more = (
        "; if that alone is not enough, do the same with other statements of port-exists, as many "
        "as it takes"
    )

    def ways(alone: set[Statement]) -> list[str]:
        return [c.way_out for c in told([*ports, *pins], alone, {*ports, *pins})]

    assert ways(set()) == [f"widen a{more}", f"widen b{more}", "free some of x and y"]
    assert ways({ports[0]})[0] == "widen a"
    assert [c.way_out for c in told(ports, {ports[0]}, set())] == ["widen a", ""]
    (case,) = (c for c in IMPOSSIBLE if c.name == "many_levels")
    found = conflicts(case.change(machine(case.devices, case.seed))[0])
    ports_of = f"give zone-0 more ports for 10BASE-T1S-multidrop{more}{LEAVES_ANOTHER}"
    assert ports_of in {c.way_out for c in found}


def test_a_way_out_says_whether_another_conflict_is_left() -> None:
    """With more nodes levels need more ports, with more ports lines have no room beside links.

    Of another PHY nothing is proved.
    """
    said = {}
    for name in ("fewer_line_ports", "pinned_to_a_small_switch", "together_too_slow"):
        (case,) = (c for c in IMPOSSIBLE if c.name == name)
        said[name] = [c.way_out for c in conflicts(case.change(machine(40, 2))[0]) if c.way_out]
    assert said["fewer_line_ports"] == [
        "add 2 line ports at least", f"raise the node limit of {LINE}{LEAVES_ANOTHER}",
    ]
    assert [way.endswith(LEAVES_ANOTHER) for way in said["pinned_to_a_small_switch"]] == [
        "PHY" not in way.split() for way in said["pinned_to_a_small_switch"]
    ]
    assert not any(way.endswith(LEAVES_ANOTHER) for way in said["together_too_slow"])


def test_statements_that_say_the_same_of_others_are_told_and_changed_together() -> None:
    """One pin, stub or deadline is enough of a proof, though without it others keep it up."""

    def told_in(name: str) -> dict[str, Conflict]:
        (case,) = (c for c in IMPOSSIBLE if c.name == name)
        return {c.way_out: c for c in conflicts(case.change(machine(40, 2))[0])}

    pins = told_in("together_too_far_from_its_switch")
    pin = pins["let dev-017 and dev-035 hang on another switch too"]
    assert pin.sentence == "Pinned to zone-0: dev-017 and dev-035."
    stubs = "; do the same with the other statements of stub"
    assert {way for way in told_in("long_stubs_behind_a_pathway") if way.endswith(stubs)} == {
        f"shorten the stub of dev-00{n} or raise the stub limit of 10BASE-T1S-multidrop{stubs}"
        for n in (1, 2)
    }
    late = "; do the same with the other statements of deadline"
    ways = told_in("together_too_slow")
    assert {way for way in ways if way.endswith(late)} == {
        f"relax the deadline of n{n}{late}" for n in range(3)
    }
    assert "drop group new or make it smaller" in ways


def test_limits_of_a_grade_that_a_device_cannot_have_are_no_part_of_its_conflict() -> None:
    for name in ("heavy_devices", "spacing_for_two", "many_domains"):
        (case,) = (c for c in IMPOSSIBLE if c.name == name)
        found = conflicts(case.change(machine(40, 2))[0])
        assert not any(c.rule == "length" and LINK in c.subjects for c in found)
        assert any("can have 10BASE-T1S-multidrop only" in c.sentence for c in found)


def test_the_page_of_conflicts_has_every_row_beside_its_rules() -> None:
    """Under the rules of a line of its table stand the rows of the list that need them."""
    page = Path(__file__).parents[2] / "docs" / "explanation" / "conflicts.md"
    cells = [line.split("|") for line in page.read_text(encoding="utf-8").splitlines()]
    told = {
        row: set(re.findall("`([a-z-]+)`", line[1]))
        for line in cells if len(line) == 5 for row in re.findall("`([a-z_]+)`", line[3])
    }
    assert told.keys() == {case.name for case in IMPOSSIBLE}
    assert {case.name: told[case.name] for case in IMPOSSIBLE} == {
        case.name: set(case.rules) for case in IMPOSSIBLE
    }


def of_kinds(kinds: list[str], sharing: str, ports: int) -> Problem:
    """Seven devices of each kind, lines for six devices each, one switch with so many ports."""
    devices = [
        f"  - {{id: d-{n}, position_m: [{n % 14}, {n // 14 / 2}, 0], "
        f"grades: [10BASE-T1S-multidrop], {kinds[n % len(kinds)]}}}"
        for n in range(7 * len(kinds))
    ]
    return problem_from_text("\n".join((
        "format: 1",
        "name: of-kinds",
        "switches:",
        "  - id: hub",
        "    position_m: [0, 0, 0]",
        f"    ports: [{{grades: [10BASE-T1S-multidrop], count: {ports}}}]",
        "limits: {10BASE-T1S-multidrop: {nodes: 7}}",
        f"sharing: {{{sharing}}}",
        "devices:",
        *devices,
        "streams:",
        "  - {id: s, from: d-0, to: [hub], payload_bytes: 8, period_us: 100000}",
    )), "of-kinds.yaml")  # fmt: skip


@pytest.mark.parametrize(
    ("kinds", "sharing", "ports", "rule"),
    [
        (["safety_level: 0", "safety_level: 2"], "safety_span: 1", 4, "safety-span"),
        (["security_domain: a", "security_domain: b"], "domains: []", 4, "security-domain"),
        ([f"safety_level: {n}{domain}" for n in range(18) for domain in ("", ", "
          "security_domain: a")], "safety_span: 0", 18 * 3, "safety-span"),
    ],
    ids=["levels", "domains", "two kinds that mix on each of many levels"],
)
def test_each_kind_of_devices_that_never_mix_fills_lines_of_its_own(
    kinds: list[str], sharing: str, ports: int, rule: str
) -> None:
    """Seven devices need two lines of six, and fourteen three, where all together need fewer.

    Of two kinds on each of 18 levels there are 2**18 ways to take one of each level.
    """
    found = conflicts(of_kinds(kinds, sharing, ports - 1))
    assert {c.rule for c in found} == {"nodes", "port-exists", "complete", rule}
    assert not conflicts(of_kinds(kinds, sharing, ports))
