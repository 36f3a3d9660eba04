"""From a layout to columns: what of it still fits the problem."""

from __future__ import annotations

from partitioner.model.layout import Layout
from partitioner.solve.columns import Column, ColumnBuilder


def columns_of(builder: ColumnBuilder, layout: Layout) -> list[Column]:
    """Columns of the segments that are still allowed.

    Devices, switches, grades and ports the problem does not have any more are passed over; a line
    keeps its remaining devices in their order. Ports and PLCA IDs are not part of a column.
    """
    inst = builder.instance
    found = []
    for segment in layout.segments:
        s = inst.switch_index.get(segment.switch)
        g = inst.grade_index.get(segment.grade)
        if s is None or g is None or (s, g) not in inst.ports_of:
            continue
        known = [(k, inst.index[d]) for k, d in enumerate(segment.devices) if d in inst.index]
        if not known:
            continue
        if inst.grades[g].is_line:
            out = [i for k, i in known if k >= segment.switch_index]
            back = [i for k, i in known if k < segment.switch_index][::-1]
            column = builder.line(s, g, out, back)
        else:
            column = builder.link(s, g, known[0][1])
        if column is not None:
            found.append(column)
    return found
