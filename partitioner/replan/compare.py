"""Two layouts of one problem side by side: what is different, and what each change costs.

Counted from the two layouts and the cable network alone; nothing here sees the solver. A segment
of the later layout carries on one of the earlier layout if both have the same grade and a device
in common; who carries on whom is settled so that the changes cost least, equal names first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import networkx as nx

from partitioner.check.geometry import segment_geometry
from partitioner.model.layout import Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork


class Kind(StrEnum):
    """What kind of change it is; the first six have a price."""

    SEGMENT = "segment"
    ORDER = "order"
    PORT = "port"
    PLCA_ID = "PLCA ID"
    NEW_LINE = "new line"
    CUT = "cut length"
    ADDED = "added"
    REMOVED = "removed"
    NEW_LINK = "new link"
    GONE = "segment gone"
    NEW_PIECE = "new piece"
    PIECE_GONE = "piece gone"
    NEW_ID = "new PLCA ID"
    NODE_COUNT = "node count"
    BURST = "burst count"
    SWITCH = "switch"
    BACKBONE = "backbone"


DEVICE_KINDS = (Kind.SEGMENT, Kind.ORDER, Kind.ADDED, Kind.REMOVED)
WIRE_KINDS = (Kind.CUT, Kind.NEW_PIECE, Kind.PIECE_GONE)


@dataclass(frozen=True, slots=True)
class Change:
    """One difference: of what, from which state to which, and its price.

    ``um`` holds the cut lengths before and after where a piece of cable is meant.
    """

    kind: Kind
    subject: str
    where: str
    before: str
    after: str
    price_money: int = 0
    um: tuple[int | None, int | None] = (None, None)


@dataclass(frozen=True, slots=True)
class Comparison:
    """All differences of two layouts.

    ``carried_on`` maps segments of the later layout to those of the earlier one. The pieces are
    those of each layout by the device at their outer end: the node at the inner end and the cut
    length in µm, None where that is not known any more.
    """

    changes: tuple[Change, ...]
    carried_on: Mapping[str, str]
    pieces_before: Mapping[str, tuple[str, int | None]]
    pieces_after: Mapping[str, tuple[str, int | None]]

    @property
    def total_money(self) -> int:
        """What all changes cost together."""
        return sum(c.price_money for c in self.changes)

    def count(self, kind: Kind) -> int:
        """How many changes of a kind there are."""
        return sum(c.kind is kind for c in self.changes)

    def of(self, kinds: Sequence[Kind]) -> tuple[Change, ...]:
        """The changes of some kinds."""
        return tuple(c for c in self.changes if c.kind in kinds)


def _longest_common(a: Sequence[str], b: Sequence[str]) -> tuple[str, ...]:
    """Longest common subsequence, the first one found."""
    rows: list[list[tuple[str, ...]]] = [[()] * (len(b) + 1) for _ in range(len(a) + 1)]
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            above, beside = rows[i][j + 1], rows[i + 1][j]
            if x == y:
                rows[i + 1][j + 1] = (*rows[i][j], x)
            else:
                rows[i + 1][j + 1] = above if len(above) >= len(beside) else beside
    return rows[-1][-1]


def reordered(before: Segment, after: Segment) -> tuple[str, ...]:
    """Devices of both that had to be put elsewhere on the line; the fewest there can be."""
    (a, b), (c, d) = before.arms, after.arms
    straight = (*_longest_common(a, c), *_longest_common(b, d))
    turned = (*_longest_common(a, d), *_longest_common(b, c))
    still = set(straight if len(straight) >= len(turned) else turned)
    return tuple(x for x in after.devices if x in before.devices and x not in still)


def pieces_of(problem: Problem, layout: Layout) -> dict[str, tuple[str, int | None]]:
    """Inner neighbour and cut length in µm of each device's piece; None: not known any more."""
    network = CableNetwork(problem)
    known = problem.devices.keys() | problem.switches.keys()
    found: dict[str, tuple[str, int | None]] = {}
    for segment in layout.segments:
        if segment.switch in known and all(d in known for d in segment.devices):
            for piece in segment_geometry(segment, network, problem.line).pieces:
                found.setdefault(piece.owner, (piece.inner, piece.length_um))
            continue
        # Some nodes are gone: the pieces between those that are left keep their length.
        for arm in segment.arms:
            for k, device in enumerate(arm):
                inner = arm[k - 1] if k else segment.switch
                length = None
                if device in known and inner in known:
                    ends = (k == len(arm) - 1) + (not all(segment.arms) and k == 0)
                    length = (
                        network.length_um(inner, device)
                        + problem.line.drop_slack_um
                        + ends * problem.line.end_slack_um
                    )
                found.setdefault(device, (inner, length))
    return found


class _Counter:
    def __init__(
        self, problem: Problem, before: Layout, after: Layout, problem_before: Problem,
        same: frozenset[str],
    ):
        self.problem, self.prices, self.same = problem, problem.change_prices, same
        self.before, self.after = before, after
        self.old_ids = before.plca_id_of()
        self.old_home = self._homes(before)
        self.new_home = self._homes(after)
        self.kept = {
            d for d in self.old_home if d in self.new_home and d in problem.devices
        }
        self.old_pieces = pieces_of(problem_before, before)
        self.new_pieces = pieces_of(problem, after)
        self.changes: list[Change] = []

    @staticmethod
    def _homes(layout: Layout) -> dict[str, Segment]:
        homes: dict[str, Segment] = {}
        for segment in layout.segments:
            for device in segment.devices:
                homes.setdefault(device, segment)
        return homes

    def is_line(self, segment: Segment) -> bool:
        return self.problem.catalogue.is_line(segment.grade)

    # -- who carries on whom ------------------------------------------------------------------

    def segment_price(self, old: Segment | None, new: Segment) -> int:
        """Price of what depends on whether ``new`` carries on ``old``."""
        prices = self.prices
        moved = [
            d
            for d in new.devices
            if d in self.kept and (old is None or self.old_home[d] is not old)
        ]
        total = prices.device_segment_money * len(moved)
        if old is None:
            return total + (prices.new_line_money if self.is_line(new) else 0)
        if self.is_line(new):
            total += prices.device_order_money * len(reordered(old, new))
        if (old.switch, old.port) != (new.switch, new.port):
            total += prices.port_money
        return total

    def heirs(self) -> dict[str, Segment]:
        """The earlier segment that each later one carries on, by the later one's name."""
        graph = nx.Graph()
        olds, news = self.before.segments, self.after.segments
        for n, new in enumerate(news):
            alone = self.segment_price(None, new)
            for o, old in enumerate(olds):
                common = sum(self.old_home.get(d) is old for d in new.devices)
                if old.grade != new.grade or not common:
                    continue
                worth = alone - self.segment_price(old, new)
                is_same = old.id == new.id and old.id in self.same
                if worth < 0 and not is_same:
                    continue
                # Money first; then equal names, then what they have in common.
                tie = (old.id == new.id) * 4096 + 2 * min(common, 2000)
                tie += (old.switch, old.port) == (new.switch, new.port)
                tie += is_same * 2**90
                graph.add_edge(n, len(news) + o, weight=worth * 2**24 + tie)
        pairs = (sorted(pair) for pair in nx.max_weight_matching(graph))
        return {news[n].id: olds[o - len(news)] for n, o in pairs}

    # -- the list -----------------------------------------------------------------------------

    def add(
        self, kind: Kind, subject: str, where: str, before: str, after: str, price: int = 0,
        um: tuple[int | None, int | None] = (None, None),
    ) -> None:
        self.changes.append(Change(kind, subject, where, before, after, price, um))

    def run(self) -> Comparison:
        heirs = self.heirs()
        for segment in self.after.segments:
            self._segment(segment, heirs.get(segment.id))
        carried = {id(old) for old in heirs.values()}
        for old in self.before.segments:
            if id(old) not in carried:
                self.add(Kind.GONE, old.id, old.id, f"{old.switch} port {old.port}", "")
        for device, home in self.old_home.items():
            if device not in self.new_home:
                gone = "" if device in self.problem.devices else "no longer in the problem"
                self.add(Kind.REMOVED, device, home.id, home.id, gone)
                self.add(Kind.PIECE_GONE, device, home.id, self.old_pieces[device][0], "",
                         um=(self.old_pieces[device][1], None))
        self._network()
        return Comparison(
            tuple(self.changes),
            {name: old.id for name, old in heirs.items()},
            self.old_pieces,
            self.new_pieces,
        )

    def _segment(self, new: Segment, old: Segment | None) -> None:
        prices = self.prices
        is_line = self.is_line(new)
        at = f"{new.switch} port {new.port}"
        if old is None:
            price = prices.new_line_money if is_line else 0
            self.add(Kind.NEW_LINE if is_line else Kind.NEW_LINK, new.id, new.id, "", at, price)
        elif (old.switch, old.port) != (new.switch, new.port):
            was = f"{old.switch} port {old.port}"
            self.add(Kind.PORT, new.id, new.id, was, at, prices.port_money)
        replaced = set(reordered(old, new)) if old is not None and is_line else set()
        new_ids = new.plca_id_of()
        for device in new.devices:
            self._device(new, old, device, device in replaced)
            before_id, after_id = self.old_ids.get(device), new_ids.get(device)
            if after_id is None:
                continue
            if device not in self.kept or before_id is None:
                self.add(Kind.NEW_ID, device, new.id, "", str(after_id))
            elif before_id != after_id:
                self.add(Kind.PLCA_ID, device, new.id, str(before_id), str(after_id),
                         prices.plca_id_money)
        if is_line and old is not None:
            if old.node_count != new.node_count:
                self.add(Kind.NODE_COUNT, new.id, new.id, str(old.node_count),
                         str(new.node_count))
            was_burst, is_burst = dict(old.burst_counts), dict(new.burst_counts)
            for node in sorted(was_burst.keys() | is_burst.keys()):
                if was_burst.get(node) != is_burst.get(node) and node in (*new.devices, new.switch):
                    self.add(Kind.BURST, node, new.id, str(was_burst.get(node, "")),
                             str(is_burst.get(node, "")))

    def _device(self, new: Segment, old: Segment | None, device: str, is_replaced: bool) -> None:
        prices = self.prices
        inner, length = self.new_pieces.get(device, ("", None))
        if device not in self.kept:
            self.add(Kind.ADDED, device, new.id, "", new.id)
            self.add(Kind.NEW_PIECE, device, new.id, "", inner, um=(None, length))
            return
        home = self.old_home[device]
        was, was_length = self.old_pieces[device]
        if old is None or home is not old:
            self.add(Kind.SEGMENT, device, new.id, home.id, new.id, prices.device_segment_money)
        elif is_replaced:
            ranks = _rank(old, device), _rank(new, device)
            if ranks[0] == ranks[1]:
                # As many come before it as did, but not the same ones.
                ranks = f"behind {was}", f"behind {inner}"
            self.add(Kind.ORDER, device, new.id, *ranks, prices.device_order_money)
        if was_length != length or was_length is None:
            self.add(Kind.CUT, device, new.id, was, inner, prices.cut_length_money,
                     (was_length, length))

    def _network(self) -> None:
        for switch in self.before.open_switches:
            if switch not in self.after.open_switches:
                self.add(Kind.SWITCH, switch, "", "open", "closed")
        for switch in self.after.open_switches:
            if switch not in self.before.open_switches:
                self.add(Kind.SWITCH, switch, "", "closed", "open")
        old = {frozenset(b.ends): b.grade for b in self.before.backbone}
        new = {frozenset(b.ends): b.grade for b in self.after.backbone}
        for ends in sorted(old.keys() | new.keys(), key=sorted):
            if old.get(ends) != new.get(ends):
                self.add(Kind.BACKBONE, " - ".join(sorted(ends)), "",
                         old.get(ends, ""), new.get(ends, ""))


def _rank(segment: Segment, device: str) -> str:
    """Place of a device on its line, counted outward from the switch."""
    after, before = segment.arms
    if not (after and before):
        return f"place {(after or before).index(device) + 1}"
    if device in after:
        return f"place {after.index(device) + 1} after the switch"
    return f"place {before.index(device) + 1} before the switch"


def compare(
    problem: Problem,
    before: Layout,
    after: Layout,
    problem_before: Problem | None = None,
    same: frozenset[str] = frozenset(),
) -> Comparison:
    """List what is different between two layouts.

    ``problem`` is that of the later layout; the earlier one may name devices it no longer has.
    ``problem_before`` is that of the earlier layout, where cut lengths were other than now; None:
    cut lengths before are worked out from ``problem``, and pieces that touch something gone count
    as changed. ``same`` are names of segments that carry on themselves whatever that costs.
    """
    earlier = problem if problem_before is None else problem_before
    return _Counter(problem, before, after, earlier, same).run()
