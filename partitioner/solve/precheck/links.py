"""Links between switches that a part of the pathways surely needs across its border."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from partitioner.solve.instance import Instance
from partitioner.solve.precheck.statements import Key

MOST_WAYS = 50
"""Streams of which it is asked for each part whether they cross its border, where that is open."""

Sides = dict[int, frozenset[int]]
"""By device: the switches of the side that it surely hangs on."""


@dataclass(frozen=True, slots=True)
class Need:
    """So many links across a border at the least while the devices hang on these sides of it."""

    least: int
    sides: Sides
    key: Key


def needs(
    inst: Instance,
    part: frozenset[int],
    switches: Sequence[Collection[int]],
    is_inside: Sequence[bool],
) -> Iterator[Need]:
    """What streams and rules on failures need across the border of some switches.

    ``switches`` are those that each device may hang on; ``is_inside``: whether it is on the side of
    the ``part`` itself. A stream that crosses needs one link; more watched devices than may be
    lost, all of whose partners are beyond, are lost with a single one.
    """
    rest = frozenset(range(inst.switch_count)) - part

    def side_of(device: int | None, switch: int) -> frozenset[int] | None:
        there = {switch} if device is None else set(switches[device])
        return next((side for side in (part, rest) if there and there <= side), None)

    def beyond(side: frozenset[int]) -> frozenset[int]:
        return part if side == rest else rest

    surely: list[Need] = []
    maybe: dict[tuple[tuple[int, frozenset[int]], ...], Need] = {}
    for data in inst.streams:
        source = data.source_device, side_of(data.source_device, data.source_switch)
        for target in data.targets:
            ends = (source, (target.device, side_of(target.device, target.switch)))
            for (one, here), (other, there) in (ends, ends[::-1]):
                if here is None or here == there:
                    continue
                if there is None and (other is None or is_inside[other] == (here == part)):
                    continue
                pair = ((one, here), (other, beyond(here)))
                sides = {i: side for i, side in pair if i is not None}
                need = Need(1, sides, ("stream-way", data.id))
                if there is not None:
                    surely.append(need)
                elif len(maybe) < MOST_WAYS:
                    maybe.setdefault(tuple(sides.items()), need)
    if surely:
        yield min(surely, key=lambda need: (len(need.sides), need.key))
    else:
        yield from maybe.values()
    for (members, most), rule in zip(inst.loss_caps, inst.problem.failure_rules, strict=True):
        lost: list[Sides] = []
        for i in members:
            devices, others = inst.partners(i)
            own = side_of(i, -1)
            away = {*(side_of(j, -1) for j in devices), *(side_of(None, s) for s in others)}
            if own and away == {beyond(own)}:
                lost.append({i: own, **dict.fromkeys(devices, beyond(own))})
        if len(lost) > most:
            few = sorted(lost, key=lambda ends: (len(ends), sorted(ends)))[: most + 1]
            together = {i: side for some in few for i, side in some.items()}
            yield Need(2, together, ("failure", rule.id))
