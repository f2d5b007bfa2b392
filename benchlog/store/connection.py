"""Connections to a store: opened only when the file is ours, with SQLite's errors turned into benchlog's.

Every connection of this process is counted by file, because a second copy of the SQLite library (ADBC carries its
own) must not touch a file that this process has open: when it closes it, POSIX drops all locks the process has on it.
Seen in a trial: with a write transaction open here, an ADBC open and close let another process start one as well.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from benchlog.errors import BadStore, StoreFailed

APPLICATION_ID = 0x424C6F67  # "BLog", in the file's header: how a store is told from any other SQLite file
SYNCHRONOUS = "PRAGMA synchronous = FULL"  # on every connection that writes; why stands in the package's docstring
BUSY_S = 5.0
"""How long begin, enter, import and readers wait for another program's lock."""

_gate = threading.Lock()
_open: Counter[tuple[int, int]] = Counter()


class Connection(sqlite3.Connection):
    """A connection that counts as open until it is closed."""

    inode: tuple[int, int] | None = None

    def close(self) -> None:
        """Any number of times."""
        with _gate:
            super().close()
            if self.inode is not None:
                _open[self.inode] -= 1
                self.inode = None


@contextmanager
def sole_use(path: Path) -> Iterator[bool]:
    """Whether this process has no connection to the file; while inside with True, it gets none."""
    with _gate:
        try:
            yield not _open[_inode(path)]
        except FileNotFoundError:
            yield False


def uri(path: Path, mode: str) -> str:
    """SQLite's name for a file, whatever characters are in it."""
    return f"file:{quote(str(path.absolute()))}?mode={mode}"


@contextmanager
def trouble(path: Path, doing: str) -> Iterator[None]:
    """Turn SQLite's errors into StoreFailed, or BadStore where the file itself is at fault."""
    try:
        yield
    except sqlite3.Error as exc:
        raise _told(exc, path, doing) from exc
    except UnicodeDecodeError as exc:  # from a damaged list of tables, which SQLite's own words quote
        raise _damaged(str(exc), path) from exc


def open_existing(path: Path, *, write: bool, older: bool = False, busy_s: float = BUSY_S) -> Connection:
    """A connection to a store that is there: to write, an up-to-date one, unless an ``older`` or empty one will do.

    Raises: BadStore, the file unchanged; StoreFailed, when it cannot be reached or is locked.
    """
    _look(path)
    with trouble(path, "opened"):
        connection = _read_only(path, busy_s)
        try:
            if not _is_ours(connection, path) and not older:
                raise BadStore("the file is empty", where=str(path), cure="A session or an import makes a store of it.")
            oldest = _newest() if write else _readable()
            if not older and (found := version(connection)) < oldest:
                raise BadStore(
                    f"an older benchlog wrote this store (version {found}; this program's are {_newest()})",
                    where=str(path),
                    cure="Any session or import into it brings it up to date.",
                )
            if not write:
                return connection
        except BaseException:
            connection.close()
            raise
        connection.close()
        connection = _connect(uri(path, "rw"), path, busy_s)
        connection.execute(SYNCHRONOUS)
        return connection


def open_or_create(path: Path, *, busy_s: float = BUSY_S) -> Connection:
    """The same for writing; a missing or empty file becomes a store in ``schema.migrate``. Raises as above."""
    try:
        found = path.stat()
        empty = found.st_size == 0 and stat.S_ISREG(found.st_mode)
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise BadStore("there is no such folder", where=str(path.parent), cure="Make it first.") from None
        empty = True
    except OSError:
        empty = False  # _look says why
    if not empty:
        return open_existing(path, write=True, older=True, busy_s=busy_s)
    with trouble(path, "created"):
        connection = _connect(uri(path, "rwc"), path, busy_s)
        connection.execute(SYNCHRONOUS)
        return connection


def fold(connection: sqlite3.Connection, path: Path) -> None:
    """Take the log into the file, which may then be moved or renamed: it is all there is. Raises StoreFailed."""
    with trouble(path, "written"):
        if connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] != "delete":
            raise StoreFailed("the store cannot be made one file", where=str(path), cure="Look at the disk.")


def version(connection: sqlite3.Connection) -> int:
    """How many schema steps the store has been through."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _connect(name: str, path: Path, busy_s: float) -> Connection:
    with _gate:
        connection = sqlite3.connect(
            name, uri=True, timeout=busy_s, isolation_level=None, check_same_thread=False, factory=Connection
        )
        connection.inode = _inode(path)
        _open[connection.inode] += 1
        return connection


def _read_only(path: Path, busy_s: float) -> Connection:
    connection = _connect(uri(path, "ro"), path, busy_s)
    try:
        version(connection)
        return connection
    except BaseException as exc:
        connection.close()
        extended = getattr(exc, "sqlite_errorcode", 0)
        code = extended & 0xFF
        if extended == sqlite3.SQLITE_READONLY_ROLLBACK and _begins_as_ours(path):
            with closing(_connect(uri(path, "rw"), path, busy_s)) as half_made:
                version(half_made)  # its program was cut off while it made the store: SQLite takes that back
            return _connect(uri(path, "ro"), path, busy_s)
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            with suppress(sqlite3.Error):
                return _alone(path, busy_s)
        # WAL wants its side files, and on a read-only medium they cannot be made. Without a log to
        # replay the file alone is the whole store, and nobody can be writing it.
        wal = path.with_name(path.name + "-wal")
        unreachable = code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not unreachable or os.access(path.parent, os.W_OK) or (wal.exists() and wal.stat().st_size):
            raise
    return _connect(uri(path, "ro") + "&immutable=1", path, busy_s)


def _alone(path: Path, busy_s: float) -> Connection:
    """As the only user, who needs no side file: on a full disk there is no room for one. Others wait meanwhile."""
    connection = _connect(uri(path, "rw"), path, busy_s)
    try:
        connection.execute("PRAGMA query_only = ON")
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        version(connection)
        return connection
    except BaseException:
        connection.close()
        raise


def _begins_as_ours(path: Path) -> bool:
    """By its header (https://sqlite.org/fileformat2.html, 1.3); one that was not written yet is nobody else's."""
    with path.open("rb") as file:
        header = file.read(100)
    return header[68:72] == APPLICATION_ID.to_bytes(4, "big") or not any(header)


def _inode(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino


def _look(path: Path) -> None:
    """What can be told without opening it."""
    try:
        kind = path.stat().st_mode
    except FileNotFoundError:
        raise BadStore("there is no such file", where=str(path), cure="Name the store with --store FILE.") from None
    except OSError as exc:
        raise BadStore((exc.strerror or str(exc)).lower(), where=str(path), cure="Name another store.") from None
    if stat.S_ISDIR(kind):
        raise BadStore("this is a folder, not a store", where=str(path), cure="Name the file in it.")
    if not stat.S_ISREG(kind):
        raise BadStore("this is not a plain file", where=str(path), cure="Name the store's file.")
    if not os.access(path, os.R_OK):
        raise BadStore("no permission to read it", where=str(path), cure="Ask its owner for leave, or copy it.")


def _is_ours(connection: sqlite3.Connection, path: Path) -> bool:
    """False: an empty database. Raises BadStore."""
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]  # met first: damage shows here
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    found = version(connection)
    if application == 0 and found == 0 and not tables:
        return False
    if application != APPLICATION_ID:
        raise BadStore(
            "an SQLite file, but not a benchlog store",
            where=str(path),
            cure="Name another file; this one was not changed.",
        )
    if found > _newest():
        raise BadStore(
            f"a newer benchlog wrote this store (version {found}; this program knows up to {_newest()})",
            where=str(path),
            cure="Use that newer benchlog; the file was not changed.",
        )
    return True


def _newest() -> int:
    from benchlog.store.schema import NEWEST  # schema connects through this module

    return NEWEST


def _readable() -> int:
    from benchlog.store.schema import READABLE

    return READABLE


def _told(exc: sqlite3.Error, path: Path, doing: str) -> StoreFailed | BadStore:
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    where = str(path)
    if code == sqlite3.SQLITE_NOTADB:
        return BadStore("not an SQLite file", where=where, cure="Name another file; this one was not changed.")
    if code == sqlite3.SQLITE_CORRUPT:
        return _damaged(str(exc), path)
    with suppress(KeyError):
        what, cure = {
            sqlite3.SQLITE_FULL: ("the disk is full", "Free some space; what was committed before is kept."),
            sqlite3.SQLITE_BUSY: ("locked by another program", "Close what else has the store open for writing."),
            sqlite3.SQLITE_LOCKED: ("locked by another program", "Close what else has the store open for writing."),
            sqlite3.SQLITE_IOERR: (
                f"the disk failed ({exc})",
                "Look at the disk and its free space; what was committed before is kept.",
            ),
            sqlite3.SQLITE_READONLY: ("no permission to write it", "Mend its permissions, or name another store."),
            sqlite3.SQLITE_CANTOPEN: (
                "it, or the side files next to it, cannot be opened",
                "Mend the folder's permissions, or name another store.",
            ),
        }[code]
        return StoreFailed(f"the store cannot be {doing}: {what}", where=where, cure=cure)
    return StoreFailed(f"the store cannot be {doing}: {exc}", where=where, cure="What was committed before is kept.")


def _damaged(why: str, path: Path) -> BadStore:
    return BadStore(
        f"the store is damaged ({why})",
        where=str(path),
        cure="`benchlog verify all` says how badly, `benchlog verify --rescue NEWFILE` saves what can be saved.",
    )
