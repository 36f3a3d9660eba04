"""Nodes of a segment that runs PLCA, with their IDs.

PLCA runs on every half-duplex segment: a shared line, and a half-duplex link, which is a line of
two nodes. There is no choice on a link, so a layout need not state its settings.
"""

from __future__ import annotations

from partitioner.model.catalogue import Grade
from partitioner.model.layout import Segment

LINK_DEVICE_ID = 1
"""Node ID of the device on a half-duplex link; the switch port is node 0, as everywhere."""
HIGHEST_ID = 254
"""Highest PLCA node ID; 255 means not configured (ethtool(8); IEEE Std 802.3 30.16.1.1.4)."""
LINK_NODE_COUNT = 2
"""Node count of a half-duplex link."""


def plca_ids(segment: Segment, grade: Grade) -> tuple[int, ...]:
    """Node ID of each device, parallel to the devices; empty where no PLCA runs."""
    if grade.full_duplex:
        return ()
    if grade.is_line:
        return segment.plca_ids
    return tuple(LINK_DEVICE_ID + k for k in range(len(segment.devices)))


def plca_node_count(segment: Segment, grade: Grade) -> int:
    """Node count to be set at the switch port; 0 where no PLCA runs."""
    if grade.full_duplex:
        return 0
    return segment.node_count if grade.is_line else LINK_NODE_COUNT


def plca_nodes(segment: Segment, grade: Grade) -> tuple[tuple[str, int], ...]:
    """Every node with its ID: the switch port, which is the coordinator, then devices by ID."""
    if grade.full_duplex:
        return ()
    devices = sorted(zip(plca_ids(segment, grade), segment.devices, strict=True))
    return ((segment.switch, 0), *((device, id_) for id_, device in devices))
