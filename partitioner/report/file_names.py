"""Names of files and folders that are made from text: the one place that decides what is safe."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

LONGEST_BYTES = 100
"""UTF-8 bytes of a name at most; file systems take 255, and endings are added to a name."""

_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{device}{number}" for device in ("com", "lpt") for number in range(10)
}
"""Names of devices under Windows, whatever follows the first dot (Microsoft, "Naming Files")."""


def clean_name(text: str, otherwise: str = "unnamed") -> str:
    """Make a name that is plain on every system and stays in its folder.

    Letters, digits, ``.``, ``_`` and ``-`` stay; everything else becomes ``-``. A name begins with
    a letter, a digit or ``_``, never ends with a dot, has at most :data:`LONGEST_BYTES` bytes and
    is no device of Windows. A clean name stays as it is. Where nothing of the text is left the name
    is ``otherwise``.

    Examples
    --------
    >>> clean_name("../../../x"), clean_name("City bus 12"), clean_name("con.csv")
    ('x', 'City-bus-12', 'con_.csv')
    """
    # Letters and digits that only look different are made equal first: COM¹ is a device too.
    normal = unicodedata.normalize("NFKC", text)
    plain = "".join(c if c in "._-" or unicodedata.category(c)[0] in "LNM" else "-" for c in normal)
    name = _shortened(re.sub(r"[-.]*\.[-.]*|-+", lambda m: "." if "." in m[0] else "-", plain))
    if not name:
        return otherwise
    stem, dot, rest = name.partition(".")
    return f"{stem}_{dot}{rest}" if stem.lower() in _RESERVED else name


def distinct_names(texts: Iterable[str], ending: str) -> list[str]:
    """Clean names that no system takes for one another; a number sets apart those it would.

    Examples
    --------
    >>> distinct_names(["zone+a", "zone-a", "Zone-A"], ".json")
    ['zone-a.json', 'zone-a-2.json', 'Zone-A-3.json']
    """
    found: list[str] = []
    taken: set[str] = set()
    for text in texts:
        name, number = clean_name(f"{text}{ending}"), 1
        while name.casefold() in taken:
            number += 1
            name = clean_name(f"{text}-{number}{ending}")
        taken.add(name.casefold())
        found.append(name)
    return found


def is_clean(name: str) -> bool:
    """Whether a name may be used for a file as it is."""
    return bool(name) and clean_name(name, "") == name


def _shortened(name: str) -> str:
    """Cut a name to length, its ending kept, and strip what may not stand at its ends."""
    name = name.strip("-.")
    while name and unicodedata.category(name[0])[0] == "M":
        # A mark belongs on the letter before it, which in a path would be the slash.
        name = name[1:].lstrip("-.")
    stem, dot, ending = name.rpartition(".")
    if not stem or len(ending.encode()) > 10:
        stem, dot, ending = name, "", ""
    # One byte is left for the mark behind the name of a device.
    room = LONGEST_BYTES - 1 - len(f"{dot}{ending}".encode())
    if len(stem.encode()) > room:
        stem = stem.encode()[:room].decode(errors="ignore").rstrip("-.")
    return f"{stem}{dot}{ending}"
