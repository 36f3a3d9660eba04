"""Ways out obeyed to the letter in the problem file: it reads, and plans at the cost told."""

from __future__ import annotations

import time
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.explain.conflict import Asker, confirmed, conflicts_of, minimal_conflict
from partitioner.explain.explanation import NoLayoutExplained, explain
from partitioner.explain.handles.handle import Handle, without
from partitioner.explain.handles.limits import CM
from partitioner.explain.handles.register import handles_of
from partitioner.explain.rule_prices import LayoutExplained
from partitioner.explain.ways_out import (
    WayOut,
    open_kinds,
    ways_of_each_kind,
    without_more_than_needed,
)
from partitioner.model.outcome import Status
from partitioner.model.problem import Problem
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.planner import PlanSettings, plan_layout
from partitioner.units import ceil_div
from partitioner.wording import listed, metres
from tests.brute.oracle import best_layout
from tests.explain.obey import obey

CASES = Path(__file__).parent.parent / "cases"
LINE = "10BASE-T1S-multidrop"
FAST = "100BASE-T1"


def device(id_: str, x: float, y: float = 1, **more: Any) -> dict[str, Any]:
    return {"id": id_, "position_m": [x, y, 0], "grades": [LINE], **more}


def switch(id_: str, x: float, lines: int = 1) -> dict[str, Any]:
    return {"id": id_, "position_m": [x, 0, 0], "ports": [{"grades": [LINE], "count": lines}]}


def stream(id_: str, source: str, to: str, **more: Any) -> dict[str, Any]:
    row = {"id": id_, "from": source, "to": [to], "payload_bytes": 46, "period_us": 1_000_000}
    return row | more


def problem_of(*devices: dict[str, Any], **more: Any) -> dict[str, Any]:
    rows = devices or (device("a", 1), device("b", 2))
    plain = {
        "format": 1,
        "name": "p",
        "switches": [switch("s", 0)],
        "devices": list(rows),
        "streams": [stream("t", rows[0]["id"], "s")],
    }
    return plain | more


TWO = [switch("s", 0), switch("r", 10)]
HOPELESS: dict[str, tuple[dict[str, Any], set[str]]] = {
    "ports": (
        problem_of(groups=[{"id": "g", "kind": "apart-segment", "devices": ["a", "b"]}]),
        {"give", "drop"},
    ),
    "alike ports": (
        problem_of(
            switches=[switch("s", 0) | {"ports": [{"grades": [LINE], "count": 1, "price": p}
                                                  for p in (1, 2)]}],
            devices=[device(d, x) for x, d in enumerate("abc", 1)],
            groups=[{"id": "g", "kind": "apart-segment", "devices": ["a", "b", "c"]}],
        ),
        {"give", "drop"},
    ),
    "nodes": (problem_of(*(device(f"d{k}", k) for k in range(9))), {"raise", "give"}),
    "length": (problem_of(device("a", 40)), {"raise", "place", "add"}),
    "stub": (problem_of(device("a", 1, stub_m=0.33)), {"raise"}),
    "load": (
        problem_of(limits={LINE: {"load_share": 0.001}},
                   streams=[stream("t", "a", "s", period_us=1_000)]),
        {"raise", "send"},
    ),
    "loads": (
        problem_of(streams=[stream(t, "a", "s", payload_bytes=1_400, period_us=2_000)
                            for t in "tu"]),
        {"send"},
    ),
    "unit loads": (problem_of(limits={LINE: {"unit_loads": 1}}), {"raise", "give"}),
    "spacing": (problem_of(limits={LINE: {"spacing_m": 5}}), {"lower"}),
    "reserve": (problem_of(limits={LINE: {"nodes": 3, "reserve": {"nodes": 1}}}),
                {"keep", "raise", "give"}),
    "pathway": (
        problem_of(
            *({"id": d, "place": "p1", "grades": [LINE]} for d in "ab"),
            places=[{"id": f"p{k}", "position_m": [k, 0, 0]} for k in range(2)],
            pathways=[{"id": "w", "from": "p0", "to": "p1", "max_cables": 1}],
            switches=[{"id": "s", "place": "p0", "ports": [{"grades": [LINE], "count": 2}]}],
            groups=[{"id": "g", "kind": "apart-segment", "devices": ["a", "b"]}],
        ),
        {"make", "drop", "place"},
    ),
    "pin": (
        problem_of(
            device("a", 1, switch="s"), device("b", 2, switch="s"), switches=TWO,
            backbone={"links": [{"between": ["s", "r"], "grades": [FAST]}]},
            groups=[{"id": "g", "kind": "apart-segment", "devices": ["a", "b"]}],
        ),
        {"let", "give", "drop"},
    ),
    "apart on switches": (
        problem_of(
            switches=[switch("s", 0, 2)],
            groups=[{"id": "g", "kind": "apart-switch", "devices": ["a", "b"]}],
        ),
        {"keep", "add"},
    ),
    "watched twice": (
        problem_of(
            device("a", 1, function="f"), device("b", 2, function="f"),
            groups=[{"id": "g", "kind": "apart-segment", "devices": ["a", "b"]}],
            failure_rules=[{"id": "r", "group": "g", "most_lost": 1},
                           {"id": "q", "function": "f", "most_lost": 1}],
        ),
        {"give", "drop"},
    ),
    "failure": (
        problem_of(
            device("a", 1, function="f"), device("b", 2, function="f"),
            failure_rules=[{"id": "q", "function": "f", "most_lost": 1}],
        ),
        {"let"},
    ),
    "reach": (
        problem_of(
            device("a", 1, switch="s"), device("b", 10, switch="r"), switches=TWO,
            streams=[stream("t", "a", "b")],
            backbone={"links": [{"between": ["s", "r"], "grades": [FAST], "length_m": 90}]},
        ),
        {"bring"},
    ),
    "one link": (
        problem_of(
            device("a", 1, switch="s"), device("b", 10, switch="r"), switches=TWO,
            streams=[stream("t", "a", "b")],
        ),
        {"add", "let"},
    ),
    "ring": (
        problem_of(
            device("a", 1), switches=[*TWO, switch("q", 20)],
            backbone={"shape": "ring", "links": [
                {"between": ["s", "r"], "grades": [FAST]},
                {"between": ["r", "q"], "grades": [FAST]},
                {"between": ["s", "q"], "grades": [FAST], "length_m": 90},
            ]},
        ),
        {"make", "bring"},
    ),
    "two domains": (
        problem_of(device("a", 1, security_domain="x"), device("b", 2, security_domain="y")),
        {"let", "give"},
    ),
    "three domains": (
        problem_of(*(device(d, k, security_domain=d * 2) for k, d in enumerate("abc", 1))),
        {"let", "give"},
    ),
    "safety": (
        problem_of(device("a", 1, safety_level=0), device("b", 2, safety_level=3),
                   sharing={"safety_span": 1}),
        {"let", "give"},
    ),
    "switch at end": (problem_of(device("a", 11), device("b", -11)), {"let", "raise", "give"}),
    "option tail": (
        problem_of(
            device("a", 12), device("b", 5, option="o"), options=[{"id": "o", "take_rate": 0.5}],
            line={"option_tail": True}, limits={LINE: {"length_m": 17}},
        ),
        {"let", "raise", "give"},
    ),
    "deadline": (problem_of(streams=[stream("t", "a", "s", deadline_us=77)]), {"relax"}),
    "transfer": (
        problem_of(
            transfers=[{"id": "u", "from": "a", "to": ["s"], "size_bytes": 100_000,
                        "longest_s": 0.01}],
        ),
        {"give"},
    ),
    "backbone load": (
        problem_of(
            device("a", 1, switch="s"), device("b", 10, switch="r"), switches=TWO,
            streams=[stream("t", "a", "b", period_us=2_000)],
            backbone={"load_share": 0.001, "links": [{"between": ["s", "r"], "grades": [FAST]}]},
        ),
        {"raise", "let"},
    ),
    "links and a load": (
        problem_of(
            device("a", 1, switch="s"), device("b", 10, switch="r"), switches=TWO,
            streams=[stream("t", "a", "b")], limits={LINE: {"unit_loads": 0.5}},
        ),
        {"add", "let", "raise"},
    ),
}  # fmt: skip
"""Problems without a layout, with the first words of the changes that must be offered."""


def budget() -> Budget:
    return Budget(time.monotonic, time.monotonic() + 240.0)


def read(path: Path, data: dict[str, Any]) -> Problem:
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    return read_problem(path)


def same(read_again: Problem, told: Problem) -> None:
    """All is the same but for the file's digest and limits of grades that were not used before."""
    for field in fields(Problem):
        if field.name not in ("digest", "warnings", "limits"):
            assert getattr(read_again, field.name) == getattr(told, field.name)
    for grade, limits in told.limits.items():
        assert read_again.limits[grade] == limits


def each_way_obeyed(data: dict[str, Any], tmp_path: Path) -> set[str]:
    problem = read(tmp_path / "before.yaml", data)
    found = explain(problem, budget())
    assert isinstance(found, NoLayoutExplained)
    assert found.is_whole
    assert found.ways
    for way in found.ways:
        edited = deepcopy(data)
        for change in way.changes:
            obey(edited, change)
        again = read(tmp_path / "after.yaml", edited)
        same(again, way.problem)
        outcome = plan_layout(again, PlanSettings(time_limit_s=30, workers=1, work_limit=60))
        assert outcome.status is Status.OPTIMAL
        assert outcome.cost_money == way.cost_money
        assert way.outcome.status is Status.OPTIMAL
    return {change.split()[0] for way in found.ways for change in way.changes}


@pytest.mark.parametrize("name", HOPELESS)
def test_every_way_out_works_in_the_file(name: str, tmp_path: Path) -> None:
    data, words = HOPELESS[name]
    assert each_way_obeyed(data, tmp_path) >= words


@pytest.mark.parametrize("name", ["explain-drop-group", "explain-two-links"])
def test_every_way_out_of_a_case_works_in_its_file(name: str, tmp_path: Path) -> None:
    data = yaml.safe_load((CASES / f"{name}.yaml").read_text(encoding="utf-8"))
    words = each_way_obeyed(data, tmp_path)
    assert ("add" if "links" in name else "drop") in words


def test_links_needed_together_are_offered_together() -> None:
    found = explain(read_problem(CASES / "explain-two-links.yaml"), budget())
    assert isinstance(found, NoLayoutExplained)
    ways = [w.changes for w in found.ways if w.rules[0].key == "backbone-link"]
    assert {change.count("add a backbone link") for (change,) in ways} == {2}
    assert len(ways) == 3


def test_what_the_listed_links_cost_is_what_the_best_added_links_save() -> None:
    problem = read_problem(CASES / "explain-links.yaml")
    found = explain(problem, budget())
    assert isinstance(found, LayoutExplained)
    (price,) = (p.price for p in found.prices if p.handles[0].key == "backbone-link")
    (handle,) = (h for h in handles_of(problem) if h.key == "backbone-link")
    saved = [
        best_layout(without(problem, ()))[0] - best[0]
        for choice in handle.choices
        if (best := best_layout(choice.change(problem))) is not None
    ]
    assert price.is_exact
    assert price.least_money == max(saved) > 0


def four_places(tmp_path: Path) -> Problem:
    """Of four places, too far apart to help each other, each lacks a port."""
    rows = [device(f"d{n}", 100 * (n // 5) + n % 5 + 1) for n in range(20)]
    places = range(4)
    return read(
        tmp_path / "p.yaml",
        problem_of(
            *rows,
            switches=[switch(f"s{n}", 100 * n) for n in places],
            limits={LINE: {"nodes": 4}},
            streams=[stream(f"t{n}", f"d{5 * n}", f"s{n}") for n in places],
        ),
    )


def test_large_problems_have_a_way_out_of_each_kind_though_many_rules_give_way(
    tmp_path: Path,
) -> None:
    """Each place lacks a port: four changes at once."""
    problem = four_places(tmp_path)
    asker = Asker(problem, Budget(time.monotonic, time.monotonic() + 120))
    assert asker.is_large
    ways = ways_of_each_kind(asker, conflicts_of(asker))
    by_rule = {frozenset(h.rule for h in way.rules): way.changes for way in ways}
    assert by_rule[frozenset({"port-exists"})] == tuple(
        f"give s{n} 2 ports for {LINE} in place of 1" for n in range(4)
    )
    (nodes,) = by_rule[frozenset({"nodes"})]
    assert nodes.startswith(f"raise the node limit of {LINE} from 4 to 6")
    for way in ways:
        assert not assess(way.problem, way.outcome.layout).findings


def test_a_layout_without_many_rules_is_a_way_out_though_time_ends_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asker = Asker(four_places(tmp_path), Budget(time.process_time, time.process_time() + 60))
    conflicts = conflicts_of(asker)
    ask = Asker.ask

    def ask_last(self: Asker, *args: Any, **more: Any) -> Result:
        found = ask(self, *args, **more)
        self.budget.ends_at = 0.0
        return found

    monkeypatch.setattr(Asker, "ask", ask_last)
    (way,) = ways_of_each_kind(asker, conflicts)
    assert {h.rule for h in way.rules} == {"port-exists"}
    judged = assess(way.problem, way.outcome.layout)
    assert not judged.findings
    assert way.cost_money == judged.cost.objective_money


def test_where_time_ends_before_less_is_planned_a_way_out_tells_what_its_layout_needs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [device(f"d{n}", 35 + 0.1 * n) for n in range(20)]
    problem = read(
        tmp_path / "p.yaml", problem_of(*rows, switches=[switch("s", 0, 3)])
    )
    asker = Asker(problem, Budget(time.process_time, time.process_time() + 60))
    conflicts = conflicts_of(asker)
    found: list[Result] = []
    ask = Asker.ask

    def ask_twice(self: Asker, *args: Any, **more: Any) -> Result:
        found.append(ask(self, *args, **more))
        if len(found) == 2:
            self.budget.ends_at = 0.0
        return found[-1]

    monkeypatch.setattr(Asker, "ask", ask_twice)
    (way,) = ways_of_each_kind(asker, conflicts)
    assert [r.answer for r in found] == [Answer.FOUND, Answer.FOUND]
    judged = assess(way.problem, way.outcome.layout)
    assert not judged.findings
    longest = max(s.length_um for s in judged.segments)
    assert way.changes == (
        f"raise the length limit of {LINE} from 25 m to {metres(ceil_div(longest, CM) * CM)} with "
        "basis: engineered",
    )
    assert way.cost_money == judged.cost.objective_money
    assert way.outcome.bound_money <= way.cost_money
    assert not way.is_least


def everyone_pinned_behind_a_pathway() -> dict[str, Any]:
    """Twenty devices hang on the switch with one port, through a pathway for one line."""
    rows = [
        {"id": f"d{n}", "place": "far", "grades": [LINE], "switch": "s"} for n in range(20)
    ]
    return problem_of(
        *rows,
        places=[{"id": p, "position_m": [x, 0, 0]} for x, p in enumerate(["near", "far"])],
        pathways=[{"id": "w", "from": "near", "to": "far", "max_cables": 1}],
        switches=[
            {"id": name, "place": place, "ports": [{"grades": [LINE], "count": ports}]}
            for name, place, ports in (("s", "near", 1), ("r", "far", 6))
        ],
        backbone={"links": [{"between": ["s", "r"], "grades": [FAST]}]},
        streams=[stream(f"t{n}", f"d{n}", "s") for n in range(20)],
    )


def test_kinds_of_rules_that_help_only_together_give_way_together(tmp_path: Path) -> None:
    data = everyone_pinned_behind_a_pathway()
    problem = read(tmp_path / "p.yaml", data)
    asker = Asker(problem, Budget(time.process_time, time.process_time() + 60))
    ways = ways_of_each_kind(asker, conflicts_of(asker))
    by_rule = {frozenset(h.rule for h in way.rules): way for way in ways}
    both = by_rule[frozenset({"port-exists", "pathway-capacity"})]
    assert set(both.changes) == {
        f"give s 3 ports for {LINE} in place of 1", "make room for 4 cables in w in place of 1",
    }
    (freed,) = by_rule[frozenset({"pin"})].changes
    assert freed.startswith("let d")
    assert " and d" in freed
    for way in ways:
        edited = deepcopy(data)
        for change in way.changes:
            obey(edited, change)
        same(read(tmp_path / "after.yaml", edited), way.problem)
        assert not assess(way.problem, way.outcome.layout).findings


def test_rules_that_a_proof_names_are_asked_about_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of forty-odd rules a proof names all that matter, so few questions find the conflict."""
    problem = read(tmp_path / "p.yaml", everyone_pinned_behind_a_pathway())
    asked = []
    is_hopeless = Asker.is_hopeless
    monkeypatch.setattr(
        Asker, "is_hopeless", lambda asker, p: asked.append(p) or is_hopeless(asker, p)
    )
    asker = Asker(problem, Budget(time.process_time, time.process_time() + 60))
    assert len(asker.handles) > 40
    conflict = minimal_conflict(asker)
    assert conflict is not None
    assert {"pin"} < {h.rule for h in conflict.rules}
    assert len(asked) < len(asker.handles) // 2
    others = [{h.rule for h in c.rules} for c in conflicts_of(asker)[1:]]
    assert others == [{"pathway-capacity", "pin"}], "a backbone link fills the pathway"


def test_plans_that_confirm_a_conflict_of_many_devices_come_after_its_ways_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = read(tmp_path / "p.yaml", everyone_pinned_behind_a_pathway())
    planned: list[Problem] = []
    ask = Asker.ask

    def counted(self: Asker, problem: Problem, **more: Any) -> Result:
        planned.append(problem)
        return ask(self, problem, **more)

    monkeypatch.setattr(Asker, "ask", counted)
    asker = Asker(problem, Budget(time.process_time, time.process_time() + 60))
    (conflict, *_) = conflicts_of(asker)
    assert planned == [problem]
    assert not conflict.is_minimal
    told_last = confirmed(asker, conflict)
    assert len(planned) > 1
    assert set(told_last.rules) <= set(conflict.rules)
    asker.budget.ends_at = 0.0
    count = len(planned)
    assert confirmed(Asker(problem, asker.budget), conflict) == conflict
    assert len(planned) == count


def test_kinds_whose_proof_was_cut_short_are_not_told_to_be_enough(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = read(tmp_path / "p.yaml", everyone_pinned_behind_a_pathway())
    asker = Asker(problem, Budget(time.process_time, time.process_time() + 60))
    conflicts = conflicts_of(asker)

    def cut_short(self: Asker, problem: Problem) -> tuple[()]:
        self.budget.ends_at = 0.0
        return ()

    monkeypatch.setattr(Asker, "is_hopeless", lambda self, problem: True)
    monkeypatch.setattr(Asker, "proof", cut_short)
    assert list(open_kinds(asker, conflicts)) == []


def test_no_way_out_does_all_that_another_does_and_more(tmp_path: Path) -> None:
    found = explain(read_problem(CASES / "explain-two-links.yaml"), budget())
    assert isinstance(found, NoLayoutExplained)
    one = replace(found.ways[0], changes=("free a",))
    both = replace(one, changes=("free a", "widen w"))
    other = replace(one, changes=("widen w", "drop g"))
    assert without_more_than_needed([both, other, one]) == [other, one]

    rows = [device(d, x) | ({"switch": "s"} if d in "ab" else {}) for x, d in enumerate("abcdefgh")]
    problem = read(
        tmp_path / "p.yaml", problem_of(*rows, switches=TWO, limits={LINE: {"nodes": 3}})
    )
    rules = {h.key: h for h in handles_of(problem)}
    nodes, *pins = (rules[key] for key in (f"nodes:{LINE}", "pin:a", "pin:b"))

    def way(most: int, pins: Sequence[Handle]) -> WayOut:
        changed, words = problem, list[str]()
        if most > 3:
            assert nodes.scale is not None
            changed, words = nodes.scale.to(most)(changed), [nodes.scale.words(most)]
        for pin in pins:
            changed = pin.choices[0].change(changed)
        if pins:
            words.append(f"free {listed(h.subjects[0] for h in pins)}")
        handles = (*([nodes] if most > 3 else []), *pins)
        return replace(one, changes=tuple(words), rules=handles, problem=changed)

    both, first, less, more = way(3, pins), way(3, pins[:1]), way(4, pins[1:]), way(5, [])
    assert without_more_than_needed([both, first, less, more]) == [first, less, more]
    further = way(5, pins[1:])
    assert without_more_than_needed([further, more, less]) == [more, less]
