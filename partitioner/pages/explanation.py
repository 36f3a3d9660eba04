"""An explanation as text, as data and as sections of a page."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from itertools import count
from typing import Any

from partitioner.errors import Conflict
from partitioner.explain.conflict import ConflictSet
from partitioner.explain.explanation import (
    CHEAPEST_SHOWN,
    DeviceExplained,
    Explained,
    NoLayoutExplained,
)
from partitioner.explain.handles.handle import Handle
from partitioner.explain.placement import Locate, nowhere
from partitioner.explain.rule_prices import UNSURE_GAP, LayoutExplained, Price, RulePrice, Tried
from partitioner.explain.ways_out import WayOut
from partitioner.model.assessment import COMPLETE, Assessment
from partitioner.model.layout import Layout
from partitioner.model.outcome import Outcome
from partitioner.model.problem import Problem
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, gap_text, money_text, rounded_amounts
from partitioner.report.frame import ANSWER_CHAPTERS, Head, framed, layout_framed
from partitioner.report.sections import Column, Kind, Page, Paper, Section, State, Table
from partitioner.report.tables import margin_state
from partitioner.report.text import key_figures_text, plain, table_text, wrapped
from partitioner.report.told import Told
from partitioner.report.verdict import costs_text, total_name
from partitioner.units import MONEY_STEPS
from partitioner.visible import visible

MOST_SHARE = 0.1
"""A rule of which no more is known than that it costs at most a larger share of all: that says
nothing."""
MOST_NAMED = 6
NO_WAY = "No way out was found within the time; a longer --time-limit tries more."
NOT_ALL_WAYS = "The time was up before all ways were tried."
MOST_OF_A_KIND = 6
"""Rules of one kind in conflict that are told in text."""
MOST_REASONS = 3
MOST_CHANGES, MOST_LEADING = 5, 2
"""Changes that go together told in a row, and in the head of a page."""
UNSURE = (
    "A part of what is saved may be had with all rules kept, as the layout may be that much "
    "dearer than need be: a longer --time-limit tells."
)

FIRST_WORDS = {"A", "Neighbours", "No", "Only", "Option", "Safety", "Stream", "The", "Transfer"}
"""Words that a rule begins with, if not with a name."""
CHANGES = "rule-changes"
FOUND = "What would make it cheaper, each found and accepted by the check:"
NOTHING_CHEAPER = "Nothing cheaper was found without any rule that there was time for."
BY_MOVES = (
    "What one device or line elsewhere would save, were it not for a rule, is told besides."
)


def explained_text(problem: Problem, explained: Explained, locate: Locate = nowhere) -> str:
    """The explanation as plain text for stdout; ``locate`` adds where a rule stands."""
    if isinstance(explained, NoLayoutExplained):
        text = _none_text(problem, explained, locate)
    elif isinstance(explained, LayoutExplained):
        text = _prices_text(problem, explained, locate)
    else:
        text = _device_text(problem, explained)
    return plain(text)


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
        lines = [lead, *_rule_lines(conflict, locate)]
        lines += [f"  because: {r.sentence}" for r in _telling(conflict)]
        blocks.append("\n".join(lines))
    blocks.append(_ways_text(problem, explained))
    return "\n\n".join(blocks)


def _rule_lines(conflict: ConflictSet, locate: Locate) -> list[str]:
    """A line for each rule, of many of a kind for the first few."""
    of_kind = Counter(h.rule for h in conflict.rules)
    told: Counter[str] = Counter()
    lines = []
    for handle in conflict.rules:
        rule = handle.rule
        told[rule] += 1
        if of_kind[rule] <= MOST_OF_A_KIND or told[rule] < MOST_OF_A_KIND:
            lines.append(f"  {_line(handle, locate)}")
        elif told[rule] == MOST_OF_A_KIND:
            more = of_kind[rule] - MOST_OF_A_KIND + 1
            lines.append(f"  [{rule}] and {more} more like these, which -o DIR tells")
    return lines


def _telling(conflict: ConflictSet) -> list[Conflict]:
    """Reasons that say more than the list of rules does; at most three, and who has no place."""
    more = [
        r for r in conflict.reasons if r.rule != "combination"
        and not any(
            h.rule == r.rule and h.subjects[:1] in ((), r.subjects[:1])
            and _figures(r.sentence) <= _figures(h.sentence)
            for h in conflict.rules
        )
    ]
    nowhere = [r for r in more if r.rule == COMPLETE]
    return [r for r in more if r.rule != COMPLETE][:MOST_REASONS] + nowhere


def _figures(sentence: str) -> set[str]:
    """Numbers that are no part of a name, nor of how many more statements there are."""
    own = re.sub(r"\d+ more statement.*", "", sentence)
    return set(re.findall(r"(?<![\w.-])\d+(?:\.\d+)?(?!\w)", own))


def _ways_text(problem: Problem, explained: NoLayoutExplained) -> str:
    if not explained.ways:
        return NO_WAY
    lines = ["Ways out, each planned and checked:"]
    for number, way in enumerate(explained.ways[:CHEAPEST_SHOWN], start=1):
        lines.append(f"  {number}. {_way_words(way)}; {_way_cost(problem, way)}")
    hidden = len(explained.ways) - CHEAPEST_SHOWN
    if hidden > 0:
        lines.append(f"  and {count_text(hidden, 'more way', 'more ways')}")
    if not explained.is_whole:
        lines.append(NOT_ALL_WAYS)
    return "\n".join(lines)


def _way_words(way: WayOut) -> str:
    least = "" if way.is_least else " (less may do)"
    return ", and ".join(way.changes) + least


def _way_cost(problem: Problem, way: WayOut) -> str:
    gap = ""
    if way.outcome.gap > 0:
        is_bounded = way.outcome.bound_money > 0
        gap = f" (gap {gap_text(way.outcome.gap)})" if is_bounded else " (cheaper ones may exist)"
    return f"the layout then {costs_text(problem, way.cost_money)}{gap}"


def _prices_text(problem: Problem, explained: LayoutExplained, locate: Locate) -> str:
    blocks = [wrapped(f"{visible(problem.name)}: {_known_of(problem, explained)}")]
    telling = [p for p in explained.prices if _tells(p)]
    if telling:
        lines = [FOUND]
        for price in telling:
            told = _price_lines(problem, explained.outcome, price, locate)
            lines += [wrapped(line, "    ") for line in told]
        blocks.append("\n".join(lines))
    blocks += [wrapped(said) for said in _others(problem, explained)]
    blocks.append(key_figures_text(problem, explained.assessment))
    return "\n\n".join(blocks)


def _known_of(problem: Problem, explained: LayoutExplained) -> str:
    """What a layout costs, and what of that could be saved without a change of rules."""
    outcome = explained.outcome
    if outcome.gap == 0:
        sure = "no cheaper one keeps all rules; this is proved"
    elif outcome.bound_money <= 0:
        sure = "there was no time to prove how much could be saved with all rules kept"
    else:
        sure = f"at most {gap_text(outcome.gap)} of that could be saved with all rules kept"
    cost = costs_text(problem, outcome.cost_money, explained.assessment.cost.money)
    return f"the layout {cost}; {sure}."


def _price_lines(
    problem: Problem, outcome: Outcome, price: RulePrice, locate: Locate
) -> list[str]:
    """What can be saved by a change, how sure that is, and where the rule stands."""
    certain = price.price
    least, most = (
        None if m is None else money_text(m, problem.currency)
        for m in (certain.least_money, certain.most_money)
    )
    if certain.is_exact:
        known = ["proved: exactly this much"]
    else:
        sure = [f"at least {least}"] if price.binds else []
        is_told = most is not None and price.binds
        sure += [f"at most {most}"] if is_told or _says_most(outcome, price) else []
        known = [f"proved: {' and '.join(sure)}"] if sure else []
    saved = money_text(price.saved_money, problem.currency)
    head = f"{saved} less" if price.saved_money else f"at least {least} less"
    known += [locate(price.handles[0].at)] if len(price.handles) == 1 else []
    what = _what(price, f"{CHANGES}.csv of -o DIR tells", MOST_CHANGES)
    beside = "; ".join(filter(None, known))
    return [f"  {head}: {what}", *([f"    ({beside})"] if beside else [])]


def _what(price: RulePrice, rest: str, most: int) -> str:
    """The change that saves something, or the rule without which that is saved.

    ``rest`` tells all of what would be too much here, ``most`` how many changes are not.
    """
    told = list(price.changes[:most])
    if len(price.changes) > most:
        told.append(f"{len(price.changes) - most} changes more, which {rest}")
    if len(told) > 1:
        told[-1] = f"and {told[-1]}"
    return "; ".join(told) or f"without: {price.name.removesuffix('.')}"


def _says_most(outcome: Outcome, price: RulePrice) -> bool:
    """Whether it says something that a rule costs no more than is proved."""
    most = price.price.most_money
    return most is not None and most <= MOST_SHARE * outcome.cost_money


def _tells(price: RulePrice) -> bool:
    """Whether a rule is proved to cost something, or a cheaper layout was found without it."""
    return price.binds or price.saved_money > 0


def _used_up(assessment: Assessment) -> list[str]:
    """The limits that leave next to nothing: what to look at first where no price is known."""
    used = [m for m in assessment.margins if margin_state(m.used) is not State.OK]
    if not used:
        return []
    at = _rules(f"{m.rule} at {m.where_in_all} ({rounded_amounts(m.text)})" for m in used)
    return [f"The layout leaves next to nothing of these limits, so look at them first: {at}."]


def _others(problem: Problem, explained: LayoutExplained) -> list[str]:
    """What is known besides, in a sentence each; most of it on rules that may cost nothing."""
    prices, outcome = explained.prices, explained.outcome
    if not any(_tells(p) for p in prices):
        said = _used_up(explained.assessment)
    else:
        said = [UNSURE] if outcome.gap > UNSURE_GAP else []
    others = [p for p in prices if not _tells(p)]
    free = [p.name for p in others if not p.may_bind]
    own = outcome.cost_money - outcome.bound_money
    open_ = {
        p.name: p.price.most_money or 0 for p in others if p.may_bind and _says_most(outcome, p)
    }
    none_known = [name for name, most in open_.items() if most <= own]
    some = {name: most for name, most in open_.items() if most > own}
    tried = [p for p in others if p.is_tried and p.may_bind and p.name not in open_]
    alone = [p.name for p in tried if p.tried is not Tried.AMONG]
    among = [p.name for p in tried if p.tried is Tried.AMONG]
    untold = _untried(prices)
    if free:
        said.append(
            f"{count_text(len(free), 'rule', 'rules')} {'costs' if len(free) == 1 else 'cost'} "
            "nothing (planned without, the cheapest layout keeps the rule anyway or costs the "
            f"same): {_rules(free)}."
        )
    if none_known:
        said.append(
            "Nothing cheaper was found without one of these, and if one costs anything it is no "
            f"more than the {money_text(own, problem.currency)} that the layout may be too dear "
            f"with all rules kept: {_rules(none_known)}."
        )
    if some:
        said.append(
            "Nothing cheaper was found without one of these, and it is proved that none of them "
            f"costs more than {money_text(max(some.values()), problem.currency)}: {_rules(some)}."
        )
    if alone:
        either = " either" if open_ else ""
        said.append(
            f"Nothing cheaper was found without one of these{either}, but much cheaper may exist: "
            f"{_rules(alone)}."
        )
    if among:
        said.append(
            "There was no time to plan without each of these by itself; without all of them at "
            f"once nothing cheaper was found: {_rules(among)}."
        )
    if untold:
        said.append(
            f"There was no time to plan without {count_text(len(untold), 'rule')}: "
            f"{_rules(untold)}. A longer --time-limit comes to them."
        )
    return said


def _untried(prices: Sequence[RulePrice]) -> list[str]:
    """Rules that there was no time to plan without, neither alone nor with others of their kind."""
    tried = [p for p in prices if p.is_tried]
    return [p.name for p in prices if not p.is_tried and not _is_among(p, tried)]


def _is_among(price: RulePrice, others: Sequence[RulePrice]) -> bool:
    """Whether all its rules are among those of a kind that were tried together."""
    kinds = {h.key for p in others if len(p.handles) > 1 for h in p.handles}
    return kinds.issuperset(h.key for h in price.handles)


def _how_priced(prices: Sequence[RulePrice]) -> str:
    """What was done to price the rules, and how far a price is to be trusted."""
    left = len(_untried(prices))
    planned = [p for p in prices if p.tried in (Tried.ALONE, Tried.AMONG)]
    if not planned:
        return "There was no time to take a rule off and plan again." + (
            f" {BY_MOVES}" if any(p.tried is Tried.MOVED for p in prices) else ""
        )
    some = len(planned)
    every = some + sum(p not in planned and not _is_among(p, planned) for p in prices)
    return (
        f"{'Each rule was' if some == every else f'{some} of {every} rules were'} taken off, "
        "those of a kind together"
        + (", the last ones too, " if any(p.tried is Tried.AMONG for p in prices) else ", ")
        + "and the problem planned again"
        + (f"; there was no time for {count_text(left, 'rule')}. " if left else ". ")
        + (f"{BY_MOVES} " if any(p.tried is Tried.MOVED for p in prices) else "")
        + "Where a layout is not proved optimal, the price is certain between two amounts only; "
        "what was found without the rule can be had, whatever is proved."
    )


def _rules(names: Iterable[str]) -> str:
    """Rules within a sentence, most of which have commas of their own."""
    told = [_within(name.removesuffix(".")) for name in names]
    more = len(told) - MOST_NAMED
    return "; ".join([*told[:MOST_NAMED], *([f"and {more} more"] if more > 0 else [])])


def _within(sentence: str) -> str:
    """A sentence as part of another one; names keep their capitals."""
    first, space, rest = sentence.partition(" ")
    return f"{first.lower()}{space}{rest}" if first in FIRST_WORDS else sentence


def _device_lead(problem: Problem, explained: DeviceExplained) -> str:
    segment = explained.segment
    mates = [d for d in segment.devices if d != explained.device]
    company = f" with {', '.join(mates)}" if mates else ", alone"
    return (
        f"{explained.device} hangs on {segment.switch} by {segment.id} ({segment.grade}){company}; "
        f"the layout {costs_text(problem, explained.outcome.cost_money)}."
    )


def _device_text(problem: Problem, explained: DeviceExplained) -> str:
    rows = table_text(_elsewhere_table(problem, explained))
    figures = key_figures_text(problem, explained.assessment)
    told = rows or "It cannot be elsewhere."
    return f"{wrapped(_device_lead(problem, explained))}\n\n{told}\n\n{figures}"


# -- data and report --------------------------------------------------------------------------


def explained_data(
    problem: Problem, explained: Explained, locate: Locate = nowhere
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
                    **row,
                    "changes": list(way.changes),
                    "rules": [h.key for h in way.rules],
                    "is_least": way.is_least,
                }
                for row, way in zip(
                    _ways_table(problem, explained).records(), explained.ways, strict=True
                )
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
        prices = _prices_table(problem, explained.prices, locate).records()
        return {
            **base,
            "prices": [
                {
                    **row,
                    "changes": list(p.changes),
                    "rules": [_handle_data(h, locate) for h in p.handles],
                    "is_possible": not p.price.is_impossible,
                    "binds": p.binds,
                    "is_tried": p.is_tried,
                }
                for row, p in zip(prices, explained.prices, strict=True)
            ],
        }
    others = _elsewhere_table(problem, explained).records()
    return {
        **base,
        "device": explained.device,
        "switch": explained.segment.switch,
        "segment": explained.segment.id,
        "elsewhere": [
            {**row, "is_possible": _IS_POSSIBLE[_possible(o.surcharge)], "reasons": list(o.reasons)}
            for row, o in zip(others, explained.others, strict=True)
        ],
    }


def _handle_data(handle: Handle, locate: Locate) -> dict[str, Any]:
    return {
        "rule": handle.rule,
        "key": handle.key,
        "subjects": list(handle.subjects),
        "sentence": handle.sentence,
        "where": locate(handle.at),
    }


def _certain(price: Price, is_tried: bool = True) -> tuple[int | None, int | None]:
    """What a price is proved to be at least and at most; None where nothing is proved."""
    if price.is_impossible or not is_tried:
        return None, None
    is_proved = price.least_money > 0 or price.is_exact
    return price.least_money if is_proved else None, price.most_money


def found_layouts(explained: Explained) -> dict[str, Layout]:
    """Layouts that the tables of an explanation name, by the names of their files."""
    if isinstance(explained, NoLayoutExplained):
        ways = enumerate(explained.ways, start=1)
        return {_way_file(number): way.outcome.layout for number, way in ways}
    if isinstance(explained, DeviceExplained):
        return {}
    return {file: p.layout for p, file in _with_files(explained.prices) if p.layout is not None}


def _with_files(prices: Sequence[RulePrice]) -> list[tuple[RulePrice, str]]:
    """Each price with the name of the file of its layout, if a cheaper one was found."""
    numbers = count(1)
    return [(p, f"cheaper-{next(numbers):02}.yaml" if p.layout else "") for p in prices]


def _way_file(number: int) -> str:
    return f"way-{number:02}.yaml"


def explained_page(
    problem: Problem,
    explained: Explained,
    locate: Locate = nowhere,
    made_on: date | None = None,
) -> Page:
    """The page of an explanation, in the frame of a report: the answer, then the layout."""

    def head(state: State, word: str, lead: str) -> Head:
        title = f"Explanation of {problem.name}"
        return Head(title, state, word, (lead,), "explain.json", chapters=ANSWER_CHAPTERS)

    if isinstance(explained, NoLayoutExplained):
        said = head(State.BAD, "no layout", "No layout keeps all rules; this is proved.")
        return framed(problem, said, _none_sections(problem, explained, locate), made_on)
    if isinstance(explained, DeviceExplained):
        lead = _device_lead(problem, explained)
        section = Section(
            title=f"Why {explained.device} is where it is",
            intro="Each row is the cheapest layout with the device elsewhere, against this one.",
            tables=[_elsewhere_table(problem, explained)],
            id="elsewhere",
            paper=Paper.SUMMARY,
        )
    else:
        lead, others = _prices_lead(problem, explained), _others(problem, explained)
        section = Section(
            title="What each rule costs",
            intro=_how_priced(explained.prices),
            tables=[_priced_table(problem, explained, locate), *_changes_tables(explained)],
            id="rule-prices",
            parts=[Section("What is known besides", points=others)] if others else [],
            paper=Paper.SUMMARY,
        )
    told = Told(problem, explained.assessment, explained.outcome, [section], made_on=made_on)
    return layout_framed(told, head(State.OK, "explained", lead))


def _prices_lead(problem: Problem, explained: LayoutExplained) -> str:
    known = _known_of(problem, explained)
    telling = [p for p in explained.prices if _tells(p)]
    best = max(telling, key=lambda p: p.saved_money, default=None)
    if best is None:
        is_tried = any(p.is_tried for p in explained.prices)
        return f"T{known[1:]} {NOTHING_CHEAPER}" if is_tried else f"T{known[1:]}"
    found = count_text(len(telling), "change of rules", "changes of rules")

    def less(price: RulePrice) -> str:
        saved = max(price.saved_money, price.price.least_money)
        what = _what(price, "the table of prices tells", MOST_LEADING)
        return f"{money_text(saved, problem.currency)} less: {what}"

    lead = f"T{known[1:]} Found to be worth it: {found}; most of all {less(best)}."
    few = [p for p in telling if len(p.changes) <= MOST_LEADING]
    if few and best not in few:
        # What is asked for soonest.
        best = max(few, key=lambda p: p.saved_money)
        lead += f" With no more than {MOST_LEADING} changes {less(best)}."
    return lead


def _none_sections(
    problem: Problem, explained: NoLayoutExplained, locate: Locate
) -> list[Section]:
    sections = [
        Section(
            title="The conflict" if len(explained.conflicts) == 1 else f"Conflict {number}",
            intro=[
                conflict_lead(conflict).rstrip(":") + ".",
                *(f"Because: {r.sentence}" for r in _telling(conflict)),
            ],
            tables=[
                Table(
                    id=f"conflict-{number}",
                    caption="Rules that cannot be kept together",
                    columns=[
                        Column("rule", "Rule", Kind.ID, heads_row=True),
                        Column("sentence", "What it says"),
                        Column("where", "Stands at", Kind.ID),
                    ],
                    rows=[(h.rule, h.sentence, locate(h.at)) for h in conflict.rules],
                )
            ],
            id=f"conflict-{number}",
        )
        for number, conflict in enumerate(explained.conflicts, start=1)
    ]
    intro, tables = [NO_WAY], []
    if explained.ways:
        intro = ["Each was planned, and the check accepted the layout."]
        intro += [NOT_ALL_WAYS] * (not explained.is_whole)
        tables = [_ways_table(problem, explained)]
    sections.append(Section("Ways out", intro, tables, id="ways-out"))
    return sections


def _ways_table(problem: Problem, explained: NoLayoutExplained) -> Table:
    return Table.of(
        "ways-out",
        "Changes that give a layout",
        enumerate(explained.ways, start=1),
        [
            col.number("way", "Way", lambda row: row[0], heads_row=True),
            col.text("changes", "Change", lambda row: _way_words(row[1])),
            col.money("cost", total_name(problem).capitalize(), lambda row: row[1].cost_money,
                      problem.currency),
            col.money("bound", "Bound", lambda row: row[1].outcome.bound_money or None,
                      problem.currency),
            col.name("layout", "Layout", lambda row: _way_file(row[0])),
        ],
        note="A layout keeps every rule once its change is made in the problem.",
    )  # fmt: skip


def _prices_table(problem: Problem, prices: Sequence[RulePrice], locate: Locate) -> Table:
    words, currency = ("not proved", "yes", "no time"), problem.currency
    return Table.of(
        "rule-prices",
        "Price of each rule, dearest first",
        _with_files(prices),
        [
            col.text("rule", "Rule", lambda row: row[0].name, heads_row=True),
            col.text("changes", "Change that does it", lambda row: _change(row[0])),
            col.money("saves", "Found without it: less by",
                      lambda row: row[0].saved_money if row[0].is_tried else None, currency),
            col.name("layout", "Layout", lambda row: row[1]),
            col.money("costs_at_least", "Proved: at least",
                      lambda row: _certain(row[0].price, row[0].is_tried)[0], currency),
            col.money("costs_at_most", "At most",
                      lambda row: _certain(row[0].price, row[0].is_tried)[1], currency),
            col.state("state", "Makes it dearer", lambda row: _sureness(row[0]), words),
            col.name("where", "Stands at", lambda row: locate(row[0].handles[0].at)),
        ],
        note="A layout keeps every rule once its change is made in the problem. An empty amount: "
        "nothing is proved yet.",
    )  # fmt: skip


def _change(price: RulePrice) -> str:
    return _what(price, f"{CHANGES}.csv tells", MOST_CHANGES) if price.changes else ""


def _sureness(price: RulePrice) -> State:
    return State.WARN if price.binds else State.OK if price.is_tried else State.BAD


def _priced_table(problem: Problem, explained: LayoutExplained, locate: Locate) -> Table:
    """All prices, of which those that tell something are shown."""
    telling = [p for p in explained.prices if _tells(p)]
    rest = [p for p in explained.prices if not _tells(p)]
    table = _prices_table(problem, [*telling, *rest], locate)
    if not telling:
        return replace(table, folded=True)
    empty = set[str]()
    if not any(p.binds for p in telling):
        empty |= {"costs_at_least", "state"}
    if all(_certain(p.price)[1] is None for p in telling):
        empty.add("costs_at_most")
    shown = tuple(c.key for c in table.columns if c.key not in empty)
    return replace(table, most_rows=len(telling), shown=shown)


def _changes_tables(explained: LayoutExplained) -> list[Table]:
    """Changes one by one, where there are too many of them for the table of prices."""
    rows = [(p.name, c) for p in explained.prices if len(p.changes) > MOST_CHANGES
            for c in p.changes]  # fmt: skip
    if not rows:
        return []
    table = Table.of(
        CHANGES,
        "Changes that go together, one by one",
        rows,
        [
            col.text("rule", "Rule", lambda row: row[0], heads_row=True),
            col.text("change", "Change", lambda row: row[1]),
        ],
        folded=True,
    )
    return [table]


_IS_POSSIBLE = {State.OK: True, State.WARN: None, State.BAD: False}


def _possible(price: Price) -> State:
    if price.is_impossible:
        return State.BAD
    return State.WARN if price.most_money is None else State.OK


def _elsewhere_table(problem: Problem, explained: DeviceExplained) -> Table:
    currency = problem.currency
    return Table.of(
        "elsewhere",
        "What it would cost more elsewhere",
        explained.others,
        [
            col.text("where", "If it were", lambda o: o.where, heads_row=True),
            col.money("costs_at_least", "At least", lambda o: _certain(o.surcharge)[0], currency),
            col.money("costs_at_most", "At most", lambda o: _certain(o.surcharge)[1], currency),
            col.state("state", "Possible",
                      lambda o: _possible(o.surcharge), ("yes", "none found", "proved not")),
            col.text("reason", "Because", lambda o: " ".join(o.reasons[:1])),
        ],
    )  # fmt: skip
