"""How much the program reads of one file: what is larger is told and not read.

The limits keep what a file from a stranger can cost to seconds and some hundred megabytes. They
are wide of what problems need: ten thousand devices and as many streams fit, more in CSV files.
"""

from __future__ import annotations

from dataclasses import dataclass

LARGEST_FILE_BYTES = 10_000_000
LARGEST_RESULT_BYTES = 30_000_000
MOST_LINES = 200_000
LARGEST_UNPACKED_BYTES = 100_000_000
DEEPEST = 40
MOST_VALUES = 300_000
MOST_RESULT_VALUES = 1_500_000
MOST_DIRECTIVES = 100
MOST_INNER = 10_000
LONGEST_VALUE = 10_000
LONGEST_NUMBER = 100
MOST_ROWS = 50_000
MOST_COLUMNS = 100
LONGEST_ROW_LINE = 20_000
MOST_FINDINGS = 1_000
LONGEST_SOURCE_LINE = 1_000
RETOLD_CHARACTERS = 40_000
MOST_COMPARED = 100_000


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
