"""Files that are there whole or not at all: written beside their place, synced, then given their name.

Once a name is given it outlasts a power cut too: the folder is synced with it. What a killed program left behind is a
hidden draft, which the next file of that name clears away.
"""

from __future__ import annotations

import errno
import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

ABANDONED_S = 3600.0
"""A draft that was not touched for so long is nobody's any more."""


@contextmanager
def whole_file(path: Path, kin: str = "") -> Iterator[Path]:
    """A draft beside ``path``, which takes its place when the block is left without an error. Raises: OSError.

    Args:
        kin: a pattern of names; what was left behind of them is cleared away, not only of ``path`` itself.
    """
    path = path.resolve()  # where it is a link, what it names
    draft = path.with_name(f".{path.name}.{os.getpid()}.draft")
    _clear_away(path.parent, kin or re.escape(path.name))
    _remove(draft)  # a process of this number was killed
    try:
        yield draft
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
        draft.replace(path)
        _sync(path.parent)
    finally:
        _remove(draft)


def make_folder(folder: Path) -> None:
    """With those it is in; none of them goes in a power cut any more. Raises: OSError."""
    new = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in new:
        _sync(one.parent)


def _remove(draft: Path) -> None:
    """With what stands beside it: a draft may be a database, and may need room for copies."""
    with suppress(OSError):
        for one in list(draft.parent.iterdir()):
            if one.name == draft.name or one.name.startswith(f"{draft.name}-"):
                one.unlink(missing_ok=True)


def _clear_away(folder: Path, kin: str) -> None:
    pattern = re.compile(rf"\.(?:{kin})\.\d+\.draft(?:-.*)?")
    with suppress(OSError):  # whoever has no leave to look is told when the draft cannot be made
        for left in [path for path in folder.iterdir() if pattern.fullmatch(path.name)]:
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > ABANDONED_S:
                    left.unlink()


def _sync(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as exc:
        if exc.errno not in (errno.EINVAL, errno.ENOTSUP):  # a file system without synced folders
            raise
    finally:
        os.close(descriptor)
