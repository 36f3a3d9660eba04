"""Reads bus description files (DBC and the others that cantools knows) into message rows."""

from __future__ import annotations

from typing import Any

from partitioner.reading.files import Unreadable
from partitioner.reading.listed import name_of
from partitioner.visible import some_of

ENDINGS = (".dbc", ".kcd", ".sym", ".arxml", ".cdd")
"""Ends of the names of files that are read so."""


def is_bus_file(name: str) -> bool:
    """Whether a file describes a bus, by the end of its name."""
    return name.lower().endswith(ENDINGS)


def read_bus_file(text: str, file: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Read the messages of a bus.

    Gives rows by the keys of a message, ``period_us`` missing where the file states none, and what
    was left out or taken for something, in sentences. Without a bus name inside, the stem of
    ``file`` names the bus.

    Raises
    ------
    Unreadable
        If cantools is not installed, or cannot read the file.
    """
    try:
        import cantools.database as databases
    except ImportError:
        raise Unreadable(
            "expected the library cantools, which reads bus description files, got none",
            "install the program with its extra: pip install 'partitioner[messages]'",
        ) from None
    ending = file.lower().rpartition(".")[2]
    try:
        book: Any = databases.load_string(text, database_format=ending, strict=False)
    except Exception as error:
        # The library raises whatever its parsers for each format do.
        first = str(error).strip().splitlines()
        said = first[0][:160] if first else type(error).__name__
        raise Unreadable(f"expected a .{ending} file that cantools reads, got: {said}") from None
    stem = file.replace("\\", "/").rpartition("/")[2].rpartition(".")[0]
    rows: list[dict[str, Any]] = []
    silent: list[str] = []
    nobody: list[str] = []
    for message in getattr(book, "messages", ()):
        senders = message.senders
        if not senders:
            silent.append(message.name)
            continue
        receivers = {r for s in message.signals for r in s.receivers} - set(senders)
        if not receivers:
            nobody.append(message.name)
        row: dict[str, Any] = {
            "id": name_of(message.name),
            "identifier": hex(message.frame_id),
            "bus": name_of(message.bus_name or stem) or "bus",
            "from": name_of(senders[0]),
            "to": sorted(map(name_of, receivers)),
            "payload_bytes": message.length,
        }
        if message.cycle_time:
            row["period_us"] = message.cycle_time * 1000
        else:
            row["kind"] = "sporadic"
        rows.append(row)
    told: list[str] = []
    if silent:
        told.append(f"left out, since nobody sends them: {some_of(silent, 8)}")
    if nobody:
        told.append(f"received by nobody: {some_of(nobody, 8)}")
    return rows, told
