"""Texts of the reference pages, made from the models and the catalogue that the program uses."""

from __future__ import annotations

import inspect
import re
import types
import typing
from collections.abc import Mapping
from decimal import Decimal
from enum import Enum
from typing import Annotated, Any

from pydantic_core import PydanticUndefined

from partitioner.model.catalogue import Catalogue
from partitioner.reading.catalogue import shipped_catalogue
from partitioner.reading.csv_table import column_kinds
from partitioner.reading.kinds import (
    Choice,
    Flag,
    Grades,
    Headings,
    Name,
    Names,
    Number,
    Point,
    SegmentName,
    Text,
    ValueKind,
    Values,
    Whole,
    plain_number,
    plural,
)
from partitioner.reading.layout_file import LayoutTable
from partitioner.reading.schema import (
    DeviceTable,
    KeyTable,
    ProblemTable,
    StreamTable,
)
from partitioner.reading.tables import tables_inside
from partitioner.units import MG_PER_G, MONEY_STEPS, UM_PER_M, from_base
from tests.docs.codes import CODES

_MADE = "<!-- Made from the program's own models; change those, not this page. -->\n"


_TOLD_DEFAULT = re.compile(r"[;.] [Dd]efault: ([^.]+(?:\.(?=\S)[^.]+)*)\.?")


def _kind(annotation: Any, metadata: tuple[Any, ...] | list[Any] = ()) -> str:
    """Say in words what a key accepts."""
    for extra in metadata:
        if isinstance(extra, ValueKind):
            bounds = ""
            if isinstance(extra, Number):
                bounds = extra.bounds(with_unit=False)
            elif isinstance(extra, Whole):
                bounds = extra.bounds()
            return _words(extra) + (f", {bounds}" if bounds else "")
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is Annotated:
        return _kind(arguments[0], arguments[1:])
    if origin in (typing.Union, types.UnionType):
        return _kind(next(a for a in arguments if a is not type(None)))
    if origin is tuple:
        inside = tables_inside(annotation)
        return f"list of [{_name(inside[0])}]" if inside else f"list of: {_kind(arguments[0])}"
    if origin is dict:
        inside = tables_inside(annotation)
        what = f"[{_name(inside[0])}]" if inside else _kind(arguments[1])
        return f"mapping from id to {what}"
    if isinstance(annotation, type) and issubclass(annotation, KeyTable):
        return f"[{_name(annotation)}]"
    raise AssertionError(f"a key without a kind: {annotation}")


def _words(kind: ValueKind) -> str:
    """Say in words which single values a kind accepts."""
    match kind:
        case Number() | Whole():
            return kind.words()
        case Flag():
            return "true or false"
        case SegmentName():
            return "name, also with `:` and a port behind it"
        case Name(of=of):
            return "name" if of == "name" else f"{of} name"
        case Text():
            return "text"
        case Choice(of=words):
            return "one of " + ", ".join(f"`{word.value}`" for word in words)
        case Point():
            return "list of 3 numbers in m"
        case Grades():
            return "list of grade ids, or mapping from grade id to PHY price"
        case Names(of=of):
            return f"list of {plural(of)}"
        case Headings():
            return "mapping from key to heading"
        case Values():
            return "mapping from key to value"
    raise AssertionError(f"a kind without words: {kind}")


def _name(model: type[KeyTable]) -> str:
    """Heading of a table, from its class name: ``BackboneLinkTable`` is ``backbone link``."""
    text = model.__name__.removesuffix("Table").removesuffix("Entry")
    return "".join(f" {c.lower()}" if c.isupper() else c for c in text).strip()


def _default(value: Any) -> str:
    if value is PydanticUndefined:
        return "required"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, Enum):
        return f"`{value.value}`"
    if isinstance(value, Decimal):
        return f"`{plain_number(value)}`"
    if isinstance(value, KeyTable):
        return "its defaults"
    if isinstance(value, (tuple, dict)):
        return "none"
    return f"`{value}`" if value != "" else "empty"


def _rows(model: type[KeyTable]) -> list[str]:
    rows = ["| key | kind | default | meaning |", "|---|---|---|---|"]
    for name, info in model.model_fields.items():
        kind = _kind(info.annotation, info.metadata)
        meaning = info.description or ""
        default = _default(info.default)
        told = _TOLD_DEFAULT.search(meaning)
        if told is not None:
            # A default that is no value is told in words; it has a column of its own here.
            default = told[1]
            meaning = meaning[: told.start()] + "." + meaning[told.end() :]
        rows.append(f"| `{info.alias or name}` | {kind} | {default} | {meaning} |")
    return rows


def _sections(model: type[KeyTable], done: set[type[KeyTable]]) -> list[str]:
    """Tables that are inside ``model``, each under a heading of its own, in the file's order."""
    text: list[str] = []
    for info in model.model_fields.values():
        for inner in tables_inside(info.annotation):
            if inner in done:
                continue
            done.add(inner)
            summary = inspect.getdoc(inner) or ""
            text += ["", f"## {_name(inner)}", "", summary, "", *_rows(inner)]
            text += _sections(inner, done)
    return text


def _links(text: str) -> str:
    """Turn ``[backbone link]`` into a link to its heading."""
    made = text
    for line in text.splitlines():
        if line.startswith("## "):
            name = line[3:]
            made = made.replace(f"[{name}]", f"[{name}](#{name.replace(' ', '-')})")
    return made


def problem_page() -> str:
    """Text of ``docs/reference/problem-file.md``."""
    devices = ", ".join(f"`{c}`" for c in column_kinds(DeviceTable))
    streams = ", ".join(f"`{c}`" for c in column_kinds(StreamTable))
    text = [
        "# Problem file, format 1",
        "",
        _MADE,
        "A problem is one YAML file. Its lists of devices and streams may also stand in CSV files "
        "beside it or below. Names of keys end with their unit. A key that is not listed here is "
        "an error. `partitioner schema` prints the same as JSON Schema for editors.",
        "",
        "Numbers are decimals with a point, exact to the step of their unit (1 µm, 1 ns, 1 mg, one "
        "ten-thousandth of the currency unit, a millionth of a share); finer ones are an error, "
        "nothing is rounded. Only `true` and `false` are truth values. Names are up to 64 letters, "
        "digits and `- _ . +`, without spaces, and start with a letter or a digit.",
        "",
        "A value that is accepted but can have no effect gives a warning, on the terminal and in "
        "the report. All findings of a file come at once: see [messages](messages.md).",
        "",
        "## The file",
        "",
        *_rows(ProblemTable),
        *_sections(ProblemTable, set()),
        "",
        "## CSV files",
        "",
        "The first line names the columns, in any order; each further line is one device or "
        "stream. The separator is a comma, a semicolon or a tab, whichever the first line has. "
        "Empty cells and empty lines are left out. Lists are separated by spaces. A device's "
        "position stands in `x_m`, `y_m` and `z_m` (`z_m` may be left out: 0). Prices of PHYs are "
        "written after the grade: `10BASE-T1S-multidrop=2.5`. Numbers have a decimal point. Files "
        "are UTF-8. Findings give the line and the name of the column.",
        "",
        "An apostrophe at the start of a cell that guards a formula sign behind it (`'=`, `'+`, "
        "`'-`, `'@`) is taken away: that is how this program [writes](report.md) such texts.",
        "",
        f"Columns of `devices_csv`: {devices}.",
        "",
        f"Columns of `streams_csv`: {streams}.",
        "",
        "A file with both a list and a CSV file has the devices or streams of both.",
    ]
    return _links("\n".join(text) + "\n")


def layout_page() -> str:
    """Text of ``docs/reference/layout-file.md``."""
    text = [
        "# Layout file, format 1",
        "",
        _MADE,
        "A layout holds the decisions of a plan and nothing that follows from them. `plan` writes "
        "one; one written or changed by hand is read the same way and may leave devices out. "
        "Whether it keeps the rules of its problem is told by `check`.",
        "",
        "The devices of a line stand in the order in which its cable meets them. `switch_index` "
        "says how many of them come before the switch: `0` puts the switch at the start of the "
        "line, the number of devices puts it at the end, anything between along the line.",
        "",
        "## The file",
        "",
        *_rows(LayoutTable),
        *_sections(LayoutTable, set()),
        "",
        "## Example",
        "",
        "```yaml",
        "format: 1",
        "segments:",
        "  - {switch: zone-front, port: 1, grade: 10BASE-T1S-multidrop, devices: [lamp-1, lamp-2]}",
        "  - {switch: zone-front, port: 4, grade: 100BASE-T1, devices: [camera]}",
        "```",
    ]
    return _links("\n".join(text) + "\n")


def messages_page(examples: Mapping[str, str]) -> str:
    """Text of ``docs/reference/messages.md``.

    Parameters
    ----------
    examples
        For each code the text of a real message.
    """
    text = [
        "# Messages about files",
        "",
        _MADE,
        "A wrong file ends with exit code 3 and nothing is written. Every finding has the form",
        "",
        "```text",
        "file:line:column: error[code] where: expected …, got …",
        "```",
        "",
        "followed by the line of the file, a mark under the place, and at most one hint. `where` "
        "leads to the value by the ids of the things it is in. Warnings have the same form with "
        "`warning[code]`; they stop nothing and stand in the report too. With `--json` the same "
        "records come as a list.",
        "",
        "What comes from a file or is the name of one is shown as it is but for control "
        "characters, line breaks, signs that turn the direction of writing and other signs "
        "without a width: these are shown as their codes, such as `\\x1b`, `\\n` or `\\u202e`, "
        "here and in everything the program prints. A quote that is never closed, or closes only "
        "lines below, is told where it opens. In JSON the same signs are escaped and read back as "
        "they were.",
    ]
    for code in CODES:
        text += ["", f"## {code.name}", "", code.meaning, "", code.remedy]
        if code.name in examples:
            text += ["", "```text", examples[code.name].rstrip("\n"), "```"]
    return "\n".join(text) + "\n"


def catalogue_page() -> str:
    """Text of ``docs/reference/catalogue.md``."""
    catalogue = shipped_catalogue()
    text = [
        "# Shipped catalogue",
        "",
        _MADE,
        "Rates, reach and delays come from the sources named. **Prices, masses and attenuations "
        "are invented**: round numbers that only keep their order. Replace them in the problem "
        "file under `catalogue`, key by key; an entry you change is marked as yours in every "
        "report.",
        "",
        "Trust marks: *clause*: the standard's clause or a clause-by-clause model of it; "
        "*restated*: a text that restates the standard; *derived*: arithmetic on such figures; "
        "*common practice*: a fact of the trade without source; *memory*: no text was read, read "
        "the clause before relying on it; *invented*: made up. An entry has the weakest mark of "
        "its figures.",
        "",
        *_grade_rows(catalogue),
        *_cable_rows(catalogue),
        *_part_rows(catalogue),
        *_curve_rows(catalogue),
    ]
    return "\n".join(text) + "\n"


def _um(value: int) -> str:
    return plain_number(from_base(value, UM_PER_M))


def _money(value: int) -> str:
    return plain_number(from_base(value, MONEY_STEPS))


def _grams(value: int) -> str:
    return plain_number(from_base(value, MG_PER_G))


def _grade_rows(catalogue: Catalogue) -> list[str]:
    text = [
        "## Grades",
        "",
        "| grade | segment | Mbit/s | duplex | length m | nodes | stub m | PHY to wire ns | wire "
        "to PHY ns | loop delay ns | trust |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for g in catalogue.grades.values():
        loop = f"{g.loop_delay_min_ns} to {g.loop_delay_max_ns}" if g.loop_delay_max_ns else "-"
        text.append(
            f"| {g.id} | {'shared line' if g.terminator else 'link'} | {g.rate_bps // 1_000_000} | "
            f"{'full' if g.full_duplex else 'half'} | {_um(g.guaranteed_length_um)} | "
            f"{g.guaranteed_nodes} | {_um(g.guaranteed_stub_um)} | {g.phy_tx_ns} | {g.phy_rx_ns} | "
            f"{loop} | {g.trust.value} |"
        )
    text += ["", "Nodes count the switch port. Sources:", ""]
    text += [f"- {g.id}: {g.source}." for g in catalogue.grades.values()]
    return [*text, ""]


def _cable_rows(catalogue: Catalogue) -> list[str]:
    text = [
        "## Cables",
        "",
        "| cable | price per m | g per m | ns per m | source | trust |",
        "|---|---|---|---|---|---|",
    ]
    for c in catalogue.cables.values():
        text.append(
            f"| {c.id} | {_money(c.price_per_m_money)} | {_grams(c.mass_mg_per_m)} | "
            f"{c.propagation_ns_per_m:g} | {c.source} | {c.trust.value} |"
        )
    return [*text, ""]


def _part_rows(catalogue: Catalogue) -> list[str]:
    text = ["## Parts", "", "| part | price | g | source | trust |", "|---|---|---|---|---|"]
    for p in catalogue.parts.values():
        text.append(
            f"| {p.id} | {_money(p.price_money)} | {_grams(p.mass_mg)} | {p.source} | "
            f"{p.trust.value} |"
        )
    return [*text, ""]


def _curve_rows(catalogue: Catalogue) -> list[str]:
    text = [
        "## Electrical limits",
        "",
        "Used for the electrical estimate only, never for a verdict.",
    ]
    for grade, c in catalogue.limit_curves.items():
        points = ", ".join(f"{db:g} dB at {mhz:g} MHz" for mhz, db in c.points_mhz_db)
        text += [
            "",
            f"{grade}: insertion loss at most {points}, straight between; at most "
            f"{c.node_capacitance_pf:g} pF a node and {c.total_capacitance_pf:g} pF a line. "
            f"Source: {c.source}. Trust: {c.trust.value}.",
        ]
    return text
