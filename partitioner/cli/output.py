"""Writing a single file whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from partitioner.cli.session import Session
from partitioner.cli.voice import Voice


def write_one(target: str, text: str, session: Session) -> None:
    """Write ``text`` to the file ``target``, or to stdout when it is ``-``.

    The file is written beside its place and then renamed, so that a failed run leaves the
    earlier one as it was.
    """
    if target == "-":
        Voice(session).answer(text.removesuffix("\n"))
        return
    path = Path(target)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    Voice(session).note(f"wrote {path}")
