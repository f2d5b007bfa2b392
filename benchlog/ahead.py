"""What a command will need anyhow is loaded while it waits for something else.

The readings of a long session take seconds to come out of the store, by threads that leave the interpreter alone;
matplotlib and scipy take half a second to load, which would come before or after it.
"""

from __future__ import annotations

from importlib import import_module

_wanted: list[str] = []


def want(*modules: str) -> None:
    """Whoever knows first what will be needed says so: full names of modules that are there."""
    _wanted.extend(modules)


def load() -> None:
    """Others are at work now: load what is wanted. Where nobody ever says so, each is loaded where it is used."""
    while _wanted:
        import_module(_wanted.pop(0))
