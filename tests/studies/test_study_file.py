"""Study files: what they mean, and what is said of wrong ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from partitioner.errors import WrongFile
from partitioner.studies.study import Ask, asked_of
from partitioner.studies.study_file import case_problem, read_study
from tests.studies.problems import CASES, HALL, STUDY, write_study

HEAD = "format: 1\nname: s\nproblem: hall.yaml\n"


def findings(folder: Path, text: str, problem: str = HALL) -> list[tuple[int, str, str]]:
    with pytest.raises(WrongFile) as caught:
        read_study(write_study(folder, text, problem))
    return [(f.line, f.code, f"{f.where}: {f.message} {f.hint}") for f in caught.value.findings]


def test_a_grid_counts_like_an_odometer(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path))
    assert len(study.cases) == CASES
    assert [study.words(c) for c in (study.cases[0], study.cases[1], study.cases[2])] == [
        "length_m 3, price 20, lamps all",
        "length_m 3, price 20, lamps no-c",
        "length_m 3, price 25, lamps all",
    ]
    assert study.question.work_limit == 2


def test_changes_arrive_in_the_problem(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path))
    first, last = (case_problem(study, c) for c in (study.cases[0], study.cases[-1]))
    assert first.limits["10BASE-T1S-multidrop"].length_um == 3_000_000
    assert last.limits["10BASE-T1S-multidrop"].length_um == 8_000_000
    assert last.switches["hub"].price_money == 250_000
    assert set(first.devices) - set(last.devices) == {"lamp-c"}
    assert first.digest != last.digest


def test_what_depends_on_a_device_goes_with_it(tmp_path: Path) -> None:
    text = HEAD + "vary:\n  without:\n    some: {leave_out: [lamp-a, fan, spare]}\n"
    study = read_study(write_study(tmp_path, text))
    problem = case_problem(study, study.cases[0])
    assert set(problem.devices) == {"lamp-b", "lamp-c"}
    assert problem.streams["a-set"].destinations == ("lamp-b",)
    assert set(problem.streams) == {"a-set"}
    assert (problem.groups, problem.failure_rules, problem.backbone.links) == ((), (), ())


def test_variants_add_and_set_several_things(tmp_path: Path) -> None:
    text = HEAD + (
        "vary:\n  horn:\n    without: {}\n    with:\n"
        "      set: {'options[cooling].take_rate': 0.9, seed: 7, time_limit_s: 5}\n"
        "      add:\n"
        "        devices: [{id: horn, position_m: [1, 2, 0], grades: [10BASE-T1S-multidrop]}]\n"
        "        streams: [{id: h, from: hub, to: [horn], payload_bytes: 1, period_us: 9000}]\n"
    )
    study = read_study(write_study(tmp_path, text))
    bare, full = study.cases
    assert "horn" not in case_problem(study, bare).devices
    problem = case_problem(study, full)
    assert problem.streams["h"].destinations == ("horn",)
    assert problem.options["cooling"].take_rate_ppm == 900_000
    assert (asked_of(study, full).seed, asked_of(study, full).time_limit_s) == (7, 5.0)
    assert asked_of(study, bare).seed == 0


def test_a_list_names_its_cases(tmp_path: Path) -> None:
    text = HEAD + (
        "vary:\n  lamps:\n    few: {leave_out: [lamp-c]}\n"
        "cases:\n  - {lamps: few, switches.hub.price: 21}\n  - {switches.hub.price: 22}\n"
    )
    study = read_study(write_study(tmp_path, text))
    assert [study.words(c) for c in study.cases] == ["lamps few, price 21", "lamps as is, price 22"]
    assert "lamp-c" in case_problem(study, study.cases[1]).devices


def test_draws_are_of_the_grid_all_different_and_by_their_seed(tmp_path: Path) -> None:
    def drawn(seed: int) -> list[str]:
        text = STUDY + f"draws: {{count: 10, seed: {seed}}}\n"
        study = read_study(write_study(tmp_path, text))
        return [study.words(c) for c in study.cases]

    assert len(set(drawn(1))) == 10
    assert drawn(1) == drawn(1) != drawn(2)


def test_null_leaves_a_key_out(tmp_path: Path) -> None:
    text = HEAD + "vary:\n  limits.10BASE-T1S-multidrop.length_m: [null, 7.5]\n"
    study = read_study(write_study(tmp_path, text))
    lengths = [case_problem(study, c).limits["10BASE-T1S-multidrop"].length_um for c in study.cases]
    assert lengths == [25_000_000, 7_500_000]


def test_a_replan_needs_its_layout(tmp_path: Path) -> None:
    assert findings(tmp_path, HEAD + "ask: replan\n") == [
        (1, "missing-key", ": a replan needs the key 'before', a layout file ")
    ]
    told = findings(tmp_path, HEAD + "ask: replan\nbefore: no.yaml\n")
    assert (told[0][:2], "no such file" in told[0][2]) == ((5, "unreadable-file"), True)


def test_a_trade_off_has_an_axis(tmp_path: Path) -> None:
    study = read_study(write_study(tmp_path, HEAD + "ask: tradeoff\naxis: mass\npoints: 3\n"))
    assert (study.question.ask, study.question.axis, study.question.points) == (
        Ask.TRADEOFF, "mass", 3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line", "code", "said"),
    [
        ("vari: {}\n", 4, "unknown-key", "did you mean 'vary'?"),
        ("ask: guess\n", 4, "wrong-kind", "expected one of plan, tradeoff, replan"),
        ("axis: mass\n", 4, "not-allowed-together", "only for ask: tradeoff, got ask: plan"),
        ("ask: tradeoff\naxis: speed\n", 5, "wrong-kind", "expected one of latency, margin"),
        ("vary:\n  limit.x: [1]\n", 5, "unknown-name", "did you mean 'limits'?"),
        ("vary:\n  name: [a, b]\n", 5, "not-allowed-together", "'name' cannot vary"),
        ("vary:\n  switches.hob.price: [1, 2]\n", 5, "unknown-name", "known: hub, spare"),
        ("vary:\n  switches.hub.prize: [1, 2]\n", 5, "unknown-key", "did you mean 'price'?"),
        ("vary:\n  switches.hub.price:\n    - 1\n    - -2\n", 7, "out-of-range", "case 2 (price"),
        ("vary:\n  switches.hub.price: [1, 2, 1]\n", 5, "duplicate-name", "1 stands twice"),
        ("vary:\n  switches.hub.price: 3\n", 5, "wrong-kind", "a list of values, a range, or"),
        ("vary:\n  seed: [1, x]\n", 5, "wrong-kind", "expected a whole number"),
        ("vary:\n  seed: {low: 1, high: 3}\n", 5, "missing-key", "the key 'step'"),
        ("vary:\n  a:\n    b: {leave_out: [lamp-z]}\n", 6, "unknown-name", "'lamp-z'"),
        ("vary:\n  a:\n    b: {leave_out: [cooling]}\n", 6, "unknown-name", "its devices: [fan]"),
        ("vary:\n  a:\n    b: {add: {lamps: []}}\n", 6, "unknown-name", "can be added"),
        ("vary:\n  a:\n    b: {add: {devices: [{id: x}]}}\n", 6, "missing-key", "'grades'"),
        ("vary:\n  a:\n    b: {leave_out: [hub, spare]}\n", 6, "out-of-range", "at least 1 entry"),
        (
            "vary:\n  switches.spare.price: [1, 2]\n  a:\n    b: {leave_out: [spare]}\n",
            5, "not-allowed-together", "'spare' varies and is left out",
        ),
        ("vary:\n  seed: {low: 1, high: 999999, step: 1}\n", 5, "out-of-range", "at most 10000"),
        ("vary:\n  seed: [1, 2]\ndraws: {count: 3}\n", 6, "out-of-range", "at most the 2"),
        ("cases: []\n", 4, "wrong-kind", "a list of cases"),
    ],
)  # fmt: skip
def test_wrong_studies(tmp_path: Path, text: str, line: int, code: str, said: str) -> None:
    found = findings(tmp_path, HEAD + text)
    assert [(f[0], f[1]) for f in found] == [(line, code)], found
    assert said in found[0][2]


def test_a_wrong_problem_is_told_at_its_own_lines(tmp_path: Path) -> None:
    wrong = HALL.replace("price: 20", "price: much")
    assert findings(tmp_path, STUDY, wrong)[0][:2] == (7, "wrong-kind")


def test_a_fault_of_many_cases_is_told_once(tmp_path: Path) -> None:
    text = STUDY.replace("[20, 25]", "[20, -25]")
    found = findings(tmp_path, text)
    assert len(found) == 1
    assert "case 3 (length_m 3, price -25, lamps all)" in found[0][2]
