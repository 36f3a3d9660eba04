"""What frames wait on the backbone while ports are chosen, counted one by one."""

from __future__ import annotations

from itertools import pairwise

from partitioner.solve.compact_ports import PortModel
from partitioner.solve.compact_waits import BackboneWaits
from partitioner.solve.direct_run import DirectRun
from partitioner.solve.planner import PlanSettings
from tests.bench.planted import planted


def _links() -> tuple[DirectRun, BackboneWaits]:
    run = DirectRun(planted(60, 1).problem, PlanSettings(work_limit=40))
    built = run.backbone.quick_backbones()[0]
    return run, BackboneWaits(PortModel(run.builder, run.backbone, built, 3, {}))


def test_waits_are_those_behind_all_other_frames_that_cross() -> None:
    run, links = _links()
    streams = run.instance.streams
    crossing = {link: frames for link, (_, frames) in links.crossing.items()}
    assert any(len({streams[j].pcp for j in frames}) > 2 for frames in crossing.values())
    for j, stream in list(enumerate(streams))[::9]:
        for (start, end), way in links.ways.items():
            wait = 0
            for link in pairwise(way):
                others = [
                    (streams[m].pcp, ns) for m, ns in crossing.get(link, {}).items() if m != j
                ]
                wait += sum(ns for pcp, ns in others if pcp >= stream.pcp)
                wait += max((ns for pcp, ns in others if pcp < stream.pcp), default=0)
            bare = run.backbone.hop_function(j, links.built)(start, end)
            assert links.hop_ns(j, start, end) == bare + wait


def test_waits_that_were_found_are_those_that_count() -> None:
    run, first = _links()
    link, (waits, frames) = next(
        (link, found) for link, found in first.crossing.items() if len(found[1]) > 2
    )
    j = max(frames, key=lambda m: run.instance.streams[m].pcp)
    pcp = run.instance.streams[j].pcp
    longer = waits[pcp] + 1_000_000
    _, again = _links()
    before = again.hop_ns(j, *link)
    again.take({link: {pcp: longer}})
    assert again.hop_ns(j, *link) == before + 1_000_000
    # Who is less urgent waits no less.
    assert all(ns >= longer for ns in again.crossing[link][0][: pcp + 1])
    others = [other for other in first.crossing if other != link]
    assert all(again.crossing[other] == first.crossing[other] for other in others)
