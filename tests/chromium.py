"""Debian's Chromium, for the tests that look at something in a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

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


def clashes(page: Page) -> list[str]:
    """Texts in the figures on view that run into each other, or out of their figure."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll('figure svg')].filter(s => s.checkVisibility()).flatMap(s => {
             const frame = s.getBoundingClientRect();
             const texts = [...s.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
             const out = texts.filter(([, r]) => r.left < frame.left - 1 || r.right > frame.right + 1
                                              || r.top < frame.top - 1 || r.bottom > frame.bottom + 1).map(([t]) => t);
             texts.forEach(([a, r], i) => texts.slice(i + 1).forEach(([b, q]) => {
               if (r.left < q.right - 1 && q.left < r.right - 1 && r.top < q.bottom - 2 && q.top < r.bottom - 2)
                 out.push(a + ' / ' + b) }));
             return out })"""
    )
    return found


def contrast(one: str, other: str) -> float:
    """Of two colours written #rrggbb (WCAG 2)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
