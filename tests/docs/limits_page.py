"""The reference page on limits, with the figures of the program."""

from __future__ import annotations

from dataclasses import dataclass

from partitioner.reading.limits import (
    DEEPEST,
    LARGEST_FILE_BYTES,
    LARGEST_RESULT_BYTES,
    LARGEST_UNPACKED_BYTES,
    LONGEST_ROW_LINE,
    LONGEST_SOURCE_LINE,
    LONGEST_VALUE,
    MOST_COLUMNS,
    MOST_DIRECTIVES,
    MOST_FINDINGS,
    MOST_INNER,
    MOST_LINES,
    MOST_RESULT_VALUES,
    MOST_ROWS,
    MOST_VALUES,
)


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit as the reference page tells it."""

    what: str
    most: int
    unit: str
    why: str


LIMITS = (
    Limit(
        "size of a problem, list, layout, or state of a trade-off",
        LARGEST_FILE_BYTES // 1_000_000,
        "MB",
        "It is looked at before the file is opened, and again while it is read.",
    ),
    Limit(
        "size of an `outcome.json` or `replan.json` that a run compares its own with",
        LARGEST_RESULT_BYTES // 1_000_000,
        "MB",
        "A larger one, or one with more values than the next line, is taken for no result.",
    ),
    Limit("values of such a file", MOST_RESULT_VALUES, "", ""),
    Limit("lines of a YAML or CSV file", MOST_LINES, "", "A problem needs a few per device."),
    Limit("nesting of lists and mappings", DEEPEST, "levels", "A problem needs six."),
    Limit(
        "values of a YAML file",
        MOST_VALUES,
        "",
        "Every number, text, list and mapping counts, keys too, and each use of an alias. Ten "
        "thousand devices and as many streams fit; CSV files hold more.",
    ),
    Limit(
        "entries of one mapping, or of one list inside an entry",
        MOST_INNER,
        "",
        "The lists of devices, streams and so on themselves count by their values only.",
    ),
    Limit("lines of a YAML file that begin with `%`", MOST_DIRECTIVES, "", "No file needs any."),
    Limit("characters of one value or key", LONGEST_VALUE, "", "Texts have narrower limits."),
    Limit("rows of a CSV file or of a sheet", MOST_ROWS, "", "Its header is not counted."),
    Limit("columns of a CSV file or of a sheet", MOST_COLUMNS, "", "A device has some twenty."),
    Limit(
        "size of a workbook, unpacked",
        LARGEST_UNPACKED_BYTES // 1_000_000,
        "MB",
        "It is looked at before anything is unpacked.",
    ),
    Limit("characters of one line of a CSV file", LONGEST_ROW_LINE, "", ""),
    Limit(
        "findings that are told",
        MOST_FINDINGS,
        "",
        "Reading ends there. Further warnings are counted only.",
    ),
    Limit(
        "characters of a line that a record of `--json` repeats",
        LONGEST_SOURCE_LINE,
        "",
        "Of a longer line the record gives line and column only; text shows the part round it.",
    ),
)


def limits_page() -> str:
    """Text of the reference page on limits."""
    rows = [
        f"| {limit.what} | {_number(limit.most)}{' ' + limit.unit if limit.unit else ''} | "
        f"{limit.why} |"
        for limit in LIMITS
    ]
    return "\n".join(
        [
            "# Limits of what is read",
            "",
            "<!-- Made from the program's own limits; change those, not this page. -->",
            "",
            "Problem, layout and list files, and the files a command goes on from, are read "
            "within these limits. Beyond one of them the file is told as wrong (exit code 3): "
            "nothing of it is used.",
            "",
            "| limit | at most | |",
            "|---|---|---|",
            *rows,
            "",
            "Only regular files are read. A folder, a device, a pipe or a socket is told as what "
            "it is and not waited for; process substitution of a shell (`<(…)`) makes a pipe, so "
            "write a file instead.",
            "",
            "Lists named by `devices_csv` and `streams_csv` must lie in the folder of the problem "
            "file or below it, after all links are followed. `--lists-from DIR` allows one more "
            "folder; it may be given several times. A name that is not found beside the problem is "
            "looked for there, in the order given. Lines of a list are shown in messages only when "
            "its header is that of a list: at least half of its columns are known.",
            "",
            "A file made to be slow costs at most about as much as the largest file that is within "
            "the limits: some seconds and 300 MB. [What is promised about files from strangers]"
            "(../SECURITY.md) tells the rest.",
            "",
        ]
    )


def _number(value: int) -> str:
    return f"{value:,}".replace(",", " ")
