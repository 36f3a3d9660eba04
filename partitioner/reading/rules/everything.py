"""All rules across the items of a problem, in the order in which they are tried."""

from __future__ import annotations

from partitioner.reading.origin import Findings
from partitioner.reading.parts import Parts
from partitioner.reading.rules.builds import check_builds, check_failure_rules, check_options
from partitioner.reading.rules.devices import check_devices, check_groups, check_sharing
from partitioner.reading.rules.limits import check_limits, check_plca
from partitioner.reading.rules.names import check_duplicates, check_references
from partitioner.reading.rules.plausible import check_plausible
from partitioner.reading.rules.sites import (
    check_backbone,
    check_backbone_reach,
    check_connected,
    check_pathways,
    check_positions,
)
from partitioner.reading.rules.traffic import check_traffic


def check_parts(parts: Parts, findings: Findings) -> None:
    """Check all items of a problem against each other.

    Whatever is wrong goes to ``findings``; what could not be read is left out, so that one fault
    gives one finding.
    """
    for rule in (
        check_duplicates,
        check_references,
        check_pathways,
        check_positions,
        check_devices,
        check_connected,
        check_backbone,
        check_groups,
        check_sharing,
        check_traffic,
        check_limits,
        check_plca,
        check_builds,
        check_options,
        check_failure_rules,
        check_backbone_reach,
        check_plausible,
    ):
        rule(parts, findings)
    if not parts.devices and not parts.unsure & {"devices"}:
        findings.add(
            parts.origin, "out-of-range", "expected at least 1 device, got none", "devices",
            hint="list them under devices, or in a CSV file named by devices_csv", on_key=True,
        )  # fmt: skip
