"""Copies of the store, made while it is in use, by SQLite's own online backup: one state of it, and whole."""

from __future__ import annotations

import re
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from benchlog.clock import utc
from benchlog.errors import StoreFailed
from benchlog.store.connection import fold, open_existing, trouble
from benchlog.store.whole import make_folder, whole_file


def back_up(store: Path, folder: Path, keep: int) -> Path:
    """One more copy in ``folder``, and the oldest gone beyond ``keep``; returns the copy.

    In one step: it reads from one snapshot, which holds up nobody, while steps would begin anew at every commit.
    Raises StoreFailed, BadStore; a copy that is not whole is not left under a copy's name.
    """
    of_store = rf"{re.escape(store.stem)}-\d{{8}}T\d{{6}}Z{re.escape(store.suffix)}"
    path = folder / f"{store.stem}-{utc(time.time_ns()):%Y%m%dT%H%M%SZ}{store.suffix}"
    try:
        make_folder(folder)
        with (
            whole_file(path, kin=of_store) as draft,
            trouble(draft, "copied"),
            closing(open_existing(store, write=False)) as source,
        ):
            with closing(sqlite3.connect(draft)) as copy:
                source.backup(copy)
                fold(copy, draft)
                said = copy.execute("PRAGMA quick_check").fetchone()[0]
            if said != "ok":
                raise StoreFailed(f"the copy is not whole: {said}", where=str(draft), cure="Look at the disk.")
        for old in sorted(p for p in folder.iterdir() if re.fullmatch(of_store, p.name))[:-keep]:
            old.unlink()
    except OSError as exc:
        why = exc.strerror or str(exc)
        raise StoreFailed(f"no backup: {why}", where=str(folder), cure="Look at the folder and its disk.") from None
    return path
