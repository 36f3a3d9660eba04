"""What every single failure of a layout takes down, worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from partitioner.check.facts import Facts
from partitioner.check.failures import Failure, FailureKind, losses, single_failures
from partitioner.model.problem import GroupKind
from partitioner.network.routes import link_key


@dataclass(frozen=True, slots=True)
class Loss:
    """One single failure with what it means.

    ``lost_groups`` are the `apart` groups of which no member is left, ``weakened_groups`` those
    that lose some and keep some. ``broken_rules`` are failure rules that it breaks.
    """

    failure: Failure
    lost_groups: tuple[str, ...]
    weakened_groups: tuple[str, ...]
    broken_rules: tuple[str, ...]

    @property
    def lost_streams(self) -> tuple[str, ...]:
        """Streams of which at least one destination is lost, each once."""
        return tuple(dict.fromkeys(stream for stream, _ in self.failure.lost_streams))

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
    """All single failures: most lost groups first, then most devices, then most deliveries."""
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
            )
        )
    return tuple(sorted(found, key=_worst_first))


def _worst_first(loss: Loss) -> tuple[int, int, int, int, str]:
    failure = loss.failure
    return (
        -len(loss.broken_rules),
        -len(loss.lost_groups),
        -len(failure.lost_devices),
        -len(failure.lost_streams),
        loss.name,
    )


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
) -> tuple[frozenset[str], frozenset[str], frozenset[tuple[str, str]]]:
    """Segments, switches and backbone links that a failure takes out, for drawing."""
    match failure.kind:
        case FailureKind.SEGMENT:
            return frozenset(failure.where), frozenset(), frozenset()
        case FailureKind.SWITCH:
            (switch,) = failure.where
            segments = frozenset(s.id for s in facts.sound.segments if s.switch == switch)
            links = frozenset(
                link_key(*link.ends) for link in facts.sound.backbone if switch in link.ends
            )
            return segments, frozenset({switch}), links
        case FailureKind.BACKBONE_LINK:
            return frozenset(), frozenset(), frozenset({link_key(*failure.where)})
