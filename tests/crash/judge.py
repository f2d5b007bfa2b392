"""What must be so after a work was cut off, whichever it was and however."""

from __future__ import annotations

from pathlib import Path

from benchlog.errors import BadStore, BenchlogError
from benchlog.store.reader import StoreReader
from benchlog.store.recover import close_cut_off
from benchlog.store.starts import prepare
from tests.crash.source import as_row, reading, rows, wrong_seals
from tests.crash.work import STORE, Said, Work, acknowledged
from tests.store.samples import begin, plain


def judge(work: Work, folder: Path, seed: int, said: Said, *, look: bool = True) -> list[str]:
    """What is wrong: as the next start finds it, and beyond. ``look``: who opens the store first is one who looks."""
    try:
        return _judge(work, folder, seed, said, look)
    except BenchlogError as exc:
        return [f"the next start: {exc}"]
    except Exception as exc:  # noqa: BLE001 - whatever it is, it is what the user would see
        return [f"the next start: {exc!r}"]


def _judge(work: Work, folder: Path, seed: int, said: Said, look: bool) -> list[str]:
    store = folder / STORE
    if work.beside:
        wrong = work.wrong(folder, seed, said)
    elif not store.exists() or not _is_made(store, look):
        wrong = [f"acknowledged, and there is no store: {said}"] if acknowledged(said) else []
    else:
        wrong = work.wrong(folder, seed, said)
    return wrong + _wrong_next_start(store)


def _is_made(store: Path, look: bool) -> bool:
    """False for a file that was about to become a store."""
    if look:
        try:
            StoreReader.open(store)
        except BadStore as exc:
            if "the file is empty" in exc.what:
                return False
            if "an older benchlog wrote" not in exc.what:
                raise
    else:
        prepare(store)
    return True


def _wrong_next_start(store: Path) -> list[str]:
    """Put in order as the daemon does, then a session."""
    prepare(store)
    unfinished = [number for (number,) in plain(store, "SELECT id FROM session WHERE ended_ns IS NULL")]
    close_cut_off(store, "cut off", dead=unfinished)
    writer = begin(store)
    for n in range(20):
        writer.put(reading(n))
    writer.end("done")
    wrong = []
    if (checked := plain(store, "PRAGMA integrity_check")) != [("ok",)]:
        wrong.append(f"integrity_check: {checked}")
    if dangling := plain(store, "PRAGMA foreign_key_check"):
        wrong.append(f"foreign_key_check: {dangling}")
    if plain(store, "SELECT 1 FROM session WHERE ended_ns IS NULL"):
        wrong.append("a session without an end after recovery")
    if rows(store, writer.session_id) != [as_row(reading(n)) for n in range(20)]:
        wrong.append("the next session is not what was put")
    return wrong + wrong_seals(store)
