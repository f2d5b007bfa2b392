"""One Chromium for all tests that open a record in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from tests.chromium import PATIENCE_MS, running


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with running() as browser:
        yield browser


class Visit:
    """One file opened from disk, with everything the browser asked for and complained of."""

    def __init__(self, browser: Browser, path: Path, **context: Any) -> None:
        self.context = browser.new_context(**context)
        self.context.set_default_timeout(PATIENCE_MS)
        self.page: Page = self.context.new_page()
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(path.as_uri())


@pytest.fixture
def visit(chromium: Browser, tmp_path: Path) -> Iterator[Callable[..., Visit]]:
    """Opens HTML from disk."""
    open_: list[Visit] = []

    def go(text: str, **context: Any) -> Visit:
        path = tmp_path / "page.html"
        path.write_text(text, encoding="utf-8")
        open_.append(Visit(chromium, path, **context))
        return open_[-1]

    yield go
    for one in open_:
        one.context.close()
