"""A key box, a cable to it, and guards that do not outlive their test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from benchlog.keying.client import Guard
from benchlog.simulate.keybox import Cable, KeyBox
from tests.keying.guarding import first


@pytest.fixture
def box() -> Iterator[KeyBox]:
    with KeyBox(mode="drop") as box:
        yield box


@pytest.fixture
def holding_box() -> Iterator[KeyBox]:
    """Whatever this one does, it was told to."""
    with KeyBox(mode="hold") as box:
        yield box


@pytest.fixture
def cable(box: KeyBox) -> Iterator[Cable]:
    with Cable(box.port) as cable:
        yield cable


@pytest.fixture
def guard_of() -> Iterator[Callable[..., Guard]]:
    with ExitStack() as running:
        yield lambda address, **law: running.enter_context(Guard(first(address, **law)))
