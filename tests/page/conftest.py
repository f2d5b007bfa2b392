"""Simulated benches announce themselves away from the user's own; one Chromium for all tests that look at the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from tests.chromium import running
from tests.cli.conftest import _runtime
from tests.page.browser import Look
from tests.page.looking import Served, served

__all__ = ["_runtime"]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with running() as browser:
        yield browser


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
