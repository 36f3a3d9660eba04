"""Handles of the rules on the backbone."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

from partitioner.explain.handles.handle import Ease, Handle, Handles, Scale, by_amount, edit
from partitioner.explain.handles.limits import PERCENT
from partitioner.model.layout import Layout, link_name
from partitioner.model.problem import BackboneLink, BackboneShape, Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um
from partitioner.units import PPM
from partitioner.wording import metres, percent, to_whole_cm


def backbone_load(problem: Problem) -> Handles:
    """The load that backbone links may carry."""
    now = problem.backbone.load_share_ppm
    if len(problem.switches) < 2 or not problem.backbone.links or not problem.streams or now >= PPM:
        return

    yield by_amount(
        "backbone-load",
        (),
        f"A backbone link is busy at most {percent(now)} of the time.",
        ("backbone", "load_share"),
        Scale(
            now,
            PPM,
            PERCENT,
            lambda ppm: edit("backbone", load_share_ppm=ppm),
            lambda ppm: (
                f"raise the load share of backbone links from {percent(now)} to {percent(ppm)}"
            ),
        ),
    )


def backbone_reach(problem: Problem) -> Handles:
    """Links that are longer than any of their grades reaches."""
    if len(problem.switches) < 2:
        return
    network = CableNetwork(problem)
    for number, link in enumerate(problem.backbone.links):
        length = backbone_length_um(problem, network, link.ends)
        reach = max(problem.reach_um(g) for g in link.grades)
        if length <= reach:
            continue
        near = edit("backbone", "links", number, length_um=reach)
        name = link_name(*link.ends)
        shown = metres(to_whole_cm(length))
        words = f"bring the backbone link {name} from {shown} to {metres(reach)}"
        yield Handle(
            f"backbone-reach:{name}",
            "backbone-reach",
            link.ends,
            f"The backbone link {name} is {shown} long; its grades reach {metres(reach)}.",
            ("backbone", "links", number, "length_m"),
            near,
            eases=(Ease(words, near),),
        )


def backbone_link(problem: Problem) -> Handles:
    """The links to choose from."""
    missing = _missing_links(problem)
    if missing:
        yield Handle(
            "backbone-link",
            "backbone-link",
            (),
            "Only the backbone links that are listed may be built."
            if problem.backbone.links
            else "No links between switches are listed.",
            ("backbone", "links"),
            lambda p: _with_links_to_choose(p, missing),
            choices=tuple(_added(link) for link in missing),
            most_chosen=len(missing),
        )


def _added(link: BackboneLink) -> Ease:
    def is_built(layout: Layout) -> bool:
        return any(frozenset(built.ends) == frozenset(link.ends) for built in layout.backbone)

    return Ease(
        f"add a backbone link between {link.ends[0]} and {link.ends[1]} "
        f"({' or '.join(link.grades)})",
        lambda p: edit("backbone", links=(*p.backbone.links, link))(p),
        is_built,
    )


def _with_links_to_choose(problem: Problem, more: list[BackboneLink]) -> Problem:
    """Links that may be built or not, beside those of the problem as they are.

    Whatever of them is built, the layout is one of the problem with just these listed too.
    """
    backbone = problem.backbone
    links = backbone.links
    if backbone.shape is BackboneShape.FIXED:
        links = tuple(replace(link, required=True) for link in links)
        backbone = replace(backbone, shape=BackboneShape.ANY)
    return replace(problem, backbone=replace(backbone, links=(*links, *more)))


def _missing_links(problem: Problem) -> list[BackboneLink]:
    """Links between switches that are not listed, of all grades that reach, the fastest first."""
    network = CableNetwork(problem)
    there = {frozenset(link.ends) for link in problem.backbone.links}
    grades = sorted(
        (g for g in problem.catalogue.grades.values() if g.full_duplex),
        key=lambda g: (-g.rate_bps, g.id),
    )
    found = []
    for ends in combinations(problem.switches, 2):
        if frozenset(ends) not in there:
            length = network.length_um(*ends)
            reaching = tuple(g.id for g in grades if length <= problem.reach_um(g.id))
            if reaching:
                found.append(BackboneLink(ends, reaching))
    return found


def backbone_shape(problem: Problem) -> Handles:
    """The shape of the backbone."""
    shape = problem.backbone.shape
    if len(problem.switches) < 2 or not shape.joins_all:
        return

    def other(new: BackboneShape) -> Ease:
        return Ease(
            f"make the shape of the backbone {new.value} in place of {shape.value}",
            edit("backbone", shape=new),
        )

    looser = [other(BackboneShape.ANY)]
    if shape is BackboneShape.RING:
        looser.insert(0, other(BackboneShape.TREE))
    yield Handle(
        "backbone-shape",
        "backbone-shape",
        (),
        f"The backbone is a {shape.value} over the open switches.",
        ("backbone", "shape"),
        looser[-1].change,
        eases=tuple(looser),
    )
