"""Small problems and studies that end in proof: the same answer every time."""

from __future__ import annotations

from pathlib import Path

from partitioner.application.sweep_case import run_case
from partitioner.studies.folder import RESULT, RUN, InMemory, Results

HALL = """\
format: 1
name: hall
note: Invented.
switches:
  - id: hub
    position_m: [0, 0, 0]
    price: 20
    ports:
      - {grades: [10BASE-T1S-multidrop, 10BASE-T1S-link], count: 4}
  - id: spare
    position_m: [5, 0, 0]
    price: 8
    required: false
    ports:
      - {grades: [10BASE-T1S-multidrop], count: 1}
backbone:
  shape: tree
  links:
    - {between: [hub, spare], grades: [100BASE-T1]}
devices_csv: devices.csv
devices:
  - {id: fan, position_m: [1, -1, 0], grades: [10BASE-T1S-multidrop], option: cooling}
streams:
  - {id: a-set, from: hub, to: [lamp-a, lamp-b], payload_bytes: 8, period_us: 10000}
  - {id: fan-now, from: fan, to: [hub], payload_bytes: 8, period_us: 10000}
groups:
  - {id: pair, kind: apart-segment, devices: [lamp-a, lamp-b]}
failure_rules:
  - {id: light, group: pair, most_lost: 1}
options:
  - {id: cooling, take_rate: 0.5}
limits:
  10BASE-T1S-multidrop: {length_m: 9}
"""
DEVICES = """\
id,x_m,y_m,grades
lamp-a,2,1,10BASE-T1S-multidrop
lamp-b,3,1,10BASE-T1S-multidrop
lamp-c,4,-1,10BASE-T1S-multidrop
"""
STUDY = """\
format: 1
name: hall study
problem: hall.yaml
work_limit: 2
vary:
  limits.10BASE-T1S-multidrop.length_m: {low: 3, high: 8, step: 1}
  switches.hub.price: [20, 25]
  lamps:
    all: {}
    no-c: {leave_out: [lamp-c]}
"""
CASES = 24


def write_study(folder: Path, text: str = STUDY, problem: str = HALL) -> Path:
    """A folder with the problem, its list and a study; gives the path of the study."""
    (folder / "hall.yaml").write_text(problem)
    (folder / "devices.csv").write_text(DEVICES)
    path = folder / "study.yaml"
    path.write_text(text)
    return path


def serially(tasks) -> Results:
    """The results of tasks worked on here, one after the other."""
    kept = InMemory()
    for task in tasks:
        kept.keep(task.key, {**run_case(task), RUN: "{}"})
    return kept


def contents(folder: Path) -> dict[str, dict[str, bytes]]:
    """Files of every result in a folder but for how it ran."""
    return {
        place.name: {f.name: f.read_bytes() for f in place.iterdir() if f.name != RUN}
        for place in folder.iterdir()
        if (place / RESULT).is_file()
    }
