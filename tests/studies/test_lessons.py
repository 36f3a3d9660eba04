"""What is learnt from results, counted by hand on a small grid."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from partitioner.model.layout import Layout
from partitioner.pages.sweep import (
    cases_table,
    estimate_text,
    sweep_files,
    sweep_page,
    sweep_sections,
    sweep_text,
)
from partitioner.reading.origin import YamlOrigin
from partitioner.reading.yaml_text import load
from partitioner.report.svg import text_width
from partitioner.studies.lessons import (
    CaseResult,
    Estimate,
    Learned,
    Robustness,
    cells,
    cheapest,
    none_words,
    robustness,
    value_ranges,
    winners,
)
from partitioner.studies.study import Factor, Question, Setting, Study, grid_cases

LENGTH = Factor("limits.x.length_m", (Setting("10", 10.0), Setting("25", 25.0)))
SITE = Factor("site", (Setting("roof"), Setting("floor")))
ANSWERS = (
    {"status": "feasible", "cost_money": 1_200_000, "bound_money": 1_000_000},
    {"status": "no-layout", "conflicts": [{"rule": "length", "sentence": "too long"}]},
    {"status": "optimal", "cost_money": 1_100_000, "bound_money": 1_100_000},
    {"status": "optimal", "cost_money": 900_000, "bound_money": 900_000},
)


@pytest.fixture
def study() -> Study:
    origin = YamlOrigin(load("{currency: EUR}", "p"), (), "")
    factors = (LENGTH, SITE)
    return Study("s", "", origin, Question(), factors, grid_cases(factors, range(4)))


@pytest.fixture
def results(study: Study) -> tuple[CaseResult, ...]:
    return tuple(
        CaseResult(case, f"k{case.number}", {"layout_money": a.get("cost_money"), **a, "run": {}})
        for case, a in zip(study.cases, ANSWERS, strict=True)
    )


def test_a_value_has_the_range_of_its_least_cost(study, results) -> None:
    found = {r.setting.label: r for r in value_ranges(study, results)}
    # The case without a layout leaves the bound of its value alone.
    assert (found["10"].bound_money, found["10"].best) == (1_000_000, results[0])
    assert (found["roof"].bound_money, found["roof"].best) == (1_000_000, results[2])
    assert found["roof"].dearest_money == 1_200_000
    assert (found["25"].bound_money, found["25"].best) == (900_000, results[3])


def test_a_case_without_any_bound_leaves_the_range_open(study, results) -> None:
    unknown = CaseResult(study.cases[0], "k", {"status": "no-answer", "run": {}})
    found = value_ranges(study, (unknown, *results[1:]))
    assert [r.bound_money for r in found if r.setting.label in ("10", "roof")] == [None, None]


def test_values_are_compared_all_else_equal(study, results) -> None:
    found = {w.setting.label: w for w in winners(study, results)}
    assert (found["roof"].rivals, found["roof"].best, found["roof"].proved) == (2, 1, 1)
    assert (found["floor"].best, found["floor"].proved, found["floor"].without_layout) == (1, 1, 1)
    # At the roof 25 m cost 110, and a layout of 10 m could cost as little as 100.
    assert (found["25"].best, found["25"].proved) == (2, 1)
    assert found["10"].more == pytest.approx(12 / 11 - 1)


def test_a_cost_above_the_bound_of_another_is_not_proved_best(study, results) -> None:
    rival = {"status": "feasible", "cost_money": 1_000_000, "bound_money": 880_000, "run": {}}
    changed = (*results[:2], CaseResult(study.cases[2], "k", rival), results[3])
    floor = next(w for w in winners(study, changed) if w.setting.label == "floor")
    assert (floor.best, floor.proved) == (1, 0)


def test_the_map_has_the_cases_of_each_pair(study, results) -> None:
    one, two, three, four = results
    assert cells(study, results, 0, 1) == [[[one], [three]], [[two], [four]]]
    assert cheapest(results) is four


def test_what_is_not_proved_is_not_called_proved(study, results) -> None:
    assert [none_words(r) for r in ((), results[1:2])] == ["not run", "no layout"]
    unknown = CaseResult(study.cases[1], "k", {"status": "no-answer", "run": {}})
    page = sweep_files(learned(study, (results[0], unknown, *results[2:])))["report.html"]
    assert page.count(">none found</text>") == 1
    assert ">no layout</text>" not in page
    assert ">no layout</text>" in sweep_files(learned(study, results))["report.html"]


def test_a_layout_is_counted_over_its_judgements(study, results) -> None:
    layout = Layout("p", "", (), (), ())
    judged = [
        {"is_acceptable": True, "rules": [], "layout_money": 1_190_000},
        {"is_acceptable": False, "rules": ["length", "nodes"], "layout_money": 1},
        {"is_acceptable": True, "rules": [], "layout_money": 1_112_000},
        None,
    ]
    found = robustness(results[3], layout, results, judged)
    assert (found.judged, found.acceptable, found.near, found.cheaper) == (3, 2, 1, 1)
    assert found.broken == (("length", 1), ("nodes", 1))


def learned(study, results, *, is_whole: bool = True) -> Learned:
    best = Robustness(results[-1], Layout("p", "", (), (), ()), 4, 2, 2, 1, (("length", 2),))
    return Learned(study, results, (best,) if is_whole else (), is_whole)


def test_the_page_tells_it_all(study, results) -> None:
    files = sweep_files(learned(study, results))
    page = files["report.html"]
    for words in (
        "4 cases: 2 proved optimal, 1 with a layout and a proven gap and 1 proved to have no lay",
        "length_m: 25 is never dearer than another value.",
        "site: cheapest is roof in 1 of 2 (1 proved) and floor in 1 of 2 (1 proved).",
        "keeps all rules in 2 of 4",
        "In 1 it is cheaper than what was found there: that search ended too soon.",
        "length: in 1",
    ):
        assert words in page.replace("\u00a0", " "), words
    assert {"sweep.json", "cases.csv", "ranges.csv", "best-where.csv", "best.csv"} <= set(files)
    assert files["cases.csv"].splitlines()[2].startswith("2,10,floor,")
    assert page.count("<svg") == 3
    charts = {"range-0.svg", "range-1.svg", "map-1-0.svg"}
    assert charts == {name for name in files if name.endswith(".svg")}
    assert {ElementTree.fromstring(files[name]).tag.split("}")[1] for name in charts} == {"svg"}


def test_what_is_open_is_named_and_so_is_what_is_proved_nowhere(study, results) -> None:
    answers = (
        {"status": "feasible", "cost_money": 1_200_000, "bound_money": 1_000_000},
        {"status": "feasible", "cost_money": 1_000_000, "bound_money": 600_000},
        {"status": "feasible", "cost_money": 1_100_000, "bound_money": 990_000},
        {"status": "no-answer", "bound_money": 800_000},
    )
    cases = [replace(r, data={**a, "run": {}}) for r, a in zip(results, answers, strict=True)]
    answer = learned(study, tuple(cases))
    said = sweep_text(answer).replace("\u00a0", " ")
    assert "Proven gaps of 3 cases go from 10.0 % to 40.0 %" in said
    assert "No layout found, and none ruled out, within the limit: case 4." in said
    assert "length_m: cheapest is 10 in 1 of 2 and 25 in 1 of 2; none of it is proved." in said
    near = replace(cases[0], data={**answers[0], "bound_money": 990_000, "run": {}})
    few = sweep_text(learned(study, (near, cases[1]))).replace("\u00a0", " ")
    assert "site: floor is never dearer than another value; none of it is proved." in few
    assert sweep_page(answer).word == "with open cases"
    fault = replace(cases[3], data={"status": "fault", "run": {}})
    assert sweep_page(learned(study, (*cases[:3], fault))).word == "with failures"


def test_an_unfinished_study_says_so(study, results) -> None:
    said = sweep_text(learned(study, results[:3], is_whole=False))
    assert "1 case of the study not run yet." in said
    assert "keeps all rules in" not in said


def test_the_frame_has_the_columns_of_the_file(study, results) -> None:
    frame = cases_table(study, results).frame()
    assert list(frame["cost"])[:1] + list(frame["cost"])[2:] == [120.0, 110.0, 90.0]
    assert frame["limits.x.length_m"].tolist() == [10, 10, 25, 25]
    assert frame["gap"][0] == pytest.approx(1 / 6, abs=1e-6)


def test_the_estimate_counts(study) -> None:
    said = estimate_text(study, Estimate(4, 1, 2, 2, 60.0, 10.0))
    assert said.splitlines() == [
        "Study s: 4 cases, varied: length_m (2), site (2).",
        "1 done, 2 to run (1 are equal to others).",
        "At most 1 min by the time limits, on 2 workers.",
        "About 10 s at the pace of the cases that are done.",
    ]


def test_names_of_rows_and_columns_are_not_cut_off(study, results) -> None:
    named = replace(study, factors=(study.factors[0], replace(SITE, name="where-it-stands")))
    figures = [f for s in sweep_sections(learned(named, results)) for f in s.figures]
    assert len(figures) == 3
    words = []
    for figure in figures:
        for text in ElementTree.fromstring(figure.svg).iter("text"):
            if text.get("text-anchor") == "end":
                words.append(text.text)
                assert float(text.get("x")) >= text_width(text.text, 11), text.text
    assert {"length_m", "where-it-stands", "length_m ↓"} <= set(words)
