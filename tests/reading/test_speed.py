"""Large files are read in seconds, right or wrong."""

from __future__ import annotations

import time

import pytest

DEVICES = 10_000
HEAD = """\
format: 1
name: large
switches:
  - {id: s, position_m: [0, 0, 0], ports: [{grades: [10BASE-T1S-multidrop], count: 1000}]}
"""


@pytest.mark.slow
@pytest.mark.parametrize("right", [True, False], ids=["right", "wrong"])
def test_ten_thousand_devices(read, right: bool) -> None:
    stub = "0.05" if right else "5cm"
    sender = "d" if right else "x"
    text = [HEAD, "devices:"]
    text += [
        f"  - {{id: d{n}, position_m: [{n % 400}.5, 1, 0], grades: [10BASE-T1S-multidrop], "
        f"stub_m: {stub}, function: f{n % 50}}}"
        for n in range(DEVICES)
    ]
    text += ["streams:"]
    text += [
        f"  - {{id: t{n}, from: {sender}{n}, to: [s], payload_bytes: 8, period_us: 10000}}"
        for n in range(DEVICES)
    ]
    # Processor time: the limit is wide, and holds on a machine that is busy with other things.
    start = time.process_time()
    problem, findings = read("\n".join(text) + "\n")
    seconds = time.process_time() - start
    if right:
        assert problem is not None
        assert len(problem.devices) == DEVICES
    else:
        assert len(findings) == 2 * DEVICES
    assert seconds < 30
