"""A headless Chromium for the tests of pages."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--window-size=1280,900",
)


@contextlib.contextmanager
def chromium(*flags: str) -> Iterator[Any]:
    """Start a browser with a profile of its own; the test is skipped where there is none."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    driver_path = shutil.which("chromedriver")
    if not CHROMIUM.exists() or driver_path is None:
        pytest.skip("needs /usr/bin/chromium and chromedriver (Debian: chromium, chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        for flag in (*FLAGS, *flags, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        driver = webdriver.Chrome(
            options=options, service=webdriver.ChromeService(executable_path=driver_path)
        )
        try:
            yield driver
        finally:
            with contextlib.suppress(Exception):
                driver.quit()
