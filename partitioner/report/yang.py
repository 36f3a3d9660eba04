"""Configuration of each switch as instance data of published YANG modules, in JSON by RFC 7951.

Made from the tables ``vlans``, ``switch-ports``, ``forwarding`` and ``pcp-queues``. The
modules are ietf-interfaces (RFC 8343), iana-if-type, ieee802-dot1q-bridge and ieee802-dot1q-types
(IEEE Std 802.1Q-2022 with 802.1Qcw-2023, revisions of 2023-10-26).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from partitioner.report.file_names import distinct_names
from partitioner.report.sections import Table
from partitioner.visible import json_file

COMPONENT = "c-vlan"
LONGEST_NAME = 32
"""Letters of a bridge's name at most (``name-type`` of ieee802-dot1q-types)."""
_BRIDGE = "ieee802-dot1q-bridge"
_TYPES = "ieee802-dot1q-types"

Rows = list[dict[str, Any]]


def yang_files(tables: Mapping[str, Table], mark: str) -> dict[str, str]:
    """The configuration of each switch, by file name.

    Without the tables for software there are no files, and none for a switch at which two segments
    claim one port. ``mark`` says which problem and layout it is for; it stands in the description
    of every interface.
    """
    needed = ("vlans", "switch-ports", "forwarding", "pcp-queues")
    if any(name not in tables for name in needed):
        return {}
    bridges, ports, entries, queues = (tables[name].records() for name in needed)
    names = distinct_names((f"bridge-{row['switch']}" for row in bridges), ".json")
    files: dict[str, str] = {}
    for name, bridge in zip(names, bridges, strict=True):
        switch = bridge["switch"]
        own = [row for row in ports if row["switch"] == switch]
        if len({row["port"] for row in own}) < len(own):
            continue  # Two segments claim one port: a rule is broken, and nothing can be set up.
        data = _configuration(
            bridge, own, [row for row in entries if row["switch"] == switch], queues, mark
        )
        files[name] = json_file(data)
    return files


def _configuration(
    bridge: dict[str, Any], ports: Rows, entries: Rows, queues: Rows, mark: str
) -> dict[str, Any]:
    name = bridge["switch"][:LONGEST_NAME]
    numbers = [row["port"] for row in ports]
    component = {
        "name": COMPONENT,
        "id": 1,
        "type": f"{_BRIDGE}:c-vlan-component",
        "traffic-class-enabled": True,
        "filtering-database": {
            "filtering-entry": [_filtering(entry, numbers) for entry in entries],
            "vlan-registration-entry": _registration(ports),
        },
        "bridge-vlan": {"vlan": [{"vid": v, "name": "all"} for v in _vids(ports)]},
    }
    return {
        "ietf-interfaces:interfaces": {
            "interface": [_interface(row, name, queues, mark) for row in ports]
        },
        f"{_BRIDGE}:bridges": {
            "bridge": [
                {
                    "name": name,
                    "address": bridge["address"],
                    "bridge-type": f"{_BRIDGE}:customer-vlan-bridge",
                    "component": [component],
                }
            ]
        },
    }


def _vids(ports: Rows) -> list[int]:
    return sorted({row["pvid"] for row in ports})


def _interface(port: dict[str, Any], bridge: str, queues: Rows, mark: str) -> dict[str, Any]:
    count = max(row["queue"] for row in queues) + 1
    return {
        "name": f"port-{port['port']}",
        "description": f"to {port['leads_to']}, {port['grade']}; {mark}",
        "type": "iana-if-type:ethernetCsmacd",
        "enabled": True,
        f"{_BRIDGE}:bridge-port": {
            "bridge-name": bridge,
            "component-name": COMPONENT,
            "port-type": f"{_BRIDGE}:c-vlan-bridge-port",
            "pvid": port["pvid"],
            "default-priority": port["default_priority"],
            "pcp-selection": "8P0D",
            "traffic-class": {
                "traffic-class-table": {
                    "number-of-traffic-classes": count,
                    **{f"priority{row['pcp']}": row["queue"] for row in queues},
                }
            },
            "transmission-selection-algorithm-table": {
                "transmission-selection-algorithm-map": [
                    {
                        "traffic-class": queue,
                        "transmission-selection-algorithm": f"{_TYPES}:strict-priority",
                    }
                    for queue in range(count)
                ]
            },
            "acceptable-frame": "admit-all-frames",
        },
    }


def _filtering(entry: dict[str, Any], ports: Iterable[int]) -> dict[str, Any]:
    """A static filtering entry; its port map has every port that is in use."""
    out = {int(p) for p in entry["ports"].split()}
    return {
        "database-id": 1,
        "vids": str(entry["vid"]),
        "address": entry["address"],
        "entry-type": "static",
        "port-map": [
            {
                "port-ref": port,
                "static-filtering-entries": {
                    "control-element": "forward" if port in out else "filter"
                },
            }
            for port in ports
        ],
    }


def _registration(ports: Rows) -> Rows:
    return [
        {
            "database-id": 1,
            "vids": str(vid),
            "entry-type": "static",
            "port-map": [
                {
                    "port-ref": row["port"],
                    "static-vlan-registration-entries": {
                        "registrar-admin-control": "fixed-new-ignored",
                        "vlan-transmitted": row["frames_out"],
                    },
                }
                for row in ports
                if row["pvid"] == vid
            ],
        }
        for vid in _vids(ports)
    ]
