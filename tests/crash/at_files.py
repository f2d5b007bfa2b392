"""Files that go into a store or come out of it: importing, exporting, records, backups."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
from pyarrow import parquet

from benchlog.cli.data import write_text
from benchlog.daemon.backup import back_up
from benchlog.store.exchange import export_csv, export_parquet, import_csv
from benchlog.store.reader import StoreReader
from benchlog.store.rescue import rescue
from tests.crash.source import as_row, reading, rows, wrong_import, wrong_seals
from tests.crash.work import IMPORTED, STORE, Said, Say, a_session_and_a_file, flush, last, session
from tests.store.samples import BENCH, PLAN, bench_of, plain, plan_of

# Importing.


def import_(folder: Path, seed: int, say: Say) -> None:
    """Acknowledged by the session's number."""
    say("imported", import_csv(folder / "in.csv", folder / STORE, bench_of(BENCH), plan_of(PLAN)))


def wrong_import_(folder: Path, seed: int, said: Said) -> list[str]:
    """The first session as it was; the import whole, or no trace of it."""
    store, wrong = folder / STORE, []
    if rows(store, 1) != [as_row(reading(n)) for n in range(100)]:
        wrong.append("the session before it is not what it was")
    found = [number for (number,) in plain(store, "SELECT id FROM session WHERE kind = 'import'")]
    if last(said, "imported") not in (None, *found):
        wrong.append("an acknowledged import is lost")
    for number in found:
        wrong += wrong_import(store, number, IMPORTED)
        if plain(store, "SELECT ended_ns IS NULL OR digest IS NULL FROM session WHERE id = ?", number) != [(0,)]:
            wrong.append("an import without end or digest")
    if not found and plain(store, "SELECT count(*) FROM reading") != [(100,)]:
        wrong.append("readings of an import that is not there")
    return wrong


# Exporting: to a new name, and over a file that was there.


def an_import(folder: Path, seed: int) -> None:
    """A store with one session of some size, and what comes out of it."""
    a_session_and_a_file(folder, seed)
    import_(folder, 0, lambda *_: None)
    reader = StoreReader.open(folder / STORE)
    (folder / "whole").mkdir()
    export_csv(reader, 2, folder / "whole" / "out.csv")
    export_parquet(reader, 2, folder / "whole" / "out.parquet")
    (folder / "out.parquet").write_text("what was there before")


def export(folder: Path, seed: int, say: Say) -> None:
    """Both ways."""
    reader = StoreReader.open(folder / STORE)
    export_csv(reader, 2, folder / "out.csv")
    say("exported", "out.csv")
    export_parquet(reader, 2, folder / "out.parquet", force=True)
    say("exported", "out.parquet")


def wrong_export(folder: Path, seed: int, said: Said) -> list[str]:
    """Whole, or as before; what a dead process left is hidden, and in nobody's way."""
    wrong = []
    acknowledged = said.get("exported", [])
    for name, before in (("out.csv", None), ("out.parquet", b"what was there before")):
        found = (folder / name).read_bytes() if (folder / name).exists() else None
        if (found != before or name in acknowledged) and not _is_export(found, folder / "whole" / name):
            wrong.append(f"{name} is neither whole nor as before")
    export_csv(StoreReader.open(folder / STORE), 2, folder / "out.csv", force=True)
    if (folder / "out.csv").read_bytes() != (folder / "whole" / "out.csv").read_bytes():
        wrong.append("the next export is another")
    return wrong


def _is_export(found: bytes | None, whole: Path) -> bool:
    """Parquet by what it says: a few bits of such a file mean nothing, and are left to chance by its writer."""
    if found is None or whole.suffix == ".csv":
        return found == whole.read_bytes()
    try:
        return bool(parquet.read_table(pa.BufferReader(found)).equals(parquet.read_table(whole)))
    except pa.ArrowInvalid:
        return False


# Writing a record: a file beside the store, over the one before.


def an_old_record(folder: Path, seed: int) -> None:
    """The 0th."""
    (folder / "record.html").write_text(_record(0))


def _record(n: int) -> str:
    return f"<p>The {n}th</p>\n" * 30_000


def write_record(folder: Path, seed: int, say: Say) -> None:
    """Again and again."""
    for n in range(1, 20):
        write_text(folder / "record.html", _record(n))
        say("written", n)


def wrong_record(folder: Path, seed: int, said: Said) -> list[str]:
    """The last one acknowledged, or the next."""
    found, newest = (folder / "record.html").read_text(), last(said, "written") or 0
    return [] if found in (_record(newest), _record(newest + 1)) else [f"not the {newest}th record"]


# Rescuing: a new store out of an old one.


def rescue_it(folder: Path, seed: int, say: Say) -> None:
    """Nothing is damaged: all of it comes over."""
    rescue(folder / STORE, folder / "new.benchlog")
    say("rescued", 1)


def wrong_rescue(folder: Path, seed: int, said: Said) -> list[str]:
    """There whole, or not at all; and then the next attempt goes as if there had been none."""
    new = folder / "new.benchlog"
    if said.get("rescued") and not new.exists():
        return ["a rescue that was acknowledged is lost"]
    if not new.exists():
        rescue(folder / STORE, new)
    wrong = [] if plain(new, "PRAGMA integrity_check") == [("ok",)] else ["integrity_check of the new store"]
    if rows(new, 1) != [as_row(reading(n)) for n in range(100)]:
        wrong.append("the first session is not what it was")
    return wrong + wrong_import(new, 2, IMPORTED)


# Backing up, while a session is written.


def copies(folder: Path, seed: int) -> None:
    """A store, and two copies of it from before, one of which has to go."""
    a_session_and_a_file(folder, seed)
    import_(folder, 0, lambda *_: None)
    back_up(folder / STORE, folder / "copies", 1)
    (made,) = (folder / "copies").iterdir()
    for year in (2001, 2002):
        (folder / "copies" / f"s-{year}0101T000000Z.benchlog").write_bytes(made.read_bytes())
    made.unlink()


def copy(folder: Path, seed: int, say: Say) -> None:
    """Into the old folder, then into a new one; a copy is of everything acknowledged before."""
    n = 0
    with session(folder, say) as writer:
        for place, keep in (("copies", 2), ("new/copies", 1)):
            for _ in range(60):
                writer.put(reading(n))
                n += 1
            flush(writer)
            say("rows", n)
            path = back_up(folder / STORE, folder / place, keep)
            say("copied", [str(path.relative_to(folder)), n])


def wrong_copy(folder: Path, seed: int, said: Said) -> list[str]:
    """What has a copy's name is whole; those acknowledged are there, and of the older ones not too few."""
    wrong = []
    acknowledged = dict(said.get("copied", []))
    wrong += [f"{name} is acknowledged and not there" for name in acknowledged if not (folder / name).exists()]
    found = [path for path in folder.glob("**/copies/*") if not path.name.startswith(".")]
    if len([path for path in found if path.parent == folder / "copies"]) < 2:
        wrong.append("fewer copies than were to be kept")
    for path in found:
        name = str(path.relative_to(folder))
        try:
            wrong += [f"{name}: {what}" for what in _wrong_one_copy(path, acknowledged.get(name, 0))]
        except Exception as exc:  # noqa: BLE001 - whatever it is, the copy is not whole
            wrong.append(f"{name} is not whole: {exc!r}")
    if any(path.name.endswith(("-wal", "-shm", "-journal")) for path in found):
        wrong.append("a copy with side files")
    return wrong


def _wrong_one_copy(path: Path, acknowledged: int) -> list[str]:
    ok = plain(path, "PRAGMA integrity_check") == [("ok",)]
    wrong = [] if ok else ["integrity_check"]
    wrong += wrong_import(path, 2, IMPORTED) + wrong_seals(path)
    mine = rows(path, 3)
    if len(mine) < acknowledged or mine != [as_row(reading(n)) for n in range(len(mine))]:
        wrong.append(f"{len(mine)} rows of {acknowledged}")
    return wrong
