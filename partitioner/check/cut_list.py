"""Every piece of cable of a layout that is cut, with its ends and the pathways it runs through."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from partitioner.check.geometry import Piece
from partitioner.check.laid import LaidSegment
from partitioner.model.assessment import BACKBONE, WirePiece
from partitioner.model.layout import Layout
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um, known_links, link_key
from partitioner.units import PPM

STUB = "/stub"
"""Ends the name of a stub, after that of its device."""
END = "/end"
"""Ends the name of a piece at the length it has where the line ends with it in some builds only."""


def cut_list(
    problem: Problem, laid: Iterable[LaidSegment], layout: Layout, network: CableNetwork
) -> tuple[WirePiece, ...]:
    """Every piece of cable to cut: pieces between drops, stubs, backbone links.

    A piece holds its slack, so the lengths of a segment's pieces in a unit add up to the length of
    the segment there; stubs come on top.
    """
    wires: list[WirePiece] = []
    for one in laid:
        for arm in one.geometry.arms:
            for piece in arm:
                is_outermost = piece is arm[-1]
                wires += _lengths_of(problem, one, network, piece, is_outermost)
        wires += _stubs(problem, one)
    for link, grade in known_links(problem, layout):
        start, end = link_key(*link.ends)
        wires.append(
            WirePiece(
                id=piece_name(start, end),
                segment=BACKBONE,
                cable=grade.cable,
                from_node=start,
                to_node=end,
                length_um=backbone_length_um(problem, network, link.ends),
                share_ppm=PPM,
                pathways=network.pathways_on(start, end),
                from_parts=(grade.connector,),
                to_parts=(grade.connector,),
            )
        )
    return tuple(wires)


def piece_name(a: str, b: str) -> str:
    """Name of the piece that joins two nodes, the same from both sides.

    Examples
    --------
    >>> piece_name("lamp-2", "lamp-1")
    'lamp-1:lamp-2'
    """
    return ":".join(sorted((a, b)))


def drop_name(device: str) -> str:
    """Where the stub of a device leaves its line."""
    return f"drop of {device}"


def _stubs(problem: Problem, one: LaidSegment) -> Iterator[WirePiece]:
    if not one.is_line:
        return
    for device in one.segment.devices:
        stub_um = problem.devices[device].stub_um
        if stub_um:
            yield WirePiece(
                id=f"{device}{STUB}",
                segment=one.segment.id,
                cable=one.grade.cable,
                from_node=drop_name(device),
                to_node=device,
                length_um=stub_um,
                share_ppm=problem.fitted_share_ppm((device,)),
                only_with=_options_of(problem, (device,)),
                from_parts=_stated(one.grade.junction),
                to_parts=(one.grade.connector,),
            )


def _lengths_of(
    problem: Problem, one: LaidSegment, network: CableNetwork, piece: Piece, is_outermost: bool
) -> Iterator[WirePiece]:
    """A piece at each length that units need it in.

    Where nothing beyond its device is fitted, the line ends there, and the piece holds the slack of
    that end too.
    """
    terminator = _stated(one.grade.terminator)
    drop = _drop_parts(problem, one, piece.owner)
    if piece.inner == one.segment.switch:
        inner = (one.grade.connector, *(terminator if one.geometry.is_at_end else ()))
    else:
        inner = _drop_parts(problem, one, piece.inner)
    whole = WirePiece(
        id=piece_name(piece.inner, piece.owner),
        segment=one.segment.id,
        cable=one.grade.cable,
        from_node=piece.inner,
        to_node=piece.owner,
        length_um=piece.length_um,
        share_ppm=problem.fitted_share_ppm(piece.outward),
        only_with=_options_of(problem, piece.outward),
        pathways=network.pathways_on(piece.inner, piece.owner),
        from_parts=inner,
        to_parts=drop + (terminator if is_outermost else ()),
    )
    beyond = [d for d in piece.outward if d != piece.owner]
    later = _options_of(problem, beyond)
    own = problem.devices[piece.owner].option
    if not later or own in later or not (piece.end_slack_um or terminator):
        yield whole
        return
    more_ppm = problem.fitted_share_ppm(beyond)
    yield replace(whole, share_ppm=more_ppm, only_with=later)
    yield replace(
        whole,
        id=f"{whole.id}{END}",
        length_um=whole.length_um + piece.end_slack_um,
        share_ppm=whole.share_ppm - more_ppm,
        only_with=() if own is None else (own,),
        only_without=later,
        to_parts=drop + terminator,
    )


def _drop_parts(problem: Problem, one: LaidSegment, device: str) -> tuple[str, ...]:
    """What joins the cable at a device: the junction with its stub, or its connector."""
    if one.is_line and problem.devices[device].stub_um:
        return _stated(one.grade.junction)
    return (one.grade.connector,)


def _stated(part: str | None) -> tuple[str, ...]:
    return () if part is None else (part,)


def _options_of(problem: Problem, devices: Iterable[str]) -> tuple[str, ...]:
    """Options of which a unit has one whenever it has any of some devices; none if it always has.

    In the order of the file.
    """
    found = {problem.devices[d].option for d in devices}
    return () if None in found else tuple(o for o in problem.options if o in found)
