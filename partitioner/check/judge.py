"""Judge a layout: everything recomputed from the layout, the cable network and the timing."""

from __future__ import annotations

from partitioner.check.acceptance import whole_findings
from partitioner.check.baseline import star_baseline
from partitioner.check.bill import cost_sum, layout_items, parts_list
from partitioner.check.cut_list import cut_list
from partitioner.check.facts import Facts, gather_facts
from partitioner.check.laid import LaidSegment
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.assessment import Assessment, RuleMargin, SegmentFigures
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.units import PPM


def assess(problem: Problem, layout: Layout) -> Assessment:
    """Work out figures, cost and broken rules of any layout, also of one written by hand.

    It may break any rule, name things that do not exist, or leave devices out.

    Returns
    -------
    Assessment
        ``findings`` is empty exactly when every rule holds, in every build too. Figures cover
        what of the layout makes sense; what does not is named by a finding.
    """
    return assess_facts(gather_facts(problem, layout))


def assess_facts(facts: Facts) -> Assessment:
    """Judge a layout whose facts are gathered already."""
    problem, layout, network = facts.problem, facts.layout, facts.network
    items = layout_items(facts, problem)
    return Assessment(
        layout=layout,
        findings=whole_findings(facts),
        segments=tuple(_segment_figures(facts, laid) for laid in facts.laid),
        streams=facts.timing.streams,
        parts=parts_list(items),
        wires=cut_list(problem, facts.laid, layout, network),
        cost=cost_sum(problem, items, facts.timing.streams),
        margins=_rule_margins(facts),
        baseline=star_baseline(problem, layout, network),
    )


def _segment_figures(facts: Facts, laid: LaidSegment) -> SegmentFigures:
    """Figures of a segment that has a known switch and grade, limits before reserve.

    A grade without limits of its own is measured against what it promises. Stubs and unit loads
    belong to shared lines; on links they are 0.
    """
    segment, grade, limits, geometry = laid.segment, laid.grade, laid.limits, laid.geometry
    devices = [facts.problem.devices[d] for d in segment.devices]
    positions = geometry.positions_um()
    return SegmentFigures(
        segment=segment,
        nodes=len(devices) + 1,
        nodes_limit=grade.guaranteed_nodes if limits is None else limits.nodes,
        length_um=geometry.length_um,
        length_limit_um=laid.length_limit_um,
        longest_stub_um=max((d.stub_um for d in devices), default=0) if laid.is_line else 0,
        stub_limit_um=grade.guaranteed_stub_um if limits is None else limits.stub_um,
        load_share_ppm=facts.timing.load_ppm[segment.id],
        load_limit_ppm=PPM if limits is None else limits.load_share_ppm,
        unit_load_mul=sum(d.unit_load_mul for d in devices) if laid.is_line else 0,
        unit_load_limit_mul=None if limits is None or not laid.is_line else limits.unit_loads_mul,
        cycle_ns=facts.timing.cycle_ns[segment.id],
        positions_um=tuple(positions[d] for d in segment.devices),
        switch_position_um=positions[segment.switch],
        route=geometry.route(facts.network),
    )


def _rule_margins(facts: Facts) -> tuple[RuleMargin, ...]:
    """The tightest place of every rule with an amount, nearest to breaking first.

    A rule that nothing in the layout comes under has no margin and is left out.
    """
    found = []
    for rule in ALL_RULES:
        measured = list(rule.measured(facts))
        tightest = max(measured, key=lambda m: m.share, default=None)
        if tightest is not None:
            found.append(
                RuleMargin(
                    rule.name,
                    tightest.where,
                    tightest.share,
                    tightest.text,
                    tightest.source,
                    tightest.trust.value,
                    sum(m.share == tightest.share for m in measured) - 1,
                )
            )
    return tuple(sorted(found, key=lambda m: (-m.used, m.rule)))
