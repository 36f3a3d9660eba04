"""A layout as one build carries it: fitted devices, lines up to the last of them, their streams.

The switch hardware, the PLCA IDs and the node counts stay those of the whole layout, and so does
the cable from the switch to the last fitted device of an arm, drops of absent devices included.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TypeVar

from partitioner.check.facts import Facts
from partitioner.check.geometry import Piece, SegmentGeometry
from partitioner.check.laid import LaidSegment
from partitioner.model.problem import Build, LineRules, Problem, Stream, Transfer
from partitioner.units import PPM

MOST_KEPT = 32
"""Builds whose facts are kept with those of the layout, so that check and report share them."""

Carried = TypeVar("Carried", Stream, Transfer)


def fitted_devices(problem: Problem, options: Collection[str]) -> frozenset[str]:
    """Devices of a unit with these options: those without an option, and those of ``options``."""
    return frozenset(
        d.id for d in problem.devices.values() if d.option is None or d.option in options
    )


def priced_for(problem: Problem, options: Collection[str]) -> Problem:
    """The problem as if every unit were built with these options: shares are all or nothing."""
    return replace(problem, builds=(Build("one", frozenset(options), PPM),))


def build_problem(problem: Problem, options: Collection[str]) -> Problem:
    """What is left of a problem in a unit with these options.

    Absent devices are gone from the groups, and so is all that they send; a stream to several
    devices goes to the fitted ones. Where on a line option devices may sit is a rule about the
    whole layout and does not come up again.
    """
    fitted = fitted_devices(problem, options)
    there = fitted | problem.switches.keys()
    line: LineRules = replace(problem.line, option_tail=False)
    return replace(
        priced_for(problem, options),
        devices={id_: d for id_, d in problem.devices.items() if id_ in fitted},
        groups=tuple(
            replace(g, devices=tuple(d for d in g.devices if d in fitted)) for g in problem.groups
        ),
        streams=_between(problem.streams, there),
        transfers=_between(problem.transfers, there),
        line=line,
        forecast=(),
    )


def _between(carried: dict[str, Carried], there: Collection[str]) -> dict[str, Carried]:
    kept: dict[str, Carried] = {}
    for id_, one in carried.items():
        ends = tuple(d for d in one.destinations if d in there)
        if one.source in there and ends:
            kept[id_] = replace(one, destinations=ends)
    return kept


def built_segment(laid: LaidSegment, fitted: Collection[str]) -> LaidSegment | None:
    """A segment built up to the last fitted device of each arm; None if it carries none.

    IDs and node count stay, so an absent device is a silent transmit opportunity. The cable keeps
    its way; the slack of its end moves to the last fitted device. A line whose switch has lost the
    devices on one side ends at that switch without further slack.
    """
    segment, geometry = laid.segment, laid.geometry
    built = segment.only(fitted)
    if not built.devices:
        return None
    return replace(
        laid,
        written=built,
        segment=built,
        geometry=SegmentGeometry(
            segment.switch, _built_arm(geometry.after, fitted), _built_arm(geometry.before, fitted)
        ),
    )


def _built_arm(arm: tuple[Piece, ...], fitted: Collection[str]) -> tuple[Piece, ...]:
    last = max((k for k, piece in enumerate(arm) if piece.owner in fitted), default=-1)
    pieces = []
    for k, piece in enumerate(arm[: last + 1]):
        is_new_end = k == last and last < len(arm) - 1
        pieces.append(
            replace(
                piece,
                end_slacks=piece.end_slacks + is_new_end,
                outward=tuple(d for d in piece.outward if d in fitted),
            )
        )
    return tuple(pieces)


def build_facts(facts: Facts, options: Collection[str]) -> Facts:
    """What follows from a whole layout in a unit with these options, timing included."""
    wanted = frozenset(options)
    if wanted not in facts.builds:
        built = _build_facts(facts, wanted)
        if len(facts.builds) == MOST_KEPT:
            return built
        facts.builds[wanted] = built
    return facts.builds[wanted]


def _build_facts(facts: Facts, options: frozenset[str]) -> Facts:
    problem = build_problem(facts.problem, options)
    laid = tuple(
        built for one in facts.laid if (built := built_segment(one, problem.devices)) is not None
    )
    return replace(facts.with_laid(laid), problem=problem).timed()
