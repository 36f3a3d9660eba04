"""Conflicts and ways out of seeded problems; every claim is tried by brute force too."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from partitioner.check.judge import assess
from partitioner.explain.conflict import Asker, ConflictSet
from partitioner.explain.explanation import (
    DeviceExplained,
    NoLayoutExplained,
    explain,
)
from partitioner.explain.handles.handle import without
from partitioner.explain.handles.register import handles_of
from partitioner.explain.needed import needed, written_for
from partitioner.explain.rule_prices import (
    UNREAD_ROOM,
    LayoutExplained,
    Price,
    RulePrice,
    Tried,
    _by_single_moves,
    _of_several,
    _Priced,
    _room,
    _study,
    _told,
    elsewhere,
    price_between,
    rule_prices,
    surcharge,
    together,
)
from partitioner.model.assessment import COMPLETE
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome, Sample, Status
from partitioner.model.problem import Group, GroupKind, Objective, Problem
from partitioner.pages.explanation import explained_data, explained_page, explained_text
from partitioner.report.amounts import count_text, money_text
from partitioner.runs import Answer, Budget, Result
from partitioner.solve.columns import ColumnBuilder
from partitioner.solve.instance import Instance
from partitioner.solve.precheck.hopeless import hopeless
from tests.bench.planted import Planted, planted
from tests.brute import brute, oracle
from tests.brute.random_problems import random_problem
from tests.explain.no_layout import ONE, TWO
from tests.explain.test_nearest_miss import fewer_ports
from tests.solve import conflict_table


def best_layout(problem: Problem) -> tuple[int, Layout] | None:
    """By the check alone where a deadline may bind, else by rules of its own, which is quicker."""
    is_tight = any(s.deadline_ns < s.period_ns for s in problem.streams.values())
    return (oracle if is_tight else brute).best_layout(problem)


def budget(seconds: float = 240.0) -> Budget:
    return Budget(time.monotonic, time.monotonic() + seconds)


def explained(problem: Problem) -> NoLayoutExplained:
    found = explain(problem, budget())
    assert isinstance(found, NoLayoutExplained)
    assert found.is_whole
    return found


def is_minimal_by_brute_force(problem: Problem, conflict) -> None:
    """With these rules only there is no layout; with any one less there is."""
    handles = Asker(problem, budget()).handles
    rules = {h.key for h in conflict.rules}
    others = [h for h in handles if h.key not in rules]
    assert best_layout(without(problem, others)) is None
    for handle in conflict.rules:
        assert best_layout(without(problem, [*others, handle])) is not None


def each_way_works(problem: Problem, found: NoLayoutExplained) -> None:
    assert found.ways
    for way in found.ways:
        assert way.changes
        best = best_layout(way.problem)
        assert best is not None
        assert way.outcome.cost_money == best[0]
        assert assess(way.problem, way.outcome.layout).findings == ()


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize("kind", ONE)
def test_one_conflict(kind, seed):
    make, rules = ONE[kind]
    problem = make(seed)
    assert best_layout(problem) is None
    found = explained(problem)
    assert [{h.rule for h in c.rules} for c in found.conflicts] == [rules]
    assert found.conflicts[0].is_minimal
    is_minimal_by_brute_force(problem, found.conflicts[0])
    each_way_works(problem, found)
    assert all(len(w.changes) == 1 for w in found.ways[:1])


def test_ways_out_begin_with_the_layout_given(monkeypatch):
    problem = ONE["ports and nodes"][0](1)
    given = explained(problem).ways[0].outcome.layout
    begun = []
    run = Budget.run

    def told(self, problem, seconds, *, start=None, **more):
        begun.append(start)
        return run(self, problem, seconds, start=start, **more)

    monkeypatch.setattr(Budget, "run", told)
    found = explain(problem, budget(), start=given)
    assert isinstance(found, NoLayoutExplained)
    assert len(begun) > 2
    assert all(begun)
    assert begun.count(given) > 2
    each_way_works(problem, found)


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize("kind", TWO)
def test_two_conflicts_at_once(kind, seed):
    make, rules = TWO[kind]
    problem = make(seed)
    assert best_layout(problem) is None
    found = explained(problem)
    sets = [{h.rule for h in c.rules} for c in found.conflicts]
    assert sorted(map(sorted, sets)) == sorted(map(sorted, rules))
    for conflict in found.conflicts:
        assert conflict.is_minimal
        is_minimal_by_brute_force(problem, conflict)
    each_way_works(problem, found)
    assert all(len(w.changes) == 2 for w in found.ways)


@pytest.mark.parametrize("seed", [4, 5, 9])
def test_random_problems_without_a_layout(seed):
    problem = random_problem(
        seed, 5, groups=True, pins=True, sharing=True, reserve=True, links=True, nodes=4
    )
    assert best_layout(problem) is None
    found = explained(problem)
    assert found.conflicts[0].is_minimal
    is_minimal_by_brute_force(problem, found.conflicts[0])
    each_way_works(problem, found)


def test_the_least_amount_is_the_least():
    make, _ = ONE["ports and nodes"]
    found = explained(make(1))
    # Five devices, three on a line: two ports, or a line of six nodes with the switch port.
    assert {w.changes for w in found.ways} == {
        ("give sw0 2 ports for 10BASE-T1S-multidrop in place of 1",),
        ("raise the node limit of 10BASE-T1S-multidrop from 4 to 6",),
    }
    assert all(w.is_least for w in found.ways)


def test_words_name_rules_places_and_ways():
    make, _ = ONE["apart on switches"]
    problem = make(1)
    found = explained(problem)
    text = explained_text(problem, found, lambda steps: "p.yaml:7")
    assert text.startswith(f"{problem.name}: no layout keeps all rules; this is proved.")
    assert "p.yaml:7: [apart-switch] d0 and d3 stay on different switches (group g0)." in text
    assert "keep group g0 on different segments only; the layout then costs " in text
    data = explained_data(problem, found)
    assert data["conflicts"][0]["rules"][0]["key"] == "group:g0"
    assert data["ways_out"][0]["cost"] > 0


def cost_of(problem: Problem) -> int | None:
    best = best_layout(problem)
    return None if best is None else best[0]


@pytest.mark.parametrize("seed", [0, 6])
def test_prices_of_rules_equal_brute_force(seed):
    problem = random_problem(
        seed, 5, groups=True, pins=True, sharing=True, reserve=True, links=True, nodes=4
    )
    base = cost_of(problem)
    found = explain(problem, budget())
    assert isinstance(found, LayoutExplained)
    assert found.outcome.cost_money == base
    assert len(found.prices) > 5
    assert any(p.binds for p in found.prices)
    for price in found.prices:
        assert price.price.is_exact
        loose = cost_of(without(problem, price.handles))
        # A later deadline is no plain loosening: what it gains can be less than nothing.
        assert price.price.least_money == max(0, base - loose)


def test_prices_of_other_homes_equal_brute_force():
    problem = random_problem(2, 5, links=True, anywhere=True)
    base = cost_of(problem)
    device = "d1"
    found = explain(problem, budget(), device)
    assert isinstance(found, DeviceExplained)
    others = {o.where: o.surcharge for o in found.others}
    row = problem.devices[device]
    for switch in problem.switches:
        if switch == found.segment.switch:
            continue
        pinned = replace(row, pinned_switches=(switch,))
        best = cost_of(replace(problem, devices={**problem.devices, device: pinned}))
        price = others[f"on {switch}"]
        if best is None:
            assert price.is_impossible
        else:
            assert (price.least_money, price.most_money) == (best - base, best - base)
    mates = [d for d in found.segment.devices if d != device]
    for mate in mates if len(mates) > 1 else ():
        apart = Group("apart", GroupKind.APART_SEGMENT, (device, mate))
        best = cost_of(replace(problem, groups=(*problem.groups, apart)))
        assert others[f"away from {mate}"].least_money == best - base
    assert any(w.startswith("away from") for w in others)


def test_another_home_is_planned_from_a_layout_with_the_device_alone_moved(monkeypatch):
    problem = random_problem(2, 5, links=True, anywhere=True)
    best = best_layout(problem)
    assert best is not None
    base = Outcome(Status.FEASIBLE, best[1], best[0], 0, 0, 0, 0, 1, "", "", (), ())
    home = best[1].segment_of()["d1"]
    starts = []

    def run(self, changed, seconds, *, start=None, known=()):
        starts.append(start)
        if start is not None:
            assert not assess(changed, start).findings
            assert {d for d, s in start.segment_of().items() if s.switch != home.switch} - {
                d for d, s in best[1].segment_of().items() if s.switch != home.switch
            } <= {"d1"}
        return Result(Answer.UNKNOWN)

    monkeypatch.setattr(Budget, "run", run)
    found = elsewhere(problem, base, "d1", budget())
    assert len(found) == len(starts) > 2
    assert any(starts)
    # None was found, which is no proof that there is one.
    explained = DeviceExplained("d1", home, base, assess(problem, best[1]), tuple(found))
    assert "none found" in explained_text(problem, explained)
    # Where the time is up every home is still told.
    assert len(elsewhere(problem, base, "d1", Budget(time.monotonic, 0))) == len(found)
    assert len(starts) == len(found)


def test_a_price_is_what_is_certain():
    nothing = Layout("", "", (), (), ())
    base = Outcome(Status.FEASIBLE, nothing, 120, 100, 0, 0, 0, 1, "", "", (), ())
    looser = Result(Answer.FOUND, replace(base, cost_money=90, bound_money=70), None, (), 70)
    assert price_between(base, looser) == Price(10, 50)
    tighter = Result(Answer.FOUND, replace(base, cost_money=150, bound_money=130), None, (), 130)
    assert surcharge(base, tighter) == Price(10, 50)
    assert surcharge(base, Result(Answer.UNKNOWN, bound_money=125)) == Price(5, None)
    assert surcharge(base, Result(Answer.NONE)).is_impossible


def test_rules_that_there_was_no_time_for_are_named():
    problem = random_problem(0, 5)
    found = explain(problem, budget())
    assert isinstance(found, LayoutExplained)
    nothing = rule_prices(
        problem, found.outcome, found.assessment, budget(-1.0), lambda name: None
    )
    prices = nothing.prices
    assert nothing.outcome is found.outcome
    todo = sorted(together(problem), key=lambda pair: _room(pair[1], found.assessment))
    assert [p.name for p in prices] == [name for name, _ in todo]
    rooms = [_room(handles, found.assessment) for _, handles in todo]
    assert rooms[0] == 0 < UNREAD_ROOM < rooms[-1], "what is used up first, what has room last"
    assert not any(p.is_tried or p.binds for p in prices)
    text = " ".join(explained_text(problem, nothing).split())
    assert f"There was no time to plan without {len(prices)} rules" in text
    assert "Nothing cheaper was found" not in text
    assert "Nothing cheaper was found" not in " ".join(explained_page(problem, nothing).lead)
    assert price_intro(problem, nothing) == "There was no time to take a rule off and plan again."


def price_intro(problem: Problem, explained: LayoutExplained) -> str:
    """What stands above the table of prices on the page."""
    sections = explained_page(problem, explained).walk()
    return next(str(s.intro) for s in sections if s.id == "rule-prices")


def test_each_rule_is_told_by_what_is_proved_of_it():
    problem = replace(random_problem(0, 5), objective=Objective(latency_price_per_ms_money=100))
    found = explain(problem, budget())
    assert isinstance(found, LayoutExplained)
    whole = found.outcome.cost_money
    handles = found.prices[0].handles
    prices = [
        RulePrice("dear", handles, Price(whole // 4, whole // 2)),
        RulePrice("free", handles, Price(0, 0)),
        RulePrice("open", handles, Price(0, whole // 12)),
        RulePrice("unknown", handles, Price(0, whole)),
        RulePrice("found", handles, Price(0, whole), saved_money=whole // 8,
                  changes=("do this", "do that")),
        RulePrice("late", handles, Price(0, None), Tried.NOT),
    ]
    found = replace(found, prices=tuple(prices))
    text = " ".join(explained_text(problem, found, lambda steps: "").split())

    def shown(money: int) -> str:
        return " ".join(money_text(money, problem.currency).split())

    of_it = shown(found.assessment.cost.money)
    assert f"has a priced total of {shown(whole)} ({of_it} of it money)" in text
    assert "1 rule costs nothing (planned without, the cheapest layout keeps" in text
    assert f"proved that none of them costs more than {shown(whole // 12)}: open." in text
    assert "found without one of these either, but much cheaper may exist: unknown." in text
    assert "There was no time to plan without 1 rule: late." in text
    assert f"{shown(whole // 8)} less: do this; and do that" in text, "found, though not proved"
    assert f"at most {shown(whole)}" not in text, "a price of all there is says nothing"
    row = f"at least {shown(whole // 4)} less: without: dear (proved: at least {shown(whole // 4)}"
    assert row in text
    assert "look at them first" not in text
    many = replace(prices[4], changes=tuple(f"do {n}" for n in range(9)))
    short = explained_text(problem, replace(found, prices=(many,)), lambda steps: "")
    rest = "do 4; and 4 changes more, which rule-changes.csv of -o DIR tells"
    assert rest in " ".join(short.split())
    unbounded = replace(prices[0], price=Price(whole // 9, None), saved_money=whole // 8)
    told = explained_text(problem, replace(found, prices=(unbounded,)), lambda steps: "")
    assert f"(proved: at least {shown(whole // 9)})" in " ".join(told.split())
    head = explained_page(problem, replace(found, prices=(many,))).lead[0]
    assert "do 1; and 7 changes more, which the table of prices tells." in " ".join(head.split())
    tables = {t.id: t for s in explained_page(problem, replace(found, prices=(many,))).walk()
              for t in s.tables}  # fmt: skip
    assert tables["rule-prices"].records()[0]["changes"] == (
        "do 0; do 1; do 2; do 3; do 4; and 4 changes more, which "
        "rule-changes.csv tells"
    )
    assert [r["change"] for r in tables["rule-changes"].records()] == list(many.changes)
    assert {"changes", "costs_at_most"} <= set(tables["rule-prices"].shown)
    assert {"state", "costs_at_least"}.isdisjoint(tables["rule-prices"].shown), "nothing in them"
    head = explained_page(problem, replace(found, prices=(many, prices[4]))).lead[0]
    few = f"With no more than 2 changes {shown(whole // 8)} less: do this; and do that."
    assert few in " ".join(head.split())
    rows = explained_data(problem, found, lambda steps: "")["prices"]
    assert [r["is_tried"] for r in rows] == [True, True, True, True, True, False]
    assert rows[-1]["state"] == "bad"
    assert price_intro(problem, found).startswith(
        "5 of 6 rules were taken off, those of a kind together, and the problem planned again; "
        f"there was no time for {count_text(1, 'rule')}."
    )
    kind = RulePrice("kind", tuple(handles_of(problem)[:2]), Price(0, whole))
    moved = RulePrice("of it", kind.handles[:1], Price(0, whole), Tried.MOVED, whole // 8)
    for in_time in (tuple(prices[:-1]), (kind, moved)):
        intro = price_intro(problem, replace(found, prices=in_time))
        assert intro.startswith("Each rule was taken off, those of a kind")
    assert price_intro(problem, replace(found, prices=(*prices[:2], moved))).startswith("2 of 3 ")
    assert rows[-1]["costs_at_most"] is None
    table = text.partition("1 rule costs nothing")[0]
    assert "dear" in table
    assert "free" not in table
    assert "unknown" not in table


def test_where_nothing_cheaper_was_found_there_is_something_to_begin_with():
    problem = random_problem(0, 5)
    found = explain(problem, budget())
    assert isinstance(found, LayoutExplained)
    handles, whole = found.prices[0].handles, found.outcome.cost_money
    found = replace(
        found,
        prices=(RulePrice("unknown", handles, Price(0, whole)),),
        outcome=replace(found.outcome, bound_money=0),
    )
    text = " ".join(explained_text(problem, found, lambda steps: "").split())
    tight = max(found.assessment.margins, key=lambda m: m.used)
    assert tight.used >= 0.95
    assert f"look at them first: {tight.rule} at {tight.where} (" in text
    assert "there was no time to prove how much could be saved" in text
    assert "100.0" not in text


@pytest.fixture(scope="module")
def machine() -> Planted:
    return planted(20, 3)


def loosely_planned(machine: Planted) -> Outcome:
    return Outcome(
        Status.FEASIBLE, machine.hidden, machine.hidden_money, machine.hidden_money // 2, 0, 0, 0,
        1, "", "", (), (),
    )  # fmt: skip


def test_moves_of_one_device_or_line_are_told_by_changes_with_which_the_check_accepts_them(
    machine,
):
    base = loosely_planned(machine)
    found = _by_single_moves(machine.problem, base, budget())
    assert len(found) > 1
    for one in found:
        layout = written_for(one.uses.problem, one.result.outcome.layout)
        judged = assess(one.uses.problem, layout)
        assert not judged.findings, one.name
        assert judged.cost.objective_money < base.cost_money, one.name
        assert one.changes, one.name


def test_rules_without_time_for_a_plan_are_priced_by_moves(machine):
    class NoPlans(Budget):
        def run(self, *asked, **more):
            return Result(Answer.UNKNOWN)

    base = loosely_planned(machine)
    judged = assess(machine.problem, machine.hidden)
    told = []
    found = rule_prices(
        machine.problem, base, judged, NoPlans(time.monotonic, time.monotonic() + 60.0),
        lambda name: None, told.append,
    )  # fmt: skip
    assert found.outcome is base
    known = [p for p in found.prices if p.saved_money]
    assert known
    assert all(p.changes and p.price.most_money is None for p in known)
    assert [p.is_tried for p in found.prices] == sorted(
        (p.is_tried for p in found.prices), reverse=True
    )
    assert told == [], "nothing was planned"


class Slow(Budget):
    """Each plan takes its time and gives what ``answer`` says of the problem asked."""

    def __init__(self, seconds: float, answer):
        super().__init__(lambda: self.now, seconds)
        self.now, self.answer, self.asked = 0.0, answer, []

    def run(self, problem, seconds, **more):
        self.now += min(seconds, self.left_s)
        self.asked.append(problem)
        return self.answer(problem)


def test_the_last_rules_are_taken_off_at_once_where_there_is_no_time_for_each(machine):
    base, judged = loosely_planned(machine), assess(machine.problem, machine.hidden)
    same = Result(Answer.FOUND, base, judged, bound_money=0)
    slow = Slow(21.0, lambda problem: same)
    names: list[str] = []
    found = rule_prices(machine.problem, base, judged, slow, names.append)
    rules = together(machine.problem)
    last = names[-1]
    assert last == f"the last {len(rules) - len(names) + 1} rules, all at once"
    assert len(names) == 5, "four seconds each"
    untried = [p for p in found.prices if not p.is_tried]
    among = [p for p in found.prices if p.tried is Tried.AMONG]
    assert not untried
    assert len(among) == len(rules) - len(names) + 1
    text = " ".join(explained_text(machine.problem, found).split())
    assert "without all of them at once nothing cheaper was found: " in text
    assert "the last ones too, and the problem planned again" in price_intro(machine.problem, found)


def test_what_is_found_without_the_last_rules_is_told_of_those_that_it_needs(machine):
    """The layout needs one port more; the other rules are as unknown as before."""
    switch, grade = machine.hidden.segments[0].switch, machine.hidden.segments[0].grade
    narrow = machine.problem
    judged = assess(narrow, written_for(narrow, machine.hidden))
    while not judged.findings:
        narrow = fewer_ports(narrow, switch, grade)
        judged = assess(narrow, written_for(narrow, machine.hidden))
    rules = together(narrow)
    uses = needed(narrow, [h for _, some in rules for h in some], machine.hidden)
    result = Result(Answer.FOUND, loosely_planned(machine), judged)
    done, left = _of_several(rules, result, uses)
    (one,) = done
    assert one.name == "the numbers of ports"
    assert one.tried is Tried.ALONE
    assert one.changes == uses.changes
    assert [name for name, _ in left] == [name for name, _ in rules if name != one.name]


def test_a_move_that_needs_few_rules_of_a_kind_is_told_beside_what_all_of_them_cost(machine):
    base = loosely_planned(machine)
    moves = _by_single_moves(machine.problem, base, budget())
    few = [m for m in moves if m.uses and len(m.handles) == len(m.uses.handles)]
    name, handles = next(
        (name, some) for name, some in together(machine.problem)
        if any(m.name == name for m in moves) and len(some) > 3
        and any(m for m in few if {h.key for h in m.handles} < {h.key for h in some})
    )  # fmt: skip
    cheaper = replace(base, cost_money=base.cost_money // 2)
    planned = _Priced(name, handles, Result(Answer.FOUND, cheaper, None), None)
    told = _told([planned, *moves], base)
    assert planned in told
    own = {h.key for h in handles}
    beside = [one for one in told if {h.key for h in one.handles} < own]
    assert beside
    assert all(one.price(base).saved_money > 0 and one.changes for one in beside)
    assert not [one for one in _told(moves, cheaper) if one.tried is Tried.MOVED]


def test_where_a_proof_is_far_a_plan_without_a_rule_goes_for_a_cheaper_layout(machine):
    base, judged = loosely_planned(machine), assess(machine.problem, machine.hidden)
    rules = dict(together(machine.problem))
    study = _study(rules["all deadlines"], base, judged)
    assert study is not None
    assert study.only_cheaper
    assert _study(rules["the numbers of ports"], base, judged) is None
    proved = replace(base, bound_money=base.cost_money)
    assert _study(rules["all deadlines"], proved, judged) is None
    loose = without(machine.problem, rules["all deadlines"])
    steps: set[str] = set()
    cheaper: list[int] = []

    def told(sample: Sample, step: str) -> None:
        steps.add(step)
        if sample.cost_money is not None and sample.cost_money < machine.hidden_money:
            cheaper.append(sample.cost_money)

    result = Budget(
        time.process_time, time.process_time() + 60.0, should_stop=lambda: bool(cheaper),
        on_progress=told,
    ).run(loose, 60.0, study=study, start=written_for(loose, machine.hidden))  # fmt: skip
    assert steps == {"starting", "choosing ports anew for less"}, "nothing is proved on the way"
    assert result.outcome is not None
    assert result.bound_money == 0
    assert result.outcome.cost_money < machine.hidden_money


def test_of_many_rules_of_a_kind_some_are_told_and_reasons_say_more_than_they_do() -> None:
    (case,) = (c for c in conflict_table.IMPOSSIBLE if c.name == "deadlines_for_short_cycles")
    problem = case.change(conflict_table.machine(40, 1))[0]
    rules = tuple(h for h in handles_of(problem) if h.rule in ("deadline", "port-exists"))
    deadlines = [h.sentence for h in rules if h.rule == "deadline"]
    reasons = tuple(hopeless(ColumnBuilder(Instance(problem))))
    conflict = ConflictSet(rules, False, reasons)
    text = explained_text(problem, NoLayoutExplained((conflict,), (), True))
    assert all(f"[deadline] {sentence}" in text for sentence in deadlines[:5])
    assert f"[deadline] and {len(deadlines) - 5} more like these" in text
    assert deadlines[5] not in text
    (last,) = (r.sentence for r in reasons if r.rule == COMPLETE)
    assert f"because: {last}" in text
    because = [line for line in text.splitlines() if line.startswith("  because: ")]
    assert not any("gets from" in line or "has 3 ports" in line for line in because)
    told, ways = explained_page(problem, NoLayoutExplained((conflict,), (), True)).walk()
    lead, *reasoned = told.paragraphs
    assert lead.endswith(".")
    assert reasoned[-1] == f"Because: {last}"
    assert ways.paragraphs[0].startswith("No way out was found within the time")
