"""Delays of legs on a line as sums over its devices: what a model of who shares it can hold.

The sums are those of :func:`partitioner.solve.leg_growth.first_legs` with one simplification: how
many rounds a frame waits does not depend on who else is on the line. They say what is about true,
so nothing may be proved by them.
"""

from __future__ import annotations

import itertools

import numpy as np

from partitioner.solve.arrays import Ints
from partitioner.solve.instance import Instance
from partitioner.solve.kept import kept
from partitioner.solve.leg_growth import frames_at_once
from partitioner.solve.segment_traffic import SegmentTraffic
from partitioner.timing.constants import IPG_BT
from partitioner.timing.line import (
    collision_ns,
    deferral_ns,
    hold_ns,
    miss_ns,
    not_pending_ns,
    rounds,
    silent_ns,
    slot_ns,
    start_ns,
)

USUAL_DEVICES = 5
"""Devices on a line for which rounds of the port are right."""
PORT_ROUNDS = 2
"""Rounds that frames from the switch port are taken to wait, as far as the devices' frames go."""


class LegEstimates:
    """Parts of the legs on lines of one grade, in ns."""

    def __init__(self, traffic: SegmentTraffic, grade: int):
        self._traffic = traffic
        self._instance: Instance = traffic.instance
        self._settings = traffic.settings(grade)
        self._silent = silent_ns(self._settings)
        self._each = self._silent * (2 if self._settings.logical_collision else 1)
        """By how much each device makes a round longer, its frames left out."""
        alone = 2 + self._instance.grades[grade].spare_ids
        self._usual = usual = alone + USUAL_DEVICES - 1
        self._collision = collision_ns(usual, self._settings)
        if self._settings.logical_collision:
            self._collision -= (USUAL_DEVICES - 1) * self._silent
        self._round = start_ns(self._settings) + alone * self._silent + self._collision
        deferral = 0
        if self._settings.logical_collision:
            deferral = not_pending_ns(hold_ns(alone, self._settings), self._settings)
            deferral += self._silent - IPG_BT * self._settings.bit_ns - self._collision
        self._once = miss_ns(self._settings) - self._settings.loop_delay_ns
        self._once += self._settings.phy_ns + deferral

    def slot(self, stream: int) -> int:
        """TO in which a frame of the stream is sent, beyond a silent one."""
        return slot_ns(self._instance.streams[stream].frame_bytes, self._settings) - self._silent

    @kept
    def rounds_up(self, stream: int) -> int:
        """Rounds a frame waits for in the device that sends it."""
        return self._own(stream)[0]

    @kept
    def up(self, stream: int) -> int:
        """Leg from the device that sends the stream, were nobody else on the line."""
        turns, own = self._own(stream)
        return self._once + own + turns * self._round

    @kept
    def _own(self, stream: int) -> tuple[int, int]:
        """Rounds that a frame waits for in its own device, and the device's frames meanwhile."""
        device = self._instance.streams[stream].source_device
        assert device is not None
        node = self._traffic.nodes[device]
        frames, time = frames_at_once(node, self._traffic.flows[stream], self._settings)
        turns = rounds(frames, node.burst_count, self._settings)
        return turns, time - frames * self._silent

    @kept
    def adds(self, turns: int) -> Ints:
        """(n,) what each device adds to the legs of others that wait so many rounds."""
        sent = [self._sent(i, turns) for i in range(self._instance.n)]
        return np.array(sent, dtype=np.int64) + turns * self._each

    def _sent(self, device: int, turns: int) -> int:
        """Frames of a device, one of each stream, as many as the rounds allow."""
        slots = sorted((self.slot(j) for j in self._instance.sent_by[device]), reverse=True)
        most = turns * (1 + self._traffic.burst)
        return sum(itertools.islice(slots, most))

    @kept
    def down_each(self, stream: int) -> int:
        """What a frame that the port sends first, or itself, adds to a leg from the port.

        Rounds grow with the devices there: here as with :data:`USUAL_DEVICES` of them, while
        :meth:`adds` counts all devices for :data:`PORT_ROUNDS`; what is counted twice by that is
        taken off in :attr:`down_once`.
        """
        flow = self._traffic.flows[stream]
        spread = flow.jitter_ns + self._traffic.least_spread(stream)
        each = self.slot(stream) + self._round + (USUAL_DEVICES - 1) * self._each
        return (1 + spread // flow.period_ns) * each

    @property
    def down_once(self) -> int:
        """What every leg from the port takes besides."""
        return self._once - PORT_ROUNDS * USUAL_DEVICES * self._each

    def deferral(self, slot: int) -> int:
        """Most by which a frame left over from before, no longer than that, delays the first."""
        return deferral_ns(slot + self._silent, self._usual, self._settings)
