"""The reference page on limits, made from the program's own table."""

from __future__ import annotations

from partitioner.reading.limits import LIMITS


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
