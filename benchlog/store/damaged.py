"""Reading from a store that SQLite would rather not open, as far as SQLite's own means carry.

The file is copied first, by SQLite's backup (page by page, the write-ahead log with it) or, where SQLite refuses, byte
by byte. In the copy the file's header is written anew, since it is the same in every store, and what was cut off its
end is filled with zeros. Where the list of tables cannot be read, that of a store just made takes its place: the tables
lie on the same pages, unless an older benchlog made the store. So it does where the list can be read and says that they
lie there, but has names that no benchlog gave.

Source: the SQLite file format, as its project publishes it ("Database File Format", section 1.3, the database header).
"""

from __future__ import annotations

import shutil
import sqlite3
import struct
from collections import deque
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from benchlog.errors import BadStore
from benchlog.store.connection import APPLICATION_ID, trouble, uri
from benchlog.store.verify import UNREADABLE, text_of

PAGE = 4096  # SQLite's own choice, and no store was ever made with another
MAGIC = b"SQLite format 3\0"
LARGEST_KEY = 2**40
MOST_ASKED = 1_000  # questions, when a table is searched range by range
_TABLES = ("session", "channel", "reading", "note", "event")
_BROUGHT = (
    ("seal", "sketch", 6),
    ("seal", "sha256", 5),
    ("revision", "record", 4),
    ("start", "entry", 3),
)  # which table and column tell how many schema steps a store has been through


def opened(path: Path, image: Path, fresh: Path) -> sqlite3.Connection:
    """A connection to a mended copy (``image``) of a damaged store; ``fresh`` is a store just made.

    Raises: BadStore where it is no store, or nothing in it can be found; OSError.
    """
    _copy(path, image)
    connection = _connected(image)
    try:
        names = _names(connection)
        if names is None or _misnamed(connection, fresh):
            connection.close()
            _mend_tables(image, fresh)
            connection = _connected(image)
            names = _names(connection)
        if names is None or not set(_TABLES) <= names:
            raise BadStore(
                "no list of a store's tables can be read in it: it is no store, or damaged where the list is",
                where=str(path),
                cure="Nothing can be saved by these means; take the newest copy of the store.",
            )
        steps = next((number for table, column, number in _BROUGHT if column in _columns(connection, table)), 2)
        with suppress(sqlite3.Error):
            connection.execute(f"PRAGMA user_version = {steps}")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return connection
    except BaseException:
        connection.close()
        raise


def _misnamed(connection: sqlite3.Connection, fresh: Path) -> bool:
    """Whether a column has a name that no benchlog gave: the list of tables can be read, but is damaged.

    Not where its tables do not lie as a new store's do: an older benchlog made it, whose tables another list would not
    find, or something else did.
    """
    with closing(sqlite3.connect(uri(fresh, "ro"), uri=True)) as new:
        if _roots(connection) != _roots(new):
            return False
        return any(_columns(connection, table) - _columns(new, table) for table in _TABLES)


def by_key(
    connection: sqlite3.Connection, sql: str, ends: tuple[int, int] = (0, LARGEST_KEY)
) -> tuple[list[tuple[Any, ...]], bool]:
    """The rows of a select whose two parameters bound a key, half open; and whether none had to be left out.

    What cannot be read at once is asked for in halves, and so on, the widest first, around the damaged pages: their
    edges are found to less than a hundredth of what they hide.
    """
    found: list[tuple[Any, ...]] = []
    whole = True
    waiting = deque([ends])
    for _ in range(MOST_ASKED):
        if not waiting:
            return found, whole
        low, high = waiting.popleft()
        try:
            found += connection.execute(sql, (low, high)).fetchall()
        except UNREADABLE:
            whole = False
            if high - low > 1:
                middle = (low + high) // 2
                waiting += [(low, middle), (middle, high)]
    return found, whole


def _copy(path: Path, image: Path) -> None:
    if not path.is_file():
        raise BadStore("there is no such file", where=str(path), cure="Name the store with --store FILE.")
    with suppress(sqlite3.Error), closing(sqlite3.connect(uri(path, "ro"), uri=True)) as source:
        with closing(sqlite3.connect(image)) as copy:
            source.backup(copy)
        _mend_header(image, wal=False)
        return
    for end in ("", "-journal"):
        image.with_name(image.name + end).unlink(missing_ok=True)
    shutil.copyfile(path, image)
    wal = path.with_name(path.name + "-wal")
    if wal.exists() and wal.stat().st_size:
        shutil.copyfile(wal, image.with_name(image.name + "-wal"))
        _mend_header(image, wal=True)
    else:
        _mend_header(image, wal=False)


def _mend_header(image: Path, *, wal: bool) -> None:
    """Write what is the same in every store; keep the counters. Zeros for pages that were cut off."""
    with image.open("r+b") as file:
        head = bytearray(file.read(100).ljust(100, b"\0"))
        there = -(-file.seek(0, 2) // PAGE)
        said = int.from_bytes(head[28:32], "big")
        pages = said if there < said <= 64 * there + 1024 else there
        head[0:16] = MAGIC
        head[16:18] = PAGE.to_bytes(2, "big")
        head[18:24] = bytes((2 if wal else 1, 2 if wal else 1, 0, 64, 32, 32))
        head[28:32] = pages.to_bytes(4, "big")
        head[32:40] = bytes(8)  # no page is free: nothing is written here
        head[44:48] = (4).to_bytes(4, "big")  # schema format
        head[48:56] = bytes(8)
        head[56:60] = (1).to_bytes(4, "big")  # UTF-8
        head[64:68] = bytes(4)
        head[68:72] = APPLICATION_ID.to_bytes(4, "big")
        head[72:92] = bytes(20)
        head[92:96] = head[24:28]  # so that the number of pages counts
        file.seek(0)
        file.write(head)
        file.truncate(pages * PAGE)


def _mend_tables(image: Path, fresh: Path) -> None:
    """Lay the pages that hold a new store's list of tables over those of the copy."""
    with closing(sqlite3.connect(uri(fresh, "ro"), uri=True)) as connection:
        roots = {root for (root,) in connection.execute("SELECT rootpage FROM sqlite_schema")}
        with closing(sqlite3.connect(":memory:")) as plain:
            connection.backup(plain)  # with what is still in its write-ahead log
            content = plain.serialize()
    with image.open("r+b") as file:
        others = roots | _free(content)
        for number in range(1, len(content) // PAGE + 1):
            if number not in others:
                file.seek((number - 1) * PAGE)
                file.write(content[(number - 1) * PAGE : number * PAGE])
    _mend_header(image, wal=False)


def _free(content: bytes) -> set[int]:
    """Numbers of the pages that a store has no use for (section 1.5, the freelist): those are the damaged one's own."""
    free: set[int] = set()
    trunk = int.from_bytes(content[32:36], "big")
    while trunk:
        start = (trunk - 1) * PAGE
        following, count = struct.unpack_from(">2I", content, start)
        free |= {trunk, *struct.unpack_from(f">{count}I", content, start + 8)}
        trunk = following
    return free


def _connected(image: Path) -> sqlite3.Connection:
    with trouble(image, "opened"):
        connection = sqlite3.connect(uri(image, "rw"), uri=True, isolation_level=None)
        connection.text_factory = text_of
        return connection


def _roots(connection: sqlite3.Connection) -> dict[str, int]:
    marks = ", ".join("?" * len(_TABLES))
    return dict(connection.execute(f"SELECT name, rootpage FROM sqlite_schema WHERE name IN ({marks})", _TABLES))


def _columns(connection: sqlite3.Connection, table: str) -> set[str]:
    return {str(name) for _, name, *_ in connection.execute(f"PRAGMA table_xinfo({table})")}


def _names(connection: sqlite3.Connection) -> set[str] | None:
    try:
        return {str(name) for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    except UNREADABLE:
        return None
