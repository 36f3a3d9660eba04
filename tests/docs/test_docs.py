"""The documentation says what the program does: names, codes, links, commands that run."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from partitioner.cli.main import COMMANDS
from partitioner.errors import ExitCode
from partitioner.report.outcome_schema import outcome_schema
from partitioner.visible import json_text
from tests.docs.commands_page import reference_text
from tests.docs.rules_page import rules_page

ROOT = Path(__file__).parent.parent.parent
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.rglob("*.md"), *ROOT.glob("*.md"), *(ROOT / "problems").rglob("*.md")])


def read(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "made"),
    [
        ("cli.md", reference_text),
        ("rules.md", rules_page),
        ("outcome.schema.json", lambda: json_text(outcome_schema()) + "\n"),
    ],
)
def test_made_page_is_fresh(name: str, made: Callable[[], str]) -> None:
    page = DOCS / "reference" / name
    if os.environ.get("PARTITIONER_ACCEPT"):
        page.write_text(made(), encoding="utf-8")
    assert page.read_text(encoding="utf-8") == made(), "stale: run with PARTITIONER_ACCEPT=1"


def test_exit_codes_page_has_every_code_once() -> None:
    rows = re.findall(r"^\| (\d) \| `(\w+)` \|", read("reference/exit-codes.md"), re.M)
    assert [(int(n), name) for n, name in rows] == [(c.value, c.name) for c in ExitCode]


@pytest.mark.parametrize("command", COMMANDS)
def test_command_is_in_readme_and_reference(command: str) -> None:
    assert f"`partitioner {command} " in (ROOT / "README.md").read_text() or (
        f"`partitioner {command}`" in (ROOT / "README.md").read_text()
    )
    assert f"## partitioner {command}\n" in read("reference/cli.md")


def slug(heading: str) -> str:
    """The anchor that a heading gets when the page is shown."""
    kept = re.sub(r"[^\w\- ]", "", heading.strip().lower().replace("`", ""))
    return kept.replace(" ", "-")


def anchors(page: Path) -> set[str]:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    return {slug(h) for h in re.findall(r"^#+ (.+)$", text, re.M)}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.S)
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        other = (page.parent / name).resolve() if name else page
        if not other.exists() or (anchor and anchor not in anchors(other)):
            broken.append(target)
    assert broken == []


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_pages_have_one_title_and_skip_no_level(page: Path) -> None:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    levels = [len(marks) for marks in re.findall(r"^(#+) ", text, re.M)]
    assert levels[:1] == [1]
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


def test_every_page_is_reached_from_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)#\s]+\.md)", read("index.md")))
    there = {str(p.relative_to(DOCS)) for p in DOCS.rglob("*.md")} - {"index.md"}
    assert there - linked == set()


def commands_shown() -> list[tuple[str, list[str]]]:
    """Every line in a code block that starts with the program's name."""
    shown = []
    for page in PAGES:
        for block in re.findall(r"^```\w*\n(.*?)^```", page.read_text("utf-8"), re.M | re.S):
            for line in block.splitlines():
                words = line.removeprefix("$ ").strip()
                if re.match(r"(\.venv/bin/)?partitioner [a-z]", words) and "[OPTIONS]" not in words:
                    shown.append((f"{page.relative_to(ROOT)}: {words}", shlex.split(words)[1:]))
    return shown


@pytest.mark.parametrize(("where", "words"), commands_shown(), ids=lambda x: str(x)[:70])
def test_commands_shown_are_understood(where: str, words: list[str], tmp_path: Path) -> None:
    """Each is parsed by the real command; only the work behind it is left out."""
    import click

    from partitioner.cli.main import partitioner

    if ">" in words:
        words = words[: words.index(">")]
    root = click.Context(partitioner, info_name="partitioner")
    command = partitioner.get_command(root, words[0])
    assert command is not None, where
    command.make_context(words[0], list(words[1:]), parent=root)


RUN_PAGES = ["tutorial/first-plan.md"]


@pytest.mark.slow
@pytest.mark.parametrize("name", RUN_PAGES)
def test_console_blocks_run(name: str, tmp_path: Path) -> None:
    """Blocks marked ``console`` are run in order in one empty folder.

    A line after a command is expected output, with figures that differ between machines (times,
    versions) written as ``…``. Blocks with a file's name as title (``yaml problem.yaml``) are left
    alone.
    """
    blocks = re.findall(r"^```console\n(.*?)^```", read(name), re.M | re.S)
    assert blocks, "a tutorial without a command to run"
    bin_folder = Path(sys.executable).parent
    environment = {
        **os.environ,
        "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}",
        "NO_COLOR": "1",
    }
    for block in blocks:
        for command, expected in split_console(block):
            done = subprocess.run(
                command, shell=True, cwd=tmp_path, env=environment, text=True,
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=120, check=False,
            )  # fmt: skip
            # A slow machine writes lines of progress in between.
            got = re.sub(r"^(best|no layout yet).* s left.*\n", "", done.stdout, flags=re.M)
            if expected:
                assert matches(expected, got), f"$ {command}\n{got}"


def split_console(block: str) -> list[tuple[str, str]]:
    pairs: list[tuple[str, str]] = []
    for line in block.splitlines(keepends=True):
        if line.startswith("$ "):
            pairs.append((line[2:].strip(), ""))
        else:
            command, so_far = pairs[-1]
            pairs[-1] = (command, so_far + line)
    return pairs


def matches(expected: str, got: str) -> bool:
    """Compare line by line; ``…`` stands for anything, and trailing blanks do not count."""

    def clean(text: str) -> str:
        return "\n".join(line.rstrip() for line in text.strip().splitlines())

    pattern = ".*?".join(re.escape(piece) for piece in clean(expected).split("…"))
    return re.fullmatch(pattern, clean(got), re.S) is not None


def test_matching_notices_a_difference() -> None:
    assert matches("gap … %\nok", "gap 1.5 %\nok\n")
    assert not matches("gap … %\nok", "gap 1.5 %\nbad")
