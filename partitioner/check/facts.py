"""What follows from a layout before any rule is applied.

A layout written by hand can be wrong in every way. The facts are worked out on the part of it
that makes sense: a device counts where it stands first, unknown names are left out, and a segment
without a known switch or grade has no cable. What was left out is reported by the rules on names
and places, so nothing passes unseen.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from partitioner.check.laid import LaidSegment, lay
from partitioner.check.traffic import LayoutTiming, layout_timing
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.problem import Problem
from partitioner.network.cable import CableNetwork
from partitioner.network.routes import StreamWay, known_links, link_key, stream_ways
from partitioner.network.transfers import carried_streams


@dataclass(frozen=True, slots=True)
class Facts:
    """A problem, a layout and what follows from the two.

    ``sound`` is the layout reduced to what makes sense; ``laid`` its segments with their cable;
    ``ways`` the way of each stream to each destination that the layout joins; ``timing`` its
    delays and loads.
    """

    problem: Problem
    layout: Layout
    network: CableNetwork
    sound: Layout
    laid: tuple[LaidSegment, ...]
    ways: tuple[StreamWay, ...]
    timing: LayoutTiming
    builds: dict[frozenset[str], Facts] = field(
        init=False, default_factory=dict, compare=False, repr=False
    )
    """Facts of builds worked out already, by their options; a changed copy starts without any."""

    @property
    def lines(self) -> tuple[LaidSegment, ...]:
        """The shared lines."""
        return tuple(s for s in self.laid if s.is_line)

    @property
    def switch_of(self) -> dict[str, str]:
        """Each placed device's switch."""
        return {d: s.segment.switch for s in self.laid for d in s.segment.devices}

    @property
    def home_of(self) -> dict[str, str]:
        """Each placed device's segment id."""
        return {d: s.segment.id for s in self.laid for d in s.segment.devices}

    def with_laid(self, laid: tuple[LaidSegment, ...]) -> Facts:
        """The same with other segments; ways and timing are still those of the old ones."""
        sound = replace(self.sound, segments=tuple(s.segment for s in laid))
        return replace(self, layout=sound, sound=sound, laid=laid)

    def with_ways(self) -> Facts:
        """The same with the ways of its own segments; its timing is still the old one."""
        return replace(self, ways=stream_ways(self.problem, self.sound, self.network))

    def timed(self, *, linear: bool = True) -> Facts:
        """The same with the ways and the timing of its own segments.

        ``linear`` as in :func:`~partitioner.check.traffic.layout_timing`.
        """
        return timed_facts(
            self.problem, self.layout, self.sound, self.laid, self.network, linear=linear
        )


def gather_facts(
    problem: Problem, layout: Layout, network: CableNetwork | None = None
) -> Facts:
    """Work out cable, ways and timing of a layout, whatever is wrong with it.

    ``network`` is that of the problem, where it is at hand.
    """
    network = CableNetwork(problem) if network is None else network
    seen: set[str] = set()
    ids: set[str] = set()
    laid: list[LaidSegment] = []
    for number, written in enumerate(layout.segments, 1):
        grade = problem.catalogue.grades.get(written.grade)
        if grade is None or written.switch not in problem.switches:
            continue
        most = len(written.devices) if grade.is_line else 1
        segment = _sensible(written, problem, seen, most)
        if segment.id in ids:
            # Two segments of one name would be taken for one by everything keyed by it.
            segment = replace(segment, id=f"{segment.id} (no. {number})")
        ids.add(segment.id)
        laid.append(replace(lay(problem, network, segment), written=written))
    sound = replace(
        layout,
        open_switches=tuple(
            dict.fromkeys(
                [
                    *(s for s in layout.open_switches if s in problem.switches),
                    # A segment at a closed switch breaks a rule of its own; its streams still run.
                    *(s.segment.switch for s in laid),
                    # A switch that sends or receives streams itself takes part as well.
                    *(s.id for s in problem.switches.values() if s.required),
                ]
            )
        ),
        backbone=_sensible_backbone(problem, layout),
        segments=tuple(s.segment for s in laid),
    )
    return timed_facts(problem, layout, sound, tuple(laid), network)


def timed_facts(
    problem: Problem,
    layout: Layout,
    sound: Layout,
    laid: tuple[LaidSegment, ...],
    network: CableNetwork,
    *,
    linear: bool = True,
) -> Facts:
    """Work out ways and timing of segments whose cable is laid; see :class:`Facts`.

    ``linear`` as in :func:`~partitioner.check.traffic.layout_timing`.
    """
    carried = stream_ways(problem, sound, network, streams=carried_streams(problem).values())
    timing = layout_timing(problem, sound, laid, carried, network, linear=linear)
    ways = tuple(way for way in carried if way.stream in problem.streams)
    return Facts(problem, layout, network, sound, laid, ways, timing)


def _sensible_backbone(problem: Problem, layout: Layout) -> tuple[BuiltLink, ...]:
    """Backbone links between known switches, of known grades, each once."""
    links: dict[tuple[str, str], BuiltLink] = {}
    for link, _ in known_links(problem, layout):
        a, b = link.ends
        if a != b:
            links.setdefault(link_key(a, b), link)
    return tuple(links.values())


def _sensible(written: Segment, problem: Problem, seen: set[str], most: int) -> Segment:
    """Drop unknown, repeated and surplus devices; remember the ones taken in ``seen``."""
    places: list[int] = []
    for place, device in enumerate(written.devices):
        if device in problem.devices and device not in seen and len(places) < most:
            seen.add(device)
            places.append(place)
    return written.at(places)
