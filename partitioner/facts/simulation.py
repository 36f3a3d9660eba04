"""A layout simulated: the longest delays seen beside the worst-case ones.

The simulation shares only the table of constants with the analysis. A delay above its bound is a
fault of the program, never of the layout.
"""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.model.assessment import bounded_worst_first
from partitioner.timing.critical import critical_search
from partitioner.timing.simulate import Releases, simulate
from partitioner.units import PPM

SEARCHED_STREAMS = 5
"""Streams with the least of their deadline left that the search for bad moments looks at."""
TRIES = 30
"""Simulations it spends on each."""
DRAWN_STREAMS = 4


@dataclass(frozen=True, slots=True)
class Observed:
    """What a simulation showed of one stream at one destination.

    ``worst_ns`` is the longest delay of all runs, None if nothing arrived; ``searched_ns`` the
    longest that the search for bad moments found, None where it did not look. ``histogram`` counts
    the delays of the random runs in equal bins from 0 to ``scale_ns``. ``bound_ns`` is None on
    overload.
    """

    stream: str
    destination: str
    frames: int
    worst_ns: int | None
    searched_ns: int | None
    bound_ns: int | None
    deadline_ns: int
    scale_ns: int
    histogram: tuple[int, ...]

    @property
    def longest_ns(self) -> int | None:
        """The longest delay seen by any road."""
        seen = [v for v in (self.worst_ns, self.searched_ns) if v is not None]
        return max(seen, default=None)

    @property
    def is_above_bound(self) -> bool:
        """Whether a delay was above its bound, which must never happen."""
        return self.bound_ns is not None and (self.longest_ns or 0) > self.bound_ns

    @property
    def share_ppm(self) -> int | None:
        """Longest delay as a share of the bound."""
        if self.bound_ns is None or self.longest_ns is None:
            return None
        return self.longest_ns * PPM // max(self.bound_ns, 1)


@dataclass(frozen=True, slots=True)
class Simulation:
    """A simulation of a layout; ``observed`` in the order of the problem's streams."""

    simulated_ns: int
    seed: int
    frames: int
    observed: tuple[Observed, ...]

    @property
    def above_bound(self) -> tuple[Observed, ...]:
        """Every stream seen above its bound: empty, or the program is at fault."""
        return tuple(o for o in self.observed if o.is_above_bound)

    def nearest_first(self) -> list[Observed]:
        """All streams, those nearest to their bound first."""
        return sorted(self.observed, key=lambda o: (-(o.share_ppm or 0), o.stream, o.destination))


def simulate_layout(facts: Facts, duration_ns: int, seed: int = 0) -> Simulation:
    """Run a layout with random and with dense releases, and look for bad moments.

    Segments and streams that make no sense are left out, as in the check. ``duration_ns`` is the
    time during which frames are released, for each of the two kinds of releases. The same ``seed``
    gives the same result.
    """
    timing = facts.timing
    figures = {(f.stream, f.destination): f for f in timing.streams}
    scales = {key: f.response_ns or f.deadline_ns for key, f in figures.items()}
    runs = [
        simulate(timing.traffic, duration_ns, seed + number, releases, scales)
        for number, releases in enumerate(Releases)
    ]
    tight = bounded_worst_first(timing.streams)[:SEARCHED_STREAMS]
    searched = {
        (f.stream, f.destination): critical_search(
            timing.traffic, f.stream, f.destination, seed=seed + number, tries=TRIES,
            span_ns=f.response_ns,
        )
        for number, f in enumerate(tight)
    }  # fmt: skip
    observed = []
    for key, f in figures.items():
        seen = [run.seen[key] for run in runs if key in run.seen]
        observed.append(
            Observed(
                stream=f.stream,
                destination=f.destination,
                frames=sum(s.frames for s in seen),
                worst_ns=max((s.worst_ns for s in seen), default=None),
                searched_ns=searched.get(key),
                bound_ns=f.response_ns,
                deadline_ns=f.deadline_ns,
                scale_ns=scales[key],
                histogram=tuple(map(sum, zip(*(s.histogram for s in seen), strict=True))),
            )
        )
    return Simulation(duration_ns, seed, sum(run.frames for run in runs), tuple(observed))
