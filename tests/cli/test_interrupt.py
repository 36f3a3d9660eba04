from __future__ import annotations

import signal

import pytest

from partitioner.cli.interrupt import StopWish


def test_first_asks_second_aborts() -> None:
    heard = []
    before = signal.getsignal(signal.SIGINT)
    with StopWish(lambda: heard.append("stop")) as wish:
        assert not wish()
        signal.raise_signal(signal.SIGINT)
        assert wish()
        assert heard == ["stop"]
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before
