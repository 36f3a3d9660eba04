"""Text from outside made safe to show: what steers a terminal or a reader is shown as its code.

A name, a value or the name of a file may hold an escape sequence that clears the screen, a line
break that forges a line of ours, or a sign that turns the direction of writing. None of them is
ever printed as it is.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any

_STEERING = (
    "\x00-\x08\x0b-\x1f\x7f-\x9f"  # C0 controls but tab and line feed, DEL, C1 controls
    "\xad\u061c\u180e\u200b\u200e\u200f"  # soft hyphen and other signs without a width, direction
    "\u2028-\u202e\u2060-\u206f"  # line separators, overrides and isolates
    "\ufeff\ufff9-\ufffb\U000e0000-\U000e007f"  # byte order mark, annotations, tags
    "\ud800-\udfff"  # halves of pairs: bytes of a file name that are no UTF-8
)
# The joiners U+200C and U+200D are not among them: Persian and Indic words are written with them.
_ANY = re.compile(f"[\t\n{_STEERING}]")
_WITHIN_LINES = re.compile(f"[{_STEERING}]")


def visible(text: object) -> str:
    r"""Show a text on one line.

    Control characters, line breaks, signs of writing direction and other signs without a width
    become their codes. Every name, value or file name goes through this where it enters a line.

    Examples
    --------
    >>> print(visible("a\x1b[2Jb\nc\u202e"))
    a\x1b[2Jb\nc\u202e
    """
    return _ANY.sub(_code, str(text))


def visible_lines(text: str) -> str:
    r"""Show a text of several lines: as :func:`visible`, but line breaks and tabs stay.

    Examples
    --------
    >>> print(visible_lines("a\x1b[2J\nb"))
    a\x1b[2J
    b
    """
    return _WITHIN_LINES.sub(_code, text)


def _code(match: re.Match[str]) -> str:
    return match[0].encode("unicode_escape").decode("ascii")


def some_of(texts: Sequence[str], most: int) -> str:
    """List the first few of several texts and count the others.

    Examples
    --------
    >>> some_of(["a", "b", "c"], 2), some_of(["a", "b"], 2)
    ('a, b and 1 more', 'a, b')
    """
    more = f" and {len(texts) - most} more" if len(texts) > most else ""
    return ", ".join(texts[:most]) + more


def json_text(data: Any, *, indent: int | None = 2) -> str:
    r"""Write data as JSON that may be shown on a terminal and is read back equal. No final newline.

    Letters stay as they are; what :func:`visible` shows as a code is escaped.

    Raises
    ------
    ValueError
        If a number is infinite or not a number: JSON has no word for it.

    Examples
    --------
    >>> print(json_text(["é\x9b\u202e"], indent=0).replace("\n", ""))
    ["é\u009b\u202e"]
    """
    separators = (",", ":") if indent is None else None
    text = json.dumps(
        data, ensure_ascii=False, allow_nan=False, indent=indent, separators=separators
    )
    # Line breaks outside strings are JSON's own; within strings they are escaped already.
    return _WITHIN_LINES.sub(lambda match: json.dumps(match[0])[1:-1], text)


def json_file(data: Any) -> str:
    """Text of a file of data, as :func:`json_text` writes it."""
    return json_text(data, indent=1) + "\n"
