"""PLCA settings as Linux commands, with the order in which to give them."""

from __future__ import annotations

import shlex
from typing import Any

from partitioner.report.sections import Table
from partitioner.visible import visible

_HEAD = """\
# PLCA settings as ethtool(8) commands for Linux. To be adapted: run each line on its own node and
# put the name of its network interface in place of IFACE_...
# Needs Linux 6.3 or newer, ethtool 6.3 or newer, and a driver that knows PLCA; older ones refuse
# the option.
# Order on each segment, also when a running one is changed:
#  1. The coordinator (node-id 0) first: its node count is raised before a node with a higher ID
#     comes, since an ID beyond the count never gets a transmit opportunity.
#  2. Then the other nodes, one after the other. Two nodes never have one ID at a time: take a node
#     off ("enable off") before another one gets its ID.
#  3. The node count is lowered last, when no node has an ID beyond it any more.
# Behind each setting: --get-plca-cfg reads it back, --get-plca-status says "on" once the node is in
# step with the coordinator's BEACON. On a segment with a node that says "off" no worst-case delay
# holds."""


def plca_commands(plca: Table, mark: str) -> str:
    """PLCA settings as Linux commands, by node, with a placeholder for each interface.

    In the table of settings the coordinator of each segment comes first. ``mark`` says which
    problem and layout they are for. Option names and order: ethtool(8) manual, ``--set-plca-cfg``,
    ``--get-plca-cfg`` and ``--get-plca-status``.
    """
    lines = [*_HEAD.splitlines(), _remark(mark)]
    segment = None
    for row in plca.records():
        if row["segment"] != segment:
            segment = row["segment"]
            lines += ["", _remark(f"segment {segment}")]
        role = f" {row['role']}" if row["role"] != "device" else ""
        interface = "IFACE_" + "".join(
            c if c.isalnum() else "_" for c in f"{row['node']}{role.replace('switch', '')}"
        ).replace("__", "_")
        words: list[Any] = ["--set-plca-cfg", interface, "enable", row["enable"]]
        words += ["node-id", row["node_id"]]
        words += ["node-cnt", row["node_cnt"]] if row["node_id"] == 0 else []
        for key in ("to_tmr", "burst_cnt", "burst_tmr"):
            words += [key.replace("_", "-"), row[key]]
        lines += [
            _command(*words) + _remark(f"{row['node']}{role}", 2),
            _command("--get-plca-cfg", interface),
            _command("--get-plca-status", interface),
        ]
    return "\n".join(lines) + "\n"


def _command(*words: object) -> str:
    # Quoted wherever a word comes from: a name must never be able to become a command.
    return shlex.join(["ethtool", *(str(word) for word in words)])


def _remark(text: str, indent: int = 0) -> str:
    """A comment of a shell script that nothing in ``text`` can end."""
    return " " * indent + f"# {visible(text)}"
