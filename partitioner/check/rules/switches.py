"""Rules on open switches and the backbone between them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from partitioner.check.facts import Facts
from partitioner.check.rules.measure import FILE, Breach, Measure
from partitioner.check.rules.rule import Chapter
from partitioner.model.catalogue import Trust
from partitioner.model.layout import link_name
from partitioner.model.problem import BackboneShape, Basis, Stream, Transfer
from partitioner.network.routes import backbone_length_um, link_key, switch_ways, ways_from
from partitioner.wording import agree, count, listed, metres, percent

CHAPTER = Chapter("Switches and backbone")


@CHAPTER.rule(
    "switch-open",
    "Required switches are open, and so is every switch with segments, links or streams.",
    keys=("switches.*.required",),
)
def _switch_open(facts: Facts) -> Iterator[Breach]:
    is_open = set(facts.layout.open_switches)
    for switch in facts.problem.switches.values():
        if switch.required and switch.id not in is_open:
            yield (switch.id,), f"{switch.id} is required but not open."
    hanging = Counter(s.segment.switch for s in facts.laid)
    for id_, segments in hanging.items():
        if id_ not in is_open and not facts.problem.switches[id_].required:
            yield (
                (id_,),
                f"{count(segments, 'segment')} {agree(segments, 'hangs', 'hang')} on {id_}, which "
                f"is not open.",
            )
    for link in facts.layout.backbone:
        for end in link.ends:
            known = facts.problem.switches.get(end)
            if known is not None and end not in is_open and not known.required:
                yield (
                    (end,),
                    f"The backbone link {link_name(*link.ends)} ends at {end}, which is not open.",
                )
    for what, stream in _carried(facts):
        for end in (stream.source, *stream.destinations):
            known = facts.problem.switches.get(end)
            if known is not None and end not in is_open and not known.required:
                yield (
                    (stream.id, end),
                    f"{what} {stream.id} begins or ends at {end}, which is not open.",
                )


def _carried(facts: Facts) -> Iterator[tuple[str, Stream | Transfer]]:
    """Every stream and every bulk transfer that has to end in time."""
    for stream in facts.problem.streams.values():
        yield "Stream", stream
    for transfer in facts.problem.transfers.values():
        if transfer.longest_ns is not None:
            yield "Transfer", transfer


@CHAPTER.rule(
    "backbone-link",
    "Backbone links are built once each, among those offered, in a grade offered; those that "
    "belong in every layout are there.",
    keys=("backbone.links",),
    note="A link belongs in every layout when it is marked required or the backbone is fixed, and "
    "both its switches are open.",
)
def _backbone_link(facts: Facts) -> Iterator[Breach]:
    offered = {link_key(*link.ends): link for link in facts.problem.backbone.links}
    built = Counter(link_key(*link.ends) for link in facts.layout.backbone)
    for key, times in built.items():
        if times > 1:
            yield key, f"The backbone link {link_name(*key)} is built {times} times."
    for link in facts.layout.backbone:
        key = link_key(*link.ends)
        if any(end not in facts.problem.switches for end in key):
            continue
        name = link_name(*link.ends)
        if key not in offered:
            yield key, f"The backbone link {name} is not among the links that may be built."
        elif link.grade not in offered[key].grades and link.grade in facts.problem.catalogue.grades:
            yield (
                key,
                f"The backbone link {name} is of {link.grade}, but may be "
                f"{listed(offered[key].grades)}.",
            )
    fixed = facts.problem.backbone.shape is BackboneShape.FIXED
    is_open = set(facts.layout.open_switches)
    for key, possible in offered.items():
        if (fixed or possible.required) and key not in built and is_open.issuperset(key):
            yield (
                key,
                f"The backbone link {link_name(*possible.ends)} belongs in every layout but is not "
                f"built.",
            )


@CHAPTER.rule(
    "backbone-shape",
    "The backbone joins all open switches and is a tree or a ring, as asked for; of fewer than "
    "three switches a tree will do.",
    keys=("backbone.shape",),
    note="A fixed backbone has no shape of its own to keep; whether it joins the switches that "
    "streams need is the rule [stream-way](#stream-way).",
)
def _backbone_shape(facts: Facts) -> Iterator[Breach]:
    shape = facts.problem.backbone.shape
    if not shape.joins_all:
        return
    switches = [s for s in facts.layout.open_switches if s in facts.problem.switches]
    links = [
        key
        for key in dict.fromkeys(link_key(*link.ends) for link in facts.layout.backbone)
        if all(end in switches for end in key)
    ]
    if not switches:
        return
    reached = ways_from(switches[0], dict.fromkeys(links, 0))
    apart = [s for s in switches if s not in reached]
    if apart:
        yield (
            tuple(apart),
            f"The backbone does not join {count(len(apart), 'open switch', 'open switches')} "
            f"({listed(apart)}) to {switches[0]}.",
        )
        return
    if shape is BackboneShape.RING and len(switches) > 2:
        ends = Counter(end for key in links for end in key)
        wrong = [s for s in switches if ends[s] != 2]
        if wrong:
            yield (
                tuple(wrong),
                f"The backbone is no ring: {listed(f'{s} has {ends[s]}' for s in wrong)} of 2 "
                f"links.",
            )
    elif len(links) != len(switches) - 1:
        yield (
            tuple(switches),
            f"The backbone is no tree: {count(len(links), 'link')} join "
            f"{count(len(switches), 'switch', 'switches')}, {len(links) - len(switches) + 1} too "
            f"many.",
        )


@CHAPTER.limit(
    "backbone-reach",
    "No backbone link is longer than its grade reaches.",
    keys=("backbone.links.*.length_m", "limits.*.length_m"),
    note="The reach is the length limit of the grade where the problem states one, else the length "
    "that the grade is guaranteed for. The length is the stated one, else the shortest cable way; "
    "no slack is added.",
)
def _backbone_reach(facts: Facts) -> Iterator[Measure]:
    problem = facts.problem
    for link in facts.layout.backbone:
        known = all(end in problem.switches for end in link.ends)
        grade = problem.catalogue.grades.get(link.grade)
        if not known or grade is None:
            continue
        limits = problem.limits.get(link.grade)
        is_promised = limits is None or limits.basis is Basis.GUARANTEED
        yield Measure(
            link.ends,
            link_name(*link.ends),
            backbone_length_um(problem, facts.network, link.ends),
            problem.reach_um(link.grade),
            metres,
            "The backbone link {0}-{1} is {used} long: {over} beyond the reach of {grade}.",
            grade=link.grade,
            source=grade.source if is_promised else FILE,
            trust=grade.trust if is_promised else Trust.USER,
        )


@CHAPTER.limit(
    "backbone-load",
    "No backbone link carries more load in either direction than its share.",
    keys=("backbone.load_share",),
)
def _backbone_load(facts: Facts) -> Iterator[Measure]:
    for (a, b), load_ppm in facts.timing.link_load_ppm.items():
        yield Measure(
            (a, b),
            f"{a} to {b}",
            load_ppm,
            facts.problem.backbone.load_share_ppm,
            percent,
            "The backbone link from {0} to {1} is {used} loaded: {over} above the limit of "
            "{limit}.",
        )


@CHAPTER.rule(
    "stream-way",
    "The backbone joins the switches of every stream's source and destinations, and of every bulk "
    "transfer's that has a longest time.",
    note="Streams take the shortest way: fewest backbone links, then least cable, then switch "
    "names in order.",
)
def _stream_way(facts: Facts) -> Iterator[Breach]:
    between = switch_ways(facts.problem, facts.sound, facts.network)
    placed = facts.home_of
    at = facts.switch_of
    is_open = set(facts.sound.open_switches)
    for what, stream in _carried(facts):
        source = stream.source
        start = at.get(source, source)
        for destination in stream.destinations:
            end = at.get(destination, destination)
            if not is_open.issuperset((start, end)) or (start, end) in between:
                continue
            if source in placed and placed[source] == placed.get(destination):
                continue
            yield (
                (stream.id, destination),
                f"{what} {stream.id} has no way from {source} to {destination}: no backbone "
                f"joins {start} and {end}.",
            )
