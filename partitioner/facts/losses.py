"""What every single failure of a layout takes down, worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.check.failures import Failure, FailureKind, losses, single_failures
from partitioner.model.problem import GroupKind


@dataclass(frozen=True, slots=True)
class Loss:
    """One single failure with what it means.

    ``lost_groups`` are the `apart` groups of which no member is left, ``weakened_groups`` those
    that lose some and keep some. ``broken_rules`` are failure rules that it breaks.
    ``device_share`` and ``delivery_share`` are what it takes of all devices and of all deliveries
    that have a way.
    """

    failure: Failure
    lost_groups: tuple[str, ...]
    weakened_groups: tuple[str, ...]
    broken_rules: tuple[str, ...]
    device_share: float
    delivery_share: float

    @property
    def takes_share(self) -> float:
        """What it takes: the larger of the two shares."""
        return max(self.device_share, self.delivery_share)

    @property
    def name(self) -> str:
        """What fails, as it is called in tables: ``line-3``, ``zone-front``, ``a-b``."""
        return "-".join(self.failure.where)

    @property
    def label(self) -> str:
        """The same for sentences: a backbone link is told from a switch."""
        if self.failure.kind is FailureKind.BACKBONE_LINK:
            return f"link {' to '.join(self.failure.where)}"
        return self.name


def every_loss(facts: Facts) -> tuple[Loss, ...]:
    """All single failures: those that break rules, then most lost groups, then what takes most."""
    broken: dict[Failure, list[str]] = {}
    for rule, failure, lost in losses(facts):
        if len(lost) > rule.most_lost:
            broken.setdefault(failure, []).append(rule.id)
    apart = [g for g in facts.problem.groups if g.kind is not GroupKind.TOGETHER]
    found = []
    for failure in single_failures(facts):
        gone = failure.lost_devices
        touched = [g for g in apart if gone.intersection(g.devices)]
        whole = tuple(g.id for g in touched if gone.issuperset(g.devices))
        found.append(
            Loss(
                failure,
                whole,
                tuple(g.id for g in touched if g.id not in whole),
                tuple(broken.get(failure, ())),
                len(gone) / max(1, len(facts.problem.devices)),
                len(failure.lost_streams) / max(1, len(facts.ways)),
            )
        )
    return tuple(sorted(found, key=_worst_first))


def _worst_first(loss: Loss) -> tuple[int, int, float, float, str]:
    return (
        -len(loss.broken_rules),
        -len(loss.lost_groups),
        -loss.takes_share,
        -loss.device_share,
        loss.name,
    )


def lost_functions(facts: Facts, found: Sequence[Loss]) -> list[tuple[str, str, int, int]]:
    """What each failure takes of each function: failure, function, devices lost, of how many.

    Functions are those that the devices name; what loses nothing of one is left out.
    """
    members: dict[str, set[str]] = {}
    for device in facts.problem.devices.values():
        if device.function is not None:
            members.setdefault(device.function, set()).add(device.id)
    rows = [
        (loss.name, function, len(gone), len(devices))
        for loss in found
        for function, devices in members.items()
        if (gone := devices & loss.failure.lost_devices)
    ]
    return sorted(rows, key=lambda row: -row[2] / row[3])


def to_draw(found: Sequence[Loss], most: int) -> list[Loss]:
    """The worst losses, among them the worst of each kind of failure; at most ``most``.

    Failures that lose nothing are not worth a drawing.
    """
    telling = [loss for loss in found if loss.failure.lost_devices or loss.failure.lost_streams]
    chosen: list[Loss] = []
    for kind in FailureKind:
        chosen += [loss for loss in telling if loss.failure.kind is kind][:1]
    chosen += [loss for loss in telling if loss not in chosen]
    return sorted(chosen[:most], key=_worst_first)


def lost_hardware(
    facts: Facts, failure: Failure
) -> tuple[frozenset[str], frozenset[str], frozenset[frozenset[str]]]:
    """Segments, switches and backbone links, by their ends, that a failure takes out."""
    match failure.kind:
        case FailureKind.SEGMENT:
            return frozenset(failure.where), frozenset(), frozenset()
        case FailureKind.SWITCH:
            (switch,) = failure.where
            segments = frozenset(s.id for s in facts.sound.segments if s.switch == switch)
            links = (frozenset(link.ends) for link in facts.sound.backbone if switch in link.ends)
            return segments, frozenset({switch}), frozenset(links)
        case FailureKind.BACKBONE_LINK:
            return frozenset(), frozenset(), frozenset({frozenset(failure.where)})
