"""A rule made looser never costs more and never ends worse; on small problems, solved to proof.

Neither oracle nor formula: the planner is put to itself, so this holds at any size. Everything is
loosened by itself; :data:`LOOSER` has one way for each kind of limit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from partitioner.errors import NoLayout
from partitioner.model.outcome import Status
from partitioner.model.problem import (
    BackboneLink,
    BackboneShape,
    Problem,
    SegmentLimits,
    SwitchPosition,
)
from partitioner.solve.planner import plan_layout
from tests.brute.tight_problems import KINDS, tight_problem
from tests.brute.verdict import COUNTED


def _limits(change: Callable[[SegmentLimits], SegmentLimits]) -> Callable[[Problem], Problem]:
    return lambda p: replace(p, limits={k: change(v) for k, v in p.limits.items()})


def _longer_deadlines(problem: Problem, only_one: bool) -> Problem:
    chosen = list(problem.streams)[:1] if only_one else problem.streams
    looser = {k: problem.streams[k].deadline_ns * 3 // 2 for k in chosen}
    return replace(
        problem,
        streams={
            k: replace(s, deadline_ns=looser.get(k, s.deadline_ns))
            for k, s in problem.streams.items()
        },
    )


def _one_more_port(problem: Problem) -> Problem:
    switches = {
        k: replace(s, port_groups=tuple(replace(g, count=g.count + 1) for g in s.port_groups))
        for k, s in problem.switches.items()
    }
    return replace(problem, switches=switches)


def _all_links(problem: Problem) -> Problem:
    """Every pair of switches may be linked; not where all links listed must be built."""
    if problem.backbone.shape is BackboneShape.FIXED or not problem.backbone.links:
        return problem
    listed = {frozenset(link.ends) for link in problem.backbone.links}
    ids = list(problem.switches)
    more = tuple(
        BackboneLink((a, b), problem.backbone.links[0].grades)
        for i, a in enumerate(ids)
        for b in ids[i + 1 :]
        if frozenset((a, b)) not in listed
    )
    return replace(problem, backbone=replace(problem.backbone, links=problem.backbone.links + more))


def _one_more_candidate(problem: Problem) -> Problem:
    like = next(iter(problem.switches.values()))
    more = replace(like, id="one-more", required=False, price_money=0)
    links = problem.backbone.links
    if links and problem.backbone.shape is not BackboneShape.FIXED:
        links += tuple(BackboneLink((k, more.id), links[0].grades) for k in problem.switches)
    return replace(
        problem,
        switches={**problem.switches, more.id: more},
        backbone=replace(problem.backbone, links=links),
    )


LOOSER: dict[str, Callable[[Problem], Problem]] = {
    "length": _limits(lambda v: replace(v, length_um=v.length_um * 3 // 2)),
    "stub": _limits(lambda v: replace(v, stub_um=v.stub_um * 2 + 100_000)),
    "nodes": _limits(lambda v: replace(v, nodes=v.nodes + 1)),
    "load": _limits(lambda v: replace(v, load_share_ppm=1_000_000)),
    "spacing": _limits(lambda v: replace(v, spacing_min_um=0)),
    "one deadline": lambda p: _longer_deadlines(p, True),
    "deadlines": lambda p: _longer_deadlines(p, False),
    "ports": _one_more_port,
    "links": _all_links,
    "backbone load": lambda p: replace(
        p, backbone=replace(p.backbone, load_share_ppm=1_000_000)
    ),
    "candidate": _one_more_candidate,
    "position": lambda p: replace(
        p, line=replace(p.line, switch_position=SwitchPosition.ANYWHERE)
    ),
    "groups": lambda p: replace(p, groups=(), failure_rules=()),
    "sharing": lambda p: replace(p, sharing=replace(p.sharing, safety_span=None)),
    "pins": lambda p: replace(
        p, devices={k: replace(d, pinned_switches=None) for k, d in p.devices.items()}
    ),
    "cables": lambda p: replace(
        p, pathways=tuple(replace(w, max_cables=None) for w in p.pathways)
    ),
    "option tail": lambda p: replace(p, line=replace(p.line, option_tail=False)),
    "transfers": lambda p: replace(
        p, transfers={k: replace(t, longest_ns=None) for k, t in p.transfers.items()}
    ),
}


def proved_cost(problem: Problem) -> float:
    """Least cost, proved; infinite where it is proved that there is no layout."""
    try:
        outcome = plan_layout(problem, COUNTED)
    except NoLayout:
        return float("inf")
    assert outcome.status is Status.OPTIMAL
    return outcome.cost_money


def assert_never_dearer(seed: int, kind: str, ways: list[str]) -> None:
    problem = tight_problem(seed, kind, small=True)
    before = proved_cost(problem)
    for way in ways:
        assert proved_cost(LOOSER[way](problem)) <= before, way


@pytest.mark.parametrize("way", LOOSER)
@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 1_000_000), kind=st.sampled_from(list(KINDS)))
def test_looser_never_costs_more(way, seed, kind):
    assert_never_dearer(seed, kind, [way])


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 1_000_000))
def test_nothing_looser_costs_more(kind, seed):
    assert_never_dearer(seed, kind, list(LOOSER))
