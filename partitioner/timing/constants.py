"""Bit-time figures of Ethernet framing and PLCA, each with its source.

This is the only table that the linear bound, the response-time analysis and the simulation have
in common. ``_bt`` means bit times: 100 ns at 10 Mb/s. Where the clause itself was not at hand the
note says in which text the figure was read.
"""

from __future__ import annotations

IPG_BT = 96
"""Gap before a frame; IEEE Std 802.3 Clause 4.4.2 (12 bytes). With PLCA the owner of a transmit
opportunity holds the line with COMMIT while its MAC waits this gap (Clause 148)."""

IPG_DEAF_BT = 32
"""Last third of the gap, in which a MAC no longer defers to a carrier that comes on; IEEE Std
802.3 Clause 4.2.3.2.2 (first part at most two thirds)."""

PREAMBLE_SFD_BT = 64
"""Preamble and start delimiter, 7 + 1 bytes; IEEE Std 802.3 Clause 3.1.1. The PHY replaces the
first 16 bit times by SYNC and SSD, which adds no time (Clause 147)."""

ESD_BT = 8
"""ESD and ESDOK after a frame, two symbols of 4 bit times; IEEE Std 802.3 Clause 147."""

BEACON_BT = 20
"""Length of the BEACON; IEEE Std 802.3 Clause 148, beacon_timer."""

TO_TIMER_DEFAULT_BT = 32
"""A transmit opportunity nobody uses; IEEE Std 802.3 Clause 30.16.1.1.5, default."""

BURST_TIMER_DEFAULT_BT = 128
"""Longest hold for one more frame of a burst; IEEE Std 802.3 Clause 30.16.1.1.7, default."""

PENDING_TIMER_BT = 512
"""After a logical collision the node stays not-pending this long; IEEE Std 802.3 Clause 148,
pending_timer. Equal to the slot time of Clause 4, the longest first back-off."""

DELAY_LINE_MOST_BT = 396
"""Most bits of a frame held back until the own transmit opportunity comes (the length is the
implementer's choice up to this); IEEE Std 802.3 Clause 148."""

JAM_BT = 32
"""Jam after a collision; IEEE Std 802.3 Clause 4.4.2."""

TIMER_TOLERANCE_NS = 50
"""Tolerance of the PLCA timers above; IEEE Std 802.3 Clause 148."""

PCPS = 8
"""Priorities that the three bits of a tag tell apart; IEEE Std 802.1Q."""

SETTING_MOST = 255
"""Largest PLCA node id, node count and timer value; Linux net/ethtool/plca.c."""
