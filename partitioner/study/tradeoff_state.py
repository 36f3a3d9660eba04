"""A trade-off on disk: one file for programs and for going on later, one layout file a point."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from partitioner.errors import Finding, WrongFile
from partitioner.model.problem import Problem
from partitioner.reading.layout_file import layout_text, read_layout
from partitioner.report.sections import csv_text
from partitioner.study.axes import AXES, Axis
from partitioner.study.front import Step
from partitioner.study.tradeoff import TradeOff, begin
from partitioner.units import MONEY_STEPS

STATE = "tradeoff.json"
"""File that a trade-off is read back from."""
FORMAT = 1
FRONT_KEYS = ("point", "cost", "value", "unit", "bound", "gap_share", "proved", "layout")


def point_file(number: int) -> str:
    """Name of the layout file of a point, counted from 1."""
    return f"point-{number:02d}.yaml"


def state_files(problem: Problem, state: TradeOff) -> dict[str, str]:
    """Files that hold a trade-off: state, front as CSV, a layout a point."""
    front = state.front
    files = {
        point_file(n): layout_text(p.layout, problem) for n, p in enumerate(front.points, start=1)
    }
    rows = [
        (
            row["point"], row["cost"], row["value"], row["unit"], row["bound"], row["gap"],
            "yes" if row["proved"] else "no", row["layout"],
        )
        for row in _points(state)
    ]  # fmt: skip
    files["front.csv"] = csv_text(FRONT_KEYS, rows)
    files[STATE] = json.dumps(state_data(problem, state), indent=1, ensure_ascii=False) + "\n"
    return files


def state_data(problem: Problem, state: TradeOff) -> dict[str, Any]:
    """The front as data, and the steps that a later call goes on from."""
    front = state.front
    file_of = {id(p.layout): point_file(n) for n, p in enumerate(front.points, start=1)}
    steps = []
    for step in state.steps:
        name = file_of.get(id(step.layout))
        steps.append(
            {
                "limit": step.limit,
                "bound_money": step.bound_money,
                "layout": name,
                "cost_money": step.cost_money if name else None,
                "value": step.value if name else None,
            }
        )
    return {
        "format": FORMAT,
        "problem": {"name": problem.name, "digest": problem.digest, "currency": problem.currency},
        "axis": state.axis.id,
        "is_exact": front.is_exact,
        "is_finished": state.is_finished,
        "floor": state.axis.shown(front.floor),
        "points": _points(state),
        "steps": steps,
        "tried": state.tried,
    }


def _points(state: TradeOff) -> list[dict[str, Any]]:
    return [
        {
            "point": n,
            "cost": p.cost_money / MONEY_STEPS,
            "value": state.axis.shown(p.value),
            "unit": state.axis.unit,
            "bound": p.bound_money / MONEY_STEPS,
            "gap": round(p.gap, 6),
            "proved": p.is_proved,
            "layout": point_file(n),
        }
        for n, p in enumerate(state.front.points, start=1)
    ]


def read_state(folder: Path, problem: Problem, axis: Axis) -> TradeOff | None:
    """Read back a trade-off of this problem and axis; nothing if the folder holds none.

    A state of another problem, another axis or another format is not gone on from.

    Raises
    ------
    WrongFile
        If a file of the state was changed so that it cannot be understood.
    """
    path = folder / STATE
    if not path.is_file():
        return None
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        same = data["format"] == FORMAT and data["problem"]["digest"] == problem.digest
        if not same or AXES.get(data["axis"]) is not axis:
            return None
        state = begin(problem, axis)
        layouts = {
            name: read_layout(folder / name, problem)
            for name in dict.fromkeys(s["layout"] for s in data["steps"] if s["layout"])
        }
        state.steps = [
            Step(
                s["limit"],
                s["bound_money"],
                layouts.get(s["layout"]),
                s["cost_money"],
                s["value"],
            )
            for s in data["steps"]
        ]
        state.tried = [int(t) for t in data["tried"]]
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        finding = Finding(
            str(path), 0, 0, "yaml-syntax", "", "expected the state of a trade-off", str(error)
        )
        raise WrongFile([finding]) from error
    return state
