"""The results of a study in words, as charts and as tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from decimal import ROUND_CEILING
from functools import partial
from itertools import combinations
from typing import Any

from partitioner.report import columns as col
from partitioner.report.amounts import count_text, gap_text, listed, money_text
from partitioner.report.charts import Span, Spot, map_figure, span_figure
from partitioner.report.frame import title_block
from partitioner.report.page import page_files
from partitioner.report.sections import Column, Figure, Kind, Page, Section, State, Table
from partitioner.report.svg import standalone
from partitioner.report.text import plain, table_text
from partitioner.studies.lessons import (
    CaseResult,
    Estimate,
    Learned,
    ValueRange,
    cells,
    cheapest,
    none_words,
    value_ranges,
    winners,
)
from partitioner.studies.study import Factor, Study
from partitioner.units import MONEY_STEPS, duration_text, in_units
from partitioner.visible import json_file

SWEEP = "sweep.json"
"""File of the answer as data; a folder with it holds a study."""
MOST_MAPS = 6
"""Maps of two factors on the page."""
_TEXT_CASES = 8
_TEXT_KEYS = ("case", "settings", "status", "cost", "gap", "margin_share", "lines")
_NAMED = {
    "no-answer": "No layout found, and none ruled out, within the limit",
    "set-aside": "Set aside, since each ended three workers",
}
_STATES = {"optimal": State.OK, "feasible": State.OK, "no-layout": State.WARN}


def _currency(study: Study) -> str:
    return str(study.base.document.data.get("currency", "EUR"))


def _money(amount: int | None) -> float | None:
    return in_units(amount, MONEY_STEPS)


def cases_table(study: Study, results: Sequence[CaseResult]) -> Table:
    """One row per case, in the order of the study."""
    number, currency = Kind.NUMBER, _currency(study)
    is_replan = any("change_money" in r.data for r in results)
    is_front = any("points" in r.data for r in results)
    rest: list[col.Held[CaseResult]] = [
        col.text("status", "Ended", lambda r: r.data["status"]),
        col.money("cost", "Cost", lambda r: r.cost_money, currency),
        col.money("bound", "Bound", lambda r: r.bound_money, currency),
        col.percent("gap", "Gap", lambda r: None if r.gap is None else round(r.gap, 6), 1,
                    rounding=ROUND_CEILING),
        col.money("money", "Money", _datum("paid_money"), currency),
        col.percent("margin_share", "Tightest margin", _margin_share, 0),
        col.micros("margin_us", "", _datum("margin_ns")),
        col.name("tightest_stream", "Of stream", _datum("tightest_stream")),
        *(col.number(key, key.capitalize(), _datum(key)) for key in ("lines", "links", "ports")),
        col.metres("cable_m", "Cable", _datum("cable_um"), 1),
        col.grams("mass_g", "", _datum("mass_mg")),
        col.text("open_switches", "", lambda r: " ".join(r.data.get("switches", ()))),
        *([col.money("change", "Of it changes", _datum("change_money"), currency)]
          if is_replan else []),
        *([col.number("points", "Points", _datum("points"))] if is_front else []),
        col.number("seconds", "Time", lambda r: r.data["run"].get("seconds"), "s", 1),
        col.text("exit_code", "", _datum("exit_code")),
        col.text("message", "", _message),
        col.text("key", "", lambda r: r.key),
    ]  # fmt: skip
    taken = {c.key for c, _ in rest} | {"case", "settings"}
    return Table.of(
        "cases",
        "All cases",
        results,
        [
            col.number("case", "Case", lambda r: r.case.number, heads_row=True),
            *(
                (
                    Column(
                        f"{f.name}_varied" if f.name in taken else f.name,
                        f.short_name,
                        number if f.is_numeric else Kind.TEXT,
                    ),
                    partial(_setting, place, f),
                )
                for place, f in enumerate(study.factors)
            ),
            col.text("settings", "", lambda r: study.words(r.case)),
            *rest,
        ],
        note="Cost is what is minimised, the priced total; no layout of the case costs less than "
        "the bound. Money is what is paid.",
    )


def _datum(key: str) -> Callable[[CaseResult], Any]:
    return lambda result: result.data.get(key)


def _margin_share(result: CaseResult) -> float | None:
    margin = result.data.get("margin_ns")
    return None if margin is None else round(margin / result.data["deadline_ns"], 6)


def _message(result: CaseResult) -> str:
    conflicts = "; ".join(c["sentence"] for c in result.data.get("conflicts", ()))
    return result.data.get("message") or conflicts


def _setting(place: int, factor: Factor, result: CaseResult) -> Any:
    number = result.case.settings[place].number
    if not factor.is_numeric or number is None:
        return result.case.settings[place].label
    return int(number) if number.is_integer() else number


def _counts(answer: Learned) -> str:
    counted = Counter(r.status for r in answer.results)
    words = {
        "optimal": "proved optimal",
        "feasible": "with a layout and a proven gap",
        "no-layout": "proved to have no layout",
        "no-answer": "without an answer",
        "fault": "failed",
        "set-aside": "set aside",
    }
    return listed([f"{counted[k]} {w}" for k, w in words.items() if counted[k]])


def _lead(answer: Learned) -> list[str]:
    study, best = answer.study, cheapest(answer.results)
    lead = []
    if answer.results:
        lead.append(f"{count_text(len(answer.results), 'case')}: {_counts(answer)}.")
    if not answer.is_whole:
        missing = len(study.cases) - len(answer.results)
        lead.append(f"{count_text(missing, 'case')} of the study not run yet.")
    if best is not None and best.cost_money is not None:
        gap = best.gap
        sure = "" if gap is None else f", proven gap {gap_text(gap)}"
        lead.append(
            f"The cheapest is case {best.case.number}, {study.words(best.case)}: "
            f"{money_text(best.cost_money, _currency(study))}{sure}."
        )
    gaps = [r.gap for r in answer.results if r.gap]
    if len(gaps) > 1:
        lead.append(
            f"Proven gaps of {count_text(len(gaps), 'case')} go from {gap_text(min(gaps))} to "
            f"{gap_text(max(gaps))}: a difference within them may be the search's, not the "
            "network's."
        )
    for status, words in _NAMED.items():
        cases = [str(r.case.number) for r in answer.results if r.status == status]
        if cases:
            lead.append(f"{words}: case {listed(cases)}.")
    if study.note:
        lead.append(study.note)
    return lead


def _range_section(answer: Learned) -> Section | None:
    study, currency = answer.study, _currency(answer.study)
    ranges = value_ranges(study, answer.results)
    figures = []
    for place, factor in enumerate(study.factors):
        own = [r for r in ranges if r.factor is factor]
        if len(own) < 2 or not any(r.best for r in own):
            continue
        figures.append(
            span_figure(
                f"range-{place}",
                f"Cost against {factor.short_name}",
                "; ".join(_range_words(r, currency) for r in own),
                [
                    Span(
                        r.setting.label,
                        _money(r.bound_money),
                        _money(None if r.best is None else r.best.cost_money),
                        _money(r.dearest_money),
                        f"case {r.best.case.number}" if r.best else none_words(r.results),
                    )
                    for r in own
                ],
                f"cost, {currency}",
                caption=f"Cost against {factor.name}, all else as it is best",
                rows_title=factor.short_name,
                legend=("proven range of the least cost", "best case", "other cases, up to"),
            )
        )
    if not figures:
        return None
    return Section(
        "Cost against each thing varied",
        "For each value the best case over all else. Between the two ends of its bar lies the "
        "least cost that the value allows: no layout of any case with it costs less than the "
        "lower end. A line goes on to the dearest case.",
        [_ranges_table(study, ranges)],
        figures,
        id="ranges",
    )


def _range_words(one: ValueRange, currency: str) -> str:
    if one.best is None or one.best.cost_money is None:
        return f"{one.setting.label}: {none_words(one.results)}"
    low = "open" if one.bound_money is None else money_text(one.bound_money)
    return f"{one.setting.label}: {low} to {money_text(one.best.cost_money, currency)}"


def _ranges_table(study: Study, ranges: Sequence[ValueRange]) -> Table:
    currency = _currency(study)
    return Table.of(
        "ranges",
        "Least cost of each value",
        ranges,
        [
            col.name("factor", "Varied", lambda r: r.factor.name, heads_row=True),
            col.text("value", "Value", lambda r: r.setting.label),
            col.number("cases", "Cases", lambda r: len(r.results)),
            col.number("with_layout", "With a layout",
                       lambda r: sum(x.cost_money is not None for x in r.results)),
            col.money("cost", "Least cost", lambda r: r.best.cost_money if r.best else None,
                      currency),
            col.money("bound", "Bound", lambda r: r.bound_money, currency),
            col.money("dearest", "Dearest", lambda r: r.dearest_money, currency),
            col.number("best_case", "Best case", lambda r: r.best and r.best.case.number),
        ],
        folded=True,
    )  # fmt: skip


def _map_section(answer: Learned) -> Section | None:
    study = answer.study
    wide = [n for n, f in enumerate(study.factors) if len(f.settings) > 1]
    figures = [
        _map(answer, across, down) for down, across in list(combinations(wide, 2))[:MOST_MAPS]
    ]
    if not figures:
        return None
    third = " The second line tells the rest of that case." if len(wide) > 2 else ""
    return Section(
        "Maps of two things at once",
        f"Each cell has the cost of its best case; the darker, the dearer.{third}",
        figures=figures,
        id="maps",
    )


def _map(answer: Learned, across: int, down: int) -> Figure:
    study, currency = answer.study, _currency(answer.study)
    found = cells(study, answer.results, across, down)
    best = [[cheapest(cell) for cell in row] for row in found]
    costs = [r.cost_money for row in best for r in row if r and r.cost_money is not None]
    low, high = min(costs, default=0), max(costs, default=0)
    others = [n for n in range(len(study.factors)) if n not in (across, down)]
    others = [n for n in others if len(study.factors[n].settings) > 1][:1]
    spots: list[list[Spot]] = []
    for row, cases in zip(best, found, strict=True):
        spots.append([])
        for result, cell in zip(row, cases, strict=True):
            if result is None or result.cost_money is None:
                spots[-1].append(Spot(none_words(cell), is_empty=True))
                continue
            note = "".join(result.case.settings[n].label for n in others)
            share = (result.cost_money - low) / (high - low) if high > low else 0.0
            spots[-1].append(Spot(money_text(result.cost_money), note, share))
    x, y = study.factors[across], study.factors[down]
    return map_figure(
        f"map-{across}-{down}",
        f"Cost over {x.short_name} and {y.short_name}",
        f"Least cost for each pair, from {money_text(low)} to {money_text(high, currency)}.",
        [s.label for s in x.settings],
        [s.label for s in y.settings],
        spots,
        f"{x.short_name} →",
        f"{y.short_name} ↓",
        caption=f"Least cost in {currency} over {x.name} and {y.name}",
    )


def _winners_section(answer: Learned) -> Section | None:
    found = [w for w in winners(answer.study, answer.results) if w.rivals]
    if not found:
        return None
    table = Table.of(
        "best-where",
        "How often each value is best",
        found,
        [
            col.name("factor", "Varied", lambda w: w.factor.name, heads_row=True),
            col.text("value", "Value", lambda w: w.setting.label),
            col.number("rivalries", "Comparisons", lambda w: w.rivals),
            col.number("best", "Cheapest in", lambda w: w.best),
            col.number("proved", "Proved in", lambda w: w.proved),
            col.number("without_layout", "No layout in", lambda w: w.without_layout),
            col.percent("more", "Dearer by, mean",
                        lambda w: None if w.more is None else round(w.more, 6), 1),
        ],
        note="Equal costs count for each of the values. Proved: its cost is not above the bound "
        "of any other value there.",
    )  # fmt: skip
    return Section(
        "What is best where",
        "Each value against the other values of the same thing, all else equal.",
        [table],
        points=_always(answer, answer.study.factors),
        id="best-where",
    )


def _always(answer: Learned, factors: Sequence[Factor]) -> list[str]:
    """A sentence for each thing that has one value that is best, or as good, everywhere."""
    found = winners(answer.study, answer.results)
    sentences = []
    for factor in factors:
        own = [w for w in found if w.factor is factor and w.rivals]
        top = [w for w in own if w.best == w.rivals]
        sure = "" if any(w.proved for w in own) else "; none of it is proved"
        if len(own) > 1 and len(top) == len(own):
            sentences.append(f"{factor.short_name}: makes no difference anywhere.")
        elif top:
            names = listed([w.setting.label for w in top])
            than = "is never dearer than another value"
            sentences.append(f"{factor.short_name}: {names} {than}{sure}.")
        elif own:
            counted = [
                f"{w.setting.label} in {w.best} of {w.rivals}"
                + (f" ({w.proved} proved)" if w.proved else "")
                for w in own
                if w.best
            ]
            sentences.append(f"{factor.short_name}: cheapest is {listed(counted)}{sure}.")
    return sentences


def _best_section(answer: Learned) -> Section | None:
    if not answer.best:
        return None
    study = answer.study
    table = Table.of(
        "best",
        "The cheapest layouts, judged in every case",
        enumerate(answer.best, start=1),
        [
            col.number("layout", "Layout", lambda one: one[0], heads_row=True),
            col.number("case", "Of case", lambda one: one[1].result.case.number),
            col.text("settings", "Planned for", lambda one: study.words(one[1].result.case)),
            col.money("cost", "Cost there", lambda one: one[1].result.cost_money, _currency(study)),
            col.number("judged", "Judged in", lambda one: one[1].judged),
            col.number("acceptable", "Keeps all rules in", lambda one: one[1].acceptable),
            col.number("near", "Within 1 % of the best in", lambda one: one[1].near),
            col.number("cheaper", "Cheaper than found in", lambda one: one[1].cheaper),
            col.text("broken", "Breaks most (cases)",
                     lambda one: ", ".join(f"{rule} ({n})" for rule, n in one[1].broken[:4])),
        ],
        note="Judged by the check as it stands, devices that a case does not have taken out. "
        "Where it is cheaper than what the case found, that search ended too soon.",
    )  # fmt: skip
    points = [
        f"Layout {place}, planned for {study.words(one.result.case)}, keeps all rules in "
        f"{one.acceptable} of {count_text(one.judged, 'case')} and is within 1 % of the best known "
        f"in {one.near}. "
        + f"In {one.cheaper} it is cheaper than what was found there: that search ended too soon. "
        * bool(one.cheaper)
        + f"Its report: best-{place}/report.html."
        for place, one in enumerate(answer.best, start=1)
    ]
    return Section("How safe the best layouts are", "", [table], points=points, id="best")


def _failures_section(answer: Learned) -> Section | None:
    counted: Counter[str] = Counter()
    for result in answer.results:
        counted.update({c["rule"] for c in result.data.get("conflicts", ())})
    if not counted:
        return None
    points = [
        f"{rule}: in {count_text(n, 'case')}"
        for rule, n in sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))
    ]
    return Section(
        "Why cases have no layout",
        "Rules in the proofs that a case has no layout. result.json of the case has the "
        "sentences.",
        points=points,
        id="failures",
    )


def sweep_sections(answer: Learned) -> list[Section]:
    """All sections of the page of a study."""
    made = (
        _range_section(answer), _map_section(answer), _winners_section(answer),
        _best_section(answer), _failures_section(answer),
        Section("Cases", "", [cases_table(answer.study, answer.results)], id="all-cases"),
    )  # fmt: skip
    return [section for section in made if section is not None]


def sweep_page(answer: Learned) -> Page:
    """The page of a study."""
    has_layout = any(r.cost_money is not None for r in answer.results)
    is_clear = answer.is_whole and all(r.status in _STATES for r in answer.results)
    has_failed = any(r.status in ("fault", "set-aside") for r in answer.results)
    left = "with failures" if has_failed else "with open cases"
    return Page(
        f"Study {answer.study.name}",
        State.OK if is_clear and has_layout else State.WARN,
        "done" if is_clear else left if answer.is_whole else "not finished",
        _lead(answer),
        sweep_sections(answer),
        SWEEP,
        title_block("Study", answer.study.name, None, None),
    )


def sweep_files(answer: Learned) -> dict[str, str]:
    """Every file of a study, its page among them."""
    page = sweep_page(answer)
    charts = {f"{f.id}.svg": standalone(f.svg) for s in page.sections for f in s.figures}
    return {SWEEP: json_file(sweep_data(answer, page.sections)), **page_files(page), **charts}


def sweep_data(answer: Learned, sections: Sequence[Section] = ()) -> dict[str, Any]:
    """The answer as plain data: money in currency units, shares as fractions of 1.

    ``sections`` are those of the page, if they are made already.
    """
    study = answer.study
    tables = {t.id: t.records() for s in sections or sweep_sections(answer) for t in s.tables}
    return {
        "format": 1,
        "name": study.name,
        "ask": study.question.ask,
        "currency": _currency(study),
        "factors": [
            {"name": f.name, "values": [s.label for s in f.settings]} for f in study.factors
        ],
        "case_count": len(study.cases),
        "is_whole": answer.is_whole,
        **tables,
    }


def sweep_text(answer: Learned) -> str:
    """The verdict with the cheapest cases and the best layouts, for stdout."""
    ranked = sorted(
        answer.results,
        key=lambda r: (r.cost_money is None, r.cost_money or 0, r.case.number),
    )
    table = table_text(_told(cases_table(answer.study, ranked)), most=_TEXT_CASES)
    best = _best_section(answer)
    blocks = [
        "\n".join([f"Study {answer.study.name}.", *_lead(answer)]),
        table,
        "\n".join([*_always(answer, answer.study.factors), *(best.points if best else ())]),
    ]
    return plain("\n\n".join(b for b in blocks if b))


def _told(table: Table) -> Table:
    """The table with the columns that a terminal has room for."""
    columns = [
        Column("settings", "Case has") if c.key == "settings" else c for c in table.columns
    ]
    return Table(table.id, table.caption, columns, table.rows, shown=_TEXT_KEYS)


def estimate_text(study: Study, estimate: Estimate) -> str:
    """What a study will take, for stdout."""
    grid = " x ".join(str(len(f.settings)) for f in study.factors)
    names = ", ".join(f"{f.short_name} ({len(f.settings)})" for f in study.factors)
    lines = [
        f"Study {study.name}: {count_text(estimate.cases, 'case')}"
        + (f", varied: {names}." if grid else "."),
        f"{estimate.done} done, {estimate.to_run} to run"
        + (
            ""
            if estimate.done + estimate.to_run == estimate.cases
            else f" ({estimate.cases - estimate.done - estimate.to_run} are equal to others)"
        )
        + ".",
    ]
    if estimate.to_run:
        longest = duration_text(round(estimate.longest_s))
        cores = count_text(estimate.workers, "worker")
        lines.append(f"At most {longest} by the time limits, on {cores}.")
        if estimate.likely_s is not None:
            likely = duration_text(round(estimate.likely_s))
            lines.append(f"About {likely} at the pace of the cases that are done.")
    return plain("\n".join(lines))
