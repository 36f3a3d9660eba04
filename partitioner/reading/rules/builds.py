"""Options, builds and rules about failures."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal

from partitioner.reading.kinds import plain_number
from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.rules.names import has_one_of
from partitioner.wording import count


def check_builds(parts: Parts, findings: Findings) -> None:
    """Builds name known options, differ from each other, and their shares make 1."""
    builds = parts.builds
    first: dict[frozenset[str], tuple[str, str]] = {}
    for item in builds:
        if item.table.options is None or item.id is None:
            continue
        options = frozenset(item.table.options)
        if options in first:
            name, place = first[options]
            findings.add(
                item.origin, "duplicate-name", f"same options as build '{name}' on {place}",
                "options",
            )  # fmt: skip
        first.setdefault(options, (item.id, item.origin.at(("id",)).words))
    named = {name for item in builds for name in item.table.options or ()}
    told = len(first) < len(builds) or not named <= set(parts.names(("options",)))
    if not builds or told or not all(item.whole for item in builds):
        return
    total = sum((item.table.share for item in builds), Decimal(0))
    if total != 1:
        findings.clash(
            builds[0].origin.named("builds"),
            f"expected shares that sum to 1, got {plain_number(total)}", "share",
        )  # fmt: skip
        return
    for option in parts.options:
        having = (b.table.share for b in builds if option.id in b.table.options)
        share = sum(having, Decimal(0))
        if option.whole and share != option.table.take_rate:
            findings.clash(
                option.origin,
                f"the builds with it make {plain_number(share)}, not "
                f"{plain_number(option.table.take_rate)}; the builds count",
                "take_rate", is_warning=True,
            )  # fmt: skip


def check_options(parts: Parts, findings: Findings) -> None:
    """Options bring devices; a rule about them needs some."""
    everyone = parts.everyone()
    used = {d.table.option for d in everyone}
    known = {None, *parts.names(("options",))}
    sure = not parts.unsure & {"devices", "forecast"} and used <= known
    if sure and all(d.whole for d in everyone):
        for item in parts.options:
            if item.id is not None and item.id not in used:
                findings.no_effect(item.origin, "no device belongs to this option")
    line = parts.line
    if line.table.option_tail and not parts.options and not parts.unsure & {"options"}:
        findings.no_effect(line.origin, "there are no options", "option_tail")


def check_failure_rules(parts: Parts, findings: Findings) -> None:
    """A rule about failures names one group or one function that devices have."""
    functions = Counter(d.table.function for d in parts.devices if d.table.function is not None)
    groups = parts.ids("groups")
    for item in parts.failure_rules:
        rule = item.table
        if not has_one_of(item, ("group", "function"), findings, hint="write two rules"):
            continue
        size = None
        if rule.group is not None:
            if rule.group in groups:
                size = len(groups[rule.group].table.devices or ()) or None
        elif rule.function is not None and not parts.unsure & {"devices"}:
            size = functions.get(rule.function)
            if size is None and all(d.whole for d in parts.devices):
                findings.unknown(
                    item.origin, f"no device has the function '{rule.function}'", rule.function,
                    sorted(functions), "function",
                )  # fmt: skip
        if size is not None and rule.most_lost is not None and rule.most_lost >= size:
            findings.no_effect(
                item.origin, f"it concerns {count(size, 'device')} only", "most_lost", on_key=False
            )
