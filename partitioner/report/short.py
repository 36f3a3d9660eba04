"""The same page in fewer bytes: what it says, shows and answers to stays as it was.

A report of a thousand devices is sent by mail and opened on a telephone. Most of its bytes would
be the same few attributes, written again at every mark and letter of its drawings.
"""

from __future__ import annotations

import re
from itertools import count
from string import ascii_uppercase

from partitioner.report.svg import num, step_text

_LOOKS = {
    "font-size": "px", "font-weight": "", "text-anchor": "", "stroke-width": "px",
    "stroke-dasharray": "", "r": "px", "rx": "px", "height": "px",
}  # fmt: skip
"""Attributes that are style as well, and the unit that they have as style."""
_DRAWING = re.compile(r"<svg .*?</svg>", re.DOTALL)
_ELEMENT = re.compile(r"<(circle|g|line|path|polygon|rect|text)( [^<>]*?)?(/?)>")
_ATTRIBUTE = re.compile(r' ([a-zA-Z0-9-]+)="([^"]*)"')
_PLAIN = re.compile(r"[A-Za-z0-9._-]+")
_GLYPH = re.compile(r'<td class="state (ok|warn|bad)"><span aria-hidden="true">.</span> ')
_ZERO = re.compile(r"(?<![0-9.])0\.")
_PLACE = "/* looks */"


def in_fewer_bytes(page: str) -> str:
    """Write a page shorter; its style sheet has a line ``/* looks */`` for what is shared.

    Attributes of looks become classes, whose rules give way to all others, as attributes do.
    Straight lines become paths. Judgements in tables get their shape from the style sheet.
    """
    looks: dict[str, str] = {}
    # A, B, …, Z, A1, B1, …: no other class is written in capitals.
    names = (f"{letter}{n or ''}" for n in count() for letter in ascii_uppercase)

    def element(found: re.Match[str]) -> str:
        tag, about, end = found[1], dict(_ATTRIBUTE.findall(found[2] or "")), found[3]
        shared = "".join(
            f"{name}:{about.pop(name)}{unit};" for name, unit in _LOOKS.items() if name in about
        )
        if shared and about.get("class") == "page":
            shared += f"fill:var(--{about.pop('class')});"
        if shared:
            if shared not in looks:
                looks[shared] = next(names)
            about["class"] = f"{about.pop('class', '')} {looks[shared]}".strip()
        if tag == "line":
            tag, about = "path", {"d": _straight(about), **about}
        if "d" in about:
            about["d"] = _ZERO.sub(".", about["d"].replace(" -", "-"))
        return f"<{tag}{_attributes(about, end)}>"

    def drawing(found: re.Match[str]) -> str:
        return _ELEMENT.sub(element, found[0]).replace("</line>", "</path>")

    page = _DRAWING.sub(drawing, page)
    rules = "".join(f":where(.{name}){{{look}}}\n" for look, name in looks.items())
    return _GLYPH.sub(r"<td class=\1>", page).replace(_PLACE, rules, 1)


def _straight(about: dict[str, str]) -> str:
    """Path data of a line, whose places are taken out of ``about``."""
    x1, y1, x2, y2 = (float(about.pop(k, "0")) for k in ("x1", "y1", "x2", "y2"))
    return f"M{num(x1)} {num(y1)}{step_text(x2 - x1, y2 - y1) or 'h0'}"


def _attributes(about: dict[str, str], end: str) -> str:
    """Attributes without quotes where HTML needs none; the last one may not touch a slash."""
    plain = [n for n in about if _PLAIN.fullmatch(about[n])]
    quoted = [f' {n}="{v}"' for n, v in about.items() if n not in plain]
    ahead = "".join(f" {n}={about[n]}" for n in plain)
    return ahead + ("".join(quoted) + end if quoted or not end else f" {end}" if plain else end)
