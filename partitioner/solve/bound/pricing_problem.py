"""The pricing problems of the bound: line models, links, least numbers of segments."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import numpy as np

from partitioner.solve.arrays import Floats, Ints
from partitioner.solve.bound.duals import MasterDuals
from partitioner.solve.bound.line_model import FAR, LineModel, line_models
from partitioner.solve.bound.relaxed_master import LineCount, MasterColumn
from partitioner.solve.bound.walks import Priced
from partitioner.solve.columns import Column, ColumnBuilder
from partitioner.units import ceil_div


class PricingProblem:
    """Line models by grade and set of switches, all links, and counting rows.

    Attributes
    ----------
    models
        All lines, as :func:`~partitioner.solve.bound.line_model.line_models` gives them.
    links, singles
        Master columns of all point-to-point links, and of lines of one device at each switch.
    counts
        Least numbers of segments that the counts of devices and unit loads force.
    weight
        int (n,): the weight that repairs are shared out by.
    """

    def __init__(self, builder: ColumnBuilder, look: Callable[[], object] | None = None):
        self.builder = builder
        inst = self.instance = builder.instance
        self._look = inst.look if look is None else look
        self.models = line_models(builder, range(inst.n))
        self._common_weights()
        self.links = self._links()
        self.singles = self._singles()
        rows = [(c.visits[0][0], c.port, c.switch, c.cost) for c in self.links]
        self._link_rows = np.array(rows, dtype=np.int64).reshape(-1, 4)
        self.counts = self._counts()
        self.dear = self._dear()
        # Rules that only a built column can judge, and costs that only it knows.
        self.must_check = builder.refuses_sets
        self.plain_costs = not (self.must_check or inst.has_options)

    def _common_weights(self) -> None:
        """Make all models count the same thing, so that one repair serves them all."""
        self.weight = np.ones(self.instance.n, dtype=np.int64)
        seen: dict[int, int] = {}
        are_alike = len({m.grade for m in self.models}) == 1 and all(
            not m.counts_devices and seen.setdefault(int(i), int(w)) == int(w)
            for m in self.models
            for i, w in zip(m.members, m.weight, strict=True)
        )
        if not are_alike:
            for model in self.models:
                model.count_devices()
            return
        for device, steps in seen.items():
            self.weight[device] = steps

    def _links(self) -> list[MasterColumn]:
        inst = self.instance
        columns = []
        for p, port in enumerate(inst.port_classes):
            if inst.grades[port.grade].is_line:
                continue
            for i in range(inst.n):
                self._look()
                column = self.builder.link(port.switch, port.grade, i)
                if column is not None:
                    columns.append(MasterColumn(((i, 1),), p, column.cost, port.switch, False))
        return columns

    def _counts(self) -> list[LineCount]:
        """Rows 'at least so many segments': for all devices and for each pinned set of them."""
        inst = self.instance
        every = frozenset(range(inst.switch_count))
        linkable = np.zeros(inst.n, dtype=bool)
        linkable[self._link_rows[:, 0]] = True
        largest = max((m.data.max_devices for m in self.models), default=1)
        cap = max((int(m.data.unit_cap_mul) for m in self.models), default=0)
        allowed = [
            frozenset(int(s) for s in np.nonzero(inst.may_hang[i])[0]) for i in range(inst.n)
        ]
        rows: dict[tuple[frozenset[int], bool], int] = {}
        for switches in dict.fromkeys([every, *allowed]):
            inside = [i for i in range(inst.n) if allowed[i] <= switches]
            only_lines = [i for i in inside if not linkable[i]]
            for members, links_too in ((only_lines, False), (inside, True)):
                if not members:
                    continue
                least = ceil_div(len(members), max(1, largest))
                if cap:
                    # A link may carry a device that no line could; it counts as one segment.
                    unit = np.minimum(inst.unit_mul[members], cap)
                    least = max(least, ceil_div(int(unit.sum()), cap))
                rows[switches, links_too] = least
        out = []
        for (switches, links_too), least in rows.items():
            # A row over links too says no more than the one without them if all are line-only.
            if links_too and rows.get((switches, False), 0) >= least:
                continue
            out.append(LineCount(switches, least, links_too))
        return out

    def _dear(self) -> Floats:
        """Cost of leaving a device out: twice its dearest way of being alone on a segment."""
        inst = self.instance
        alone = np.zeros(inst.n)
        for column in [*self.links, *self.singles]:
            i = column.visits[0][0]
            alone[i] = max(alone[i], column.cost + inst.port_classes[column.port].value)
        fallback = float(alone.max(initial=0.0)) or 1e6
        return 2.0 * np.where(alone > 0, alone, fallback) + 1.0

    def _singles(self) -> list[MasterColumn]:
        inst = self.instance
        out: list[MasterColumn] = []
        for model in self.models:
            for s in model.switches:
                ports = inst.ports_of[int(s), model.grade]
                for i in model.members:
                    self._look()
                    column = self.builder.line(int(s), model.grade, (int(i),))
                    if column is not None:
                        out.extend(self.master_column(column, p) for p in ports)
        return out

    def group_lines(self) -> list[tuple[Column, int]]:
        """Lines of just one group that must be together, with each port class that serves them."""
        inst = self.instance
        out: list[tuple[Column, int]] = []
        for group in inst.together:
            for model in self.models:
                if not all(i in model.local for i in group):
                    continue
                for s in model.switches:
                    # Outward by distance; the order hardly matters for a first column.
                    arm = sorted(group, key=lambda i: (int(inst.switch_um[s, i]), i))
                    column = self.builder.line(int(s), model.grade, arm)
                    if column is not None:
                        ports = inst.ports_of[int(s), model.grade]
                        out.extend((column, p) for p in ports)
        return out

    def master_column(self, column: Column, port: int) -> MasterColumn:
        """Put an exact column into the relaxation's form."""
        visits = tuple((i, 1) for i in sorted(column.devices))
        is_line = self.instance.grades[column.grade].is_line
        return MasterColumn(visits, port, column.cost, column.switch, is_line)

    def cheapest_port(self, column: Column) -> int:
        """Port class of least value that serves a column."""
        inst = self.instance
        ports = inst.ports_of[column.switch, column.grade]
        return min(ports, key=lambda p: (inst.port_classes[p].value, p))

    # -- duals --------------------------------------------------------------------------------

    def line_fees(self, duals: MasterDuals, row_of_port: Ints) -> Floats:
        """Float (P,): value of each port class less the duals a segment there earns."""
        inst = self.instance
        fee = np.zeros(len(inst.port_classes))
        for p, port in enumerate(inst.port_classes):
            is_line = inst.grades[port.grade].is_line
            fee[p] = port.value - duals.row[row_of_port[p]]
            for value, count in zip(duals.count, self.counts, strict=True):
                if port.switch in count.switches and (is_line or count.links_too):
                    fee[p] -= value
        return fee

    def priced(
        self, model: LineModel, device: Floats, fee: Floats, cap_price: Floats | None
    ) -> list[Priced]:
        """Node costs and fees of one line model, for each set of switches with the same prices.

        ``cap_price`` float (S, n): what devices pay for being at a switch, or None.
        """
        plain = Priced.at(model, device, fee)
        if cap_price is None:
            return [plain]
        groups: dict[bytes, list[int]] = defaultdict(list)
        for a, s in enumerate(model.switches):
            groups[cap_price[s, model.members].tobytes()].append(a)
        out = []
        for group in groups.values():
            extra = cap_price[model.switches[group[0]], model.members][model.device]
            some = np.full(len(plain.fee), FAR)
            some[group] = plain.fee[group]
            out.append(Priced(plain.node + extra, some, plain.port))
        return out

    def least_link(
        self, device: Floats, fee: Floats, cap_price: Floats | None
    ) -> list[tuple[float, int]]:
        """Reduced costs below 0 among the links, each with the weight of its device."""
        ids, ports, switches, cost = self._link_rows.T
        reduced = cost + fee[ports] - device[ids]
        if cap_price is not None:
            reduced += cap_price[switches, ids]
        below = np.nonzero(reduced < 0)[0]
        return [(float(reduced[k]), int(self.weight[ids[k]])) for k in below]
