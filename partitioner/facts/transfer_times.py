"""How long bulk transfers take beside the other traffic: bounds, and what a simulation shows.

A transfer is paced: one frame every so often. At a pace under which every stream keeps its
deadline, its last frame has arrived at the latest ``(frames - 1) * pace + bound of one frame``
after the first was released. Each pace named here has been analysed with the whole layout, so
each time is a bound whether or not a faster pace would do as well.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from partitioner.check.facts import Facts
from partitioner.check.traffic import network_traffic
from partitioner.errors import InternalFault
from partitioner.model.problem import Transfer
from partitioner.network.routes import stream_ways
from partitioner.network.transfers import PREFIX, carried_streams, frame_count, pace_ns
from partitioner.timing.constants import IPG_BT, PREAMBLE_SFD_BT
from partitioner.timing.layout_timing import NetworkTraffic, StreamTraffic
from partitioner.timing.simulate import Releases, simulate
from partitioner.timing.transfers import TransferTime, paced, paced_transfer, paced_transfers

FACTORS = (1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0, 1000.0)
"""Paces are tried in these multiples of the one that would fill the fullest medium."""
MOST_SEARCHED = 8
"""Transfers for which the fastest pace is looked for."""
PROBE_NS = 1_000_000_000
"""Stands for the pace of a transfer that states no longest time."""


@dataclass(frozen=True, slots=True)
class TimedTransfer:
    """One transfer.

    ``stated`` holds for the pace that follows from its longest time, all transfers running at
    once; ``fastest`` for the fastest pace found with no other transfer running. Either is None
    where there is no such bound; ``is_joined`` is False when the layout gives it no way.
    ``seen_ns`` is what a simulation of ``seen_for_ns`` of the fastest pace showed.
    """

    transfer: Transfer
    is_joined: bool
    stated: TransferTime | None
    fastest: TransferTime | None
    seen_ns: int | None = None
    seen_for_ns: int = 0


@dataclass(frozen=True, slots=True)
class TransferTimes:
    """All transfers; ``at_once_ns`` is a bound for all of them running at the same time.

    ``unsearched`` counts transfers for which no fastest pace was looked for.
    """

    rows: tuple[TimedTransfer, ...]
    at_once_ns: int | None
    unsearched: int = 0

    def one_after_another_ns(self, ids: Iterable[str]) -> int | None:
        """Bound for some transfers, each starting when the one before is over."""
        wanted = set(ids)
        times = [row.fastest for row in self.rows if row.transfer.id in wanted]
        known = [time.total_ns for time in times if time is not None]
        return sum(known) if len(known) == len(times) else None


def transfer_times(facts: Facts, should_stop: Callable[[], bool] = lambda: False) -> TransferTimes:
    """Bound every transfer of a layout at its stated pace and at the fastest one found.

    ``should_stop`` is asked before each search; True ends the searches.
    """
    quiet, streams = _traffic(facts)
    rows = []
    searched = 0
    margins_ns = [f.margin_ns for f in facts.timing.streams]
    # No pace keeps deadlines that are missed already.
    is_late = any(ns is None or ns < 0 for ns in margins_ns)
    most = 0 if facts.timing.overloads or is_late else MOST_SEARCHED
    for transfer in facts.problem.transfers.values():
        stream = streams.get(transfer.id)
        fastest = None
        if stream is not None and searched < most and not should_stop():
            searched += 1
            fastest = _fastest(quiet, stream, frame_count(transfer))
        rows.append(
            TimedTransfer(transfer, stream is not None, _stated(facts, transfer), fastest)
        )
    joined = [row for row in rows if row.is_joined]
    at_once = None
    if len(joined) == 1:
        at_once = joined[0].fastest.total_ns if joined[0].fastest else None
    elif joined and all(row.fastest for row in joined) and not should_stop():
        at_once = _at_once(quiet, streams, joined)
    return TransferTimes(tuple(rows), at_once, len(joined) - searched)


def _traffic(facts: Facts) -> tuple[NetworkTraffic, dict[str, StreamTraffic]]:
    """The layout without transfers, and every transfer as a stream, by transfer id."""
    problem = replace(
        facts.problem,
        transfers={
            t.id: t if t.longest_ns else replace(t, longest_ns=PROBE_NS * frame_count(t))
            for t in facts.problem.transfers.values()
        },
    )
    ways = stream_ways(
        problem, facts.sound, facts.network, streams=carried_streams(problem).values()
    )
    traffic = network_traffic(problem, facts.sound, facts.laid, ways, facts.network)
    quiet = replace(
        traffic, streams=tuple(s for s in traffic.streams if not s.id.startswith(PREFIX))
    )
    by_id = {
        s.id.removeprefix(PREFIX): s for s in traffic.streams if s.id.startswith(PREFIX)
    }
    return quiet, by_id


def _stated(facts: Facts, transfer: Transfer) -> TransferTime | None:
    pace = pace_ns(transfer)
    own = [f for f in facts.timing.transfers if f.stream == f"{PREFIX}{transfer.id}"]
    bounds = [f.bound_ns for f in own if f.bound_ns is not None]
    if pace is None or not own or len(bounds) < len(own):
        return None
    return TransferTime(frame_count(transfer), pace, max(bounds))


def _busy(traffic: NetworkTraffic) -> dict[str, float]:
    """Share of time that the frames alone keep each medium busy; no pace can beat that."""
    bit_ns = {m.id: float(m.settings.bit_ns) for m in traffic.lines}
    bit_ns |= {m.id: 1e9 / m.rate_bps for m in traffic.links}
    sent: dict[tuple[str, str, str], float] = {}
    for stream in traffic.streams:
        bits = 8 * stream.frame_bytes + PREAMBLE_SFD_BT + IPG_BT
        for route in stream.routes:
            for hop in route.hops:
                if hop.medium:
                    share = bits * bit_ns[hop.medium] / stream.period_ns
                    sent[hop.medium, hop.sender, stream.id] = share
    busy = defaultdict[str, float](float)
    for (medium, _, _), share in sent.items():
        busy[medium] += share
    return busy


def _full_ns(quiet: NetworkTraffic, stream: StreamTraffic) -> int:
    """Pace at which the fullest medium on the way would have no time left."""
    others = _busy(quiet)
    alone = _busy(replace(quiet, streams=(replace(stream, period_ns=PROBE_NS),)))
    needed = [
        share * PROBE_NS / max(1e-6, 1.0 - others.get(medium, 0.0))
        for medium, share in alone.items()
    ]
    return max(1, *(round(ns) for ns in needed))


def _fastest(quiet: NetworkTraffic, stream: StreamTraffic, frames: int) -> TransferTime | None:
    """Fastest pace found: steps up from a full medium until every deadline is kept."""
    full_ns = _full_ns(quiet, stream)
    tried = (paced_transfer(quiet, stream, frames, round(full_ns * f)) for f in FACTORS)
    return next((found for found in tried if found is not None), None)


def _at_once(
    quiet: NetworkTraffic, streams: dict[str, StreamTraffic], rows: list[TimedTransfer]
) -> int | None:
    """Bound for all transfers at once, each at its fastest pace slowed by one common factor."""
    fastest = [(streams[row.transfer.id], row.fastest) for row in rows if row.fastest]
    for factor in (1.0, *FACTORS):
        slowed = [(s, time.frames, round(time.pace_ns * factor)) for s, time in fastest]
        sent = (*quiet.streams, *(paced(s, pace_ns) for s, _, pace_ns in slowed))
        if max(_busy(replace(quiet, streams=sent)).values(), default=0.0) < 1.0:
            found = paced_transfers(quiet, slowed)
            if found is not None:
                return max(time.total_ns for time in found)
    return None


def simulated(facts: Facts, times: TransferTimes, duration_ns: int, seed: int = 0) -> TransferTimes:
    """Add what a simulation shows of each transfer at its fastest pace, no other one running.

    Each is simulated for ``duration_ns``, no longer than the transfer itself.

    Raises
    ------
    InternalFault
        A frame took longer than its bound; the analysis is wrong then.
    """
    quiet, streams = _traffic(facts)
    rows = []
    for number, row in enumerate(times.rows):
        time = row.fastest
        if time is None:
            rows.append(row)
            continue
        stream = paced(streams[row.transfer.id], time.pace_ns)
        traffic = replace(quiet, streams=(*quiet.streams, stream))
        span_ns = min(duration_ns, time.total_ns)
        run = simulate(traffic, span_ns, seed + number, Releases.RANDOM)
        own = [seen.worst_ns for (id_, _), seen in run.seen.items() if id_ == stream.id]
        if not own:
            rows.append(row)
            continue
        if max(own) > time.frame_bound_ns:
            raise InternalFault(
                "a simulated frame of a transfer took longer than its bound",
                [f"{row.transfer.id}: {max(own)} ns seen, bound {time.frame_bound_ns} ns"],
            )
        seen = replace(time, frame_bound_ns=max(own))
        rows.append(replace(row, seen_ns=seen.total_ns, seen_for_ns=span_ns))
    return replace(times, rows=tuple(rows))
