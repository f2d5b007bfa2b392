"""Where a daemon can be found: one file in the user's runtime folder, and a lock, for as long as it lives.

The file holds the token that every request to change something must carry, and has mode 0600: whoever can read it is
the user the daemon runs as. A second lock is the store's: two daemons never serve one store.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import platformdirs

from benchlog.errors import BenchFailed, UsageError

PORT = 21850  # loopback only; nothing well known is there


@dataclass(frozen=True, slots=True)
class Place:
    """What a daemon says of itself to its own user."""

    port: int
    pid: int
    token: str
    store: str
    page: str  # the page's address, token and all


@contextlib.contextmanager
def taken(store: Path) -> Iterator[None]:
    """Be the only daemon of a store. Raises UsageError where another is."""
    name = hashlib.sha256(str(store.resolve()).encode()).hexdigest()[:16]
    path = _folder() / f"store-{name}.lock"
    with path.open("a", encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(
                "a daemon serves this store already", where=str(store), cure="`benchlog status` asks it how it is."
            ) from None
        yield  # the file stays: removing a lock that others may be waiting for is how two get it


@contextlib.contextmanager
def announced(place: Place) -> Iterator[Path]:
    """Leave the file for as long as the context lasts."""
    path = _path(place.port)
    descriptor, draft = tempfile.mkstemp(prefix="draft-", dir=path.parent)  # mode 0600
    with open(descriptor, "w", encoding="utf-8") as file:
        json.dump(asdict(place), file)
    Path(draft).rename(path)  # whole before it has the name
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)


def find(port: int) -> Place:
    """The daemon on a port. Raises BenchFailed where none has announced itself there."""
    path = _path(port)
    try:
        with path.open(encoding="utf-8") as file:
            if os.fstat(file.fileno()).st_uid != os.getuid():
                raise PermissionError
            return Place(**json.load(file))
    except FileNotFoundError:
        what, cure = "no daemon runs", "Start one with `benchlog serve`, as the same user."
    except (OSError, ValueError, TypeError):
        what, cure = "the daemon's own file cannot be read", "Is it another user's daemon, or another version's?"
    raise BenchFailed(what, where=f"port {port}", cure=cure)


def _path(port: int) -> Path:
    return _folder() / f"daemon-{port}.json"


def _folder() -> Path:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # where the system has no runtime folder, the library's stand-in will do
        folder = platformdirs.user_runtime_path("benchlog")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        mine = folder.stat().st_uid == os.getuid()
    except OSError as exc:
        raise BenchFailed(
            f"no runtime folder: {exc.strerror}", where=str(folder), cure="Set XDG_RUNTIME_DIR to one of your own."
        ) from None
    if not mine:
        raise BenchFailed("this folder is another user's", where=str(folder), cure="Set XDG_RUNTIME_DIR.")
    return folder
