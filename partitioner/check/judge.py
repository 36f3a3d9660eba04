"""Judge a layout: everything recomputed from the layout, the cable network and the timing."""

from __future__ import annotations

from partitioner.check.acceptance import whole_findings
from partitioner.check.baseline import star_baseline
from partitioner.check.bill import cost_sum, layout_items, parts_list
from partitioner.check.cut_list import cut_list
from partitioner.check.facts import Facts, gather_facts
from partitioner.check.figures import rule_margins, segment_figures
from partitioner.model.assessment import Assessment
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem


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
        segments=tuple(segment_figures(facts, laid) for laid in facts.laid),
        streams=facts.timing.streams,
        parts=parts_list(items),
        wires=cut_list(problem, facts.laid, layout, network),
        cost=cost_sum(problem, items, facts.timing.streams),
        margins=rule_margins(facts),
        baseline=star_baseline(problem, layout, network),
    )
