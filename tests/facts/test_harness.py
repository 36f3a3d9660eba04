"""What a shop builds: lists of each build that add up, whole batches, terminators that move."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import pytest

from partitioner.check import combinations
from partitioner.check.facts import Facts, gather_facts
from partitioner.check.judge import assess_facts
from partitioner.facts.builds import judge_builds
from partitioner.facts.harness import cut_sums_um, harness_of
from partitioner.model.problem import Shop
from partitioner.pages.harness import harness_section
from tests.brute.oracle import Oracle
from tests.brute.random_problems import random_problem
from tests.brute.test_brute import KINDS
from tests.check.ground import facts_of, ground_layout, ground_problem, with_segment

BATCH = 37
STEP_UM = 5_000


def harness(facts: Facts):
    return harness_of(facts, assess_facts(facts).wires)


def drawn(kind: str, seed: int, layouts: int = 4):
    """Facts of layouts of a random problem with options, a batch stated."""
    problem = random_problem(seed, 4, **KINDS[kind])
    problem = replace(problem, shop=Shop(BATCH, STEP_UM))
    for layout in itertools.islice(Oracle(problem).drawn(random.Random(seed), 9), layouts):
        yield gather_facts(problem, layout)


@pytest.mark.parametrize("kind", ["options", "builds", "all"])
@pytest.mark.parametrize("seed", range(3))
def test_lists_of_each_build_add_up_to_its_cable_and_money(kind: str, seed: int) -> None:
    for facts in drawn(kind, seed):
        found = harness(facts)
        judged = judge_builds(facts).rows
        assert [b.combination for b in found.builds] == [row.combination for row in judged]
        for build, row in zip(found.builds, judged, strict=True):
            needed_um, cut_um = cut_sums_um(facts.problem.shop, build)
            assert needed_um == row.cable_um
            assert sum(line.price_money for line, _ in build.order) == row.money
            assert sum(line.mass_mg for line, _ in build.order) == row.mass_mg
            cable = [(line.quantity, cut) for line, cut in build.order if line.kind == "cable"]
            assert tuple(map(sum, zip(*cable, strict=True))) == (needed_um, cut_um)
            assert needed_um <= cut_um < needed_um + STEP_UM * len(build.pieces)
            terminators = sum(o.quantity for o, _ in build.order if o.kind == "terminator")
            at = [end for end in found.ends if build.combination in end.builds]
            assert len(at) == terminators == 2 * row.lines


@pytest.mark.parametrize("kind", ["options", "builds"])
def test_a_batch_is_the_sum_of_its_units(kind: str) -> None:
    for facts in drawn(kind, 1):
        found = harness(facts)
        units = [build.units for build in found.builds]
        assert sum(units) == BATCH
        for build in found.builds:
            assert abs(build.units - BATCH * build.combination.share) < 1
        sums: dict[tuple[str, int, str], int] = {}
        for build in found.builds:
            for line, count in build.order:
                key = (line.part, line.unit_price_money, line.source)
                sums[key] = sums.get(key, 0) + build.units * count
        ordered = {(o.part, o.unit_price_money, o.source): count for o, count in found.order}
        assert ordered == {key: count for key, count in sums.items() if count}


def test_a_batch_of_more_builds_than_are_listed_has_enough_of_everything(monkeypatch) -> None:
    (facts,) = drawn("options", 2, layouts=1)
    whole = harness(facts)
    monkeypatch.setattr(combinations, "MOST_BUILDS", 1)
    found = harness(facts)
    assert not found.is_whole
    assert {build.units for build in found.builds} == {None}
    enough = {(o.part, o.unit_price_money): count for o, count in found.order}
    # Shares of builds are rounded to whole units, so a build may have one unit more than its share.
    for line, count in whole.order:
        builds = len(whole.builds)
        assert enough[line.part, line.unit_price_money] >= count * (BATCH - builds) // BATCH
    assert sum(o.price_money for o, _ in found.order) >= BATCH * facts_money(facts)


def facts_money(facts: Facts) -> float:
    """Money of the average unit, each item rounded up, less what the rounding can be."""
    cost = assess_facts(facts).cost.money
    return cost - sum(1 for _ in facts.laid) * 40


def test_terminators_move_to_the_last_fitted_device() -> None:
    problem = ground_problem()
    facts = facts_of(problem)
    ends = {(e.segment, e.node): ([c.name for c in e.builds], e.moves) for e in harness(facts).ends}
    assert ends["line-front", "lamp-2"] == (["base"], True)
    assert ends["line-front", "heater"] == (["winter"], True)
    assert ends["line-front", "front"] == (["base", "winter"], False)
    # With the switch along the line and nobody beyond it, the line ends at the switch.
    layout = with_segment(ground_layout(), "line-front", switch_index=2)
    facts = gather_facts(problem, layout)
    ends = {(e.segment, e.node): ([c.name for c in e.builds], e.moves) for e in harness(facts).ends}
    assert ends["line-front", "front"] == (["base"], True)
    assert ends["line-front", "lamp-1"] == (["base", "winter"], False)


def test_a_run_that_shall_stop_lists_no_more_builds() -> None:
    problem = ground_problem()
    facts = facts_of(problem)
    asked = iter([False, True])
    found = harness_of(facts, assess_facts(facts).wires, lambda: next(asked))
    assert (len(found.builds), found.unlisted, found.is_whole) == (1, 1, False)
    told = "There was no time for the lists of 1 build; `partitioner report` makes them."
    section = harness_section(problem, found)
    assert [s.replace("\u00a0", " ") for s in section.urgent] == [told]
    assert section.paragraphs[-1] == section.urgent[0]
