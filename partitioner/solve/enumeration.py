"""Candidate segments: every column whose reduced cost is below a threshold.

With duals of a relaxation whose value is ``bound``, a layout cheaper than ``cost`` uses only
columns of reduced cost below ``cost - bound``. So the columns found here are all that matter for
improving a layout, or for proving that nothing does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from partitioner.solve.bound.cuts import local_cuts
from partitioner.solve.bound.duals import Duals
from partitioner.solve.bound.labels import LabelSearch
from partitioner.solve.bound.line_model import FAR, line_models
from partitioner.solve.bound.walks import Priced
from partitioner.solve.columns import Column, ColumnBuilder, TooManyColumns

LOOK_EVERY = 100
"""Lines made after which the wish to stop is looked at."""
REFUSED = 4
"""Lines found, for each one that there is room for, before rules of whole sets refuse some."""


def columns_below(
    builder: ColumnBuilder,
    members: Sequence[int],
    duals: Duals,
    threshold: float,
    *,
    tells_pathways: bool,
    label_limit: int,
    column_limit: int,
    should_stop: Callable[[], bool] = lambda: False,
) -> list[Column]:
    """All columns over ``members`` with reduced cost below ``threshold``, cheapest first.

    For each set of devices and switch only the cheapest order is kept.

    Parameters
    ----------
    threshold
        In objective money.
    tells_pathways
        Whether the cheapest order is kept for each set of capped pathways that lines can run
        through. Without that nothing is left out that matters as long as no pathway is full.
    label_limit, column_limit
        Most labels of one size of line, and most columns.

    Raises
    ------
    TooManyColumns
        If the limits do not suffice or somebody asked to stop.
    """

    def look(_: int = 0) -> None:
        if should_stop():
            raise TooManyColumns

    inst = builder.instance
    columns: list[tuple[float, Column]] = []
    fee = np.array([p.value for p in inst.port_classes], dtype=float) - duals.port
    for i in members:
        look()
        for p, port in enumerate(inst.port_classes):
            column = builder.link(port.switch, port.grade, i)
            if column is not None:
                reduced = column.cost + float(fee[p] - duals.device[i])
                if reduced < threshold:
                    columns.append((reduced, column))
    for model in line_models(builder, members):
        search = LabelSearch(model, look=look, lists=True, tells_pathways=tells_pathways)
        best: dict[tuple[int, bytes], tuple[int, float, Column]] = {}
        lines = search.lines(
            Priced.at(model, duals.device, fee),
            min(threshold, FAR / 2),
            label_limit,
            column_limit * (REFUSED if builder.refuses_sets else 1),
            local_cuts(model, duals.cuts),
            look,
        )
        for number, line in enumerate(lines):
            if number % LOOK_EVERY == 0:
                look()
                if len(columns) + len(best) > column_limit:
                    raise TooManyColumns
            out, back = (tuple(model.members[list(arm)].tolist()) for arm in (line.out, line.back))
            column = builder.line(line.switch, model.grade, out, back)
            if column is None:
                continue
            kind = line.switch, line.kind
            if kind not in best or column.cost < best[kind][0]:
                best[kind] = column.cost, line.reduced, column
        columns += [(reduced, column) for _, reduced, column in best.values()]
        if len(columns) > column_limit:
            raise TooManyColumns
    columns.sort(key=lambda pair: (pair[0], pair[1].switch, pair[1].devices))
    return list(dict.fromkeys(c for _, c in columns))
