"""All columns that a layout cheaper than the best one could use, from the labels of the bound."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from partitioner.solve.arms import TooManyArms
from partitioner.solve.bound.labels import LabelSearch, SubsetCut
from partitioner.solve.bound.pricing_problem import PricingProblem
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.solve.enumeration import Duals


def columns_within(
    builder: ColumnBuilder,
    pricing: PricingProblem,
    duals: Duals,
    room: float,
    *,
    label_limit: int = 200_000,
    column_limit: int = 30_000,
    should_stop: Callable[[], bool] = lambda: False,
) -> list[Column]:
    """Columns of reduced cost up to ``room``, the cheapest order of each set of devices.

    Parameters
    ----------
    pricing
        Line models and links of the instance.
    duals
        Duals of the bound that ``room`` is measured from.
    room
        Cost of the best layout less the bound, in objective money.

    Returns
    -------
    list
        Cheapest first. Nothing is left out that a cheaper layout could need, as long as no
        pathway is full: what only a full pathway would make worth it is not looked for.

    Raises
    ------
    TooManyArms
        If the limits do not suffice, or the search was stopped; nothing is said then.
    """
    def end_if_asked(_: int) -> None:
        if should_stop():
            raise TooManyArms

    inst = builder.instance
    fee = np.array([p.value for p in inst.port_classes], dtype=float) - duals.port
    found: list[tuple[float, Column]] = []
    for link in pricing.links:
        device = link.visits[0][0]
        reduced = link.cost + fee[link.port] - float(duals.device[device])
        port = inst.port_classes[link.port]
        column = builder.link(port.switch, port.grade, device)
        if reduced <= room and column is not None:
            found.append((reduced, column))
    for model in pricing.models:
        cuts = []
        for (a, b, c), price in duals.cuts:
            ids = [model.local.get(d, -1) for d in (a, b, c)]
            if min(ids) >= 0 and price > 0:
                cuts.append(SubsetCut((ids[0], ids[1], ids[2]), float(price)))
        # Prices per switch are left out: that keeps all that matters and more.
        (priced,) = pricing.priced(model, duals.device, fee, None)
        result = LabelSearch(model).run(
            priced,
            threshold=room + 1.0,
            limit=label_limit,
            most=2 * column_limit,
            cuts=cuts,
            every_switch=True,
            spent=end_if_asked,
        )
        if not result.complete:
            raise TooManyArms
        for rank, walk in enumerate(result.walks):
            if rank % 200 == 0 and should_stop():
                raise TooManyArms
            out = tuple(int(model.members[d]) for d in walk.out)
            back = tuple(int(model.members[d]) for d in walk.back)
            line = builder.line(walk.switch, model.grade, out, back)
            if line is not None:
                found.append((walk.reduced, line))
        if len(found) > column_limit:
            raise TooManyArms
    found.sort(key=lambda pair: (pair[0], pair[1].switch, pair[1].devices))
    return list(dict.fromkeys(column for _, column in found))
