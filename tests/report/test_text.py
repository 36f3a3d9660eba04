from dataclasses import replace

from partitioner.model.outcome import Status
from partitioner.report.key_figures import key_figures_table
from partitioner.report.text import aligned, verdict_text, wrapped
from partitioner.report.verdict import verdict
from tests.report.fixtures import outcome_of, with_finding


def test_verdict_says_gap_and_bound_when_not_proved(twelve) -> None:
    problem, assessment = twelve
    text = verdict_text(problem, assessment, outcome_of(assessment))
    assert text.startswith("bench-row: feasible. Every rule is kept, and the cost is 52.35 EUR;")
    assert "a gap of 3.0 %" in " ".join(text.split())
    assert "Size               12 devices; 2 lines and 2 links at 2 switches" in text
    assert not text.endswith("\n")


def test_an_optimal_plan_is_called_proved(twelve) -> None:
    problem, assessment = twelve
    outcome = replace(
        outcome_of(assessment), status=Status.OPTIMAL, bound_money=assessment.cost.objective_money
    )
    judged = verdict(problem, assessment, outcome)
    assert judged.word == "optimal"
    assert judged.sentence == (
        "Every rule is kept, and it is proved that no layout that keeps them costs less than its "
        "52.35\xa0EUR."
    )


def test_what_is_proved_is_named_and_adds_up(twelve) -> None:
    problem, assessment = twelve
    cost = replace(assessment.cost, money=1_413_760, objective_money=1_431_720)
    assessment = replace(assessment, cost=cost)
    aim = replace(problem.objective, mass_price_per_kg_money=20_000)
    weighed = replace(problem, objective=aim)
    outcome = replace(
        outcome_of(assessment), status=Status.OPTIMAL, cost_money=1_431_720, bound_money=1_431_720
    )
    assert verdict(weighed, assessment, outcome).sentence == (
        "Every rule is kept, and it is proved that no layout that keeps them has a lower priced "
        "total than its 143.17\xa0EUR (141.38\xa0EUR of money, 1.79\xa0EUR for mass)."
    )
    open_ = replace(outcome, status=Status.FEASIBLE, bound_money=1_400_000)
    said = verdict(weighed, assessment, open_).sentence
    assert "the priced total is 143.17\xa0EUR (141.38\xa0EUR of money" in said
    assert "none can be below 140.00\xa0EUR, a gap of 2.3\xa0%" in said


def test_a_judged_layout_claims_nothing_on_cost(twelve) -> None:
    problem, assessment = twelve
    text = verdict_text(problem, assessment)
    assert "is not known" in " ".join(text.split())
    assert "gap" not in text


def test_broken_rules_come_first_and_no_gap_is_claimed(twelve) -> None:
    problem, assessment = twelve
    text = verdict_text(problem, with_finding(assessment), outcome_of(assessment))
    assert text.startswith("bench-row: not acceptable. This layout breaks 1 rule in 1 place")
    assert "[length] The first line is 1.20 m too long." in text
    assert "gap" not in text


def test_late_and_overloaded_streams_are_named(twelve) -> None:
    problem, assessment = twelve
    first = assessment.streams[0]
    late = replace(assessment, streams=(replace(first, response_ns=first.deadline_ns + 5_000),))
    assert "Tightest deadline  late; " in verdict_text(problem, late, None)
    over = replace(assessment, streams=(replace(first, response_ns=None),))
    assert "Tightest deadline  overload; " in verdict_text(problem, over, None)


def test_a_delay_in_time_never_looks_later_than_its_deadline(twelve) -> None:
    problem, assessment = twelve
    close = replace(assessment.streams[0], response_ns=2_211_390, deadline_ns=2_219_000)
    text = verdict_text(problem, replace(assessment, streams=(close,)), None)
    assert "at most 2.212 ms of 2.219 ms" in " ".join(text.split())


def test_every_line_fits_a_terminal(many) -> None:
    assert max(map(len, verdict_text(*many, None).splitlines())) <= 80
    long = [("a-stream-with-a-name-that-is-long", f"to-{'x' * 60}", "12.3")]
    lines = aligned(("Stream", "To", "Worst-case delay"), long, right=(2,)).splitlines()
    assert max(map(len, lines)) == 80
    assert "a-stream-with-a-name-that-is-long" in lines[-2]
    assert sum(line.count("x") for line in lines) == 60, "nothing is cut off"


def test_headings_are_whole_words_and_long_names_end_at_hyphens() -> None:
    names = ("east-panel-far-end-read", "climate-computer-of-the-house")
    wide = [(*names, "16 300", "250 000", "93 %", "233 000", "kept by far")]
    titles = ("Stream", "To", "Worst-case delay, µs", "Deadline, µs", "Left", "Left, µs", "State")
    lines = aligned(titles, wide, right=(2, 3, 4, 5)).splitlines()
    assert max(map(len, lines)) <= 80
    assert any("Deadline," in line for line in lines)
    assert not any(line.split()[:1] == [","] or " , " in line for line in lines)
    narrow = aligned(("Name",) * 4, [("east-panel-far-end-read-of-one",) * 4]).splitlines()
    assert all(word.endswith("-") for line in narrow[1:-1] for word in line.split())


def test_a_number_is_not_broken_at_the_end_of_a_line() -> None:
    filled = wrapped("x" * 77 + " (1\u202f016.32\u00a0EUR)")
    assert filled.splitlines()[1] == "(1 016.32 EUR)"


def test_all_lines_of_the_greatest_length_are_named(twelve) -> None:
    problem, assessment = twelve
    lines = [f for f in assessment.segments if f.segment.grade == "10BASE-T1S-multidrop"]
    assert len(lines) == 2
    even = tuple(
        replace(f, length_um=lines[0].length_um) if f in lines else f for f in assessment.segments
    )
    one, both = (
        next(line for line in verdict_text(problem, each, outcome_of(each)).splitlines()
             if line.startswith("Longest line")).partition("; ")[2]
        for each in (assessment, replace(assessment, segments=even))
    )  # fmt: skip
    assert one in {f.segment.id for f in lines}
    assert both == " and ".join(f.segment.id for f in lines)


def test_the_figures_are_those_of_the_data(twelve) -> None:
    rows = key_figures_table(*twelve).records()
    found = {(r["figure"], r["quantity"]): r["value"] for r in rows}
    assessment = twelve[1]
    lines = [f for f in assessment.segments if f.segment.grade == "10BASE-T1S-multidrop"]
    assert found["size", "devices"] == 12
    assert found["size", "ports_free"] == found["size", "ports"] - len(assessment.segments)
    assert found["longest line", "length_m"] == max(f.length_um for f in lines) / 1e6
    assert found["growth left", "nodes_left"] == sum(f.nodes_limit - f.nodes for f in lines)
    assert found["cost", "priced_total"] == assessment.cost.objective_money / 10_000
    worst = min(s.margin_ns / s.deadline_ns for s in assessment.streams)
    assert found["tightest deadline", "margin_share"] == round(worst, 6)


def test_text_is_plain(twelve) -> None:
    text = verdict_text(*twelve, None)
    assert not set(text) & {"\u00a0", "\u202f", "\u2212", "\x1b"}


def test_columns_line_up() -> None:
    lines = aligned(("id", "n"), [("a", "1"), ("bbb", "22")], right=(1,)).splitlines()
    assert lines == ["id    n", "a     1", "bbb  22"]
