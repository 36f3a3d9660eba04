"""Least delays of the legs on one segment, grown from nothing by the response-time analysis.

What is found after any number of steps is no more than what the analysis ends with.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TypeVar

from partitioner.model.problem import QueueOrder
from partitioner.timing.constants import IPG_BT
from partitioner.timing.line import (
    LegDelay,
    LineFlow,
    LineNode,
    LineSettings,
    collision_ns,
    deferral_ns,
    hold_ns,
    miss_ns,
    not_pending_ns,
    silent_ns,
    slot_ns,
    start_ns,
)
from partitioner.timing.link import LinkQueue, response_link_bound
from partitioner.timing.response import response_bound
from partitioner.units import ceil_div

STEPS = 3
"""In which delays of a segment grow; each finds no more than the next."""

Key = TypeVar("Key")


def frames_at_once(node: LineNode, flow: LineFlow, settings: LineSettings) -> tuple[int, int]:
    """Frames of a node that can be there together, up to one of ``flow``, and their TOs in ns."""
    fifo = node.queue is QueueOrder.FIFO
    count = time = 0
    for f in node.flows:
        if fifo or f.pcp >= flow.pcp:
            frames = (f.jitter_ns + f.inherited_ns) // f.period_ns + 1
            count += frames
            time += frames * slot_ns(f.frame_bytes, settings)
    lower = [f.frame_bytes for f in node.flows if not fifo and f.pcp < flow.pcp]
    if lower:
        count += 1
        time += slot_ns(max(lower), settings)
    return count, time


def first_legs(
    nodes: tuple[LineNode, ...], node_count: int, settings: LineSettings
) -> dict[tuple[str, str], int]:
    """Delay of every leg of a line, in ns, if no second frame of any stream comes meanwhile.

    The first step of the response-time analysis and so never above what it ends with: the own
    frames that can be there at once, and of every other node as many of its frames, one of each
    stream, as the rounds for these allow.
    """
    silent = silent_ns(settings)
    each = collision_ns(node_count, settings)
    lone = settings.burst_timer_bt <= IPG_BT
    senders = [n for n in nodes if n.flows]
    costs = [
        sorted((slot_ns(f.frame_bytes, settings) - silent for f in n.flows), reverse=True)
        for n in senders
    ]
    sums = [[0, *itertools.accumulate(row)] for row in costs]
    sizes = [1 if lone else 1 + n.burst_count for n in senders]
    largest = max((row[0] + silent for row in costs), default=0)
    deferral = idle = 0
    if settings.logical_collision:
        deferral = deferral_ns(largest, node_count, settings)
        idle = not_pending_ns(hold_ns(node_count, settings), settings) + silent
        idle -= IPG_BT * settings.bit_ns + each
    round_rest = start_ns(settings) + (node_count - 1) * silent
    after = miss_ns(settings) - settings.loop_delay_ns
    after += settings.phy_ns + settings.propagation_ns
    legs: dict[tuple[str, str], int] = {}
    for k, node in enumerate(senders):
        known: dict[int, int] = {}
        for flow in node.flows:
            rank = 0 if node.queue is QueueOrder.FIFO else flow.pcp
            if rank not in known:
                own, own_ns = frames_at_once(node, flow, settings)
                turns = ceil_div(own, sizes[k])
                total = after + own_ns + turns * (round_rest + each)
                beyond = 0
                for other, row in enumerate(sums):
                    if other != k:
                        sent = row[min(turns * sizes[other], len(row) - 1)]
                        total += sent
                        if sizes[other] == 1:
                            beyond += row[-1] - sent
                # What the rounds do not take may have come just before, for the first collision.
                total += min(deferral, idle + beyond)
                known[rank] = total
            legs[node.id, flow.id] = known[rank]
    return legs


def grown_legs(
    nodes: tuple[LineNode, ...],
    node_count: int,
    settings: LineSettings,
    least: dict[tuple[str, str], int] | None = None,
) -> dict[tuple[str, str], int] | None:
    """Least delay of every leg of a line, in ns, by the whole analysis; None if there is none.

    ``least``: what no leg goes below, if known. Frames that come in carry ``inherited_ns``.
    """
    def bounds(legs: dict[tuple[str, str], int]) -> dict[tuple[str, str], LegDelay]:
        windows = tuple(
            replace(n, flows=tuple(
                replace(f, window_ns=legs[n.id, f.id] + f.inherited_ns) for f in n.flows
            ))
            for n in nodes
        )
        return response_bound(windows, node_count, settings).legs

    return _grown(first_legs(nodes, node_count, settings) if least is None else least, bounds)


def grown_link_legs(queue: LinkQueue) -> dict[str, int] | None:
    """Least delay of every leg over a full-duplex link, in ns; None if there is no bound."""
    def bounds(legs: dict[str, int]) -> dict[str, LegDelay]:
        windows = tuple(replace(f, window_ns=legs[f.id] + f.inherited_ns) for f in queue.flows)
        return response_link_bound(replace(queue, flows=windows)).legs

    return _grown({f.id: 1 for f in queue.flows}, bounds)


def _grown(
    legs: dict[Key, int], bounds: Callable[[dict[Key, int]], Mapping[Key, LegDelay]]
) -> dict[Key, int] | None:
    """Let legs grow by bounds that rest on what they are so far; None if one has no bound."""
    for _ in range(STEPS):
        found = bounds(legs)
        if len(found) < len(legs):
            return None
        grown = {key: max(ns, found[key].total_ns) for key, ns in legs.items()}
        if grown == legs:
            break
        legs = grown
    return legs
