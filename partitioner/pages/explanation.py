"""An explanation as text, as data and as sections of a page."""

from __future__ import annotations

from typing import Any

from partitioner.explain.conflict import ConflictSet
from partitioner.explain.explanation import (
    CHEAPEST_SHOWN,
    DeviceExplained,
    Explained,
    LayoutExplained,
    NoLayoutExplained,
)
from partitioner.explain.handles.handle import Handle
from partitioner.explain.placement import Locate
from partitioner.explain.rule_prices import Price
from partitioner.explain.ways_out import WayOut
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, money_text, ratio_text
from partitioner.report.sections import Column, Kind, Section, State, Table
from partitioner.report.text import table
from partitioner.units import MONEY_STEPS
from partitioner.visible import visible


def _nowhere(steps: Any) -> str:
    return ""


def explained_text(problem: Problem, explained: Explained, locate: Locate = _nowhere) -> str:
    """The explanation as plain text for stdout; ``locate`` adds where a rule stands."""
    if isinstance(explained, NoLayoutExplained):
        text = _none_text(problem, explained, locate)
    elif isinstance(explained, LayoutExplained):
        text = _prices_text(problem, explained, locate)
    else:
        text = _device_text(problem, explained)
    return text.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-")


def _line(handle: Handle, locate: Locate) -> str:
    where = locate(handle.at)
    return f"{where + ': ' if where else ''}[{handle.rule}] {handle.sentence}"


def conflict_lead(conflict: ConflictSet) -> str:
    """What is certain of a conflict, in one sentence."""
    if not conflict.rules:
        return "No rule that could be eased is to blame:"
    if len(conflict.rules) == 1:
        return "This rule alone rules out every layout:"
    if conflict.is_minimal:
        return (
            f"These {len(conflict.rules)} rules cannot be kept together; without any one of them "
            "the others can:"
        )
    return (
        f"These {len(conflict.rules)} rules cannot be kept together; it is not proved that each of "
        "them is needed for that:"
    )


def _none_text(problem: Problem, explained: NoLayoutExplained, locate: Locate) -> str:
    blocks = [f"{visible(problem.name)}: no layout keeps all rules; this is proved."]
    for number, conflict in enumerate(explained.conflicts):
        lead = conflict_lead(conflict)
        if number:
            lead = "Even without them, there is more. " + lead
        lines = [lead, *(f"  {_line(h, locate)}" for h in conflict.rules)]
        lines += [f"  because: {r.sentence}" for r in _telling(conflict)]
        blocks.append("\n".join(lines))
    blocks.append(_ways_text(problem, explained))
    return "\n\n".join(blocks)


def _telling(conflict: ConflictSet) -> list[Any]:
    """Reasons that say more than the list of rules does; at most three."""
    return [r for r in conflict.reasons if r.rule != "combination"][:3]


def _ways_text(problem: Problem, explained: NoLayoutExplained) -> str:
    if not explained.ways:
        return "No way out was found by easing up to three rules within the time."
    lines = ["Ways out, each planned and checked:"]
    for number, way in enumerate(explained.ways[:CHEAPEST_SHOWN], start=1):
        lines.append(f"  {number}. {_way_words(way)}; {_way_cost(problem, way)}")
    hidden = len(explained.ways) - CHEAPEST_SHOWN
    if hidden > 0:
        lines.append(f"  and {count_text(hidden, 'more way', 'more ways')}")
    if not explained.is_whole:
        lines.append("The time was up before all ways were tried.")
    return "\n".join(lines)


def _way_words(way: WayOut) -> str:
    least = "" if way.is_least else " (less may do)"
    return ", and ".join(way.changes) + least


def _way_cost(problem: Problem, way: WayOut) -> str:
    gap = "" if way.outcome.gap == 0 else f" (gap {ratio_text(way.outcome.gap, 1)})"
    return f"the layout then costs {money_text(way.cost_money, problem.currency)}{gap}"


def price_text(problem: Problem, price: Price) -> str:
    """A price in words: one amount, or what is certain of it."""
    if price.is_impossible:
        return "not possible"
    least = money_text(price.least_money)
    if price.is_exact:
        return money_text(price.least_money, problem.currency) if price.least_money else "nothing"
    if price.most_money is None:
        return f"at least {money_text(price.least_money, problem.currency)}"
    if price.least_money == 0:
        return f"at most {money_text(price.most_money, problem.currency)}"
    return f"{least} to {money_text(price.most_money, problem.currency)}"


def _prices_text(problem: Problem, explained: LayoutExplained, locate: Locate) -> str:
    outcome = explained.outcome
    gap = "" if outcome.gap == 0 else f" at a gap of {ratio_text(outcome.gap, 2)}"
    cost = money_text(outcome.cost_money, problem.currency)
    head = (
        f"{visible(problem.name)}: the layout costs {cost}{gap}. What each rule costs, by "
        "planning without it:"
    )
    binding = [p for p in explained.prices if p.may_bind]
    free = len(explained.prices) - len(binding)
    rows = [
        (price_text(problem, p.price), p.name, locate(p.handles[0].at)) for p in binding
    ]
    blocks = [head]
    if rows:
        blocks.append(table(("costs", "rule", "stands at"), rows, right=(0,)))
    if free:
        blocks.append(
            f"{count_text(free, 'rule', 'rules')} {'costs' if free == 1 else 'cost'} nothing: the "
            "cheapest layout without keeps it anyway, or costs the same."
        )
    return "\n\n".join(blocks)


def _device_text(problem: Problem, explained: DeviceExplained) -> str:
    segment = explained.segment
    mates = [d for d in segment.devices if d != explained.device]
    company = f" with {', '.join(mates)}" if mates else ", alone"
    head = (
        f"{explained.device} hangs on {segment.switch} by {segment.id} ({segment.grade}){company}; "
        f"the layout costs {money_text(explained.outcome.cost_money, problem.currency)}."
    )
    if not explained.others:
        return f"{head}\n\nIt cannot be elsewhere, or the time was up."
    rows = []
    for other in explained.others:
        if other.surcharge.is_impossible:
            rows.append(("not possible", other.where, " ".join(other.reasons[:1])))
        else:
            rows.append((price_text(problem, other.surcharge), other.where, ""))
    return f"{head}\n\n{table(('costs more', 'if it were', ''), rows, right=(0,))}"


# -- data and report --------------------------------------------------------------------------


def explained_data(
    problem: Problem, explained: Explained, locate: Locate = _nowhere
) -> dict[str, Any]:
    """The explanation as data for JSON; money in currency units."""
    if isinstance(explained, NoLayoutExplained):
        return {
            "problem": problem.name,
            "status": "no-layout",
            "conflicts": [
                {
                    "is_minimal": c.is_minimal,
                    "rules": [_handle_data(h, locate) for h in c.rules],
                    "reasons": [r.sentence for r in c.reasons],
                }
                for c in explained.conflicts
            ],
            "ways_out": [
                {
                    "changes": list(w.changes),
                    "rules": [h.key for h in w.rules],
                    "is_least": w.is_least,
                    "cost": w.cost_money / MONEY_STEPS,
                    "bound": w.outcome.bound_money / MONEY_STEPS,
                }
                for w in explained.ways
            ],
            "is_whole": explained.is_whole,
        }
    base = {
        "problem": problem.name,
        "status": explained.outcome.status.value,
        "cost": explained.outcome.cost_money / MONEY_STEPS,
        "bound": explained.outcome.bound_money / MONEY_STEPS,
    }
    if isinstance(explained, LayoutExplained):
        rows = [
            {
                "rule": p.name,
                "rules": [_handle_data(h, locate) for h in p.handles],
                **_price_data(p.price),
                "binds": p.binds,
            }
            for p in explained.prices
        ]
        return {**base, "prices": rows}
    others = [
        {"where": o.where, **_price_data(o.surcharge), "reasons": list(o.reasons)}
        for o in explained.others
    ]
    return {
        **base,
        "device": explained.device,
        "switch": explained.segment.switch,
        "segment": explained.segment.id,
        "elsewhere": others,
    }


def _handle_data(handle: Handle, locate: Locate) -> dict[str, Any]:
    return {
        "rule": handle.rule,
        "key": handle.key,
        "subjects": list(handle.subjects),
        "sentence": handle.sentence,
        "where": locate(handle.at),
    }


def _price_data(price: Price) -> dict[str, Any]:
    most = None if price.most_money is None else price.most_money / MONEY_STEPS
    return {
        "costs_at_least": price.least_money / MONEY_STEPS,
        "costs_at_most": most,
        "is_possible": not price.is_impossible,
    }


def explained_sections(
    problem: Problem, explained: Explained, locate: Locate = _nowhere
) -> tuple[State, str, list[str], list[Section]]:
    """State, word, lead and sections of the report page of an explanation."""
    if isinstance(explained, NoLayoutExplained):
        return _none_sections(problem, explained, locate)
    cost = money_text(explained.outcome.cost_money, problem.currency)
    if isinstance(explained, LayoutExplained):
        binding = sum(p.binds for p in explained.prices)
        lead = [
            f"The layout costs {cost}. {count_text(binding, 'rule', 'rules')} of "
            f"{len(explained.prices)} {'is' if binding == 1 else 'are'} proved to make it dearer."
        ]
        return State.OK, "explained", lead, [_prices_section(problem, explained, locate)]
    lead = [_device_text(problem, explained).split("\n")[0]]
    return State.OK, "explained", lead, [_device_section(problem, explained)]


def _none_sections(
    problem: Problem, explained: NoLayoutExplained, locate: Locate
) -> tuple[State, str, list[str], list[Section]]:
    sections = []
    for number, conflict in enumerate(explained.conflicts, start=1):
        sections.append(
            Section(
                title="The conflict" if len(explained.conflicts) == 1 else f"Conflict {number}",
                intro=[conflict_lead(conflict), *(r.sentence for r in _telling(conflict))],
                tables=[
                    Table(
                        id=f"conflict-{number}",
                        caption="Rules that cannot be kept together",
                        columns=[
                            Column("rule", "rule", Kind.ID, heads_row=True),
                            Column("sentence", "what it says"),
                            Column("where", "stands at", Kind.ID),
                        ],
                        rows=[(h.rule, h.sentence, locate(h.at)) for h in conflict.rules],
                    )
                ],
                id=f"conflict-{number}",
            )
        )
    if explained.ways:
        rows = [
            (
                n,
                _way_words(w),
                w.cost_money / MONEY_STEPS,
                w.outcome.bound_money / MONEY_STEPS,
            )
            for n, w in enumerate(explained.ways, start=1)
        ]
        sections.append(
            Section(
                title="Ways out",
                intro="Each was planned, and the check accepted the layout.",
                tables=[
                    Table(
                        id="ways-out",
                        caption=f"Changes that give a layout ({problem.currency})",
                        columns=[
                            Column("way", "way", Kind.NUMBER, heads_row=True),
                            Column("changes", "change"),
                            Column("cost", "layout costs", Kind.NUMBER, digits=2),
                            Column("bound", "bound", Kind.NUMBER, digits=2),
                        ],
                        rows=rows,
                    )
                ],
                id="ways-out",
            )
        )
    lead = ["No layout keeps all rules; this is proved.", _ways_text(problem, explained)]
    return State.BAD, "no layout", lead[:1], sections


def _prices_section(problem: Problem, explained: LayoutExplained, locate: Locate) -> Section:
    rows = [
        (
            p.name,
            p.price.least_money / MONEY_STEPS,
            None if p.price.most_money is None else p.price.most_money / MONEY_STEPS,
            State.WARN if p.binds else State.OK,
            locate(p.handles[0].at),
        )
        for p in explained.prices
    ]
    return Section(
        title="What each rule costs",
        intro="Each rule was taken off and the problem planned again. Where a plan is not proved "
        "optimal, the price is certain between two amounts only.",
        tables=[
            Table(
                id="rule-prices",
                caption=f"Price of each rule, dearest first ({problem.currency})",
                columns=[
                    Column("rule", "rule", heads_row=True),
                    Column("least", "at least", Kind.NUMBER, digits=2),
                    Column("most", "at most", Kind.NUMBER, digits=2),
                    Column(
                        "state", "binds", Kind.STATE,
                        state_words=("not proved to", "yes", ""),
                    ),
                    Column("where", "stands at", Kind.ID),
                ],
                rows=rows,
            )
        ],
        id="rule-prices",
    )  # fmt: skip


def _device_section(problem: Problem, explained: DeviceExplained) -> Section:
    rows = [
        (
            o.where,
            None if o.surcharge.is_impossible else o.surcharge.least_money / MONEY_STEPS,
            None if o.surcharge.most_money is None else o.surcharge.most_money / MONEY_STEPS,
            State.BAD if o.surcharge.is_impossible else State.OK,
            " ".join(o.reasons[:1]),
        )
        for o in explained.others
    ]
    return Section(
        title=f"Why {explained.device} is where it is",
        intro="Each row is the cheapest layout with the device elsewhere, against the plan.",
        tables=[
            Table(
                id="elsewhere",
                caption=f"What it would cost more elsewhere ({problem.currency})",
                columns=[
                    Column("where", "if it were", heads_row=True),
                    Column("least", "at least", Kind.NUMBER, digits=2),
                    Column("most", "at most", Kind.NUMBER, digits=2),
                    Column(
                        "state", "possible", Kind.STATE, state_words=("yes", "", "proved not")
                    ),
                    Column("reason", "because"),
                ],
                rows=rows,
            )
        ],
        id="elsewhere",
    )
