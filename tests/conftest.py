"""What all tests share: where the demo problems are, and no silent skips on the build machine."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest

if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
    # Under nohup the signal is ignored, and so it would be in every process that a test starts.
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def problems(root: Path) -> Path:
    """The folder of demo problems."""
    return root / "problems"


@pytest.fixture
def silent_and_clean(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[None]:
    """Whatever runs here prints nothing and leaves no file in the current folder."""
    monkeypatch.chdir(tmp_path)
    yield
    assert capsys.readouterr() == ("", "")
    assert list(tmp_path.iterdir()) == []


# While tests are collected nearly everything that is made stays until the end.
gc.disable()


def pytest_collection_finish() -> None:
    """Keep the collector off what was collected, which it would go through again and again."""
    gc.freeze()
    gc.enable()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """On a build machine a browser test that was skipped has failed: it must have its browser."""
    report = yield
    if os.environ.get("CI") and report.skipped and item.get_closest_marker("browser"):
        report.outcome = "failed"
        report.longrepr = f"skipped where CI is set: {report.longrepr}"
    return report
