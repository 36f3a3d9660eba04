"""Room for growth: reserves by hand, and every forecast device placed against trying everything."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from partitioner.check.judge import assess
from partitioner.facts.growth import Growth, growth_of, rooms_of
from partitioner.model.problem import Device, Forecast, GradeChoice, Problem, Reserve
from partitioner.pages.growth import growth_section
from tests.brute.brute import best_layout
from tests.brute.parts import LINE, LINK100
from tests.brute.random_problems import random_problem
from tests.check.ground import facts_of, ground_layout, ground_problem, with_limits
from tests.judged import judge


def later(id_: str, place: str, probability_ppm: int, grade: str = LINE, **more) -> Forecast:
    return Forecast(Device(id_, place, None, (GradeChoice(grade),), **more), probability_ppm)


def test_room_of_a_line_by_hand() -> None:
    front, rear = rooms_of(facts_of(ground_problem()))
    # Limits: 6 nodes, 12 m, load 0.5, 5 unit loads. Front: three devices, 5.2 m, node count 5.
    assert front.line == "line-front"
    assert front.nodes_left == 6 - 3 - 1
    assert front.length_left_um == 12_000_000 - 5_200_000
    assert front.unit_load_left_mul == 2_000
    assert front.spare_ids == 1
    assert front.reserve == Reserve(1, 2_000_000, 50_000)
    assert rear.nodes_left == 6 - 2 - 1
    assert 400_000 < front.load_left_ppm < 500_000


def test_devices_go_where_they_add_least_cable() -> None:
    problem = replace(
        ground_problem(),
        forecast=(
            later("dome", "p2", 250_000),
            later("pump", "p4", 500_000),
            later("radar", "p4", 900_000, LINK100),
        ),
    )
    growth = growth_of(facts_of(problem))
    dome, pump, radar = growth.guests
    assert growth.is_judged
    # Beside lamp-2 there is only the slack of one more drop; so there is beside the motors.
    assert (dome.line, dome.added_um) == ("line-front", 100_000)
    assert (pump.line, pump.added_um) == ("line-rear", 100_000)
    # PHY 12501, connector 4001, 0.1 m at 6173 a metre rounded up.
    assert pump.added_money == 12_501 + 4_001 + 618
    assert (radar.line, radar.fits_alone) == (None, ())
    assert growth.expected_ppm == 1_650_000
    assert growth.placed_ppm == 750_000


def test_the_reserve_may_be_used_but_not_the_limit() -> None:
    many = tuple(later(f"new-{k}", "p4", 100_000 * (9 - k)) for k in range(5))
    growth = growth_of(facts_of(replace(ground_problem(), forecast=many)))
    # Unit loads and nodes leave room for 2 more on the front line and for 3 more on the rear one.
    assert growth.together == {
        "line-front": ("new-0", "new-1"),
        "line-rear": ("new-0", "new-1", "new-2"),
    }
    assert [g.line for g in growth.guests] == ["line-rear"] * 3 + ["line-front"] * 2
    assert [g.fits_alone for g in growth.guests] == [("line-front", "line-rear")] * 5
    # The heater, an option, must stay beyond them: from p2 to p4 and back to p3, 2 m more.
    assert growth.guests[3].added_um == 2_000_000 + 100_000


def filled(problem: Problem) -> Problem:
    """With room for no more cables than the layout has where that is limited."""
    return replace(
        problem, pathways=tuple(replace(w, max_cables=w.max_cables and 2) for w in problem.pathways)
    )


def test_pathways_that_are_full_are_respected() -> None:
    # Two cables fit between p2 and p3: line-front and the backbone link; line-rear cannot come.
    problem = replace(filled(ground_problem()), forecast=(later("dome", "p2", 500_000),))
    (dome,) = growth_of(facts_of(problem)).guests
    assert dome.fits_alone == ("line-front",)
    wide = replace(
        problem, pathways=tuple(replace(w, max_cables=None) for w in problem.pathways)
    )
    (dome,) = growth_of(facts_of(wide)).guests
    assert dome.fits_alone == ("line-front", "line-rear")


def test_a_deadline_can_close_a_line() -> None:
    problem = with_limits(ground_problem(), LINE, reserve=Reserve())
    layout = replace(
        ground_layout(),
        segments=tuple(
            replace(s, node_count=len(s.devices) + 1) if s.plca_ids else s
            for s in ground_layout().segments
        ),
    )
    bound = max(
        s.response_ns for s in assess(problem, layout).streams
        if (s.stream, s.destination) == ("speed", "motor-2")
    )  # fmt: skip
    speed = replace(problem.streams["speed"], deadline_ns=bound, destinations=("motor-2",))
    problem = replace(
        problem,
        streams={**problem.streams, "speed": speed},
        forecast=(later("pump", "p4", 500_000),),
    )
    assert assess(problem, layout).findings == ()
    (pump,) = growth_of(facts_of(problem, layout)).guests
    # One more silent turn of 32 bit times makes the stream late, on its own line only.
    assert pump.fits_alone == ("line-front",)
    spare = replace(
        layout,
        segments=tuple(
            replace(s, node_count=4) if s.id == "line-rear" else s for s in layout.segments
        ),
    )
    again = max(
        s.response_ns for s in assess(problem, spare).streams
        if (s.stream, s.destination) == ("speed", "motor-2")
    )  # fmt: skip
    assert again > bound


@pytest.mark.parametrize("anywhere", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_fits_alone_agrees_with_trying_every_place(seed: int, anywhere: bool) -> None:
    """Every line, every place along it, judged by the check: the same lines have room."""
    rng = random.Random(seed)
    problem = random_problem(seed, 4, anywhere=anywhere, reserve=True, pins=True, nodes=4)
    found = best_layout(problem)
    if found is None:
        return
    layout = found[1]
    at = (rng.randrange(8_000_000), rng.randrange(6_000_000), 0)
    device = Device("late", None, at, (GradeChoice(LINE),), unit_load_mul=1_000)
    problem = replace(problem, forecast=(Forecast(device, 500_000),))
    facts = facts_of(problem, layout)
    (guest,) = growth_of(facts).guests
    bare = replace(
        problem,
        forecast=(),
        devices={**problem.devices, "late": device},
        limits={g: replace(one, reserve=Reserve()) for g, one in problem.limits.items()},
    )
    roomy = []
    for number, segment in enumerate(layout.segments):
        if segment.grade != LINE:
            continue
        fits = False
        for at_place in range(len(segment.devices) + 1):
            for index in range(len(segment.devices) + 2):
                kept = list(segment.devices)
                order = (*kept[:at_place], "late", *kept[at_place:])
                before = [d for d in order[:index] if d != "late"]
                if tuple(before) != segment.devices[: segment.switch_index]:
                    continue
                ids = dict(zip(segment.devices, segment.plca_ids, strict=True))
                ids["late"] = max(ids.values(), default=0) + 1
                grown = replace(
                    segment,
                    devices=order,
                    switch_index=index,
                    plca_ids=tuple(ids[d] for d in order),
                    node_count=max(segment.node_count, ids["late"] + 1),
                )
                segments = list(layout.segments)
                segments[number] = grown
                fits = fits or not assess(bare, replace(layout, segments=tuple(segments))).findings
        if fits:
            roomy.append(segment.id)
    assert list(guest.fits_alone) == roomy
    assert (guest.line is not None) == bool(roomy)


def test_a_layout_that_breaks_rules_gets_no_guests() -> None:
    problem = with_limits(ground_problem(), LINE, nodes=3)
    problem = replace(problem, forecast=(later("pump", "p4", 500_000),))
    growth = growth_of(facts_of(problem))
    assert not growth.is_judged
    assert growth.guests[0].line is None
    section = growth_section(growth, problem.currency)
    assert section is not None
    assert any("breaks rules" in p for p in section.paragraphs)


def test_room_is_told_of_every_line_with_limits() -> None:
    problem = with_limits(ground_problem(), LINE, reserve=Reserve())
    section = growth_section(growth_of(facts_of(problem)), problem.currency)
    assert section is not None
    assert [t.id for t in section.tables] == ["line-room"]
    assert "reserve" not in section.paragraphs[0]
    kept = growth_section(growth_of(facts_of(ground_problem())), problem.currency)
    assert kept is not None
    assert "reserve" in kept.paragraphs[0]
    problem = replace(problem, forecast=(later("pump", "p4", 500_000),))
    section = growth_section(growth_of(facts_of(problem)), problem.currency)
    assert section is not None
    assert [t.id for t in section.tables] == ["forecast", "line-room"]
    assert "0.50 of the 0.50 expected" in section.paragraphs[1]
    assert growth_section(Growth((), (), {}, True), problem.currency) is None


SPACED = """
format: 1
name: spaced
switches:
  - {id: s, position_m: [0, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 1}]}
devices:
  - {id: a, position_m: [5, 0, 0], grades: [10BASE-T1S-multidrop]}
streams:
  - {id: t, from: a, to: [s], payload_bytes: 46, period_us: 1000000}
limits:
  10BASE-T1S-multidrop: {spacing_m: 1, length_m: 8.5}
forecast:
  - {id: far, probability: 0.8, position_m: [1, 0.8, 0], grades: [10BASE-T1S-multidrop]}
  - {id: near, probability: 0.5, position_m: [0.3, 0, 0], grades: [10BASE-T1S-multidrop]}
"""
SPACED_LAYOUT = """
format: 1
segments:
  - {switch: s, port: 1, grade: 10BASE-T1S-multidrop, devices: [a]}
"""


def judged(folder: Path, problem: str, layout: str):
    for name, text in (("problem.yaml", problem), ("layout.yaml", layout)):
        (folder / name).write_text(text, encoding="utf-8")
    result = judge(folder / "problem.yaml", folder / "layout.yaml")
    assert result.assessment.findings == ()
    return result


def test_a_device_may_make_room_for_another(tmp_path: Path) -> None:
    """Alone it is too near its switch; with the likelier one between them it is not."""
    result = judged(tmp_path, SPACED, SPACED_LAYOUT)
    far, near = growth_of(result.facts).guests
    assert (far.line, near.line) == ("s:1", "s:1")
    assert (far.fits_alone, near.fits_alone) == (("s:1",), ())


WATCHED = """
format: 1
name: watched
switches:
  - {id: a, position_m: [0, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 1}]}
  - {id: b, position_m: [4, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 1}]}
  - {id: c, position_m: [8, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 1}]}
backbone:
  links:
    - {between: [a, b], grades: [100BASE-T1]}
    - {between: [a, c], grades: [100BASE-T1]}
devices:
  - {id: d, position_m: [0, 1, 0], grades: [10BASE-T1S-multidrop], function: f}
  - {id: x, position_m: [4, 1, 0], grades: [10BASE-T1S-multidrop], function: f}
  - {id: o, position_m: [4, 2, 0], grades: [10BASE-T1S-multidrop], option: opt}
  - {id: y, position_m: [8, 1, 0], grades: [10BASE-T1S-multidrop]}
streams:
  - {id: t, from: x, to: [y], payload_bytes: 46, period_us: 1000000}
  - {id: u, from: x, to: [o], payload_bytes: 46, period_us: 1000000}
  - {id: v, from: d, to: [a], payload_bytes: 46, period_us: 1000000}
options:
  - {id: opt, take_rate: 0.5}
failure_rules:
  - {id: r, function: f, most_lost: 2}
forecast:
  - {id: g, probability: 0.5, position_m: [1, 1, 0], grades: [10BASE-T1S-multidrop], function: f}
"""
WATCHED_LAYOUT = """
format: 1
segments:
  - {switch: a, port: 1, grade: 10BASE-T1S-multidrop, devices: [d]}
  - {switch: b, port: 1, grade: 10BASE-T1S-multidrop, devices: [x, o]}
  - {switch: c, port: 1, grade: 10BASE-T1S-multidrop, devices: [y]}
"""


def test_a_later_device_keeps_the_rules_of_every_build(tmp_path: Path) -> None:
    """Without the option, a down takes d with it and cuts x off: a third one is too many there."""
    result = judged(tmp_path, WATCHED, WATCHED_LAYOUT)
    (guest,) = growth_of(result.facts).guests
    assert guest.fits_alone == ("b:1", "c:1")
    assert guest.line == "b:1"


def test_words_tell_no_room_from_no_room_left() -> None:
    problem = with_limits(filled(ground_problem()), LINE, nodes=5, reserve=Reserve())
    places = replace(
        problem,
        forecast=(
            later("one", "p2", 900_000),
            later("two", "p2", 800_000),
            later("three", "p2", 700_000),
            later("radar", "p4", 600_000, LINK100),
        ),
    )
    facts = facts_of(places)
    section = growth_section(growth_of(facts), facts.problem.currency)
    assert section is not None
    text = " ".join(section.paragraphs).replace("\u00a0", " ")
    assert "at any place on any line, so in need of a port of their own: radar." in text
    missed = [g.forecast.device.id for g in growth_of(facts).guests if g.line is None]
    crowded = [name for name in missed if name != "radar"]
    assert crowded
    assert f"likelier ones are where they add least cable: {' and '.join(crowded)}." in text
    asked = iter([True])
    stopped = growth_section(
        growth_of(facts, lambda: next(asked, True)), facts.problem.currency
    )
    assert stopped is not None
    text = " ".join(stopped.paragraphs).replace("\u00a0", " ")
    assert "There was no time to look for room for one, two, three and radar" in text
    assert "find room on the lines" not in text, "nothing is known of that"
    rows = next(t for t in stopped.tables if t.id == "forecast").records()
    assert {row["fitting_line_count"] for row in rows} == {None}
    assert {row["fitting_lines"] for row in rows} == {""}
    assert "were checked" not in text
    rooms = next(t for t in stopped.tables if t.id == "line-room").records()
    assert {row["expected_count"] for row in rooms} == {None}
    some = iter([False] * (len(facts.lines) + 2))
    partly = growth_section(growth_of(facts, lambda: next(some, True)), facts.problem.currency)
    assert partly is not None
    text = " ".join(partly.paragraphs).replace("\u00a0", " ")
    assert "of 2 forecast devices that there was time for find room on the lines" in text
