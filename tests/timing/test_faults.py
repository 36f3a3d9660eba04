"""Faults put into each of the three roads on purpose: the suite has to notice every one.

The faults of the bounds must be noticed by the comparison with the simulation; those of the
simulation by runs worked out by hand.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from partitioner.timing import constants, line, line_simulation, line_window
from tests.timing import test_line, test_response, test_simulate
from tests.timing.order import broken_order
from tests.timing.random_traffic import random_segment

TELLING_SEEDS = (1, 5, 7, 9, 13, 15, 23, 25)


def bounds_hold() -> None:
    """Compare on segments without logical collisions, where the bounds are tightest."""
    for seed in TELLING_SEEDS:
        assert broken_order(random_segment(seed, collision=False), seed, searched=4) == []


@pytest.fixture
def unharmed():
    bounds_hold()


def without_gap(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(line, "IPG_BT", 0)


def linear_without_beacon(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(line, "start_ns", lambda settings: settings.loop_delay_ns)


def linear_with_a_frame_too_few(patch: pytest.MonkeyPatch) -> None:
    known = line.waiting_frames
    patch.setattr(line, "waiting_frames", lambda flow: max(0, known(flow) - 1))


def linear_without_the_missed_opportunity(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(line, "miss_ns", lambda settings: 0)


def response_without_gap(patch: pytest.MonkeyPatch) -> None:
    known = line_window.slot_ns
    patch.setattr(line_window, "slot_ns", lambda n, s, b=0: known(n, s, b) - 9_600)


def response_without_beacon(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(line_window, "start_ns", lambda settings: settings.loop_delay_ns)


def response_with_a_frame_too_few(patch: pytest.MonkeyPatch) -> None:
    known = line_window.Queue.step

    def step(self, number):
        own, own_ns, following = known(self, number)
        return max(1, own - 1), own_ns - (own_ns > self.last_ns) * self.last_ns, following

    patch.setattr(line_window.Queue, "step", step)


def response_without_frames_in_progress(patch: pytest.MonkeyPatch) -> None:
    """Forget that others' frames can be around when the window opens."""
    begin = line_window.Line.__init__

    def __init__(self, *given):
        begin(self, *given)
        rows = zip(self.arrivals, self.bits, strict=True)
        self.most = [jitter - bits for (jitter, _, _), bits in rows]
        for row, around in zip(self.rows, self.most, strict=True):
            row[0] = around
        self.gaps = [(-1, k) for k in range(len(self.size))]

    patch.setattr(line_window.Line, "__init__", __init__)


def response_without_the_missed_opportunity(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(line_window, "miss_ns", lambda settings: 0)


BOUND_FAULTS = (
    without_gap,
    response_without_gap,
    response_without_beacon,
    response_with_a_frame_too_few,
    response_without_frames_in_progress,
    response_without_the_missed_opportunity,
)


@pytest.mark.usefixtures("unharmed")
@pytest.mark.parametrize("fault", BOUND_FAULTS, ids=lambda f: f.__name__)
def test_simulation_notices_a_fault_of_the_bounds(fault, monkeypatch):
    fault(monkeypatch)
    with pytest.raises(AssertionError, match=r"bound|above"):
        bounds_hold()


def order_of_bounds() -> None:
    """Compare linear and response where the linear bound keeps the windows (nothing simulated)."""
    test_response.test_busy_window_alone_is_below_the_linear_bound_when_windows_hold()


LINEAR_FAULTS = (
    linear_without_beacon,
    linear_with_a_frame_too_few,
    linear_without_the_missed_opportunity,
)


@pytest.mark.parametrize("fault", LINEAR_FAULTS, ids=lambda f: f.__name__)
def test_response_notices_a_fault_of_the_linear_bound(fault, monkeypatch):
    order_of_bounds()
    fault(monkeypatch)
    with pytest.raises(AssertionError):
        order_of_bounds()


def do_all(checks: tuple[Callable[[], None], ...]) -> None:
    for check in checks:
        check()


HAND_CHECKS_OF_LINES: tuple[Callable[[], None], ...] = (
    test_line.test_one_talker_by_hand,
    test_line.test_queue_of_a_node_is_served_one_frame_a_cycle,
)


@pytest.mark.parametrize("fault", [without_gap, *LINEAR_FAULTS], ids=lambda f: f.__name__)
def test_hand_checks_notice_a_fault_of_the_linear_bound(fault, monkeypatch):
    do_all(HAND_CHECKS_OF_LINES)
    fault(monkeypatch)
    with pytest.raises(AssertionError):
        do_all(HAND_CHECKS_OF_LINES)


def simulation_without_gap(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(constants, "IPG_BT", 0)


def simulation_without_beacon(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(constants, "BEACON_BT", 0)


def simulation_that_loses_a_frame(patch: pytest.MonkeyPatch) -> None:
    known = line_simulation.SimulatedLine.arrive

    def arrive(self, node, frame, now):
        if not node.queue:
            known(self, node, frame, now)

    patch.setattr(line_simulation.SimulatedLine, "arrive", arrive)


def simulation_without_pending_timer(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(constants, "PENDING_TIMER_BT", 0)


def simulation_without_esd(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(constants, "ESD_BT", 0)


HAND_RUNS: tuple[Callable[[], None], ...] = (
    test_simulate.test_round_robin_between_nodes,
    test_simulate.test_unfinished_burst_holds_the_line,
    test_simulate.test_every_frame_is_delivered_to_every_destination,
    test_simulate.test_plain_mac_fills_its_delay_line_and_loses_opportunities,
)
SIMULATION_FAULTS = (
    simulation_without_gap,
    simulation_without_beacon,
    simulation_that_loses_a_frame,
    simulation_without_pending_timer,
    simulation_without_esd,
)


@pytest.mark.parametrize("fault", SIMULATION_FAULTS, ids=lambda f: f.__name__)
def test_hand_runs_notice_a_fault_of_the_simulation(fault, monkeypatch):
    do_all(HAND_RUNS)
    fault(monkeypatch)
    with pytest.raises((AssertionError, KeyError)):
        do_all(HAND_RUNS)
