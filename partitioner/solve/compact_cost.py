"""What a choice of ports costs, nearly: ports, devices, and cable from each unit to one nearer in.

A line is laid only after the choice. Until then each unit counts the cable to some unit of its line
that is nearer to the switch, or to the switch itself: a tree, which the line is seldom much longer
than. What the segments truly cost is known once they are laid.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from ortools.sat.python import cp_model

from partitioner.solve.compact_ports import PortModel

Expr = cp_model.LinearExpr
NEXT_IN = 6
"""Nearest units that the cable of a unit may come from."""


class EstimatedCost:
    """Adds the choice of cable to a model, and estimates what choices cost."""

    def __init__(self, model: PortModel):
        self.compact, self.builder, self.instance = model, model.builder, model.instance
        self.parts: list[tuple[cp_model.IntVar, int]] = []
        """What has a price, with it."""
        self.once: dict[int, int] = {}
        """Price of each line as such, by slot."""
        self.each: dict[tuple[int, int], int] = {}
        """Price of each unit by itself, by unit and slot."""
        self.cables: dict[tuple[int, int, int], list[tuple[int, int | None]]] = {}
        """Ways of the cable to a unit at a switch in a grade, with their prices, from the switch
        (None) or from another unit, the longest first."""
        self.total = self._add_all()

    def at_most(self, money: int) -> cp_model.BoundedLinearExpression:
        """Give the row that a choice is estimated to cost no more than so much."""
        row = self.total <= money
        assert isinstance(row, cp_model.BoundedLinearExpression)
        return row

    def of(self, slots: Mapping[int, int]) -> int:
        """Give the estimate for a choice: the slot of each unit."""
        money = sum(self.once.get(k, 0) for k in set(slots.values()))
        for u, k in slots.items():
            slot = self.compact.slots[k]
            money += self.each[u, k]
            money += min(
                (
                    price for price, v in self.cables.get((u, slot.switch, slot.grade), ())
                    if v is None or slots.get(v) == k
                ),
                default=0,
            )
        return money

    def _add_all(self) -> Expr:
        lines: dict[tuple[int, int], list[int]] = defaultdict(list)
        for k, here in self.compact.on_slot.items():
            slot = self.compact.slots[k]
            if self.instance.grades[slot.grade].is_line:
                lines[slot.switch, slot.grade].append(k)
                self._add_line(k)
                continue
            port = self.instance.port_classes[slot.port].value
            for u, var in here.items():
                link = self.builder.link(slot.switch, slot.grade, self.compact.units[u][0])
                assert link is not None
                self._price(u, k, var, port + link.cost)
        for (switch, grade), slots in lines.items():
            self._add_cable(switch, grade, slots)
        variables, prices = zip(*self.parts, strict=True)
        return Expr.weighted_sum(variables, prices)

    def _add_line(self, k: int) -> None:
        """Price its port and what a line has once, where one is there, and its devices."""
        slot, here = self.compact.slots[k], self.compact.on_slot[k]
        devices = [i for u in here for i in self.compact.units[u]]
        once = self.instance.port_classes[slot.port].value
        once += self.builder.line_value(slot.grade, devices, True)
        self.once[k] = once
        self.parts.append((self.compact.any_of(here.values()), once))
        for u, var in here.items():
            each = sum(self._device(slot.grade, i) for i in self.compact.units[u])
            self._price(u, k, var, each)

    def _price(self, unit: int, k: int, var: cp_model.IntVar, money: int) -> None:
        self.each[unit, k] = money
        self.parts.append((var, money))

    def _device(self, grade: int, device: int) -> int:
        inst = self.instance
        drop_um, share = inst.problem.line.drop_slack_um, inst.share_of((device,))
        return self.builder.device_value(grade, device) + inst.cable_value(grade, drop_um, share)

    def _add_cable(self, switch: int, grade: int, slots: list[int]) -> None:
        """Let the cable of each unit come from the switch or from a unit on the same line."""
        compact, inst = self.compact, self.instance
        on = {u for k in slots for u in compact.on_slot[k]}
        away = {u: int(inst.switch_um[switch, list(compact.units[u])].min()) for u in on}
        for u in sorted(on):
            devices = list(compact.units[u])
            share = inst.share_of(devices)
            nearer = [v for v in on if (away[v], v) < (away[u], u)]
            ways = sorted(
                (int(inst.way_um(devices, list(compact.units[v])).min()), v) for v in nearer
            )
            from_switch = compact.model.new_bool_var("")
            come = [from_switch]
            price = inst.cable_value(grade, away[u], share)
            self.parts.append((from_switch, price))
            prices = self.cables[u, switch, grade] = [(price, None)]
            for way, v in ways[:NEXT_IN]:
                if way >= away[u]:
                    break
                from_unit = compact.model.new_bool_var("")
                come.append(from_unit)
                price = inst.cable_value(grade, way, share)
                self.parts.append((from_unit, price))
                prices.append((price, v))
                for k in slots:
                    if (u, k) in compact.hangs:
                        there = compact.on_slot[k].get(v)
                        literals = [from_unit.negated(), compact.hangs[u, k].negated()]
                        compact.model.add_bool_or(literals + ([] if there is None else [there]))
            here = [compact.hangs[u, k] for k in slots if (u, k) in compact.hangs]
            compact.model.add(Expr.sum(come) == Expr.sum(here))
