"""Cable of a segment, piece by piece, from its order of devices and the cable network alone."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.model.layout import Segment
from partitioner.model.problem import LineRules
from partitioner.network.cable import CableNetwork


@dataclass(frozen=True, slots=True)
class Piece:
    """Cable from a node to the device next outward of it; that device owns the piece.

    ``outward`` names the owner and every device further out on its arm: the piece is needed in a
    unit that carries any of them. ``end_slacks`` counts the ends of the line that the piece holds.
    """

    owner: str
    inner: str
    way_um: int
    drop_slack_um: int
    end_slack_um: int
    end_slacks: int
    outward: tuple[str, ...]

    @property
    def length_um(self) -> int:
        """Length to cut, slack included."""
        return self.way_um + self.drop_slack_um + self.end_slacks * self.end_slack_um


@dataclass(frozen=True, slots=True)
class SegmentGeometry:
    """Arms and pieces of one segment.

    ``after`` and ``before`` are the arms outward from the switch, each piece by piece: first the
    devices that follow the switch along the cable, then those ahead of it.
    """

    switch: str
    after: tuple[Piece, ...]
    before: tuple[Piece, ...]

    @property
    def arms(self) -> tuple[tuple[Piece, ...], ...]:
        """Arms that carry devices."""
        return tuple(arm for arm in (self.after, self.before) if arm)

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All pieces, arm by arm, outward."""
        return self.after + self.before

    @property
    def length_um(self) -> int:
        """Length of the whole cable, stubs not included."""
        return sum(piece.length_um for piece in self.pieces)

    @property
    def is_at_end(self) -> bool:
        """Whether the switch sits at an end of the cable."""
        return not (self.after and self.before)

    def positions_um(self) -> dict[str, int]:
        """Position of every node along the cable from its first end, the switch included."""
        at = sum(piece.length_um for piece in self.before)
        positions = {self.switch: at}
        for arm, sign in ((self.before, -1), (self.after, 1)):
            here = at
            for piece in arm:
                here += sign * piece.length_um
                positions[piece.owner] = here
        return positions

    def route(self, network: CableNetwork) -> tuple[str, ...]:
        """Network nodes that the cable passes from its first end to its last."""
        nodes: list[str] = []
        for piece in reversed(self.before):
            _append(nodes, tuple(reversed(network.way(piece.inner, piece.owner))))
        for piece in self.after:
            _append(nodes, network.way(piece.inner, piece.owner))
        return tuple(nodes)

    def pathways(self, network: CableNetwork) -> frozenset[str]:
        """Ids of the pathways that the cable runs through."""
        return frozenset(
            pathway
            for piece in self.pieces
            for pathway in network.pathways_on(piece.inner, piece.owner)
        )


def _append(nodes: list[str], way: tuple[str, ...]) -> None:
    for node in way:
        if not nodes or nodes[-1] != node:
            nodes.append(node)


def segment_geometry(segment: Segment, network: CableNetwork, line: LineRules) -> SegmentGeometry:
    """Lay the cable of a segment.

    Each arm begins at the switch. A piece is the cable way from the inner neighbour to its owner
    plus the slack of one drop. The outermost piece of an arm also holds the slack of that end of
    the line; with the switch at an end, the piece next to the switch holds the slack of the end
    at the switch. So a segment has two end slacks however it is built; a point-to-point link is
    the case of one device.
    """
    at_end = not all(segment.arms)
    after, before = (_arm(arm, segment.switch, at_end, network, line) for arm in segment.arms)
    return SegmentGeometry(segment.switch, after, before)


def _arm(
    devices: tuple[str, ...], switch: str, at_end: bool, network: CableNetwork, line: LineRules
) -> tuple[Piece, ...]:
    pieces = []
    for place, device in enumerate(devices):
        inner = devices[place - 1] if place else switch
        end_slacks = int(place == len(devices) - 1) + int(at_end and place == 0)
        pieces.append(
            Piece(
                owner=device,
                inner=inner,
                way_um=network.length_um(inner, device),
                drop_slack_um=line.drop_slack_um,
                end_slack_um=line.end_slack_um,
                end_slacks=end_slacks,
                outward=devices[place:],
            )
        )
    return tuple(pieces)
