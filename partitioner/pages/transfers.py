"""The section on bulk transfers: how long each takes, and each device, segment and the whole."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR

from partitioner.check.facts import Facts
from partitioner.facts.transfer_times import TimedTransfer, TransferTimes
from partitioner.network.transfers import frame_count
from partitioner.report import columns as col
from partitioner.report.amounts import count_text, number_text
from partitioner.report.sections import Chapter, Column, Kind, Section, State, Table
from partitioner.units import NS_PER_S, in_units


def transfers_section(facts: Facts, times: TransferTimes) -> Section | None:
    """The section of a report on bulk transfers; None without any."""
    if not times.rows:
        return None
    return Section(
        "Bulk transfers",
        _intro(times),
        (_transfers_table(times), _totals_table(facts, times)),
        id="transfers",
        chapter=Chapter.DEADLINES,
    )


def _intro(times: TransferTimes) -> list[str]:
    lines = [
        "A transfer is sent in evenly paced frames of the lowest priority beside all streams, so "
        "that every deadline still holds; the times are worst cases, from the first release to "
        "the last bit received by the last destination. At the stated pace all may run at once. "
        "The fast pace is for a transfer that runs alone: the first that keeps every "
        "deadline, looked for in steps from the pace at which the fullest medium is full.",
    ]
    whole = times.one_after_another_ns(row.transfer.id for row in times.rows if row.is_joined)
    if whole is not None and len(times.rows) > 1:
        both = f"All {len(times.rows)} take {_text(whole)} one after another"
        if times.at_once_ns is not None:
            both += f" and {_text(times.at_once_ns)} all at once, slowed by a common factor"
        lines.append(both + ".")
    if times.unsearched:
        lines.append(
            f"There was no time to look for the fast pace of "
            f"{count_text(times.unsearched, 'transfer')}; `partitioner report` does."
        )
    seen = [row for row in times.rows if row.seen_ns is not None]
    if seen:
        lines.append(
            "Simulated: the transfer at its fast pace beside streams with random releases; no "
            "frame took longer than its worst-case delay."
        )
    return lines


def _text(time_ns: int) -> str:
    return f"{number_text(-(-time_ns // 10_000_000) / 100, 2)} s"


def _transfers_table(times: TransferTimes) -> Table:
    is_seen = any(row.seen_ns is not None for row in times.rows)
    return Table.of(
        "transfers",
        "Bulk transfers",
        times.rows,
        [
            col.name("transfer", "Transfer", lambda row: row.transfer.id, heads_row=True),
            col.name("source", "From", lambda row: row.transfer.source),
            col.names("destinations", "To", lambda row: row.transfer.destinations),
            col.number("size_bytes", "Size", lambda row: row.transfer.size_bytes, "bytes"),
            col.number("frame_count", "Frames", lambda row: frame_count(row.transfer)),
            col.state("state", "State", _state, ("in time", "no limit", "late")),
            col.seconds("longest_s", "Allowed", lambda row: row.transfer.longest_ns,
                        rounding=ROUND_FLOOR),
            col.seconds("stated_s", "At the stated pace",
                        lambda row: row.stated.total_ns if row.stated else None),
            col.micros("fast_pace_us", "Fast pace",
                       lambda row: row.fastest.pace_ns if row.fastest else None, 0),
            col.seconds("fast_s", "At the fast pace",
                        lambda row: row.fastest.total_ns if row.fastest else None),
            col.seconds("seen_s", "Simulated" if is_seen else "", lambda row: row.seen_ns),
            col.seconds("seen_for_s", "Simulated for" if is_seen else "",
                        lambda row: None if row.seen_ns is None else row.seen_for_ns),
        ],
        note="At the stated pace a transfer takes its allowed time by design: its frames are "
        "spread over it. What the rule on transfers limits is each frame, which has to arrive "
        "before the next is sent. No limit: the file gives the transfer no longest time, so the "
        "layout keeps no room for it; it may run at its fast pace while no other does.",
    )  # fmt: skip


def _state(row: TimedTransfer) -> State:
    longest_ns, stated = row.transfer.longest_ns, row.stated
    if longest_ns is None:
        return State.WARN
    return State.OK if stated is not None and stated.total_ns <= longest_ns else State.BAD


def _totals_table(facts: Facts, times: TransferTimes) -> Table:
    """Transfers of a device, of a segment and of the whole unit, one after another."""
    joined = [row.transfer for row in times.rows if row.is_joined]
    of_device: dict[str, list[str]] = {}
    of_segment: dict[str, dict[str, None]] = {}
    for transfer in joined:
        for end in (transfer.source, *transfer.destinations):
            if end in facts.problem.devices:
                of_device.setdefault(end, []).append(transfer.id)
                of_segment.setdefault(facts.home_of[end], {})[transfer.id] = None
    rows: list[tuple[object, ...]] = []

    def add(kind: str, name: str, ids: list[str]) -> None:
        rows.append((kind, name, len(ids), in_units(times.one_after_another_ns(ids), NS_PER_S)))

    for device in facts.problem.devices:
        if device in of_device:
            add("device", device, of_device[device])
    for segment in facts.sound.segments:
        if segment.id in of_segment:
            add("segment", segment.id, list(of_segment[segment.id]))
    add("whole unit", "one after another", [t.id for t in joined])
    rows.append(("whole unit", "all at once", len(joined), in_units(times.at_once_ns, NS_PER_S)))
    return Table(
        "transfer-totals",
        "How long the transfers of each device, each segment and the whole unit take",
        [
            Column("kind", "Of"),
            Column("name", "Name", Kind.ID, heads_row=True),
            Column("transfer_count", "Transfers", Kind.NUMBER),
            Column("total_s", "At most", Kind.NUMBER, "s", rounding=ROUND_CEILING),
        ],
        rows,
        note="One transfer after another, each at its fast pace.",
        folded=len(rows) > 20,
    )
