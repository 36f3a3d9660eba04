"""What a choice of ports costs, nearly: ports, devices, and cable from each unit to one nearer in.

A line is laid only after the choice. Until then each unit counts the cable to some unit of its line
that is nearer to the switch, or to the switch itself: a tree, which the line is seldom much longer
than. What the segments truly cost is known once they are laid.
"""

from __future__ import annotations

from collections import defaultdict

from ortools.sat.python import cp_model

from partitioner.solve.compact_model import CompactModel

Expr = cp_model.LinearExpr
NEXT_IN = 6
"""Nearest units that the cable of a unit may come from."""


def estimated_cost(model: CompactModel) -> Expr:
    """Add the choice of cable to a model, and give the objective money it estimates."""
    return _CostRows(model).total()


class _CostRows:
    def __init__(self, model: CompactModel):
        self.compact, self.builder, self.instance = model, model.builder, model.instance
        self.parts: list[tuple[cp_model.IntVar, int]] = []
        """What has a price, with it."""

    def total(self) -> Expr:
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
                self.parts.append((var, port + link.cost))
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
        self.parts.append((self.compact.any_of(here.values()), once))
        for u, var in here.items():
            each = sum(self._device(slot.grade, i) for i in self.compact.units[u])
            self.parts.append((var, each))

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
            self.parts.append((from_switch, inst.cable_value(grade, away[u], share)))
            for way, v in ways[:NEXT_IN]:
                if way >= away[u]:
                    break
                from_unit = compact.model.new_bool_var("")
                come.append(from_unit)
                self.parts.append((from_unit, inst.cable_value(grade, way, share)))
                for k in slots:
                    if (u, k) in compact.hangs:
                        there = compact.on_slot[k].get(v)
                        literals = [from_unit.negated(), compact.hangs[u, k].negated()]
                        compact.model.add_bool_or(literals + ([] if there is None else [there]))
            here = [compact.hangs[u, k] for k in slots if (u, k) in compact.hangs]
            compact.model.add(Expr.sum(come) == Expr.sum(here))
