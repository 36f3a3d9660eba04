"""The shortest line found over given devices: they go in one by one, then each moves on its own."""

from __future__ import annotations

from collections.abc import Collection

from partitioner.solve.columns import Arms, Column, ColumnBuilder


def laid_line(
    builder: ColumnBuilder, switch: int, grade: int, devices: Collection[int]
) -> Column | None:
    """Lay a line from the switch along the devices; None if it breaks a rule.

    Another order may be shorter still; none was found by moving one device.
    """
    inst = builder.instance
    arms: Arms = ((), ())
    for i in sorted(devices, key=lambda i: (-int(inst.switch_um[switch, i]), i)):
        arms = with_device(builder, switch, arms, i)
    length = _way_um(builder, switch, arms)
    while True:
        for i in sorted(devices):
            out, back = arms
            rest = (tuple(k for k in out if k != i), tuple(k for k in back if k != i))
            moved = with_device(builder, switch, rest, i)
            if (shorter := _way_um(builder, switch, moved)) < length:
                arms, length = moved, shorter
                break
        else:
            break
    return builder.line(switch, grade, *arms)


def with_device(builder: ColumnBuilder, switch: int, arms: Arms, device: int) -> Arms:
    """Put a device in where it makes the cable least longer."""
    inst = builder.instance
    out, back = arms
    best: tuple[int, bool, int] | None = None
    for is_back, arm in ((False, out), (True, back)):
        if is_back and not (back or inst.line_may_pass_through):
            continue
        optional = bool(inst.option_bit[device]) and inst.problem.line.option_tail
        first_optional = next((k for k, i in enumerate(arm) if inst.option_bit[i]), len(arm))
        allowed = range(len(arm) + 1)
        if inst.problem.line.option_tail:
            allowed = range(first_optional, len(arm) + 1) if optional else range(first_optional + 1)
        for k in allowed:
            longer = inst.way_along_um(switch, arm, k, device)
            if k < len(arm):
                longer += inst.way_between_um(device, arm[k])
                longer -= inst.way_along_um(switch, arm, k, arm[k])
            if best is None or (longer, is_back, k) < best:
                best = longer, is_back, k
    assert best is not None
    _, is_back, k = best
    if is_back:
        return out, (*back[:k], device, *back[k:])
    return (*out[:k], device, *out[k:]), back


def _way_um(builder: ColumnBuilder, switch: int, arms: Arms) -> int:
    """Cable of both arms, no slack."""
    way_um = builder.instance.way_along_um
    return sum(way_um(switch, arm, k, i) for arm in arms for k, i in enumerate(arm))
