"""Invented machines written tightly around a hidden layout, and what the planner makes of them.

    python -m tests.bench.planted --devices 20 40 60 --seeds 0:20 --seconds 10

A machine is drawn: a duct with side ducts, switches along it, devices around them. Its devices are
hung on lines and links at random, near ones together. Then every rule is written so that this
hidden layout just keeps it: ports and their kinds, nodes, length and load of a line, cables in each
duct, deadlines from 1.02 times the judged delays, groups apart and together, security domains,
safety levels, failure rules, options, pins. So "no layout" is always a fault, and a layout dearer
than the hidden one shows what the search missed.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import tempfile
import time
from bisect import bisect_left
from collections import Counter, defaultdict
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from partitioner.application.reading import read_problem
from partitioner.check.judge import assess
from partitioner.errors import NoAnswer, NoLayout
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.reading.layout_file import layout_from_text
from partitioner.solve.planner import PlanSettings, plan_layout
from tests.judged import judge

LINE, LINK = "10BASE-T1S-multidrop", "100BASE-T1"
STEP_M = 1.5
"""Places along the duct are so far apart."""
PER_SWITCH = 14
LEAST_SLACK, MOST_SLACK = 1.02, 1.6
"""Deadlines are the judged delays times a factor drawn between these."""
RESULTS = Path(__file__).parent / "results" / "planted.jsonl"


@dataclass(frozen=True, slots=True)
class Planted:
    """A problem and the layout that it was written around; the check accepts that."""

    problem: Problem
    hidden: Layout
    hidden_money: int


class _Machine:
    """One machine being drawn; ``data`` is the problem as its file has it."""

    def __init__(self, devices: int, seed: int):
        self.rng = random.Random(f"planted {devices} {seed}")
        self.count = devices
        self.name = f"planted-{devices}-{seed}"
        self.switches = max(2, round(devices / PER_SWITCH))
        self.data: dict[str, Any] = {
            "format": 1,
            "name": self.name,
            "note": "Invented machine, traffic and prices.",
            "routing": {"metric": "rectilinear", "factor": 1.05},
            "line": {
                "switch_position": self.rng.choice(["end", "anywhere"]),
                "drop_slack_m": 0.05,
                "end_slack_m": 0.1,
            },
            "plca": {"logical_collision": self.rng.random() < 0.5},
        }
        self.segments: list[dict[str, Any]] = []
        self._place()
        self._hang()
        self._talk()
        self._fit_options()
        self._group()

    # -- the machine --------------------------------------------------------------------------

    def _place(self) -> None:
        rng = self.rng
        places = max(4, math.ceil(self.count / 5))
        at = [(round(k * STEP_M, 2), 0.0, 1.0) for k in range(places)]
        self.data["places"] = [{"id": f"p{k}", "position_m": list(p)} for k, p in enumerate(at)]
        self.data["pathways"] = [
            {"id": f"duct-{k}", "from": f"p{k}", "to": f"p{k + 1}"} for k in range(places - 1)
        ]
        for k in range(places):
            for side, y in (("port", 1.2), ("star", -1.2)):
                here = f"p{k}-{side}"
                self.data["places"].append({"id": here, "position_m": [at[k][0], y, 1.2]})
                self.data["pathways"].append(
                    {"id": f"side-{k}-{side}", "from": f"p{k}", "to": here}
                )
        spots = [round((s + 0.5) * places / self.switches - 0.5) for s in range(self.switches)]
        self.spots = [min(places - 1, max(0, s)) for s in spots]
        self.data["switches"] = [
            {
                "id": f"zone-{s}",
                "place": f"p{spot}",
                "zone": f"zone-{s}",
                "forwarding_delay_us": 6,
                "ports": [],
            }
            for s, spot in enumerate(self.spots)
        ]
        shape = rng.choice(["fixed", "tree", "ring"] if self.switches > 2 else ["fixed", "tree"])
        pairs = [(s, s + 1) for s in range(self.switches - 1)]
        if shape == "ring":
            pairs.append((0, self.switches - 1))
        self.chain = list(pairs)
        if shape == "tree":
            pairs += [(s, s + 2) for s in range(self.switches - 2)]
        self.data["backbone"] = {
            "shape": shape,
            "links": [
                {"between": [f"zone-{a}", f"zone-{b}"], "grades": ["1000BASE-T1"], "length_m": 5}
                for a, b in pairs
            ],
        }
        self.devices: list[dict[str, Any]] = []
        for i in range(self.count):
            k = rng.randrange(places)
            side = rng.choice(["", "-port", "-star"])
            x, y, z = at[k]
            y += {"": 0.0, "-port": 1.2, "-star": -1.2}[side]
            self.devices.append(
                {
                    "id": f"dev-{i:03d}",
                    "position_m": [
                        round(x + rng.uniform(-0.5, 0.5), 2), round(y + rng.uniform(-0.2, 0.2), 2),
                        round(z + rng.uniform(-0.3, 0.3), 2),
                    ],
                    "grades": [LINE] if rng.random() < 0.85 else [LINK],
                    "mass_g": 20,
                }
            )
        self.data["devices"] = self.devices

    def _nearest(self, device: dict[str, Any]) -> int:
        x = device["position_m"][0]
        near = sorted(range(self.switches), key=lambda s: abs(self.spots[s] * STEP_M - x))
        return near[0] if self.rng.random() < 0.85 else near[min(1, len(near) - 1)]

    def _hang(self) -> None:
        """Hang devices on lines of three to seven near ones, and on links."""
        rng = self.rng
        by_switch: dict[int, list[dict[str, Any]]] = defaultdict(list)
        for device in self.devices:
            by_switch[self._nearest(device)].append(device)
        for s in range(self.switches):
            slow = [d for d in by_switch[s] if d["grades"] == [LINE]]
            for d in by_switch[s]:
                if d["grades"] == [LINK]:
                    self._segment(s, LINK, [d["id"]])
            while slow:
                size = rng.randint(3, 7)
                seed = rng.choice(slow)
                slow.sort(key=lambda d: _distance(d, seed))
                picked, slow = slow[:size], slow[size:]
                switch_x = self.spots[s] * STEP_M
                picked.sort(key=lambda d: (abs(d["position_m"][0] - switch_x), d["position_m"][1]))
                self._segment(s, LINE, [d["id"] for d in picked])
        self.home = {d: g for g in self.segments for d in g["devices"]}

    def _segment(self, switch: int, grade: str, devices: list[str]) -> None:
        self.segments.append(
            {
                "id": f"{'line' if grade == LINE else 'link'}-{len(self.segments) + 1:02d}",
                "switch": f"zone-{switch}",
                "grade": grade,
                "devices": devices,
                "switch_index": 0,
            }
        )

    def _talk(self) -> None:
        """Each device tells a switch, a neighbour or the machine's computer something."""
        rng = self.rng
        ids = [d["id"] for d in self.devices]
        fast = [d["id"] for d in self.devices if d["grades"] == [LINK]]
        hubs = fast[:1] or [f"zone-{self.switches // 2}"]
        streams = []
        for i, id_ in enumerate(ids):
            to = rng.choice([hubs[0], f"zone-{rng.randrange(self.switches)}", rng.choice(ids)])
            if to == id_:
                to = "zone-0"
            streams.append(self._stream(f"s{i:03d}", id_, [to]))
            if rng.random() < 0.5 and id_ != hubs[0]:
                streams.append(self._stream(f"t{i:03d}", hubs[0], [id_]))
        self.data["streams"] = streams

    def _stream(self, id_: str, source: str, to: list[str]) -> dict[str, Any]:
        rng = self.rng
        return {
            "id": id_,
            "from": source,
            "to": to,
            "payload_bytes": rng.choice([8, 24, 46, 64, 120, 200]),
            "period_us": rng.choice([5_000, 10_000, 20_000, 50_000, 100_000]),
            "jitter_us": rng.choice([0, 0, 200]),
            "deadline_us": 10_000_000,
            "pcp": rng.randrange(8),
        }

    # -- rules that the hidden layout keeps ---------------------------------------------------

    def _fit_options(self) -> None:
        rng = self.rng
        self.data["options"] = [
            {"id": "comfort", "take_rate": 0.4}, {"id": "towing", "take_rate": 0.2}
        ]
        for device in self.devices:
            if rng.random() < 0.15:
                device["option"] = rng.choice(["comfort", "towing"])

    def _group(self) -> None:
        rng = self.rng
        lines = [g for g in self.segments if g["grade"] == LINE]
        for g in lines:
            domain, level = rng.choice(["drive", "body"]), rng.choice([0, 1, 2])
            for d in self.devices:
                if d["id"] in g["devices"] and rng.random() < 0.7:
                    d["security_domain"] = domain
                    d["safety_level"] = min(2, max(0, level + rng.choice([0, 0, 1])))
        self.data["sharing"] = {"domains": [], "safety_span": 1}
        groups = []
        ids = [d["id"] for d in self.devices]
        for k in range(max(1, self.count // 15)):
            a, b = rng.sample(ids, 2)
            if self.home[a] is not self.home[b]:
                kind = (
                    "apart-switch"
                    if self.home[a]["switch"] != self.home[b]["switch"]
                    else "apart-segment"
                )
                groups.append({"id": f"apart-{k}", "kind": kind, "devices": [a, b]})
        for k, g in enumerate(rng.sample(lines, min(len(lines), max(1, self.count // 30)))):
            if len(g["devices"]) > 1:
                pair = rng.sample(g["devices"], 2)
                groups.append({"id": f"together-{k}", "kind": "together", "devices": pair})
        self.data["groups"] = groups
        for d in self.devices:
            if rng.random() < 0.08:
                d["switch"] = self.home[d["id"]]["switch"]
            if rng.random() < 0.12:
                d["function"] = rng.choice(["lamp", "brake"])

    # -- tightening ---------------------------------------------------------------------------

    def layout_data(self) -> dict[str, Any]:
        """The hidden layout as its file has it; ports of a switch in the order of its segments."""
        numbers: Counter[tuple[str, str]] = Counter()
        lines_at = Counter(g["switch"] for g in self.segments if g["grade"] == LINE)
        segments = []
        for g in self.segments:
            numbers[g["switch"], g["grade"]] += 1
            port = numbers[g["switch"], g["grade"]]
            if g["grade"] == LINK:
                port += lines_at[g["switch"]] + self.spare.get(g["switch"], 0)
            segments.append({**g, "port": port})
        built = [
            {"between": [f"zone-{a}", f"zone-{b}"], "grade": "1000BASE-T1"} for a, b in self.chain
        ]
        return {"format": 1, "backbone": built, "segments": segments}

    def tighten(self) -> Planted:
        """Write every limit so that the hidden layout just keeps it."""
        rng = self.rng
        used = Counter((g["switch"], g["grade"]) for g in self.segments)
        self.spare = {
            s["id"]: int(rng.random() < 0.2) for s in self.data["switches"]
        }
        for switch in self.data["switches"]:
            counts = {
                LINE: used[switch["id"], LINE] + self.spare[switch["id"]],
                LINK: used[switch["id"], LINK],
            }
            switch["ports"] = [
                {"grades": [g], "count": n, "price": 3} for g, n in counts.items() if n
            ] or [{"grades": [LINE], "count": 1}]
        self.data["limits"] = {
            LINE: {"basis": "engineered", "nodes": 20, "length_m": 200, "load_share": 1},
            LINK: {"basis": "engineered", "length_m": 200, "load_share": 1},
        }
        problem, layout = self._read()
        seen = assess(problem, layout)
        assert not seen.findings, [f.sentence for f in seen.findings]
        for grade in (LINE, LINK):
            rows = [f for f in seen.segments if f.segment.grade == grade]
            if rows:
                limit = self.data["limits"][grade]
                limit["length_m"] = math.ceil(max(f.length_um for f in rows) / 10_000) / 100
                limit["load_share"] = min(
                    1, math.ceil(max(f.load_share_ppm for f in rows) / 10_000 + 1) / 100
                )
                if grade == LINE:
                    limit["nodes"] = max(f.nodes for f in rows)
        self._cap_ducts(problem, layout)
        worst: dict[str, int] = defaultdict(int)
        for f in seen.streams:
            worst[f.stream] = max(worst[f.stream], f.bound_ns or 0)
        for stream in self.data["streams"]:
            factor = rng.uniform(LEAST_SLACK, MOST_SLACK)
            stream["deadline_us"] = math.ceil(worst[stream["id"]] * factor / 1_000)
        self._allow_losses()
        problem, layout = self._read()
        with tempfile.TemporaryDirectory() as folder:
            accepted = judge(*self._write(Path(folder)))
        assert not accepted.assessment.findings, [
            f.sentence for f in accepted.assessment.findings
        ]
        return Planted(problem, layout, accepted.assessment.cost.objective_money)

    def _cap_ducts(self, problem: Problem, layout: Layout) -> None:
        """Let through each duct just the cables that run there, in most of the busy ones."""
        network = CableNetwork(problem)
        through: Counter[str] = Counter()
        for segment in layout.segments:
            stops = [segment.switch, *segment.devices]
            ducts = {
                p for a, b in pairwise(stops) for p in network.pathways_on(a, b)
            }
            through.update(ducts)
        links = Counter(p for link in layout.backbone for p in network.pathways_on(*link.ends))
        for duct in self.data["pathways"]:
            if through[duct["id"]] > 1 and self.rng.random() < 0.4:
                duct["max_cables"] = through[duct["id"]] + links[duct["id"]]

    def _allow_losses(self) -> None:
        """Failure rules that allow just what the hidden layout loses at worst, in any build."""
        names = sorted({d["function"] for d in self.devices if "function" in d})
        if not names:
            return

        def is_kept(most: int) -> bool:
            self.data["failure_rules"] = [
                {"id": f"keep-{n}", "function": n, "most_lost": most} for n in names
            ]
            with tempfile.TemporaryDirectory() as folder:
                found = judge(*self._write(Path(folder))).assessment.findings
            return not any(f.rule == "failure" for f in found)

        most = 1 + bisect_left(range(1, self.count), True, key=is_kept)
        self.data["failure_rules"] = [
            {"id": f"keep-{n}", "function": n, "most_lost": most} for n in names
        ]

    def _write(self, folder: Path) -> tuple[Path, Path]:
        problem, layout = folder / "problem.yaml", folder / "layout.yaml"
        problem.write_text(json.dumps(self.data), encoding="utf-8")
        layout.write_text(json.dumps(self.layout_data()), encoding="utf-8")
        return problem, layout

    def _read(self) -> tuple[Problem, Layout]:
        with tempfile.TemporaryDirectory() as folder:
            problem_path, layout_path = self._write(Path(folder))
            problem = read_problem(problem_path)
            layout, findings = layout_from_text(
                layout_path.read_text(encoding="utf-8"), "layout.yaml", problem
            )
        assert layout is not None, findings
        return problem, layout


def _distance(a: dict[str, Any], b: dict[str, Any]) -> float:
    return sum(abs(p - q) for p, q in zip(a["position_m"], b["position_m"], strict=True))


def planted(devices: int, seed: int) -> Planted:
    """Draw a machine with a hidden layout that its rules just allow; the same for each seed."""
    return _Machine(devices, seed).tighten()


def measure(devices: int, seed: int, seconds: float, workers: int = 2) -> dict[str, Any]:
    """Plan one planted problem and tell how it went."""
    made = planted(devices, seed)
    row: dict[str, Any] = {"devices": devices, "seed": seed, "limit_s": seconds}
    first: list[float] = []

    def on_progress(sample: Any, word: str) -> None:
        if sample.cost_money is not None and not first:
            first.append(sample.seconds)

    begun = time.monotonic()
    try:
        outcome = plan_layout(
            made.problem,
            PlanSettings(time_limit_s=seconds, seed=seed, workers=workers),
            on_progress=on_progress,
        )
    except NoLayout as error:
        return row | {
            "end": "no layout",
            "seconds": round(time.monotonic() - begun, 1),
            "why": [c.sentence for c in error.conflicts],
        }
    except NoAnswer as error:
        return row | {
            "end": "no answer", "seconds": round(time.monotonic() - begun, 1), "why": [str(error)]
        }
    refused = [f.sentence for f in assess(made.problem, outcome.layout).findings]
    return row | {
        "end": "refused" if refused else outcome.status.value,
        "first_s": round(first[0], 2) if first else None,
        "seconds": round(time.monotonic() - begun, 1),
        "cost_ratio": round(outcome.cost_money / made.hidden_money, 5),
        "gap": round(outcome.gap, 5),
        "why": refused,
    }


def main() -> None:
    """Measure what was asked for, a row each, and sum up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, nargs="*", default=[20, 40, 60])
    parser.add_argument("--seeds", default="0:20", help="from:to")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="append the rows to the results")
    asked = parser.parse_args()
    low, high = (int(x) for x in asked.seeds.split(":"))
    for devices in asked.devices:
        rows = []
        for seed in range(low, high):
            row = measure(devices, seed, asked.seconds, asked.workers)
            rows.append(row)
            print(json.dumps(row), flush=True)
            if asked.write:
                with RESULTS.open("a", encoding="utf-8") as out:
                    out.write(json.dumps(row) + "\n")
        found = [r for r in rows if "cost_ratio" in r]
        ratios = [r["cost_ratio"] for r in found]
        print(
            f"{devices} devices, {asked.seconds:g} s: {len(found)} of {len(rows)} have a layout; "
            f"cost over the hidden one: median {statistics.median(ratios) if ratios else None}, "
            f"most {max(ratios, default=None)}; 'no layout': "
            f"{sum(r['end'] == 'no layout' for r in rows)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
