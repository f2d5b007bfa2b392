"""Simulated benches announce themselves away from the user's own; one Chromium for all tests that look at the page."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.cli.conftest import _runtime
from tests.page.browser import Look
from tests.page.looking import Served, served
from tests.report.test_report_chromium import SWITCHES

__all__ = ["_runtime"]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("no Chromium here: install the package chromium, this test needs a real browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=SWITCHES)
        yield browser
        browser.close()


@pytest.fixture
def played(tmp_path: Path) -> Iterator[Served]:
    """A run that the test plays."""
    with served(tmp_path / "s.benchlog") as one:
        one.begin()
        yield one


@pytest.fixture
def look(chromium: Browser) -> Iterator[Callable[..., Look]]:
    """Opens tabs, and closes them after the test."""
    looks: list[Look] = []

    def go(one: Any, **how: Any) -> Look:
        """``one`` has a port and a token."""
        looks.append(Look(chromium, one.port, one.token, **how))
        return looks[-1]

    yield go
    for one in looks:
        one.close()
