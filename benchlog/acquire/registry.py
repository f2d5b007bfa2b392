"""Drivers by name, found through the entry points of the group ``benchlog.drivers``.

Ours are found the same way as anybody else's. A driver is imported when it is asked for, not before, and
one that cannot be keeps its reason.
"""

from __future__ import annotations

import inspect
import sys
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import cast

from benchlog.driver import Driver
from benchlog.files import Table, nearest

GROUP = "benchlog.drivers"


@dataclass(frozen=True, slots=True)
class Installed:
    """One driver as the installed distributions announce it."""

    name: str
    source: str  # "module:Class"
    distribution: str
    version: str
    summary: str = ""  # the first line of its documentation
    reason: str = ""  # why it cannot be used; empty when it can


def find(name: str) -> type[Driver] | str:
    """A driver's class, or the reason there is none: a ``bench.DriverLookup``."""
    points = {point.name: point for point in entry_points(group=GROUP)}
    if name not in points:
        return f"no such driver is installed{nearest(name, list(points))}"
    loaded = _load(points[name])
    return f"cannot be loaded: {loaded}" if isinstance(loaded, str) else loaded


def installed() -> list[Installed]:
    """Every driver there is, by name, with the reason where one cannot be used."""
    return [_describe(point) for point in sorted(entry_points(group=GROUP), key=lambda point: point.name)]


def _describe(point: EntryPoint) -> Installed:
    loaded = _load(point)
    summary, reason = ("", loaded) if isinstance(loaded, str) else (_summary(loaded), "")
    owner = point.dist
    return Installed(
        point.name, point.value, owner.name if owner else "", owner.version if owner else "", summary, reason
    )


def _load(point: EntryPoint) -> type[Driver] | str:
    try:
        loaded = point.load()
    except Exception as exc:  # noqa: BLE001 - a stranger's module may raise anything while it is imported
        return " ".join(f"{type(exc).__name__}: {exc}".split())
    return _faults(loaded, point.value) or cast(type[Driver], loaded)


def _faults(loaded: object, source: str) -> str:
    """What keeps an object from being a driver; empty for nothing."""
    if not isinstance(loaded, type):
        return f"{source} is not a class"
    missing = [name for name in ("open", "ask", "close") if not callable(getattr(loaded, name, None))]
    if missing:
        return f"{source} is no driver: it has no {', '.join(missing)}"
    options = getattr(loaded, "Options", None)
    if not (isinstance(options, type) and issubclass(options, Table)):
        return f"{source} is no driver: its Options must be a benchlog.files.Table (NoOptions for none)"
    if not isinstance(getattr(loaded, "polled", None), bool):
        return f"{source} is no driver: its polled must be True, or False where a person reads it"
    return ""


def _summary(driver: type) -> str:
    module = sys.modules.get(driver.__module__)
    text = inspect.getdoc(module) or driver.__doc__ or ""
    return text.strip().partition("\n")[0]
