"""Failure rules over a backbone in the compact model: what a switch or a link takes down with it.

Which switches still reach each other after a failure is known, since the backbone is given. A
device stays up if it does not hang on what failed and reaches a partner, or if all its partners are
down. Lines and switches by themselves have rows of their own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from ortools.sat.python import cp_model

from partitioner.solve.compact_ports import PortModel
from partitioner.solve.kept import kept
from partitioner.solve.losses import Losses, Partners

Var = cp_model.IntVar


class LossRows:
    """Adds to a model that no failure of the backbone takes down more than a rule allows."""

    def __init__(self, compact: PortModel):
        self.compact, self.instance = compact, compact.instance
        losses = Losses(self.instance, compact.backbone)
        failures = list(self._failures(losses)) if losses.builds else []
        for members, cap in self.instance.loss_caps:
            # Most builds differ in nothing that a rule is about.
            groups = dict.fromkeys(
                tuple((i, losses.partners(i, fitted)) for i in members if i in fitted)
                for fitted in losses.builds
            )
            for group in groups:
                for down, parts in failures if len(group) > cap else ():
                    self._cap(down, parts, group, cap)

    def _failures(
        self, losses: Losses
    ) -> Iterator[tuple[int | None, tuple[frozenset[int], ...]]]:
        """Give each failure that leaves parts which do not reach each other, with the parts."""
        for down, of in losses.failures(range(self.instance.switch_count), self.compact.built):
            parts: dict[int, set[int]] = defaultdict(set)
            for s, part in enumerate(of.tolist()):
                if s != down:
                    parts[part].add(s)
            if len(parts) > 1:
                yield down, tuple(frozenset(p) for p in parts.values())

    def _cap(
        self,
        down: int | None,
        parts: tuple[frozenset[int], ...],
        group: Iterable[tuple[int, Partners]],
        cap: int,
    ) -> None:
        up = [self._stays_up(i, partners, down, parts) for i, partners in group]
        self.compact.model.add(cp_model.LinearExpr.sum(up) >= len(up) - cap)

    def _stays_up(
        self,
        device: int,
        partners: Partners,
        down: int | None,
        parts: tuple[frozenset[int], ...],
    ) -> Var:
        """Give a literal that is only true if a device stays up.

        Failures far from it and from its partners do the same to it.
        """
        near = self._concerned(device, partners)
        return self._up(
            device, partners, down if down in near else None,
            frozenset(part & near for part in parts if part & near),
        )

    @kept
    def _concerned(self, device: int, partners: Partners) -> frozenset[int]:
        """Switches that a device or one of its partners may hang on or is."""
        ends = [self._switches_of(self.compact.unit_no[i]) for i in (device, *partners.devices)]
        return partners.switches.union(*ends)

    @kept
    def _switches_of(self, unit: int) -> frozenset[int]:
        return frozenset(s for s, _ in self.compact.homes[unit])

    @kept
    def _up(
        self,
        device: int,
        partners: Partners,
        down: int | None,
        parts: frozenset[frozenset[int]],
    ) -> Var:
        compact, model = self.compact, self.compact.model
        unit = compact.unit_no[device]
        up = model.new_bool_var("")
        if down is not None:
            model.add_bool_and(v.negated() for v in compact.at[unit, down]).only_enforce_if(up)
        if not (partners.devices or partners.switches):
            return up
        others = sorted({compact.unit_no[i] for i in partners.devices})
        alone = []
        if down is not None and self._may_all_hang_on(others, partners, down):
            alone = [self._all_down(others, down)]
        for part in sorted(parts, key=sorted):
            is_reached = any(self._switches_of(other) <= part for other in others)
            if unit in others or partners.switches & part or is_reached:
                continue
            reached = [
                self._is_in(other, there) for other in others
                if (there := part & self._switches_of(other))
            ]
            for s in sorted(part & self._switches_of(unit)):
                for here in compact.at[unit, s]:
                    model.add_bool_or(up.negated(), here.negated(), *reached, *alone)
        return up

    def _may_all_hang_on(self, others: Iterable[int], partners: Partners, down: int) -> bool:
        may = all(down in self._switches_of(other) for other in others)
        return may and partners.switches <= {down}

    def _all_down(self, units: Iterable[int], down: int) -> Var:
        """Give a literal that is only true if the units all hang on the switch that failed."""
        model = self.compact.model
        whole = model.new_bool_var("")
        for u in units:
            model.add_bool_or(whole.negated(), *self.compact.at[u, down])
        return whole

    @kept
    def _is_in(self, unit: int, part: frozenset[int]) -> Var:
        """Give a literal that is only true if a unit hangs on one of some switches."""
        inside = self.compact.model.new_bool_var("")
        there = [v for s in part for v in self.compact.at[unit, s]]
        self.compact.model.add_bool_or(inside.negated(), *there)
        return inside
