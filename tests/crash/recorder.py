"""What a process really gives the disk, in order: every write, sync, creation, renaming and deletion.

SQLite talks to the disk through tables of functions, its VFS (https://sqlite.org/vfs.html). Here those that Python's
own sqlite3 uses are taken, by ctypes, and some functions in them replaced by ones that note what is done and then do it
as before; so benchlog itself runs, unaltered, on the SQLite it always runs on. What is written without SQLite (an
export, the name a backup takes in the end) is seen through the functions of ``os``.

Runs in a process of its own: what is put in its place here stays for the life of the process.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import errno
import os
import sqlite3
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

OK, FULL, IOERR_WRITE, IOERR_FSYNC = 0, 13, 778, 1034  # sqlite3.h
CREATE, DELETE_ON_CLOSE = 4, 8


class Op(NamedTuple):
    """One thing done. ``what``: create, write, truncate, sync, rename, delete, folder, folder-sync, said."""

    what: str
    path: str = ""
    at: int = 0  # the byte a write begins with, the size a file is cut to
    data: Any = None  # the bytes written; the name a file is given; what was said


class _Vfs(ctypes.Structure):
    """``sqlite3_vfs``, version 3."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("file_size", ctypes.c_int),
        ("longest_path", ctypes.c_int),
        ("next", ctypes.c_void_p),
        ("name", ctypes.c_char_p),
        ("data", ctypes.c_void_p),
        ("open", ctypes.c_void_p),
        ("delete", ctypes.c_void_p),
        ("others", ctypes.c_void_p * 11),
        ("set_system_call", ctypes.c_void_p),
        ("get_system_call", ctypes.c_void_p),
        ("next_system_call", ctypes.c_void_p),
    ]


class _Methods(ctypes.Structure):
    """``sqlite3_io_methods``, version 3."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("close", ctypes.c_void_p),
        ("read", ctypes.c_void_p),
        ("write", ctypes.c_void_p),
        ("truncate", ctypes.c_void_p),
        ("sync", ctypes.c_void_p),
        ("others", ctypes.c_void_p * 13),
    ]


_P, _I, _L, _S = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64, ctypes.c_char_p
_OPEN = ctypes.CFUNCTYPE(_I, _P, _P, _P, _I, _P)
_DELETE = ctypes.CFUNCTYPE(_I, _P, _S, _I)
_CLOSE = ctypes.CFUNCTYPE(_I, _P)
_WRITE = ctypes.CFUNCTYPE(_I, _P, _P, _I, _L)
_TRUNCATE = ctypes.CFUNCTYPE(_I, _P, _L)
_SYNC = ctypes.CFUNCTYPE(_I, _P, _I)
_OPEN_FOLDER = ctypes.CFUNCTYPE(_I, _S, ctypes.POINTER(_I))
_GET_CALL = ctypes.CFUNCTYPE(_P, _P, _S)
_SET_CALL = ctypes.CFUNCTYPE(_I, _P, _S, _P)


class Recorder:
    """Notes everything done below one folder.

    Args:
        fails_from: from so many writes and syncs on the disk takes none any more: ``full``, or failing.
    """

    FALLIBLE = ("write", "truncate", "sync")

    def __init__(self, folder: Path, fails_from: int | None = None, *, full: bool = False) -> None:
        self.log: list[Op] = []
        self._folder = str(folder)
        self._left = fails_from
        self._fault = FULL if full else IOERR_WRITE
        self._paths: dict[int, str] = {}  # SQLite's open files, by the address of what it knows of each
        self._by_sqlite: set[str] = set()
        self._kept: list[object] = []  # what C has the address of
        self._methods: dict[int, int] = {}
        self._over_sqlite()
        self._over_os()

    def said(self, what: Any) -> None:
        """A word to the outside, in its place among the others."""
        self.log.append(Op("said", data=what))

    def _note(self, op: Op) -> bool:
        """False where the disk fails."""
        if not op.path.startswith(self._folder):
            return True
        if self._left is not None and op.what in self.FALLIBLE:
            if self._left <= 0:
                return False
            self._left -= 1
        self.log.append(op)
        return True

    def _over_sqlite(self) -> None:
        lib = ctypes.CDLL(ctypes.util.find_library("sqlite3"))
        lib.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        lib.sqlite3_vfs_find.argtypes = [_S]
        lib.sqlite3_libversion.restype = _S
        assert lib.sqlite3_libversion().decode() == sqlite3.sqlite_version, "not the library that Python uses"
        found = lib.sqlite3_vfs_find(None)
        true = found.contents
        ours = _Vfs.from_buffer_copy(true)
        true_open, true_delete = _OPEN(true.open), _DELETE(true.delete)
        true_vfs = ctypes.cast(found, _P).value

        def open_(_: Any, name: int | None, file: int, flags: int, out: Any) -> int:
            path = ctypes.string_at(name).decode() if name else ""
            new = bool(flags & CREATE) and bool(path) and not os.path.exists(path)
            done = true_open(true_vfs, name, file, flags, out)
            if done == OK and path and not flags & DELETE_ON_CLOSE:
                if new:
                    self._note(Op("create", path))
                self._paths[file] = path
                self._by_sqlite.add(path)
                self._wrap(file)
            return done

        def delete(_: Any, name: bytes, sync: int) -> int:
            path = name.decode()
            there = os.path.exists(path)
            done = true_delete(true_vfs, name, 0)
            if there and done == OK:
                self._note(Op("delete", path))
                if sync:
                    self._note(Op("folder-sync", os.path.dirname(path)))
            return done

        get_call, set_call = _GET_CALL(true.get_system_call), _SET_CALL(true.set_system_call)
        true_open_folder = _OPEN_FOLDER(get_call(true_vfs, b"openDirectory"))

        def open_folder(name: bytes, out: Any) -> int:
            """SQLite opens the folder of a file only to sync it."""
            self._note(Op("folder-sync", os.path.dirname(name.decode())))
            return true_open_folder(name, out)

        ours.name = b"recorded"
        ours.open = self._c(_OPEN, open_)
        ours.delete = self._c(_DELETE, delete)
        set_call(true_vfs, b"openDirectory", self._c(_OPEN_FOLDER, open_folder))
        self._kept.append(ours)
        assert lib.sqlite3_vfs_register(ctypes.byref(ours), 1) == OK
        self._kept.append(lib)

    def _wrap(self, file: int) -> None:
        """The file's own functions, four of them ours."""
        place = ctypes.cast(file, ctypes.POINTER(_P))
        true_at = place[0]
        assert true_at is not None
        if true_at not in self._methods:
            true = _Methods.from_address(true_at)
            ours = _Methods.from_buffer_copy(true)
            ours.close = self._c(_CLOSE, self._close(_CLOSE(true.close)))
            ours.write = self._c(_WRITE, self._write(_WRITE(true.write)))
            ours.truncate = self._c(_TRUNCATE, self._truncate(_TRUNCATE(true.truncate)))
            ours.sync = self._c(_SYNC, self._sync(_SYNC(true.sync)))
            self._kept.append(ours)
            self._methods[true_at] = ctypes.addressof(ours)
        place[0] = self._methods[true_at]

    def _close(self, true: Any) -> Callable[..., int]:
        def close(file: int) -> int:
            self._paths.pop(file, None)
            return int(true(file))

        return close

    def _write(self, true: Any) -> Callable[..., int]:
        def write(file: int, data: int, size: int, at: int) -> int:
            if not self._note(Op("write", self._paths[file], at, ctypes.string_at(data, size))):
                return self._fault
            return int(true(file, data, size, at))

        return write

    def _truncate(self, true: Any) -> Callable[..., int]:
        def truncate(file: int, size: int) -> int:
            if not self._note(Op("truncate", self._paths[file], size)):
                return self._fault
            return int(true(file, size))

        return truncate

    def _sync(self, true: Any) -> Callable[..., int]:
        def sync(file: int, flags: int) -> int:
            done = int(true(file, flags))
            if done == OK and not self._note(Op("sync", self._paths[file])):
                return IOERR_FSYNC
            return done

        return sync

    def _c(self, kind: Any, function: Callable[..., int]) -> int:
        """The address of a function for C; one that raises ends the process, for C cannot be told."""

        def called(*arguments: Any) -> int:
            try:
                return function(*arguments)
            except BaseException as exc:  # noqa: BLE001 - see above
                _die(exc)

        made = kind(called)
        self._kept.append(made)
        address = ctypes.cast(made, _P).value
        assert address is not None
        return address

    def _over_os(self) -> None:
        """A file written by Python is noted as a whole, when it is synced or renamed: what was in it by then."""
        true_fsync, true_replace, true_unlink, true_mkdir = os.fsync, os.replace, os.unlink, os.mkdir
        known: set[str] = set()

        def content(path: str) -> None:
            if path not in self._by_sqlite:
                if path not in known:
                    known.add(path)
                    self._note(Op("create", path))
                self._note(Op("write", path, 0, Path(path).read_bytes()))

        def fsync(descriptor: int) -> None:
            path = os.readlink(f"/proc/self/fd/{descriptor}")
            folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
            if not folder:
                content(path)
            true_fsync(descriptor)
            if not self._note(Op("folder-sync" if folder else "sync", path)):
                raise OSError(errno.EIO, os.strerror(errno.EIO))

        def replace(source: Any, target: Any) -> None:
            content(str(source))
            true_replace(source, target)
            known.discard(str(source))
            known.add(str(target))
            self._note(Op("rename", str(source), data=str(target)))

        def unlink(path: Any, **more: Any) -> None:
            true_unlink(path, **more)
            known.discard(str(path))
            self._note(Op("delete", str(path)))

        def mkdir(path: Any, *more: Any, **others: Any) -> None:
            true_mkdir(path, *more, **others)
            self._note(Op("folder", str(path)))

        os.fsync, os.replace, os.unlink, os.mkdir = fsync, replace, unlink, mkdir  # type: ignore[assignment]


def _die(exc: BaseException) -> NoReturn:
    import traceback

    traceback.print_exception(exc)
    os._exit(70)
