"""What a cheaper layout makes use of: the rules it does not keep, and changes that allow it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.explain.handles.handle import edit, without
from partitioner.explain.handles.register import handles_of
from partitioner.explain.needed import fewest, needed, written_for
from partitioner.model.problem import (
    BackboneShape,
    GradeChoice,
    Group,
    GroupKind,
    PortGroup,
    Reserve,
)
from tests.bench.planted import LINE, planted
from tests.explain.test_nearest_miss import fewer_ports


def of_rule(problem, rule):
    return [h for h in handles_of(problem) if h.rule == rule]


def test_a_port_that_is_used_is_named_with_its_number_and_no_other() -> None:
    machine = planted(20, 0)
    layout = machine.hidden
    switch, grade = layout.segments[0].switch, layout.segments[0].grade
    narrow = machine.problem
    group = next(g for g in narrow.switches[switch].port_groups if grade in g.grades)
    used = sum(s.switch == switch and s.grade in group.grades for s in layout.segments)
    for _ in range(group.count - used + 1):
        narrow = fewer_ports(narrow, switch, grade)
    found = needed(narrow, of_rule(narrow, "port-exists"), layout)
    grades = " or ".join(group.grades)
    assert found.changes == (
        f"give {switch} {used} ports for {grades} in place of {used - 1}",
    )
    assert [h.subjects[0] for h in found.handles] == [switch]


def test_a_cheaper_port_is_named_though_the_layout_keeps_all_rules() -> None:
    """A link at a dear port for want of a cheap one breaks nothing, and costs more."""
    machine = planted(20, 0)
    layout = machine.hidden
    switch, grade = layout.segments[0].switch, layout.segments[0].grade
    old = machine.problem.switches[switch]
    at = next(k for k, g in enumerate(old.port_groups) if grade in g.grades)
    group = old.port_groups[at]
    used = sum(s.switch == switch and s.grade in group.grades for s in layout.segments)
    cheap = replace(group, count=used - 1)
    dear = replace(group, count=1, price_money=group.price_money + 20_000)
    groups = (*old.port_groups[:at], cheap, *old.port_groups[at + 1 :], dear)
    switches = {**machine.problem.switches, switch: replace(old, port_groups=groups)}
    problem = replace(machine.problem, switches=switches)
    there = assess(problem, written_for(problem, layout))
    assert not there.findings
    found = needed(problem, of_rule(problem, "port-exists"), layout)
    grades = f"{' or '.join(group.grades)} (entry {at + 1} of its ports)"
    assert found.changes == (
        f"give {switch} {used} ports for {grades} in place of {used - 1}",
    )
    after = assess(found.problem, written_for(found.problem, layout))
    assert after.cost.objective_money == there.cost.objective_money - 20_000
    assert needed(found.problem, of_rule(problem, "port-exists"), layout).changes == ()


def test_an_amount_is_told_as_far_as_the_layout_goes() -> None:
    machine = planted(20, 0)
    line = max(machine.hidden.segments, key=lambda s: len(s.devices) * bool(s.plca_ids))
    longest = max(
        f.length_um for f in assess(machine.problem, machine.hidden).segments
        if f.segment.grade == line.grade
    )
    short = edit("limits", line.grade, length_um=longest - 100_000)(machine.problem)
    found = needed(short, of_rule(short, "length"), machine.hidden)
    (change,) = found.changes
    assert change.startswith(f"raise the length limit of {line.grade} from ")
    (handle,) = found.handles
    assert handle.scale is not None
    amount = handle.scale.start + 10 * handle.scale.step
    assert handle.scale.words(amount) == change
    assert not assess(handle.scale.to(amount)(short), machine.hidden).findings
    assert assess(handle.scale.to(amount - handle.scale.step)(short), machine.hidden).findings


def test_the_rule_that_is_broken_is_named_whatever_was_taken_off() -> None:
    """A deadline is missed; taken off was another rule that lets it be."""
    machine = planted(20, 0)
    late = max(assess(machine.problem, machine.hidden).streams, key=lambda f: f.bound_ns or 0)
    tight = edit("streams", late.stream, deadline_ns=late.bound_ns - 1)(machine.problem)
    found = needed(tight, of_rule(tight, "deadline"), machine.hidden)
    assert [h.subjects[0] for h in found.handles] == [late.stream]
    (change,) = found.changes
    assert change.startswith(f"relax the deadline of {late.stream} from ")


def test_a_layout_is_written_with_ports_and_node_counts_of_another_problem() -> None:
    machine = planted(20, 0)
    problem, layout = machine.problem, machine.hidden
    wide = without(problem, of_rule(problem, "port-exists"))
    there = written_for(wide, layout)
    assert not assess(wide, there).findings
    assert not assess(problem, written_for(problem, there)).findings
    line = next(s for s in layout.segments if s.plca_ids)
    limits = {
        **problem.limits,
        line.grade: replace(problem.limits[line.grade], reserve=Reserve(nodes=3)),
    }
    kept = written_for(replace(problem, limits=limits), layout)
    assert {s.node_count for s in kept.segments if s.id == line.id} == {max(line.plca_ids) + 4}


@pytest.mark.parametrize("rule", ["spacing", "safety-span"])
def test_an_amount_that_no_figure_tells_is_found_by_trying(rule: str) -> None:
    """Just as far as the layout needs it, a step less is refused."""
    machine = planted(40, 1)
    tight = {
        "spacing": edit("limits", LINE, spacing_min_um=3_000_000),
        "safety-span": edit("sharing", safety_span=0),
    }[rule](machine.problem)
    assert {f.rule for f in assess(tight, machine.hidden).findings} == {rule}
    found = needed(tight, of_rule(tight, rule), machine.hidden)
    (use,) = found.uses
    assert use.amount is not None
    scale = use.handle.scale
    assert scale is not None
    assert scale.start != use.amount
    assert not assess(scale.to(use.amount)(tight), machine.hidden).findings
    assert assess(scale.to(use.amount - scale.step)(tight), machine.hidden).findings


def test_links_that_a_layout_needs_together_are_named_together() -> None:
    machine = planted(60, 1)
    layout = machine.hidden
    links = machine.problem.backbone.links
    assert len(layout.backbone) >= 3
    few = edit("backbone", links=links[:1], shape=BackboneShape.ANY)(machine.problem)
    (handle,) = of_rule(few, "backbone-link")
    built = {frozenset(link.ends): link.grade for link in layout.backbone}
    there = frozenset(links[0].ends)
    found = needed(few, [handle], layout)
    (use,) = found.uses
    assert use.words.count("add a backbone link between") == len(built.keys() - {there})
    assert not assess(found.problem, layout).findings


def test_limits_of_a_grade_that_no_port_serves_are_no_rules() -> None:
    problem = planted(20, 0).problem
    name, device = next(iter(problem.devices.items()))
    either = replace(device, grades=(*device.grades, GradeChoice("1000BASE-T1")))
    problem = replace(problem, devices={**problem.devices, name: either})

    def limited(problem):
        return {h.subjects[0] for h in handles_of(problem) if h.rule in ("length", "load")}

    assert "1000BASE-T1" not in limited(problem)
    id_, switch = next(iter(problem.switches.items()))
    switch = replace(switch, port_groups=(*switch.port_groups, PortGroup(("1000BASE-T1",), 1)))
    served = replace(problem, switches={**problem.switches, id_: switch})
    assert limited(served) == {*limited(problem), "1000BASE-T1"}


@pytest.mark.parametrize("needs", [(7,), (0, 31), (3, 4, 50)])
def test_few_rules_of_many_are_found_in_few_tries(needs: tuple[int, ...]) -> None:
    handles = handles_of(planted(20, 0).problem)[:64]
    keys = {handles[k].key for k in needs}
    tries = []

    def suffices(fewer):
        tries.append(len(fewer))
        return keys <= {h.key for h in fewer}

    found = fewest(handles, suffices, set(), lambda: False)
    assert {h.key for h in found} == keys
    assert len(tries) < 45, "one by one takes 64"
    assert 0 not in tries, "none at all never suffice"
    sole = {handles[9].key}
    assert {h.key for h in fewest(handles, suffices, sole, lambda: False)} == keys | sole
    assert fewest(handles, suffices, set(), lambda: True) == list(handles)


def test_groups_that_a_layout_needs_off_are_told_in_one() -> None:
    machine = planted(20, 0)
    segments = [s for s in machine.hidden.segments if len(s.devices) > 2][:1]
    a, b, c = segments[0].devices[:3]
    groups = tuple(
        Group(f"of-{x}", GroupKind.APART_SEGMENT, (x, y)) for x, y in ((a, b), (b, c), (c, a))
    )
    problem = replace(machine.problem, groups=groups)
    found = needed(problem, of_rule(problem, GroupKind.APART_SEGMENT.value), machine.hidden)
    assert found.changes == (f"drop group of-{a}, group of-{b} and group of-{c}",)
