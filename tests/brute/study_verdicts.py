"""Put the other commands to the oracle: reruns, fronts, conflicts, prices of rules, growth."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

from partitioner.check.facts import gather_facts
from partitioner.errors import NoAnswer, NoLayout
from partitioner.explain.conflict import ConflictSet
from partitioner.explain.explanation import NoLayoutExplained, explain
from partitioner.explain.handles.handle import Scale, without
from partitioner.explain.handles.register import handles_of
from partitioner.explain.rule_prices import LayoutExplained
from partitioner.explain.ways_out import WayOut
from partitioner.facts.growth import growth_of
from partitioner.model.catalogue import Medium
from partitioner.model.layout import Layout, Segment
from partitioner.model.outcome import Status
from partitioner.model.problem import Device, Forecast, GradeChoice, Problem, Reserve
from partitioner.network.cable import CableNetwork
from partitioner.replan.rerun import rerun
from partitioner.replan.searched import RerunSettings
from partitioner.runs import Budget
from partitioner.tradeoff.axes import AXES
from partitioner.tradeoff.search import TradeOffSettings, begin, trade_off
from tests.brute.front import front
from tests.brute.oracle import Oracle, accepts, best_layout
from tests.brute.parts import LINE, LINK10, LINK100
from tests.brute.tight_problems import tight_problem
from tests.brute.verdict import Verdict
from tests.replan.brute import RerunOracle
from tests.replan.random_reruns import random_rerun

SECONDS = 120.0
"""Of one command on one problem; a tiny one ends long before."""
STEPS_SOUGHT = 3_000
"""Amounts of a rule gone through to find the one that a way out names."""


def budget() -> Budget:
    return Budget(time.process_time, time.process_time() + SECONDS)


def judge_rerun(seed: int, kind: str) -> Verdict | None:
    """Whether the rerun is the least, and what it proves is so; None where nothing was drawn."""
    drawn = random_rerun(seed, kind)
    if drawn is None:
        return None
    problem, before, held = drawn
    best, oracle_s = _timed(lambda: RerunOracle(problem, before, held).best())
    started, faults, detail, total = time.monotonic(), [], "", None
    try:
        result = rerun(problem, before, RerunSettings(time_limit_s=SECONDS), held=held)
        total = result.best.found.total_money
        if not accepts(problem, result.best.layout):
            faults.append("refused")
        if best is None or total < best:
            faults.append("oracle")
        elif result.best.found.is_proved and total > best:
            faults.append("dearer")
        if best is not None and result.searched.total_bound_money > best:
            faults.append("bound")
        if not result.best.found.is_proved:
            faults.append("unproved")
    except NoLayout as error:
        faults, detail = ["no-layout"] if best is not None else [], str(error)
    except NoAnswer as error:
        faults, detail = ["no-answer"], str(error)
    except Exception as error:
        faults, detail = ["crash"], f"{type(error).__name__}: {error}"
    took = time.monotonic() - started
    return Verdict(problem.name, best, total, tuple(faults), detail, oracle_s, took)


def judge_front(seed: int, kind: str) -> Verdict:
    """Whether a front called exact has every point and no other."""
    problem = tight_problem(seed, kind, small=True)
    axis = AXES[("latency", "margin", "latency", "margin", "ports", "lines")[seed % 6]]
    expected, oracle_s = _timed(lambda: front(problem, lambda *judged: axis.of(*judged)[0]))
    started, faults, detail = time.monotonic(), [], axis.id
    try:
        state = trade_off(problem, begin(problem, axis), budget(), TradeOffSettings(gap=0.0))
        found = [(p.cost_money, p.value) for p in state.front.points]
        if not state.front.is_exact:
            faults.append("unproved")
        elif found != expected:
            more, less = set(found) - set(expected), set(expected) - set(found)
            faults += ["missed"] * bool(less) + ["beaten"] * bool(more)
            detail += f": missed {sorted(less)}, too much {sorted(more)}"
    except NoLayout as error:
        faults, detail = ["no-layout"] if expected else [], str(error)
    except Exception as error:
        faults, detail = ["crash"], f"{type(error).__name__}: {error}"
    took = time.monotonic() - started
    best = expected[0][0] if expected else None
    return Verdict(problem.name, best, None, tuple(faults), detail, oracle_s, took)


def hopeless_problem(seed: int, kind: str) -> Problem | None:
    """A problem without a layout: something of a tight one is made too tight."""
    rng = random.Random(f"hopeless/{seed}/{kind}")
    problem = tight_problem(seed, kind, small=True)
    ways = [_short_deadlines, _few_ports, _short_lines, _few_nodes, _few_links]
    rng.shuffle(ways)
    for way in ways:
        problem = way(rng, problem)
        if best_layout(problem) is None:
            return problem
    return None


def _short_deadlines(rng: random.Random, problem: Problem) -> Problem:
    names = rng.sample(list(problem.streams), min(len(problem.streams), 2))
    share = rng.choice([0.3, 0.6, 0.9])
    streams = {
        k: replace(s, deadline_ns=max(1_000, int(s.deadline_ns * share) // 1_000 * 1_000))
        if k in names
        else s
        for k, s in problem.streams.items()
    }
    return replace(problem, streams=streams)


def _few_ports(rng: random.Random, problem: Problem) -> Problem:
    switches = {
        k: replace(s, port_groups=(replace(s.port_groups[0], count=1),))
        for k, s in problem.switches.items()
    }
    return replace(problem, switches=switches)


def _line_limit(problem: Problem, **changes) -> Problem:
    limits = {**problem.limits, LINE: replace(problem.limits[LINE], **changes)}
    return replace(problem, limits=limits)


def _short_lines(rng: random.Random, problem: Problem) -> Problem:
    return _line_limit(problem, length_um=rng.choice([2_000_000, 4_000_000]))


def _few_nodes(rng: random.Random, problem: Problem) -> Problem:
    return _line_limit(problem, nodes=2 + problem.limits[LINE].reserve.nodes)


def _few_links(rng: random.Random, problem: Problem) -> Problem:
    return replace(problem, backbone=replace(problem.backbone, links=()))


def judge_conflict(seed: int, kind: str) -> Verdict | None:
    """Whether a conflict is one and minimal, and every way out works at its cost.

    None where the problem has a layout. ``missed`` stands for a rule, or where none suffices two,
    that open the problem when taken off and that no way out changes.
    """
    problem = hopeless_problem(seed, kind)
    if problem is None:
        return None
    started, faults, detail = time.monotonic(), [], ""
    try:
        found = explain(problem, budget())
    except Exception as error:
        took = time.monotonic() - started
        return Verdict(
            problem.name, None, None, ("crash",), f"{type(error).__name__}: {error}", 0.0, took
        )
    took = time.monotonic() - started
    assert isinstance(found, NoLayoutExplained)
    if not found.is_whole:
        faults.append("unproved")
    said = []
    for number, conflict in enumerate(found.conflicts):
        earlier = {h.key for c in found.conflicts[:number] for h in c.rules}
        said += _conflict_faults(problem, conflict, earlier)
    for way in found.ways:
        said += _way_faults(way)
    if found.is_whole:
        said += _missed(problem, found)
    faults += [fault for fault, _ in said]
    detail = "; ".join(text for _, text in said)
    over = time.monotonic() - started - took
    return Verdict(problem.name, None, None, tuple(dict.fromkeys(faults)), detail, over, took)


def _conflict_faults(
    problem: Problem, conflict: ConflictSet, earlier: set[str]
) -> Iterator[tuple[str, str]]:
    rules = {h.key for h in conflict.rules}
    others = [h for h in handles_of(problem) if h.key not in rules]
    words = ", ".join(sorted(rules))
    if best_layout(without(problem, others)) is not None:
        yield "no-conflict", f"{words} can be kept together"
    if conflict.is_minimal:
        for handle in conflict.rules:
            if best_layout(without(problem, [*others, handle])) is None:
                yield "not-minimal", f"{words}: without {handle.key} too there is none"


def _way_faults(way: WayOut) -> Iterator[tuple[str, str]]:
    words = "; ".join(way.changes)
    best = best_layout(way.problem)
    if best is None or not accepts(way.problem, way.outcome.layout):
        yield "no-way", f"{words}: there is no layout, or not this one"
        return
    if way.outcome.cost_money < best[0]:
        yield "oracle", words
    elif way.outcome.status is Status.OPTIMAL and way.outcome.cost_money > best[0]:
        yield "dearer", f"{words}: {way.outcome.cost_money}, best {best[0]}"
    scale = way.rules[0].scale if len(way.rules) == 1 else None
    if way.is_least and scale is not None:
        less = _a_step_less(way, scale)
        if less is not None and best_layout(less) is not None:
            yield "not-least", f"{words}: a step less will do"


def _a_step_less(way: WayOut, scale: Scale) -> Problem | None:
    """The problem of a way out with its amount one step nearer to the rule as it stands.

    None where that is the rule as it stands, or the amount was not found.
    """
    for step in range(2, STEPS_SOUGHT):
        amount = scale.start + step * scale.step
        if abs(amount - scale.start) >= abs(scale.end - scale.start):
            return None
        if scale.words(amount) == way.changes[0]:
            before = scale.start + (step - 1) * scale.step
            (rule,) = way.rules
            original = rule.scale.to(before)(way.problem) if rule.scale else None
            return original
    return None


def _missed(problem: Problem, found: NoLayoutExplained) -> Iterator[tuple[str, str]]:
    """Rules that alone, or else in pairs, open the problem when taken off but are not offered."""
    handles = handles_of(problem)
    offered = [{h.key for h in way.rules} for way in found.ways]
    opening = [h for h in handles if best_layout(without(problem, [h])) is not None]
    for handle in opening:
        if {handle.key} not in offered:
            yield "missed", f"{handle.key} alone"
    if opening:
        return
    for pair in combinations(handles, 2):
        keys = {h.key for h in pair}
        if keys not in offered and best_layout(without(problem, pair)) is not None:
            yield "missed", " with ".join(sorted(keys))


def judge_prices(seed: int, kind: str) -> list[Verdict]:
    """Whether what every rule is said to cost is so; nothing where there is no layout."""
    problem = tight_problem(seed, kind, small=True)
    best = best_layout(problem)
    if best is None:
        return []
    started = time.monotonic()
    try:
        found = explain(problem, budget())
    except Exception as error:
        detail = f"{type(error).__name__}: {error}"
        return [Verdict(problem.name, best[0], None, ("crash",), detail, 0.0, 0.0)]
    took = time.monotonic() - started
    if not isinstance(found, LayoutExplained):
        return [Verdict(problem.name, best[0], None, ("no-layout",), "", 0.0, took)]
    verdicts = []
    for number, row in enumerate(found.prices):
        looser, oracle_s = _timed(lambda row=row: best_layout(without(problem, row.handles)))
        true = best[0] - looser[0] if looser is not None else None
        most = row.price.most_money
        faults = []
        if true is None or true < 0:
            faults.append("not-looser")  # without the rule the best layout costs more
        elif true < row.price.least_money or (most is not None and true > most):
            faults.append("price")
        elif not row.price.is_exact:
            faults.append("unproved")
        detail = f"{row.name}: said {row.price.least_money} to {most}, is {true}"
        spent = took if number == 0 else 0.0
        verdicts.append(
            Verdict(problem.name, best[0], true, tuple(faults), detail, oracle_s, spent)
        )
    return verdicts


def judge_growth(seed: int, kind: str) -> Verdict | None:
    """Whether a later device fits on just the lines that take it, where it adds least cable."""
    rng = random.Random(f"growth/{seed}/{kind}")
    problem = tight_problem(seed, kind, small=True)
    layouts = [x for x in Oracle(problem).drawn(rng, 20) if accepts(problem, x)]
    lines = [x for x in layouts if any(s.plca_ids for s in x.segments)]
    if not lines:
        return None
    layout = lines[0]
    device = _later(rng, problem)
    problem = replace(problem, forecast=(Forecast(device, 500_000),))
    (guest,) = growth_of(gather_facts(problem, layout)).guests
    grown = replace(
        problem,
        forecast=(),
        devices={**problem.devices, device.id: device},
        limits={g: replace(x, reserve=Reserve()) for g, x in problem.limits.items()},
    )
    started = time.monotonic()
    added = {
        s.id: least
        for s in layout.segments
        if (least := _least_added_um(grown, layout, s, device.id)) is not None
    }
    faults = []
    if set(guest.fits_alone) - set(added):
        faults.append("fits-not")
    if set(added) - set(guest.fits_alone):
        faults.append("no-room")
    if not faults and added and (guest.line is None or guest.added_um != min(added.values())):
        faults.append("not-least")
    detail = f"fits {guest.fits_alone}, goes to {guest.line} by {guest.added_um}; is {added}"
    took = time.monotonic() - started
    return Verdict(problem.name, 0, None, tuple(faults), detail, took, 0.0)


def _later(rng: random.Random, problem: Problem) -> Device:
    return Device(
        id="late",
        place=None,
        position_um=(rng.randrange(8_000_000), rng.randrange(6_000_000), 0),
        grades=tuple(GradeChoice(g) for g in rng.sample([LINE, LINE, LINK10, LINK100], 2)),
        unit_load_mul=rng.choice([500, 1_000, 2_000]),
        pinned_switches=(rng.choice(list(problem.switches)),) if rng.random() < 0.2 else None,
        stub_um=rng.choice([0, 99_000]),
        safety_level=rng.choice([None, None, 0, 2]),
        security_domain=rng.choice([None, None, "body", "drive"]),
    )


def _least_added_um(
    problem: Problem, layout: Layout, line: Segment, device: str
) -> int | None:
    """Least cable that a device adds to a line that the check then accepts; None if it never is."""
    network = CableNetwork(problem)
    if problem.catalogue.grades[line.grade].medium is not Medium.MIXING:
        return None
    before = gather_facts(replace(problem, streams={}, transfers={}), layout, network)
    length_um = {s.segment.id: s.geometry.length_um for s in before.laid}
    free = next(k for k in range(1, 255) if k not in line.plca_ids)
    found = []
    for at in range(len(line.devices) + 1):
        for index in range(len(line.devices) + 2):
            order = (*line.devices[:at], device, *line.devices[at:])
            ahead = tuple(d for d in order[:index] if d != device)
            if ahead != line.devices[: line.switch_index]:
                continue
            longer = replace(
                line,
                devices=order,
                switch_index=index,
                plca_ids=(*line.plca_ids[:at], free, *line.plca_ids[at:]),
                node_count=max(line.node_count, free + 1),
            )
            segments = tuple(longer if s is line else s for s in layout.segments)
            tried = replace(layout, segments=segments)
            if accepts(problem, tried):
                facts = gather_facts(problem, tried, network)
                (here,) = (s for s in facts.laid if s.segment.id == line.id)
                found.append(here.geometry.length_um - length_um[line.id])
    return min(found, default=None)


def _timed(work):
    started = time.monotonic()
    answer = work()
    return answer, time.monotonic() - started
