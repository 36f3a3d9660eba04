"""Rules that are kept or not, with what was compared at each place; others have margins."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from partitioner.check.facts import Facts
from partitioner.check.rules.placement import safety_levels, security_domains
from partitioner.check.rules.registry import ALL_RULES
from partitioner.model.assessment import RuleFinding
from partitioner.model.layout import link_name
from partitioner.model.problem import GroupKind
from partitioner.wording import count, listed

Compared = tuple[str, str]
"""A subject (empty: the whole layout) and what was compared there, in words."""
Comparer = Callable[[Facts], Iterator[Compared]]


@dataclass(frozen=True, slots=True)
class Checked:
    """A rule at one place: what it says, what was compared, and whether it is kept there."""

    rule: str
    meaning: str
    subject: str
    compared: str
    is_kept: bool


def checked(facts: Facts, findings: Iterable[RuleFinding]) -> tuple[Checked, ...]:
    """Every place at which a rule without amounts was looked at, in the order of the rules.

    ``findings`` are what the check has found; a build's finding counts too.
    """
    broken: dict[str, set[str]] = {}
    for finding in findings:
        broken.setdefault(finding.rule, set()).update(finding.subjects)
    found = []
    for rule in ALL_RULES:
        for subject, words in COMPARERS.get(rule.name, _nothing)(facts):
            hit = broken.get(rule.name, set())
            is_kept = subject not in hit if subject else not hit
            found.append(Checked(rule.name, rule.meaning, subject, words, is_kept))
    return tuple(found)


def not_asked(facts: Facts) -> tuple[str, ...]:
    """Rules that nothing in the problem or the layout comes under."""
    return tuple(
        rule.name
        for rule in ALL_RULES
        if not any(True for _ in COMPARERS.get(rule.name, _nothing)(facts))
        and not any(True for _ in rule.measured(facts))
    )


def _nothing(facts: Facts) -> Iterator[Compared]:
    return iter(())


def _group(kind: GroupKind, of_switch: bool = False) -> Comparer:
    def compare(facts: Facts) -> Iterator[Compared]:
        home = facts.switch_of if of_switch else facts.home_of
        for group in facts.problem.groups:
            if group.kind is kind:
                told = (f"{d} on {home.get(d, 'no segment')}" for d in group.devices)
                yield group.id, ", ".join(told)

    return compare


def _pins(facts: Facts) -> Iterator[Compared]:
    for device, switch in facts.switch_of.items():
        allowed = facts.problem.devices[device].pinned_switches
        if allowed is not None:
            yield device, f"on {switch}; may hang on {listed(allowed)}"


def _levels(facts: Facts) -> Iterator[Compared]:
    span = facts.problem.sharing.safety_span
    for laid in facts.lines if span is not None else ():
        levels = sorted(set(safety_levels(facts, laid).values()))
        if levels:
            told = f"levels {', '.join(map(str, levels))}; at most {span} apart"
            yield laid.segment.id, told


def _domains(facts: Facts) -> Iterator[Compared]:
    mixes = [" with ".join(sorted(m)) for m in facts.problem.sharing.domains]
    for laid in facts.lines:
        domains = security_domains(facts, laid)
        if domains:
            allowed = f"; may mix: {'; '.join(mixes)}" if mixes and len(domains) > 1 else ""
            yield laid.segment.id, f"{', '.join(domains)}{allowed}"


def _tails(facts: Facts) -> Iterator[Compared]:
    for laid in facts.lines if facts.problem.line.option_tail else ():
        arms = [
            ", ".join(
                f"{p.owner} ({facts.problem.devices[p.owner].option or 'always'})" for p in arm
            )
            for arm in laid.geometry.arms
        ]
        if any(facts.problem.devices[d].option for d in laid.segment.devices):
            yield laid.segment.id, "outward: " + "; ".join(arms)


def _switch_places(facts: Facts) -> Iterator[Compared]:
    wanted = facts.problem.line.switch_position.value
    for laid in facts.lines:
        index, number = laid.segment.switch_index, len(laid.segment.devices)
        yield (
            laid.segment.id,
            f"switch after {index} of {count(number, 'device')}; allowed: {wanted}",
        )


def _all(noun: str, number: Callable[[Facts], int], what: str) -> Comparer:
    def compare(facts: Facts) -> Iterator[Compared]:
        yield "", f"{count(number(facts), noun)}: {what}"

    return compare


_segments = partial(_all, "segment", lambda facts: len(facts.layout.segments))
_devices = partial(_all, "device", lambda facts: len(facts.problem.devices))


def _plca(what: str) -> Comparer:
    def compare(facts: Facts) -> Iterator[Compared]:
        lines = sum(facts.problem.catalogue.is_line(s.grade) for s in facts.layout.segments)
        if lines:
            yield "", f"{count(lines, 'line')}: {what}"

    return compare


def _open(facts: Facts) -> Iterator[Compared]:
    yield "", f"open: {listed(facts.layout.open_switches)}"


def _backbone(facts: Facts) -> Iterator[Compared]:
    links = [link_name(*link.ends) for link in facts.layout.backbone]
    if links:
        yield "", f"{count(len(links), 'link')}: {', '.join(links)}"


def _shape(facts: Facts) -> Iterator[Compared]:
    if len(facts.sound.open_switches) > 1:
        number = count(len(facts.layout.backbone), "link")
        yield "", (
            f"{number} between {count(len(facts.sound.open_switches), 'switch', 'switches')}; "
            f"asked for: {facts.problem.backbone.shape.value}"
        )


def _ways(facts: Facts) -> Iterator[Compared]:
    asked = facts.problem.delivery_count
    if asked:
        yield "", f"{len(facts.ways)} of {count(asked, 'delivery', 'deliveries')} have a way"


def _overload(facts: Facts) -> Iterator[Compared]:
    media = len(facts.timing.load_ppm) + len(facts.timing.link_load_ppm)
    yield "", f"{count(media, 'medium', 'media')}: the delays of all frames settle"


COMPARERS: dict[str, Comparer] = {
    "known-names": _segments("switches, grades and devices that they name"),
    "segment-once": _segments("their names"),
    "complete": _devices("whether a segment names each"),
    "device-once": _devices("how many segments name each, and how often"),
    "segment-devices": _segments("how many devices each carries"),
    "port-exists": _segments("port against the ports of its switch"),
    "port-once": _segments("switch and port of each"),
    "port-grade": _segments("grade against what its port serves"),
    "device-grade": _devices("grade of the segment against what the device can have"),
    "pin": _pins,
    "apart-segment": _group(GroupKind.APART_SEGMENT),
    "apart-switch": _group(GroupKind.APART_SWITCH, of_switch=True),
    "together": _group(GroupKind.TOGETHER),
    "safety-span": _levels,
    "security-domain": _domains,
    "option-tail": _tails,
    "switch-position": _switch_places,
    "switch-open": _open,
    "backbone-link": _backbone,
    "backbone-shape": _shape,
    "stream-way": _ways,
    "plca-ids": _plca("PLCA IDs, one for each device, 1 to 254"),
    "plca-node-count": _plca("node count against the highest ID and the reserve"),
    "plca-burst": _plca("burst counts set for single nodes"),
    "overload": _overload,
}
"""What every rule without amounts compares; a test says if one is missing."""
