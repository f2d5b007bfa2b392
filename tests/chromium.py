"""Debian's Chromium, for the tests that look at something in a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

PATIENCE_MS = 90_000  # what is waited for comes within a second, but on a machine with much else to do
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def running() -> Iterator[Browser]:
    """A browser that is patient, and so are the tests' expectations of its pages."""
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("no Chromium here: install the package chromium, this test needs a real browser")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=SWITCHES, timeout=2 * PATIENCE_MS)
        yield browser
        browser.close()
