"""The round of every shared line: the turns of its IDs, silent and with the longest frames."""

from __future__ import annotations

from partitioner.check.facts import Facts
from partitioner.report.rounds import Round, Turn
from partitioner.timing.line import silent_ns, slot_ns, start_ns


def line_rounds(facts: Facts) -> dict[str, Round]:
    """Rounds by line, from the same description that the delays are worked out from.

    Notes
    -----
    The longest turn of a node is :func:`partitioner.timing.line.slot_ns` of its longest frame;
    with all of them the round is as long as ``longest_cycle_us`` of the segment.
    """
    traffic = facts.timing.traffic
    bytes_of = {s.id: s.frame_bytes for s in traffic.streams}
    largest: dict[tuple[str, str], int] = {}
    for stream in traffic.streams:
        for hop in (hop for route in stream.routes for hop in route.hops):
            sender = (hop.medium, hop.sender)
            largest[sender] = max(largest.get(sender, 0), bytes_of[stream.id])
    lines = {laid.segment.id for laid in facts.lines}
    rounds = {}
    for medium in traffic.lines:
        if medium.id not in lines:
            continue
        node_of = {sender.plca_id: sender.id for sender in medium.senders}
        bursts = {sender.id: sender.burst_count for sender in medium.senders}
        silent = silent_ns(medium.settings)
        turns = []
        for plca_id in range(medium.node_count):
            node = node_of.get(plca_id, "")
            frame = largest.get((medium.id, node), 0)
            longest = slot_ns(frame, medium.settings, bursts.get(node, 0)) if frame else silent
            turns.append(Turn(plca_id, node, silent, longest, frame))
        rounds[medium.id] = Round(start_ns(medium.settings), tuple(turns))
    return rounds
