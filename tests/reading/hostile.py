"""Files made to be slow, large or endless: what each once did, or tries to do, to the reader."""

from __future__ import annotations

from collections.abc import Callable

MB = 1_000_000
DEEP = 10_000
MANY = 2 * MB

Make = Callable[[], str]


def repeated(text: str, characters: int) -> str:
    """So often that it has about so many characters."""
    return text * (characters // len(text))


YAML: dict[str, Make] = {
    # Nesting. The first three took minutes: the words of the fault were looked for by a parser
    # that looks at all open brackets again at each one.
    "brackets": lambda: "[" * 2 * DEEP,
    "braces": lambda: "{" * 2 * DEEP,
    "brackets-closed": lambda: "[" * DEEP + "]" * DEEP,
    "brackets-below-key": lambda: "devices:\n  - " + "[" * DEEP,
    "brackets-on-lines": lambda: "[\n" * DEEP,
    "brackets-in-megabytes": lambda: repeated("[", 9 * MB),
    "dashes-on-a-line": lambda: "- " * DEEP,
    "question-marks": lambda: "? " * DEEP,
    "question-marks-on-lines": lambda: "?\n" * DEEP,
    "indented-keys": lambda: "".join(" " * n + "a:\n" for n in range(1_000)),
    "mixed": lambda: "[{a: " * DEEP,
    "question-marks-in-brackets": lambda: "[? " * DEEP,
    # Many values, and few that look like many.
    "alias-bomb": lambda: (
        "a0: &a0 [x, x]\n"
        + "".join(f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]\n" for n in range(1, 100))
    ),
    "aliases": lambda: f"a: &a {'x' * 9_000}\nb:\n" + " - *a\n" * 90_000,
    "alias-of-number": lambda: (
        f"name: x\na: &a 1.{'0' * 9_000}\nplaces:\n"
        + " - {id: p, position_m: [*a, *a, *a]}\n" * 9_000
    ),
    "anchors": lambda: "a:\n" + "".join(f" - &a{n} x\n" for n in range(90_000)),
    "list-on-a-line": lambda: "devices: [" + repeated("x,", MANY) + "]",
    "list-inside": lambda: "devices:\n - id: [" + repeated("x,", MANY) + "]",
    "pairs": lambda: "devices: [" + repeated("x: 1,", MANY) + "]",
    "keys": lambda: "".join(f"k{n}: 1\n" for n in range(150_000)),
    "keys-of-items": lambda: "devices:\n" + "".join(f" - k{n}: 1\n" for n in range(90_000)),
    "key-again": lambda: "a: 1\n" * 190_000,
    "items-not-mappings": lambda: "devices:\n" + " - x\n" * 190_000,
    "lists-as-keys": lambda: "[a]: 1\n" * 190_000,
    "merge-keys": lambda: "<<: 1\n" * 190_000,
    "unknown-aliases": lambda: "a:\n" + " - *b\n" * 190_000,
    "documents": lambda: "---\n" * 190_000,
    # Long values.
    "long-text": lambda: "name: " + repeated("x ", 9 * MB),
    "long-text-on-lines": lambda: "name:\n" + " x\n" * 190_000,
    "long-quoted": lambda: 'name: "' + "x\n " * 190_000 + '"',
    "quote-never-closed": lambda: 'name: "' + "x\n " * 190_000,
    "long-block": lambda: "name: |\n" + " x\n" * 190_000,
    "long-key": lambda: "x" * 9 * MB + ": 1",
    "long-tag": lambda: "name: !" + "a" * MB + " x",
    "long-anchor": lambda: "name: &" + "a" * MB + " x",
    "long-escapes": lambda: 'name: "' + repeated("\\u0041", 9 * MB) + '"',
    "long-number": lambda: "format: " + "9" * 9 * MB,
    "long-decimal": lambda: "format: 0." + "9" * 9 * MB,
    "far-digit": lambda: f"format: 1\nplaces: [{{id: a, position_m: [0.{'0' * 9_000}1, 0, 0]}}]\n",
    # Much of nothing.
    "lines": lambda: "\n" * 9 * MB,
    "spaces": lambda: " " * 9 * MB,
    "comments": lambda: "# x\n" * 190_000,
    "directives": lambda: "%FOO bar\n" * 190_000 + "--- a",
    "tag-directives": lambda: "".join(f"%TAG !a{n}! tag:x\n" for n in range(190_000)) + "--- a",
    "wide-characters": lambda: "# \U0001f600" + repeated("xy\n# ", 900_000) + repeated("x", 8 * MB),
    "fault-far-down": lambda: "a:\n" + " - x\n" * 190_000 + "]\n",
}

HEAD = """\
format: 1
name: lists
switches: [{id: s, position_m: [0, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 9}]}]
"""
CSV: dict[str, Make] = {
    "rows": lambda: "id,place,grades\n" + "a,b,c\n" * 10**7,
    "rows-within-size": lambda: "id,place,grades\n" + "a,b,c\n" * 190_000,
    "empty-rows": lambda: "id,place,grades\n" + "\n" * 9 * MB,
    "long-line": lambda: "id,place,grades\n" + "a" * 9 * MB,
    "cells": lambda: "id,place,grades\n" + "," * 9 * MB,
    "columns": lambda: ",".join(f"c{n}" for n in range(MB)) + "\n",
    "columns-alike": lambda: "id,grades," * 999 + "\na,b\n",
    "quote-never-closed": lambda: 'id,place,grades\n"' + "x,y\n" * 190_000,
    "wrong-rows": lambda: "id,place,grades\n" + "a b,c d,e;f,g\n" * 49_000,
    "line-ends-of-other-kinds": lambda: "id,place,grades\n" + "\x0b\x0c\x1c\x85\u2028" * MB,
    "returns": lambda: "id,place,grades\r" + "\r" * 9 * MB,
}

LAYOUTS: dict[str, Make] = {
    "brackets": lambda: "[" * 2 * DEEP,
    "segments": lambda: "format: 1\nsegments:\n" + " - x\n" * 190_000,
    "devices": lambda: (
        "format: 1\nsegments:\n - {switch: s, port: 1, grade: x, devices: ["
        + repeated("x,", MANY)
        + "]}"
    ),
    "segments-alike": lambda: (
        "format: 1\nsegments:\n" + " - {switch: x, port: 1, grade: x, devices: [x]}\n" * 20_000
    ),
}

STATES: dict[str, Make] = {
    "brackets": lambda: "[" * 9 * MB,
    "objects": lambda: '{"a":' * MB,
    "lists": lambda: "[" + "[]," * 3 * MB + "[]]",
    "digits": lambda: '{"format": ' + "9" * 9 * MB + "}",
    "text": lambda: '"' + "x" * 11 * MB + '"',
}
