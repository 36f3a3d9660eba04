"""What the script of the page knows of a layout: its things, what they are and how they belong.

The page is complete without it. The script lights up what belongs together, finds things by name
and shows what one build carries; all figures it tells stand in the tables as well.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from partitioner.model.assessment import Assessment, LegKind, SegmentFigures, StreamFigures
from partitioner.model.catalogue import Medium
from partitioner.model.problem import Problem
from partitioner.report.amounts import count_text, length_text
from partitioner.visible import visible

Things = dict[str, dict[str, Any]]


def things_of(problem: Problem, assessment: Assessment) -> dict[str, Any]:
    """Collect the things of a layout by kind and name, as plain data.

    Parameters
    ----------
    problem, assessment
        The problem and what follows from the layout.

    Returns
    -------
    dict
        For each of ``device``, ``segment``, ``stream``, ``switch``, ``pathway``, ``backbone`` and
        ``option`` the things by name. Each has ``words`` for people, but devices and streams:
        there are thousands, and the script makes their sentence itself. The other keys name what
        belongs to it; the ``ways`` of a stream are the switches that it crosses. ``left`` is the
        least share that is left of its limits (of its deadline), negative beyond them. ``builds``
        lists name and options of the builds one may look at.
    """
    segments = {f.segment.id: _segment(problem, f) for f in assessment.segments}
    backbone = {}
    for link in assessment.layout.backbone:
        backbone["-".join(link.ends)] = {
            "words": f"backbone link, {link.grade}", "switches": list(link.ends)
        }  # fmt: skip
    return {
        "device": _devices(problem, assessment),
        "segment": segments,
        "stream": _streams(problem, assessment),
        "switch": _switches(problem, assessment),
        "pathway": _pathways(problem, assessment),
        "backbone": backbone,
        "option": {
            o.id: {"words": f"option {visible(o.name)}" if o.name else "option"}
            for o in problem.options.values()
        },
        "builds": _builds(problem),
    }


def _segment(problem: Problem, figures: SegmentFigures) -> dict[str, Any]:
    segment = figures.segment
    is_line = problem.catalogue.grades[segment.grade].medium is Medium.MIXING
    used = [
        (figures.nodes, figures.nodes_limit),
        (figures.length_um, figures.length_limit_um),
        (figures.load_share_ppm, figures.load_limit_ppm),
    ]
    return {
        "words": f"{'line' if is_line else 'link'} at {segment.switch} port {segment.port}, "
        f"{count_text(len(segment.devices), 'device')}, {length_text(figures.length_um)}",
        "switch": segment.switch,
        "grade": segment.grade,
        "devices": list(segment.devices),
        "at": segment.switch_index,
        "left": round(min((1 - own / limit for own, limit in used if limit), default=1.0), 6),
    }


def _devices(problem: Problem, assessment: Assessment) -> Things:
    home = assessment.layout.segment_of()
    found: Things = {}
    for device in problem.devices.values():
        segment = home.get(device.id)
        found[device.id] = {}
        if segment:
            found[device.id]["segment"] = segment.id
        if device.option:
            found[device.id]["option"] = device.option
    return found


def _streams(problem: Problem, assessment: Assessment) -> Things:
    found: Things = {}
    for figures in assessment.streams:
        stream = problem.streams[figures.stream]
        switches = [leg.where for leg in figures.legs if leg.kind is LegKind.SWITCH]
        between = (LegKind.SWITCH, LegKind.BACKBONE)
        left = _share_left(figures)
        own = found.setdefault(
            figures.stream,
            {"source": stream.source, "to": [], "segments": [], "ways": [], "left": left},
        )
        own["to"].append(figures.destination)
        own["segments"] += [leg.where for leg in figures.legs if leg.kind not in between]
        if switches not in own["ways"]:
            own["ways"].append(switches)
        own["left"] = min(own["left"], left)
    for own in found.values():
        own["segments"] = list(dict.fromkeys(own["segments"]))
    return found


def _share_left(figures: StreamFigures) -> float:
    """Share of the deadline that is left; on overload as if all of it were missed."""
    margin = figures.margin_ns
    return -1.0 if margin is None else round(margin / figures.deadline_ns, 6)


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


def _pathways(problem: Problem, assessment: Assessment) -> Things:
    between: dict[frozenset[str], list[str]] = {}
    for pathway in problem.pathways:
        between.setdefault(frozenset(pathway.ends), []).append(pathway.id)
    through: dict[str, list[str]] = {}
    for figures in assessment.segments:
        ends = dict.fromkeys(frozenset(pair) for pair in pairwise(figures.route))
        for pathway_id in (p for pair in ends for p in between.get(pair, ())):
            through.setdefault(pathway_id, []).append(figures.segment.id)
    found: Things = {}
    for pathway in problem.pathways:
        own = through.get(pathway.id, [])
        most = "" if pathway.max_cables is None else f" of at most {pathway.max_cables}"
        found[pathway.id] = {
            "words": f"pathway from {pathway.ends[0]} to {pathway.ends[1]}, "
            f"{count_text(len(own), 'segment')}{most}",
            "segments": own,
        }
    return found


def _builds(problem: Problem) -> list[list[Any]]:
    """Name and options of the builds one may look at: stated ones, or each option alone."""
    options = list(problem.options)
    if not options:
        return []
    stated = [[b.id, sorted(b.options)] for b in problem.builds]
    return stated or [["without options", []], *([f"{o} alone", [o]] for o in options)]
