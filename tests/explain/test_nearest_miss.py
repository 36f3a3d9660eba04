"""What keeps a device out of an incomplete layout, and changes that let it in, each judged."""

from __future__ import annotations

from dataclasses import replace

import pytest

from partitioner.application.nearest import NearestAnswer
from partitioner.check.facts import Facts
from partitioner.check.judge import assess
from partitioner.explain import nearest_miss as searched
from partitioner.explain.nearest_miss import NearestMiss, nearest_miss
from partitioner.model.assessment import COMPLETE, RuleFinding
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.pages.nearest_miss import nearest_miss_section
from tests.bench.planted import planted


def without(layout: Layout, gone: set[str]) -> Layout:
    """The layout less some devices; PLCA IDs are given out anew."""
    segments = []
    for segment in layout.segments:
        kept = [d for d in segment.devices if d not in gone]
        if kept:
            is_line = bool(segment.plca_ids)
            before = sum(d not in gone for d in segment.devices[: segment.switch_index])
            segments.append(
                replace(
                    segment,
                    devices=tuple(kept),
                    switch_index=before,
                    plca_ids=tuple(range(1, len(kept) + 1)) if is_line else (),
                    node_count=1 + len(kept) if is_line else 0,
                )
            )
    return replace(layout, segments=tuple(segments))


def fewer_ports(problem: Problem, switch: str, grade: str) -> Problem:
    """The problem with one port less for a grade at a switch."""
    old = problem.switches[switch]
    groups = tuple(
        replace(g, count=g.count - 1) if grade in g.grades else g for g in old.port_groups
    )
    switches = {**problem.switches, switch: replace(old, port_groups=groups)}
    return replace(problem, switches=switches)


def renumbered(problem: Problem, layout: Layout) -> Layout:
    """The layout with its segments on the ports in order, group by group."""
    used: dict[tuple[str, int], int] = {}
    segments = []
    for segment in layout.segments:
        groups = problem.switches[segment.switch].port_groups
        index = next(k for k, g in enumerate(groups) if segment.grade in g.grades)
        number = used.get((segment.switch, index), 0)
        used[segment.switch, index] = number + 1
        first = 1 + sum(g.count for g in groups[:index])
        segments.append(replace(segment, port=first + number))
    return replace(layout, segments=tuple(segments))


@pytest.fixture(scope="module")
def scarce() -> tuple[Problem, Layout, str]:
    """A machine with all devices placed but one with a link of its own, and no port for it."""
    machine = planted(20, 0)
    link = next(
        s for s in machine.hidden.segments
        if not s.plca_ids and sum(g.count for g in machine.problem.switches[s.switch].port_groups)
    )
    problem = machine.problem
    for switch in problem.switches.values():
        used = sum(
            s.switch == switch.id and s.grade == link.grade for s in machine.hidden.segments
        )
        spare = sum(g.count for g in switch.port_groups if link.grade in g.grades) - used
        for _ in range(spare):
            problem = fewer_ports(problem, switch.id, link.grade)
    problem = fewer_ports(problem, link.switch, link.grade)
    layout = renumbered(problem, without(machine.hidden, {link.devices[0]}))
    return problem, layout, link.devices[0]


@pytest.fixture(scope="module")
def miss(scarce: tuple[Problem, Layout, str]) -> NearestMiss:
    problem, layout, _ = scarce
    broken = {f.rule for f in assess(problem, layout).findings}
    assert broken == {COMPLETE}, "all that is wrong with it is the missing device"
    return nearest_miss(problem, layout)


def test_names_the_rule_and_a_port_that_helps(
    scarce: tuple[Problem, Layout, str], miss: NearestMiss
) -> None:
    _, _, device = scarce
    assert miss.missing == (device,)
    (place,) = miss.places
    assert {f.rule for f in place.findings} == {"port-exists"}
    (change,) = place.changes
    assert change.startswith("one more port for ")


def test_what_fits_is_placed() -> None:
    machine = planted(20, 0)
    gone = {s.devices[0] for s in machine.hidden.segments[:2]}
    found = nearest_miss(machine.problem, without(machine.hidden, gone))
    assert not found.missing
    assert not found.places
    assert not assess(machine.problem, found.layout).findings


def test_stops_when_asked(scarce: tuple[Problem, Layout, str]) -> None:
    problem, layout, device = scarce
    found = nearest_miss(problem, layout, lambda: True)
    assert found.missing == (device,)
    assert not found.places


def test_with_little_time_all_rules_but_those_on_delays_are_told(
    scarce: tuple[Problem, Layout, str],
) -> None:
    problem, layout, device = scarce
    asked = iter([False])
    found = nearest_miss(problem, layout, lambda: next(asked, True))
    (place,) = found.places
    assert (place.device, place.changes, place.is_whole) == (device, (), False)
    assert {f.rule for f in place.findings} == {"port-exists"}
    (row,) = nearest_miss_section(problem, found).tables[0].rows
    assert row[4] == "no change was tried: time was up"


def test_what_was_not_looked_into_takes_one_line(miss: NearestMiss) -> None:
    known = miss.places[0]
    places = (known, replace(known, device="fits", findings=(), changes=(), is_whole=False))
    many = replace(miss, missing=(known.device, "fits", "a", "b"), places=places)
    lines = NearestAnswer(None, many).lines()
    assert lines[0] == f"{known.device}, best as {known.where}:"
    assert lines[-2].endswith("no time to work out: fits")
    assert lines[-1] == "not looked into, time was up: a, b"


def test_what_fits_is_kept_only_as_far_as_every_build_keeps_all_rules(monkeypatch) -> None:
    """Of three devices that fit the third breaks a rule in some build: two are placed."""
    machine = planted(20, 0)
    gone = [s.devices[0] for s in machine.hidden.segments[:3]]
    real = searched.whole_findings

    def stricter(facts: Facts) -> tuple[RuleFinding, ...]:
        placed = {d for s in facts.layout.segments for d in s.devices}
        more = (RuleFinding("failure", (), "In build x: too much."),) if placed >= set(gone) else ()
        return (*real(facts), *more)

    monkeypatch.setattr(searched, "whole_findings", stricter)
    found = nearest_miss(machine.problem, without(machine.hidden, set(gone)))
    assert len(found.missing) == 1
    assert found.missing[0] in gone


def test_section_names_each_missing_device(
    scarce: tuple[Problem, Layout, str], miss: NearestMiss
) -> None:
    problem, layout, device = scarce
    section = nearest_miss_section(problem, miss)
    (row,) = section.tables[0].rows
    assert row[0] == device
    assert "port" in row[4]
    stopped = nearest_miss_section(problem, nearest_miss(problem, layout, lambda: True))
    assert "time was up" in stopped.tables[0].rows[0][1]
    assert any("not known" in text for text in section.intro)


def test_a_deadline_is_eased_as_far_as_the_place_needs() -> None:
    """The device fits on its old line as it did, but for one stream that is late there by 1 ns."""
    machine = planted(20, 1)
    line = max(machine.hidden.segments, key=lambda s: len(s.devices))
    device = line.devices[-2]
    delay_ns = next(
        f.bound_ns for f in assess(machine.problem, machine.hidden).streams
        if machine.problem.streams[f.stream].source == device and f.bound_ns is not None
    )
    stream = next(s for s in machine.problem.streams.values() if s.source == device)
    tight = replace(stream, deadline_ns=delay_ns - 1)
    problem = replace(machine.problem, streams={**machine.problem.streams, tight.id: tight})
    (place,) = nearest_miss(problem, without(machine.hidden, {device})).places
    assert {f.rule for f in place.findings} == {"deadline"}
    (change,) = place.changes
    assert change.startswith(f"relax the deadline of {stream.id} from ")
