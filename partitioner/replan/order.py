"""A change order: what the harness shop does to get from one layout to another.

Where :mod:`~partitioner.replan.compare` counts what changes cost, this tells it as the shop sees
it: a piece of cable is known by the two nodes that it joins. It stays, is cut to another length,
gets another label, is made anew or is taken out. Terminators sit at both ends of a line and move
with them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from partitioner.check.cut_list import STUB, drop_name, piece_name
from partitioner.model.assessment import BACKBONE
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import backbone_length_um
from partitioner.replan.compare import Change, Comparison
from partitioner.replan.compare import Kind as ChangeKind

SLIGHT_UM = 10_000
"""Differences of length up to this are told apart. An assumption: nobody cuts a harness to the
centimetre, and what a shop notices it has to say itself."""

SETTINGS = (
    ChangeKind.PORT, ChangeKind.PLCA_ID, ChangeKind.NEW_ID, ChangeKind.NODE_COUNT,
    ChangeKind.BURST,
)  # fmt: skip
"""Changes that somebody plugs or programs, in this order."""
REPROGRAMMED = (ChangeKind.PLCA_ID, ChangeKind.NEW_ID)


class Work(StrEnum):
    """What is done to a piece of cable."""

    NEW = "new piece"
    LONGER = "cut longer"
    SHORTER = "cut shorter"
    SLIGHT = "hardly another length"
    RELABELLED = "other label"
    TAKEN_OUT = "taken out"


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of cable of one layout, named as in its cut list; ``length_um`` None: not known."""

    segment: str
    name: str
    cable: str
    inner: str
    outer: str
    length_um: int | None


@dataclass(frozen=True, slots=True)
class PieceWork:
    """What is done to one piece; ``before`` or ``after`` is None where it is new or taken out."""

    work: Work
    before: Piece | None
    after: Piece | None

    @property
    def piece(self) -> Piece:
        """The piece as it ends up, else as it was: its segment is whose work it is."""
        piece = self.after or self.before
        assert piece is not None
        return piece

    @property
    def difference_um(self) -> int | None:
        """By how much it gets longer; None where a length is not known."""
        lengths = [0 if p is None else p.length_um for p in (self.before, self.after)]
        if lengths[0] is None or lengths[1] is None:
            return None
        return lengths[1] - lengths[0]


@dataclass(frozen=True, slots=True)
class TerminatorWork:
    """A terminator that moves; an empty end stands for the shelf."""

    segment: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class LineWork:
    """The work on one segment, summed.

    ``known_um`` sums are of pieces whose length is known; ``unknown`` counts the others.
    """

    segment: str
    pieces: Mapping[Work, int]
    new_um: int
    taken_out_um: int
    unknown: int
    terminators: int
    settings: int
    reprogrammed: int


@dataclass(frozen=True, slots=True)
class ChangeOrder:
    """All that is done: pieces of cable, terminators, ports and settings; sums by segment."""

    pieces: tuple[PieceWork, ...]
    terminators: tuple[TerminatorWork, ...]
    settings: tuple[Change, ...]

    def lines(self) -> tuple[LineWork, ...]:
        """Sums of every segment with work on it, in the order of the pieces."""
        names = dict.fromkeys(
            [
                *(p.piece.segment for p in self.pieces),
                *(t.segment for t in self.terminators),
                *(s.where for s in self.settings),
            ]
        )
        return tuple(
            _sums(
                name,
                [p for p in self.pieces if p.piece.segment == name],
                [t for t in self.terminators if t.segment == name],
                [s for s in self.settings if s.where == name],
            )
            for name in names
        )

    def total(self) -> LineWork:
        """Sums over all segments."""
        return _sums("all", self.pieces, self.terminators, self.settings)


def _sums(
    name: str,
    works: Sequence[PieceWork],
    terminators: Sequence[TerminatorWork],
    settings: Sequence[Change],
) -> LineWork:
    new = [w.piece.length_um for w in works if w.work is Work.NEW]
    out = [w.piece.length_um for w in works if w.work is Work.TAKEN_OUT]
    return LineWork(
        name,
        {work: sum(w.work is work for w in works) for work in Work},
        sum(um or 0 for um in new),
        sum(um or 0 for um in out),
        (*new, *out).count(None),
        len(terminators),
        len(settings),
        sum(s.kind in REPROGRAMMED for s in settings),
    )


def change_order(
    problem: Problem,
    before: Layout,
    after: Layout,
    comparison: Comparison,
    problem_before: Problem | None = None,
) -> ChangeOrder:
    """Tell what the shop does to get from one layout to another.

    The comparison is what :func:`~partitioner.replan.compare.compare` has found with the same
    problems and layouts.
    """
    old_problem = problem if problem_before is None else problem_before
    old = _pieces(old_problem, before, comparison.pieces_before)
    new = _pieces(problem, after, comparison.pieces_after)
    if set(before.backbone) != set(after.backbone):
        old |= _backbone(old_problem, before)
        new |= _backbone(problem, after)
    works = [_work(old.get(key), piece) for key, piece in new.items()]
    gone = [
        piece
        for key, piece in old.items()
        if key not in new or new[key].cable != piece.cable
    ]
    seats: dict[Seat | None, list[Piece]] = {}
    for piece in reversed(gone):
        seats.setdefault(_seat(old_problem, piece, piece.segment), []).append(piece)
    pieces = []
    for work in (w for w in works if w is not None):
        carried = comparison.carried_on.get(work.piece.segment, "")
        seat = _seat(problem, work.piece, carried) if work.work is Work.NEW else None
        is_there = seat is not None and bool(seats.get(seat))
        was = seats[seat].pop() if is_there else None
        pieces.append(PieceWork(Work.RELABELLED, was, work.after) if was else work)
    used = {id(w.before) for w in pieces if w.work is Work.RELABELLED}
    pieces += [PieceWork(Work.TAKEN_OUT, piece, None) for piece in gone if id(piece) not in used]
    rank = {s.id: k for k, s in enumerate((*after.segments, *before.segments))}
    order = {work: k for k, work in enumerate(Work)}
    pieces.sort(key=lambda p: (rank.get(p.piece.segment, len(rank)), order[p.work]))
    settings = comparison.of(SETTINGS)
    return ChangeOrder(
        tuple(pieces), tuple(_terminators(problem, before, after, comparison)), settings
    )


def _pieces(
    problem: Problem, layout: Layout, lengths: Mapping[str, tuple[str, int | None]]
) -> dict[frozenset[str], Piece]:
    """Every piece between nodes and every stub of a layout, by the nodes that it joins."""
    found: dict[frozenset[str], Piece] = {}
    for segment in layout.segments:
        grade = problem.catalogue.grades.get(segment.grade)
        cable = "" if grade is None else grade.cable
        for device in (d for arm in segment.arms for d in arm):
            inner, length_um = lengths[device]
            found[frozenset((inner, device))] = Piece(
                segment.id, piece_name(inner, device), cable, inner, device, length_um
            )
        if grade is None or not grade.is_line:
            continue
        for device in segment.devices:
            known = problem.devices.get(device)
            if known is not None and known.stub_um:
                drop = drop_name(device)
                found[frozenset((drop, device))] = Piece(
                    segment.id, f"{device}{STUB}", cable, drop, device, known.stub_um
                )
    return found


def _backbone(problem: Problem, layout: Layout) -> dict[frozenset[str], Piece]:
    """Links between switches, as pieces."""
    network, found = CableNetwork(problem), {}
    for link in layout.backbone:
        grade = problem.catalogue.grades.get(link.grade)
        is_known = all(end in problem.switches for end in link.ends)
        found[frozenset((BACKBONE, *link.ends))] = Piece(
            BACKBONE,
            piece_name(*link.ends),
            "" if grade is None else grade.cable,
            *link.ends,
            backbone_length_um(problem, network, link.ends) if is_known else None,
        )
    return found


def _work(before: Piece | None, after: Piece) -> PieceWork | None:
    if before is None or before.cable != after.cable:
        return PieceWork(Work.NEW, None, after)
    longer = PieceWork(Work.LONGER, before, after)
    more_um = longer.difference_um
    if not more_um:
        return None
    if abs(more_um) <= SLIGHT_UM:
        return PieceWork(Work.SLIGHT, before, after)
    return longer if more_um > 0 else PieceWork(Work.SHORTER, before, after)


Seat = tuple[str, str, int | None, frozenset[object]]
"""What a piece that stays in its place keeps: line, cable, length, and where its ends are."""


def _seat(problem: Problem, piece: Piece, segment: str) -> Seat | None:
    """None where it is not known where the piece is, or it is of no ``segment`` that goes on."""
    if not segment or piece.length_um is None:
        return None
    ends: set[object] = set()
    for node in (piece.inner, piece.outer):
        item = problem.devices.get(node) or problem.switches.get(node)
        is_drop = node == drop_name(piece.outer)
        if item is None and not is_drop:
            return None
        ends.add("drop" if item is None else problem.position_um(item))
    return segment, piece.cable, piece.length_um, frozenset(ends)


def _terminators(
    problem: Problem, before: Layout, after: Layout, comparison: Comparison
) -> Iterable[TerminatorWork]:
    olds = {s.id: s for s in before.segments}
    carried = set(comparison.carried_on.values())
    for segment in after.segments:
        ends = _ends(problem, segment)
        old = olds.get(comparison.carried_on.get(segment.id, ""))
        was = [] if old is None else _ends(problem, old)
        gone, come = [e for e in was if e not in ends], [e for e in ends if e not in was]
        for k in range(max(len(gone), len(come))):
            yield TerminatorWork(
                segment.id, gone[k] if k < len(gone) else "", come[k] if k < len(come) else ""
            )
    for name, old in olds.items():
        if name not in carried:
            yield from (TerminatorWork(name, end, "") for end in _ends(problem, old))


def _ends(problem: Problem, segment: Segment) -> list[str]:
    """Nodes at the ends of a line, where its terminators sit; none of a link."""
    grade = problem.catalogue.grades.get(segment.grade)
    if grade is None or grade.terminator is None:
        return []
    after, before = segment.arms
    return [arm[-1] if arm else segment.switch for arm in (before, after)]
