"""Layout files, format 1: the decisions of a plan, written and read back.

A layout may be written by hand and may leave devices out. What is told here is what keeps it from
being understood: unknown keys and names, wrong kinds, settings without a meaning. Whether it keeps
the rules of its problem (a port used twice, a PLCA ID given twice) is for ``check`` to judge.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from partitioner.errors import Finding
from partitioner.model.layout import BuiltLink, Layout, Segment
from partitioner.model.plca import LINK_DEVICE_ID, LINK_NODE_COUNT, plca_ids, plca_node_count
from partitioner.model.problem import Problem
from partitioner.reading.base_units import same
from partitioner.reading.kinds import Names, SegmentName, Text, Whole
from partitioner.reading.origin import Enough, Findings, YamlOrigin
from partitioner.reading.problem import FileKind, read_document, read_text
from partitioner.reading.references import references
from partitioner.reading.schema import FORMAT, DeviceId, GradeId, KeyTable, SwitchId, key
from partitioner.reading.tables import Item, read_list, read_table
from partitioner.reading.yaml_text import Flow, dump

_GONE = "if it is gone: `partitioner replan PROBLEM --keep LAYOUT` plans on from this layout"
"""What helps where a layout is older than its problem."""

SegmentId = Annotated[str, SegmentName()]
PlcaId = Annotated[int, Whole(0, 255)]
BurstCount = Annotated[int, Whole(0, 255)]


class SegmentTable(KeyTable):
    """One shared line or one link."""

    id: SegmentId | None = key("Name of the segment; default: switch and port joined.", None)
    switch: SwitchId = key("Switch it ends at.")
    port: Annotated[int, Whole(1, 100_000)] = key(
        "Port of the switch, counted from 1 through its port groups."
    )
    grade: GradeId = key("Speed grade.")
    devices: Annotated[tuple[str, ...], Names("device")] = key(
        "Its devices in the order in which the cable meets them."
    )
    switch_index: Annotated[int, Whole(0, 100_000)] = key(
        "How many of the devices come before the switch; 0: the switch is at the start.", 0
    )
    plca: dict[DeviceId, PlcaId] | None = key(
        "PLCA ID of each device; default: 1, 2, … outward from the switch, first along the part "
        "after it, then along the part before it. Lines only; on a half-duplex link it is 1.",
        None,
    )
    node_count: Annotated[int, Whole(1, 255)] | None = key(
        "PLCA node count set at the switch port; default: highest ID + 1 + reserve. Lines only; on "
        "a half-duplex link it is 2.",
        None,
    )
    burst_counts: dict[DeviceId, BurstCount] | None = key(
        "PLCA burst count of a device, or of the switch, where it differs from the problem's. "
        "Lines and half-duplex links only.",
        None,
    )


class BuiltLinkTable(KeyTable):
    """A backbone link that is built."""

    between: Annotated[tuple[str, str], Names("switch", least=2, most=2)] = key("The two switches.")
    grade: GradeId = key("Its grade.")


class LayoutTable(KeyTable):
    """A layout: decisions only."""

    format: Annotated[int, Whole(1, 1_000_000)] = key(
        "Format of the file; the one described here is 1."
    )
    problem: Annotated[str, Text(longest=200)] = key("Name of the problem it belongs to.", "")
    problem_digest: Annotated[str, Text(longest=200)] = key(
        "Digest of the problem's files when the layout was made.", ""
    )
    open_switches: Annotated[tuple[str, ...], Names("switch", least=0)] | None = key(
        "Switches that are built; default: the required ones and those that carry segments.", None
    )
    backbone: tuple[BuiltLinkTable, ...] | None = key(
        "Backbone links that are built; default: the required ones (all of them where the shape is "
        "`fixed`) between open switches, each with its first grade.",
        None,
    )
    segments: tuple[SegmentTable, ...] = key("Lines and links.")


def plca_order(devices: tuple[str, ...], switch_index: int) -> tuple[str, ...]:
    """Devices outward from the switch: the part after it first, then the part before it.

    Examples
    --------
    >>> plca_order(("a", "b", "c", "d"), 2)
    ('c', 'd', 'b', 'a')
    """
    return (*devices[switch_index:], *reversed(devices[:switch_index]))


def default_plca_ids(devices: tuple[str, ...], switch_index: int) -> tuple[int, ...]:
    """PLCA IDs 1, 2, … by :func:`plca_order`, parallel to ``devices``."""
    rank = {d: n for n, d in enumerate(plca_order(devices, switch_index), start=1)}
    return tuple(rank[d] for d in devices)


def read_layout_with_findings(path: Path, problem: Problem) -> tuple[Layout | None, list[Finding]]:
    """Read a layout; give the findings instead of raising, warnings among them."""
    findings = Findings()
    read = read_text(path, FileKind.LAYOUT, findings)
    if read is None:
        return None, findings.found
    return layout_from_text(read[0], str(path), problem)


def layout_from_text(text: str, file: str, problem: Problem) -> tuple[Layout | None, list[Finding]]:
    """Read a layout from a text; ``file`` is the name that findings carry."""
    findings = Findings()
    try:
        return _read(text, file, problem, findings)
    except Enough:
        return None, findings.in_order(file)


def _read(
    text: str, file: str, problem: Problem, findings: Findings
) -> tuple[Layout | None, list[Finding]]:
    root = read_document(text, file, FileKind.LAYOUT, findings)
    if root is None:
        return None, findings.found
    raw: dict[str, Any] = root.document.data
    shallow = {
        k: ([] if k in ("segments", "backbone") and isinstance(v, list) else v)
        for k, v in raw.items()
    }
    top = read_table(LayoutTable, shallow, root, findings)
    segments = read_list(SegmentTable, raw, "segments", root, findings)
    links = read_list(BuiltLinkTable, raw, "backbone", root, findings)
    known: dict[str, Mapping[str, Any]] = {
        "switch": problem.switches, "device": problem.devices, "grade": problem.catalogue.grades
    }  # fmt: skip
    items: list[Item[Any]] = [top, *segments, *links]
    placed = {d for item in segments for d in item.table.devices or ()}
    # A device that has its place already was not meant by another name.
    meant = {**known, "device": {d: 0 for d in problem.devices if d not in placed}}
    has_told = False
    for item in items:
        for what, name, steps, _ in references(item):
            if name in known[what]:
                continue
            hint = findings.near(name, meant[what], list_known=what != "device")
            if what == "device" and not hint and not has_told:
                hint, has_told = _GONE, True
            message = f"no such {what} '{name}' in the problem"
            findings.add(item.origin, "unknown-name", message, *steps, hint=hint)
    _check_top(top, root, problem, findings)
    for segment in segments:
        _check_segment(segment, problem, findings)
    _check_ids(segments, findings)
    if findings.errors():
        return None, findings.in_order(file)
    layout = _build(top, segments, links if raw.get("backbone") is not None else None, problem)
    return layout, findings.in_order(file)


def _check_top(
    top: Item[LayoutTable], root: YamlOrigin, problem: Problem, findings: Findings
) -> None:
    if top.table.problem and top.table.problem != problem.name:
        findings.clash(
            root, f"made for the problem '{top.table.problem}', read with '{problem.name}'",
            "problem", is_warning=True,
        )  # fmt: skip
    elif top.table.problem_digest and top.table.problem_digest != problem.digest:
        findings.clash(
            root, "the problem's files have changed since this layout was made", "problem_digest",
            is_warning=True,
        )  # fmt: skip


def _check_segment(item: Item[SegmentTable], problem: Problem, findings: Findings) -> None:
    table, origin = item.table, item.origin
    grades = problem.catalogue.grades
    if table.devices is not None and table.switch_index is not None:
        _check_order(item, findings)
    if table.grade not in grades:
        return
    grade = grades[table.grade]
    if grade.full_duplex:
        for name in ("plca", "node_count", "burst_counts"):
            if getattr(table, name):
                findings.clash(
                    origin, f"{table.grade} is full duplex and has no PLCA settings", name,
                    hint="remove the key", on_key=True,
                )  # fmt: skip
        return
    _check_plca(item, findings)
    if not grade.is_line:
        _check_plca_of_link(item, findings)


def _check_order(item: Item[SegmentTable], findings: Findings) -> None:
    table = item.table
    if table.switch_index > len(table.devices):
        findings.add(
            item.origin, "out-of-range",
            f"expected 0 to {len(table.devices)}, the number of devices, got {table.switch_index}",
            "switch_index",
        )  # fmt: skip


def _check_plca(item: Item[SegmentTable], findings: Findings) -> None:
    table, origin = item.table, item.origin
    if table.devices is None:
        return
    on_segment = [*table.devices, table.switch or ""]
    for setting, names in (("plca", table.devices), ("burst_counts", on_segment)):
        for name in getattr(table, setting) or ():
            if name not in names:
                message = f"no such device on this segment: '{name}'"
                findings.unknown(origin, message, name, names, setting, name, on_key=True)
    absent = [d for d in table.devices if table.plca is not None and d not in table.plca]
    if absent:
        findings.add(
            origin, "missing-key",
            f"expected a PLCA ID for every device, got none for {', '.join(absent)}", "plca",
            hint="leave `plca` out to have all IDs given by order",
        )  # fmt: skip


def _check_plca_of_link(item: Item[SegmentTable], findings: Findings) -> None:
    """A half-duplex link is a line of two nodes, so there is nothing to choose."""
    table, origin = item.table, item.origin
    for name, id_ in (table.plca or {}).items():
        if name in (table.devices or ()) and id_ != LINK_DEVICE_ID:
            findings.add(
                origin, "out-of-range",
                f"expected {LINK_DEVICE_ID}, the ID of the device on a half-duplex link, got {id_}",
                "plca", name,
            )  # fmt: skip
    if table.node_count not in (None, LINK_NODE_COUNT):
        findings.add(
            origin, "out-of-range",
            f"expected {LINK_NODE_COUNT}, the nodes of a half-duplex link, got {table.node_count}",
            "node_count",
        )  # fmt: skip


def _check_ids(segments: list[Item[SegmentTable]], findings: Findings) -> None:
    seen: dict[str, int] = {}
    for item in segments:
        name = item.table.id
        if name is None:
            continue
        line = item.origin.at(("id",)).line
        if name in seen:
            findings.add(
                item.origin, "duplicate-name",
                f"segment '{name}' given twice; first on line {seen[name]}", "id",
            )  # fmt: skip
        seen.setdefault(name, line)


def _build(
    top: Item[LayoutTable],
    segments: list[Item[SegmentTable]],
    links: list[Item[BuiltLinkTable]] | None,
    problem: Problem,
) -> Layout:
    made = tuple(_segment(item.table, problem) for item in segments)
    stated = top.table.open_switches
    carrying = {s.switch for s in made}
    opened = stated
    if opened is None:
        opened = tuple(
            name for name, switch in problem.switches.items() if switch.required or name in carrying
        )
    if links is None:
        all_links = problem.backbone.shape == "fixed"
        backbone = tuple(
            BuiltLink(link.ends, link.grades[0])
            for link in problem.backbone.links
            if (link.required or all_links) and set(link.ends) <= set(opened)
        )
    else:
        backbone = tuple(BuiltLink(item.table.between, item.table.grade) for item in links)
    return Layout(
        problem_name=top.table.problem or problem.name,
        problem_digest=top.table.problem_digest or problem.digest,
        open_switches=opened,
        backbone=backbone,
        segments=made,
    )


def _segment(table: SegmentTable, problem: Problem) -> Segment:
    mixing = problem.catalogue.is_line(table.grade)
    ids: tuple[int, ...] = ()
    count = 0
    if mixing:
        ids = (
            default_plca_ids(table.devices, table.switch_index)
            if table.plca is None
            else tuple(table.plca[d] for d in table.devices)
        )
        limits = problem.limits.get(table.grade)
        spare = limits.reserve.nodes if limits is not None else 0
        count = max(ids) + 1 + spare if table.node_count is None else table.node_count
    return same(
        Segment,
        table,
        id=f"{table.switch}:{table.port}" if table.id is None else table.id,
        plca_ids=ids,
        node_count=count,
        burst_counts=tuple(sorted((table.burst_counts or {}).items())),
    )


def layout_text(layout: Layout, problem: Problem) -> str:
    """Write a layout as YAML that reads back equal.

    Same layout, same text: segments and devices keep their order, nothing depends on the time.
    """
    segments = []
    for s in layout.segments:
        entry: dict[str, Any] = {
            "id": s.id,
            "switch": s.switch,
            "port": s.port,
            "grade": s.grade,
            "devices": list(s.devices),
            "switch_index": s.switch_index,
        }
        grade = problem.catalogue.grades.get(s.grade)
        if grade is not None and not grade.full_duplex:
            entry["plca"] = Flow(zip(s.devices, plca_ids(s, grade), strict=True))
            entry["node_count"] = plca_node_count(s, grade)
        if s.burst_counts:
            entry["burst_counts"] = Flow(s.burst_counts)
        segments.append(entry)
    data: dict[str, Any] = {
        "format": FORMAT,
        "problem": layout.problem_name,
        "problem_digest": layout.problem_digest,
        "open_switches": list(layout.open_switches),
        "backbone": [
            Flow({"between": list(link.ends), "grade": link.grade}) for link in layout.backbone
        ],
        "segments": segments,
    }
    return dump(data)
