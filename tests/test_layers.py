"""The house has one-way layers; what a module imports must lie strictly above its own row."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "partitioner"

ROWS = (
    {"errors", "units", "visible", "import_path"},
    {"model", "wording"},
    {"reading", "network"},
    {"timing"},
    {"solve", "check"},
    {"report"},
    {"runs"},
    {"facts"},
    {"explain", "replan", "tradeoff", "zones"},
    {"cluster"},
    {"studies"},
    {"pages"},
    {"application"},
    {"interface", "cli"},
    {"__main__"},
)
ROW_OF = {part: number for number, row in enumerate(ROWS) for part in row}

# Where a part may see less than everything above it.
SEES_ONLY = {
    "timing": {"errors", "units", "model"},
    "report": {"errors", "units", "visible", "model", "reading"},
}
# Of reading, the report needs the writers of text only.
REPORT_OF_READING = {
    "partitioner.reading.csv_text",
    "partitioner.reading.layout_file",
    "partitioner.reading.yaml_text",
}

ALONE_IN = {"ortools": "solve", "pyvrp": "solve", "distributed": "cluster", "dask": "cluster"}
"""Libraries that one part alone may import."""


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


@dataclass(frozen=True)
class Source:
    """What the tests want to know of a file."""

    imported: frozenset[str]
    """Every module named in an import anywhere in it, those inside functions too."""
    loaded_at_once: frozenset[str]
    """Those of imports at its top level; imports inside functions come later."""
    calls: tuple[tuple[str, int], ...]
    """Name and line of all that is called."""
    statements: int
    """At its top level, texts not counted."""


@cache
def source(path: Path) -> Source:
    """Read a file; once, since many tests look at all of them."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = tuple(
        (ast.unparse(node.func), node.lineno)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    )
    statements = sum(not isinstance(node, ast.Expr) for node in tree.body)
    return Source(
        modules_in(ast.walk(tree), path), modules_in(tree.body, path), calls, statements
    )


def modules_in(nodes: Iterable[ast.AST], path: Path) -> frozenset[str]:
    """Modules named in the imports among some nodes."""
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            found.add(node.module or "")
    return frozenset(found)


def part_of(path: Path) -> str:
    inside = path.relative_to(PACKAGE).parts
    return inside[0].removesuffix(".py")


def breaches(part: str, imported: Iterable[str]) -> list[str]:
    """What of ``imported`` a module of ``part`` must not see."""
    wrong = []
    for name in sorted(imported):
        top, _, rest = name.partition(".")
        if part != ALONE_IN.get(top, part):
            wrong.append(name)
        if top != "partitioner" or not rest:
            continue
        other = rest.split(".")[0]
        if other == part:
            continue
        is_above = ROW_OF[other] < ROW_OF[part]
        is_seen = other in SEES_ONLY.get(part, {other})
        if part == "report" and other == "reading":
            is_seen = name in REPORT_OF_READING
        if not (is_above and is_seen):
            wrong.append(name)
    return wrong


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_up_only(path: Path) -> None:
    part = part_of(path)
    if part == "__init__":
        return
    assert part in ROW_OF, f"{part} has no row yet"
    assert breaches(part, source(path).imported) == []


@pytest.mark.parametrize(
    ("part", "name"),
    [
        ("check", "partitioner.solve.master"),
        ("solve", "partitioner.check.judge"),
        ("report", "partitioner.check.judge"),
        ("report", "partitioner.reading.problem"),
        ("timing", "partitioner.network.cable"),
        ("reading", "partitioner.network.cable"),
        ("model", "partitioner.reading.problem"),
        ("check", "ortools.sat.python"),
        ("facts", "partitioner.cli.main"),
        ("cli", "distributed.client"),
    ],
)
def test_the_test_notices_a_breach(part: str, name: str) -> None:
    assert breaches(part, {name}) == [name]


@pytest.mark.parametrize("path", [p for p in modules() if p.name == "__init__.py"])
def test_package_files_are_empty(path: Path) -> None:
    # The package's own one holds its version and loads public names when they are asked for;
    # importing anything would make import knots.
    if path.parent == PACKAGE:
        assert source(path).loaded_at_once == frozenset()
    else:
        assert source(path).statements == 0


def test_only_the_command_line_prints() -> None:
    printing = []
    for path in modules():
        if part_of(path) == "cli":
            continue
        for called, line in source(path).calls:
            if called == "print":
                printing.append(f"{path.relative_to(ROOT)}:{line}")
    assert printing == []


def test_only_the_voice_writes_to_a_terminal() -> None:
    """Everything else would have to remember to make foreign text safe."""
    writing = []
    for path in modules():
        for called, _ in source(path).calls:
            if re.fullmatch(r"print|click\.(echo|secho|confirm|prompt)|sys\.std\w+\.write", called):
                writing.append(str(path.relative_to(PACKAGE)))
    # The version is the program's own text.
    writing.remove("cli/main.py")
    assert set(writing) == {"cli/voice.py"}


def test_only_one_module_writes_csv_and_one_json() -> None:
    """Cells that run and texts that steer a terminal are made harmless there."""
    calls = {"csv.writer": set(), "csv.DictWriter": set(), "to_csv": set(), "json.dumps": set()}
    for path in modules():
        for called, _ in source(path).calls:
            for name, places in calls.items():
                if called == name or called.endswith(f".{name}"):
                    places.add(str(path.relative_to(PACKAGE)))
    assert calls == {
        "csv.writer": {"reading/csv_text.py"},
        "csv.DictWriter": set(),
        "to_csv": set(),
        "json.dumps": {"visible.py"},
    }


def test_no_import_knots() -> None:
    """No two modules import each other, directly or round a corner, when they load."""
    known = {".".join(p.relative_to(ROOT).with_suffix("").parts): p for p in modules()}
    edges = {name: source(path).loaded_at_once & set(known) for name, path in known.items()}
    state: dict[str, str] = {}

    def visit(name: str, way: tuple[str, ...]) -> None:
        if state.get(name) == "done":
            return
        assert state.get(name) != "open", " -> ".join([*way, name])
        state[name] = "open"
        for other in sorted(edges[name]):
            visit(other, (*way, name))
        state[name] = "done"

    for name in sorted(edges):
        visit(name, ())
