"""How fast the report page of a large layout opens and answers, in headless Chromium.

    python -m tests.bench.page --devices 1000 --lines 150 --folder DIR

The layout is made, not planned: devices in rows along aisles, cut into lines in their order. The
report is that of ``partitioner report``. Figures go to stdout as JSON.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

from partitioner.application.reading import read_problem
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.reading.layout_file import layout_text
from tests.browser import chromium

AISLES = 12
PITCH_M = 0.9


def problem_text(devices: int, lines: int, switches: int, seed: int) -> str:
    """Text of an invented hall: aisles of places, devices along them, switches between."""
    rng = random.Random(seed)
    columns = -(-devices // AISLES)
    ports = -(-lines // switches)
    text = ["format: 1", "name: large-hall", "currency: EUR", "note: Invented, to be looked at."]
    text += ["routing: {metric: rectilinear}", "places:"]
    for aisle in range(AISLES):
        for column in range(columns):
            height = rng.choice((0, 0, 0, 2.5))
            text.append(
                f"  - {{id: p{aisle}-{column}, position_m: "
                f"[{column * PITCH_M:.2f}, {aisle * 4.0}, {height}]}}"
            )
    text.append("pathways:")
    for aisle in range(AISLES):
        text += [
            f"  - {{id: w{aisle}-{c}, from: p{aisle}-{c}, to: p{aisle}-{c + 1}}}"
            for c in range(columns - 1)
        ]
    text += [
        f"  - {{id: x{a}-{c}, from: p{a}-{c}, to: p{a + 1}-{c}}}"
        for a in range(AISLES - 1)
        for c in range(0, columns, 6)
    ]
    text.append("switches:")
    for s in range(switches):
        aisle, column = _switch_place(s, switches, columns)
        text.append(
            f"  - {{id: zone-{s + 1:02d}, zone: hall-{s % 4 + 1}, place: p{aisle}-{column}, "
            f"price: 60, mass_g: 300, forwarding_delay_us: 5, "
            f"ports: [{{grades: [10BASE-T1S-multidrop], count: {ports}}}]}}"
        )
    links = ", ".join(
        f"{{between: [zone-{s + 1:02d}, zone-{s + 2:02d}], grades: [1000BASE-T1]}}"
        for s in range(switches - 1)
    )
    text += ["backbone:", "  shape: fixed", f"  links: [{links}]", "devices:"]
    for n in range(devices):
        option = ", option: winter" if n % 17 == 5 else ""
        text.append(
            f"  - {{id: node-{n:04d}, place: p{n // columns}-{n % columns}, "
            f"grades: [10BASE-T1S-multidrop]{option}}}"
        )
    text.append("streams:")
    text += [
        f"  - {{id: s{n:04d}, from: node-{n:04d}, to: [zone-01], payload_bytes: 16, "
        "period_us: 50000, deadline_us: 50000, pcp: 3}"
        for n in range(devices)
    ]
    text += [
        "limits:",
        "  10BASE-T1S-multidrop: {basis: engineered, nodes: 12, length_m: 120}",
        "options: [{id: winter, take_rate: 0.3, name: Winter kit}]",
        "",
    ]
    return "\n".join(text)


def _switch_place(number: int, switches: int, columns: int) -> tuple[int, int]:
    return number * AISLES // switches, (number * 7 % columns)


def write_layout(folder: Path, devices: int, lines: int, switches: int, seed: int) -> Path:
    """Write problem and layout; lines are runs of devices, each at the switch of its run."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "problem.yaml"
    path.write_text(problem_text(devices, lines, switches, seed), encoding="utf-8")
    problem = read_problem(path)
    ids = list(problem.devices)
    cuts = [round(k * devices / lines) for k in range(lines + 1)]
    names = list(problem.switches)
    used = dict.fromkeys(names, 0)
    segments = []
    for k in range(lines):
        switch = names[min(k * switches // lines, switches - 1)]
        used[switch] += 1
        own = tuple(ids[cuts[k] : cuts[k + 1]])
        segments.append(
            Segment(
                f"line-{k + 1:03d}", switch, used[switch], "10BASE-T1S-multidrop", own,
                plca_ids=tuple(range(1, len(own) + 1)), node_count=len(own) + 1,
            )
        )  # fmt: skip
    links = tuple(
        BuiltLink((a, b), "1000BASE-T1") for a, b in pairwise(names)
    )
    layout = Layout(problem.name, problem.digest, tuple(names), links, tuple(segments))
    place = folder / "layout.yaml"
    place.write_text(layout_text(layout, problem), encoding="utf-8")
    return place


ANSWER = """
const [selector, done] = arguments;
const marks = [...document.querySelectorAll(selector)].filter((mark) => {
  const box = mark.getBoundingClientRect();
  return box.width && box.top > 0 && box.bottom < innerHeight;
});
const times = [];
const run = (k) => {
  if (k === 30 || !marks.length) { done(times); return; }
  const mark = marks[Math.floor((k * marks.length) / 30)];
  const began = performance.now();
  (mark.querySelector("circle, path, text, rect") ?? mark)
    .dispatchEvent(new PointerEvent("pointerover", { bubbles: true, pointerType: "mouse" }));
  requestAnimationFrame(() => {
    const channel = new MessageChannel();
    // After the frame: script, style, layout and paint are done.
    channel.port1.onmessage = () => { times.push(performance.now() - began); setTimeout(run, 20, k + 1); };
    channel.port2.postMessage(0);
  });
};
run(0);
"""  # noqa: E501


def measure(page: Path) -> dict[str, object]:
    """Open the page and point at things in what is looked at first."""
    found: dict[str, object] = {"megabytes": round(page.stat().st_size / 1e6, 2)}
    with chromium() as browser:
        browser.set_script_timeout(120)
        opened = []
        for _ in range(3):
            browser.get("about:blank")
            began = time.perf_counter()
            browser.get(page.as_uri())
            opened.append(time.perf_counter() - began)
        found["opens_s"] = round(statistics.median(opened), 2)
        timing = "return performance.getEntriesByType('navigation')[0].toJSON()"
        entry = browser.execute_script(timing)
        found["load_event_s"] = round(entry["loadEventEnd"] / 1000, 2)
        for name, place, selector in (
            ("device_in_drawing", "#layout-top", "#layout-top [data-device]"),
            ("line_in_drawing", "#layout-top", "#layout-top .cables > [data-segment]"),
            ("switch_in_drawing", "#layout-top", "#layout-top .switches > [data-switch]"),
            ("row_of_segments", "#table-segments", "#table-segments tbody th"),
        ):
            script = "document.querySelector(arguments[0]).scrollIntoView({block: 'center'})"
            browser.execute_script(script, place)
            if name == "device_in_drawing":
                browser.execute_script(
                    "document.querySelector('#layout-top').dataset.level = 'devices'"
                )
            time.sleep(0.5)
            times = browser.execute_async_script(ANSWER, selector)
            found[name] = {
                "median_ms": round(statistics.median(times), 1),
                "most_ms": round(max(times), 1),
                "counted": len(times),
            }
    return found


def main() -> None:
    """Make the layout and its report where they are missing, and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=1000)
    parser.add_argument("--lines", type=int, default=150)
    parser.add_argument("--switches", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--again", action="store_true", help="measure the page that is there")
    asked = parser.parse_args()
    folder = asked.folder
    if asked.again:
        print(json.dumps(measure(folder / "report" / "report.html"), indent=1))
        return
    layout = write_layout(folder, asked.devices, asked.lines, asked.switches, asked.seed)
    report = folder / "report"
    command = [sys.executable, "-m", "partitioner", "report", folder / "problem.yaml", layout]
    began = time.perf_counter()
    # A layout that breaks a rule is drawn all the same; the command then says so by its code.
    subprocess.run([*map(str, command), "-o", str(report), "--force"], stdout=subprocess.DEVNULL)
    written = time.perf_counter() - began
    found = {"written_s": round(written, 1), **measure(report / "report.html")}
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
