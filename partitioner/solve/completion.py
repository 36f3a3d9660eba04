"""Lower bounds on what finishing an arm still costs: relaxed walks from a device to a switch.

The walks may visit devices again (but never step straight back), forget length and load, and
value every piece by the least share of units that can carry it. So no real arm is ever cheaper.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from partitioner.solve.arms import ArmSpace
from partitioner.units import PPM

FAR = 1e15


class Completion:
    """Completion bounds for one arm space under given duals.

    Parameters
    ----------
    duals
        float (m,), what covering each device earns.
    line_fee
        float (S,), least reduced cost a line pays once at each switch: port and its dual,
        terminators, connector (FAR where no port serves the grade).
    end_fee
        What a line pays extra when the switch is at its end (end slack), least share.
    """

    def __init__(
        self,
        space: ArmSpace,
        duals: npt.NDArray[np.float64],
        line_fee: npt.NDArray[np.float64],
        end_fee: float,
    ):
        self.space = space
        inst = space.instance
        m, top = space.m, space.data.max_devices
        own = space.values.shares(space.own_option)
        arc = space.cable_values(space.way_um, own[:, None]).astype(float)
        drop = space.cable_values(np.full(m, space.drop_um, dtype=np.int64), own)
        gain = space.device_value + drop - duals
        reach = space.cable_values(space.switch_um, own[None, :]).astype(float)
        end = space.cable_values(np.full(m, space.end_um, dtype=np.int64), own)
        self.start = np.where(space.may_hang, reach + end[None, :], FAR)
        self.line_fee = line_fee
        self.end_fee = end_fee
        step = np.where(space.step_ok, arc + gain[None, :], FAR)
        least_share = int(own.min(initial=PPM))
        # The second arm of a line through its switch, walked outward: piece shares are unknown
        # there, so the least share of all devices values them.
        self.arm = np.full((inst.switch_count, top + 1), FAR)
        if inst.line_may_pass_through and m:
            cheap = space.cable_values(space.way_um, np.full_like(space.way_um, least_share))
            out_step = np.where(space.step_ok, cheap + gain[None, :], FAR)
            outward = np.zeros(m)
            for size in range(1, top + 1):
                best = (self.start + (gain + outward)[None, :]).min(axis=1)
                self.arm[:, size] = np.minimum(self.arm[:, size - 1], best)
                outward = np.minimum(0.0, (out_step + outward[None, :]).min(axis=1, initial=FAR))
        self._tables = [self._attach(space, used) for used in range(top + 1)]
        self._rest = self._walk(step, top)

    def _attach(self, space: ArmSpace, used: int) -> npt.NDArray[np.float64]:
        """Least cost of going from each device to a switch when the arm has ``used`` devices."""
        top = space.data.max_devices
        other = np.minimum(self.end_fee, self.arm[:, max(0, top - used)])
        ways = self.start + (self.line_fee + other)[:, None]
        least: npt.NDArray[np.float64] = ways.min(axis=0, initial=FAR)
        return least

    def _walk(self, step: npt.NDArray[np.float64], top: int) -> list[npt.NDArray[np.float64]]:
        """``rest[k][j]``: bound for an arm of k devices whose innermost is j."""
        m = self.space.m
        rows = np.arange(m)
        rest: list[npt.NDArray[np.float64]] = [np.full(m, FAR)] * (top + 2)
        first = self._tables[top]
        via = np.full(m, -1)
        second = np.full(m, FAR)
        rest[top] = first
        for used in range(top - 1, 0, -1):
            # Going j -> i must not come straight back to j: i's second best then counts.
            after = np.broadcast_to(first, (m, m)).copy()
            back = via >= 0
            after[via[back], rows[back]] = second[back]
            total = step + after
            nxt = total.argmin(axis=1) if m else np.zeros(0, dtype=int)
            best = total[rows, nxt]
            total[rows, nxt] = FAR
            runner = total.min(axis=1, initial=FAR)
            attach = self._tables[used]
            go = best < attach
            via = np.where(go, nxt, -1)
            second = np.where(go, np.minimum(runner, attach), best)
            first = np.minimum(best, attach)
            rest[used] = first
        return rest

    def bounds(self, size: int) -> npt.NDArray[np.float64]:
        """Bound (m,) for arms of ``size`` devices, by innermost device."""
        return self._rest[size]
