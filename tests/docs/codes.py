"""The codes of findings: what each means and what helps. Few, and stable."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Code:
    """One code, its meaning, and what to do about it."""

    name: str
    meaning: str
    remedy: str


CODES = (
    Code(
        "unreadable-file",
        "A file is not there, is no UTF-8 text, is larger than what is read, or lies where the "
        "problem may not lead to; or a CSV file does not have the form of one.",
        "Look at the path first; names of CSV files count from the folder of the problem file. "
        "[Limits](limits.md) tells how large a file may be and where it may lie. Save text as "
        "UTF-8. In CSV, put quotes round a cell that has the separator in it.",
    ),
    Code(
        "yaml-syntax",
        "The text is no YAML, or uses a part of YAML that is left out here on purpose: anchors on "
        "mappings and lists, merge keys, tags, several documents.",
        "Look at the line shown and the one before it: indentation, a missing bracket, a text with "
        "`: ` in it that needs quotes. Write values out where an anchor stood.",
    ),
    Code(
        "unsupported-version",
        "The `format` of the file is newer than this program.",
        "Use a newer version of the program, or write the file in the format named.",
    ),
    Code(
        "missing-key",
        "A key or CSV column that has no default is missing.",
        "Add it. The hint says what it means.",
    ),
    Code(
        "unknown-key",
        "No key or CSV column of this name belongs here. A mistyped key is told once, with the key "
        "it was probably meant to be, even when that key is required.",
        "Mind the unit at the end of the name: `length_m`, not `length`.",
    ),
    Code(
        "duplicate-key",
        "A key stands twice in one mapping, or a column twice in one CSV file.",
        "Keep one of them. The message names the line of the first.",
    ),
    Code(
        "wrong-kind",
        "Something else was expected: a number, a text, a list, a mapping, one of a few words.",
        "Write numbers bare, without unit and without quotes, with a decimal point. Only `true` "
        "and `false` are truth values; `yes`, `on`, `010`, `1e3` and `1:30` are texts.",
    ),
    Code(
        "out-of-range",
        "A value is outside its bounds.",
        "The message gives the bounds with their unit.",
    ),
    Code(
        "too-fine",
        "A number has more digits than the program keeps. Nothing is ever rounded in silence.",
        "Write fewer digits. The message gives the step.",
    ),
    Code(
        "unknown-name",
        "A name is used that nothing in the file, or in the catalogue, has.",
        "The hint has the nearest name, or all of them when they are few.",
    ),
    Code(
        "duplicate-name",
        "Two things have one name. Devices, devices of the forecast and switches share their "
        "names, since streams name them alike.",
        "Rename one. The message names the line of the first.",
    ),
    Code(
        "not-allowed-together",
        "Two statements rule each other out, or one makes the other useless.",
        "The message names both, with their lines where they stand apart. As a warning: what was "
        "written has no effect.",
    ),
    Code(
        "guessed",
        "A warning: what a table holds was guessed from its headings, or rows of it were left out.",
        "Look whether the guess is right. To settle it, state `columns` for the table.",
    ),
    Code(
        "unlikely",
        "A warning: a value that is possible, but mostly a slip: another unit, a wrong sign, a "
        "place given twice.",
        "Mend it; or, if it is meant, say so under `silence` as the hint tells.",
    ),
    Code(
        "disconnected",
        "No pathways, or no backbone links, lead from one part to another.",
        "Add the missing pathway or link.",
    ),
)
