"""A trade-off on disk: one file for programs and for going on later, one layout file a point."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from partitioner.errors import Finding, WrongFile
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.reading.files import Folders, Unreadable, as_json, as_text, read_bytes
from partitioner.reading.kinds import got
from partitioner.reading.layout_file import layout_from_text, layout_text
from partitioner.tradeoff.axes import AXES, Axis
from partitioner.tradeoff.front import Point, Step
from partitioner.tradeoff.search import TradeOff, begin
from partitioner.units import MONEY_STEPS
from partitioner.visible import json_file

STATE = "tradeoff.json"
"""File that a trade-off is read back from."""
FORMAT = 1
_LARGEST = 2**62
"""No cost and no value of an axis comes near."""


def point_file(number: int) -> str:
    """Name of the layout file of a point, counted from 1."""
    return f"point-{number:02d}.yaml"


def further_file(number: int) -> str:
    """Name of the layout file of a layout that missed the gap asked for, counted from 1."""
    return f"further-{number:02d}.yaml"


def named_points(state: TradeOff) -> list[tuple[str, int, Point]]:
    """Points with file name and number: those within the gap asked for, then the others.

    The numbers go on from the ones to the others, so that each is given once.
    """
    front, goal = state.front, state.goal
    good = [(point_file(n), n, p) for n, p in enumerate(front.within(goal), start=1)]
    further = enumerate(front.beyond(goal), start=len(good) + 1)
    return good + [(further_file(n), n, p) for n, p in further]


def state_files(problem: Problem, state: TradeOff) -> dict[str, str]:
    """Files that hold a trade-off: state, a layout a point."""
    files = {name: layout_text(p.layout, problem) for name, _, p in named_points(state)}
    files[STATE] = json_file(state_data(problem, state))
    return files


def state_data(problem: Problem, state: TradeOff) -> dict[str, Any]:
    """The front as data, and the steps that a later call goes on from."""
    front = state.front
    rows, good = point_rows(state), len(front.within(state.goal))
    file_of = {id(p.layout): name for name, _, p in named_points(state)}
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
                "stream": step.stream if name else "",
            }
        )
    return {
        "format": FORMAT,
        "problem": {"name": problem.name, "digest": problem.digest, "currency": problem.currency},
        "axis": state.axis.id,
        "is_exact": front.is_exact,
        "is_finished": state.is_finished,
        "ended_by": state.ended_by,
        "floor": state.axis.shown(front.floor),
        "gap_goal": state.goal,
        "points": rows[:good],
        "further": rows[good:],
        "steps": steps,
        "tried": state.tried,
    }


def point_rows(state: TradeOff) -> list[dict[str, Any]]:
    """Every point as data, those within the gap asked for first."""
    return [
        {
            "point": number,
            "cost": point.cost_money / MONEY_STEPS,
            "value": state.axis.shown(point.value),
            "unit": state.axis.unit,
            "bound": point.bound_money / MONEY_STEPS,
            "gap_share": round(point.gap, 6),
            "proved": point.is_proved,
            "layout": name,
            "stream": point.stream,
        }
        for name, number, point in named_points(state)
    ]


def other_axis(folder: Path, problem: Problem, axis: Axis) -> str | None:
    """Give the axis that a folder holds a trade-off of this problem against, if it is another."""
    try:
        data = as_json(read_bytes(folder / STATE))
        is_same = data["problem"]["digest"] == problem.digest
        return str(data["axis"]) if is_same and AXES.get(data["axis"]) is not axis else None
    except (Unreadable, KeyError, TypeError):
        return None


def read_state(folder: Path, problem: Problem, axis: Axis) -> TradeOff | None:
    """Read back a trade-off of this problem and axis; nothing if the folder holds none.

    A state of another problem, another axis or another format is not gone on from.

    Raises
    ------
    WrongFile
        If a file of the state was changed so that it cannot be understood.
    """
    path = folder / STATE
    if not path.exists():
        return None

    def wrong(told: str, hint: str = "") -> WrongFile:
        return WrongFile([Finding(str(path), 0, 0, "unreadable-file", "", told, hint)])

    try:
        data = as_json(read_bytes(path))
        same = data["format"] == FORMAT and data["problem"]["digest"] == problem.digest
        if not same or AXES.get(data["axis"]) is not axis:
            return None
        state = begin(problem, axis)
        layouts = {
            name: _layout(folder, name, problem)
            for name in dict.fromkeys(s["layout"] for s in data["steps"] if s["layout"])
        }
        state.steps = [
            Step(
                _whole(s["limit"]),
                _whole(s["bound_money"]),
                layouts.get(s["layout"]),
                _whole(s["cost_money"]),
                _whole(s["value"]),
                _stream(s.get("stream", ""), problem),
            )
            for s in data["steps"]
        ]
        state.tried = [t for t in map(_whole, data["tried"]) if t is not None]
    except Unreadable as error:
        told = f"expected the state of a trade-off: {error.message}"
        raise wrong(told, error.hint) from error
    except (KeyError, TypeError, AttributeError) as error:
        raise wrong("expected the state of a trade-off", str(error)) from error
    return state


def _whole(value: Any) -> int | None:
    if value is None or (type(value) is int and abs(value) < _LARGEST):
        return value
    raise TypeError(f"expected a whole number, got {got(value)}")


def _stream(name: Any, problem: Problem) -> str:
    """A stream of the problem; else, as in states that tell none, nothing."""
    return name if isinstance(name, str) and name in problem.streams else ""


def _layout(folder: Path, name: Any, problem: Problem) -> Layout:
    """Read the layout of a point, a file beside the state."""
    if not isinstance(name, str):
        raise TypeError(f"expected the name of a layout file, got {got(name)}")
    path, content = Folders(folder).read(name)
    layout, findings = layout_from_text(as_text(content), str(path), problem)
    if layout is None:
        raise WrongFile(findings)
    return layout
