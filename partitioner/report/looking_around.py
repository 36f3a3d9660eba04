"""What the script of the page knows of a layout: its things, what they are and how they belong.

The page is complete without it. The script lights up what belongs together, finds things by name
and shows what one build carries; all figures it tells stand in the tables as well.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from decimal import ROUND_CEILING
from itertools import pairwise
from typing import Any

from partitioner.model.assessment import Assessment, LegKind, SegmentFigures, StreamFigures
from partitioner.model.layout import link_name
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, length_text
from partitioner.visible import visible

Things = dict[str, dict[str, Any]]


def things_of(problem: Problem, assessment: Assessment) -> dict[str, Any]:
    """Collect the things of a layout by kind and name, as plain data.

    For each of ``device``, ``segment``, ``stream``, ``switch``, ``pathway``, ``backbone`` and
    ``option`` the things by name. Each has ``words`` for people, and the other keys name what
    belongs to it; ``left`` is the least share that is left of its limits (of its deadline),
    negative beyond them. Of devices, streams and pathways there are thousands, so the script makes
    their sentence itself, and they are written without keys: a device as its option or 0; a stream
    as source, destinations, segments, the switches that its ways cross, and ``left``; a pathway as
    its two ends, the most cables or None, and its segments. Segments and switches crossed are
    numbered there as ``order`` lists them. ``builds`` lists name and options of the builds one may
    look at.
    """
    segments = {f.segment.id: _segment(problem, f) for f in assessment.segments}
    numbers = {id: number for number, id in enumerate(segments)}
    crossed = {id: number for number, id in enumerate(problem.switches)}
    backbone = {}
    for link in assessment.layout.backbone:
        backbone[link_name(*link.ends)] = {
            "words": f"backbone link, {link.grade}", "switches": list(link.ends)
        }  # fmt: skip
    return {
        "device": {device.id: device.option or 0 for device in problem.devices.values()},
        "segment": segments,
        "stream": _streams(problem, assessment, numbers, crossed),
        "switch": _switches(problem, assessment),
        "pathway": _pathways(problem, assessment, numbers),
        "backbone": backbone,
        "option": {
            o.id: {"words": f"option {visible(o.name)}" if o.name else "option"}
            for o in problem.options.values()
        },
        "order": {"segment": list(numbers), "switch": list(crossed)},
        "builds": _builds(problem),
    }


def _segment(problem: Problem, figures: SegmentFigures) -> dict[str, Any]:
    segment = figures.segment
    is_line = problem.catalogue.is_line(segment.grade)
    used = [
        (figures.nodes, figures.nodes_limit),
        (figures.length_um, figures.length_limit_um),
        (figures.load_share_ppm, figures.load_limit_ppm),
    ]
    return {
        "words": f"{'line' if is_line else 'link'} at {segment.switch} port {segment.port}, "
        f"{count_text(len(segment.devices), 'device')}, "
        f"{length_text(figures.length_um, 2, ROUND_CEILING)}",
        "switch": segment.switch,
        "grade": segment.grade,
        "devices": list(segment.devices),
        "at": segment.switch_index,
        "left": round(min((1 - own / limit for own, limit in used if limit), default=1.0), 6),
    }


def _streams(
    problem: Problem,
    assessment: Assessment,
    numbers: Mapping[str, int],
    crossed: Mapping[str, int],
) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for figures in assessment.streams:
        stream = problem.streams[figures.stream]
        switches = [crossed[leg.where] for leg in figures.legs if leg.kind is LegKind.SWITCH]
        between = (LegKind.SWITCH, LegKind.BACKBONE)
        own = found.setdefault(figures.stream, [stream.source, [], [], [], 1.0])
        own[1].append(figures.destination)
        own[2] += [numbers[leg.where] for leg in figures.legs if leg.kind not in between]
        if switches not in own[3]:
            own[3].append(switches)
        own[4] = min(own[4], _share_left(figures))
    for own in found.values():
        own[2] = list(dict.fromkeys(own[2]))
    return found


def _share_left(figures: StreamFigures) -> float:
    """Share of the deadline that is left, rounded down; on overload as if all were missed."""
    margin = figures.margin_ns
    return -1.0 if margin is None else margin * 10_000 // figures.deadline_ns / 10_000


def _switches(problem: Problem, assessment: Assessment) -> Things:
    found: Things = {}
    for switch in problem.switches.values():
        used = sum(s.switch == switch.id for s in assessment.layout.segments)
        is_open = switch.id in assessment.layout.open_switches
        words = f"{used} of {switch.port_count} ports used" if is_open else "left out"
        found[switch.id] = {"words": f"switch, {words}"}
        if switch.zone:
            found[switch.id]["zone"] = switch.zone
    return found


def _pathways(
    problem: Problem, assessment: Assessment, numbers: Mapping[str, int]
) -> dict[str, list[Any]]:
    between: dict[frozenset[str], list[str]] = {}
    for pathway in problem.pathways:
        between.setdefault(frozenset(pathway.ends), []).append(pathway.id)
    links = Counter(
        p for w in assessment.wires if w.segment not in numbers for p in w.pathways
    )
    found: dict[str, list[Any]] = {
        p.id: [*p.ends, p.max_cables, links[p.id]] for p in problem.pathways
    }
    for figures in assessment.segments:
        ends = dict.fromkeys(frozenset(pair) for pair in pairwise(figures.route))
        for pathway_id in (p for pair in ends for p in between.get(pair, ())):
            found[pathway_id].append(numbers[figures.segment.id])
    return found


def _builds(problem: Problem) -> list[list[Any]]:
    """Name and options of the builds one may look at: stated ones, or each option alone."""
    options = list(problem.options)
    if not options:
        return []
    stated = [[b.id, sorted(b.options)] for b in problem.builds]
    return stated or [["without options", []], *([f"{o} alone", [o]] for o in options)]
