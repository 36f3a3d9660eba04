"""Each warning of a likely slip: it comes with the slip, and goes as it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from partitioner.errors import Finding
from partitioner.reading.schema import SilenceTable
from tests.reading.whole import read_problem_with_findings

ROOT = Path(__file__).parent.parent.parent

LIKELY = """\
format: 1
name: likely
places:
  - {id: front, position_m: [0, 0, 0.5]}
  - {id: rear, position_m: [4, 0, 0.5]}
pathways:
  - {id: floor, from: front, to: rear, length_m: 4.2}
switches:
  - {id: hub, place: front, ports: [{grades: [10BASE-T1S-multidrop], count: 2}]}
devices:
  - {id: lamp, position_m: [0.5, 0, 0.5], grades: {10BASE-T1S-multidrop: 1.2}, stub_m: 0.05}
  - {id: pump, position_m: [1.5, 0.4, 0.5], grades: {10BASE-T1S-multidrop: 1.2}}
  - {id: fan, position_m: [2.5, 0, 0.5], grades: {10BASE-T1S-multidrop: 1.3}}
  - {id: horn, position_m: [3.5, 0.1, 0.5], grades: {10BASE-T1S-multidrop: 1.4}}
  - {id: valve, position_m: [3.9, 0.2, 0.5], grades: {10BASE-T1S-multidrop: 1.5}}
streams:
  - {id: lamp-set, from: hub, to: [lamp], payload_bytes: 8, period_us: 10000, deadline_us: 5000}
  - {id: pump-rate, from: pump, to: [hub], payload_bytes: 16, period_us: 20000, deadline_us: 9000}
  - {id: fan-set, from: hub, to: [fan], payload_bytes: 8, period_us: 50000, deadline_us: 40000}
  - {id: tune, from: hub, to: [horn, valve], payload_bytes: 9, period_us: 90000, deadline_us: 60000}
"""

IN_MM = [(r"\[([\d.]+), ([\d.]+), ([\d.]+)\]",
          lambda m: str([round(1000 * float(x)) for x in m.groups()]))]  # fmt: skip
PERIODS_IN_MS = [(r"period_us: (\d+)000", r"period_us: \1")]
DEADLINES_IN_MS = [(r"deadline_us: (\d+)000", r"deadline_us: \1")]

SLIPS = [
    ("millimetres", "all positions", IN_MM, "7 of 7 positions have no other within 25 m"),
    ("millimetres", "one pathway", [("4.2}", "4200}")],
     "4200 m long, where its places are 4.0 m apart"),
    ("milliseconds", "all periods", PERIODS_IN_MS, "half of all 4 streams .* at most 35 µs"),
    ("milliseconds", "all deadlines", DEADLINES_IN_MS, "below 1/200 of their period, this one 5"),
    ("milliseconds", "one deadline", [("deadline_us: 60000", "deadline_us: 60")],
     "60 µs is less than the shortest frame takes"),
    ("far_away", "one device", [(r"\[3.5, 0.1, 0.5\]", "[3500, 0.1, 0.5]")],
     "3498 m from the middle of all devices"),
    ("one_point", "a row copied", [(r"\[3.5, 0.1, 0.5\]", "[2.5, 0, 0.5]")],
     "at the very point of 'fan'"),
    ("no_traffic", "forgotten", [(r"\[horn, valve\]", "[horn]")], "no stream starts or ends here"),
    ("late_deadline", "in another unit", [("deadline_us: 9000", "deadline_us: 9000000")],
     "9000000 µs is 450.0 times the period of 20000 µs"),
    ("short_period", "one", [("period_us: 50000", "period_us: 45")],
     "45 µs is shorter than a frame"),
    ("heavy_stream", "small and often", [("period_us: 20000", "period_us: 200")],
     "3360 kbit/s in whole frames"),
    ("heavy_stream", "large", [("payload_bytes: 16", "payload_bytes: 1400"),
                               ("period_us: 20000", "period_us: 4000")],
     "2876 kbit/s in whole frames"),
    ("long_stub", "a whole cable", [("stub_m: 0.05", "stub_m: 1.6")],
     "longer than the way to its nearest neighbour, 1.40 m"),
    ("long_jump", "a pathway missing", [(r"\[3.9, 0.2, 0.5\]", "[9.9, 0.2, 0.5]")],
     "6.1 m from the nearest place of the pathways, 'rear'"),
    ("free_phy", "not known yet", [("1.4}", "0}")],
     "the PHY of 10BASE-T1S-multidrop costs nothing"),
]  # fmt: skip


def warned(text: str, folder: Path) -> list[Finding]:
    path = folder / "problem.yaml"
    path.write_text(text, encoding="utf-8")
    problem, findings = read_problem_with_findings(path)
    assert problem is not None, findings
    return findings


@pytest.mark.parametrize(
    ("name", "slip", "edits", "why"), SLIPS, ids=[f"{n}: {s}" for n, s, _, _ in SLIPS]
)
def test_a_slip_is_warned_of_until_it_is_silenced(name, slip, edits, why, tmp_path) -> None:
    text = LIKELY
    for old, new in edits:
        text, count = re.subn(old, new, text)
        assert count
    told = [f for f in warned(text, tmp_path) if f"{name}:" in f.hint]
    assert [f.code for f in told] == ["unlikely"], slip
    assert re.search(why, told[0].message)
    silence = re.fullmatch(r"if it is meant: (silence: \{(\w+): \[[\w-]+\]\}), or \[all\]",
                           told[0].hint)  # fmt: skip
    assert silence is not None
    for way in (silence[1], f"silence: {{{name}: [all]}}"):
        assert [f for f in warned(f"{text}{way}\n", tmp_path) if f"{name}:" in f.hint] == []


def test_every_warning_has_a_slip_here_and_none_comes_without() -> None:
    assert {name for name, *_ in SLIPS} == set(SilenceTable.model_fields)


def test_without_a_slip_nothing_is_warned_of(tmp_path: Path) -> None:
    assert warned(LIKELY, tmp_path) == []


@pytest.mark.parametrize("name", ["city-bus", "glasshouse", "river-ferry", "street-sweeper"])
def test_the_demos_look_like_no_slip(name: str) -> None:
    _, findings = read_problem_with_findings(ROOT / "problems" / name / "problem.yaml")
    assert findings == []


def test_a_column_in_the_wrong_unit_is_one_warning(tmp_path: Path) -> None:
    text = LIKELY
    for old, new in (*IN_MM, *PERIODS_IN_MS):
        text = re.sub(old, new, text)
    names = [re.findall(r"\{(\w+):", f.hint)[0] for f in warned(text, tmp_path)
             if f.code == "unlikely"]  # fmt: skip
    assert names == ["millimetres", "milliseconds"]
