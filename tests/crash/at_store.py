"""What is done to a store: writing, sealing, migrating, typing in, revising, keeping account, recovering."""

from __future__ import annotations

import json
import random
import sqlite3
from contextlib import closing
from pathlib import Path

from benchlog.store import schema
from benchlog.store.connection import open_or_create
from benchlog.store.enter import enter
from benchlog.store.reader import StoreReader
from benchlog.store.recover import close_cut_off
from benchlog.store.revisions import StoredRevision, add_revisions
from benchlog.store.starts import DueStart, Mark, account, prepare
from tests.crash.source import as_row, reading, rows
from tests.crash.work import STORE, Said, Say, flush, last, session
from tests.store.samples import BENCH, PLAN, STARTED_NS, begin, plain

# Writing: a session from nothing, batches of any size, its end.


def write(folder: Path, seed: int, say: Say, batches: int = 150) -> None:
    """Each batch is acknowledged by ``flush``."""
    chance = random.Random(seed)
    with session(folder, say) as writer:
        n = 0
        for _ in range(batches):
            for _ in range(chance.choice((1, 3, 10, 40, 120))):
                writer.put(reading(n))
                n += 1
            flush(writer)
            say("rows", n)
    say("ended", n)


def wrong_write(folder: Path, seed: int, said: Said) -> list[str]:
    """What is there is the source's beginning, up to the last row acknowledged or further."""
    store, wrong = folder / STORE, []
    if not said.get("session"):
        return []
    found = rows(store, said["session"][0])
    acknowledged = last(said, "rows") or 0
    if len(found) < acknowledged:
        wrong.append(f"{acknowledged - len(found)} of {acknowledged} acknowledged rows lost")
    if found != [as_row(reading(n)) for n in range(len(found))]:
        wrong.append("what is there is not what was put")
    if said.get("ended") and plain(store, "SELECT ended_ns FROM session")[0][0] is None:
        wrong.append("an end that was acknowledged is lost")
    return wrong


# Sealing: the end of a session of some size, with its digest.


def seal(folder: Path, seed: int, say: Say) -> None:
    """Much to go through, then the end."""
    with session(folder, say) as writer:
        for n in range(4_000):
            writer.put(reading(n))
        flush(writer)
        say("rows", 4_000)
        say("from here", None)
    say("ended", 4_000)


# Migrating: from nothing, and from each step there was.


def old_store(folder: Path, seed: int) -> None:
    """As an older program left it, filled by its own statements; nothing at all where the program is the first."""
    path, steps = folder / STORE, _from_step(seed)
    if not steps:
        return
    with closing(open_or_create(path)) as connection:
        schema.migrate(connection, path, schema.STEPS[:steps])
        connection.execute("BEGIN")
        for session in range(1, 4):
            connection.execute(
                """INSERT INTO session (kind, transmitter, serial, bench, started_ns, anchor_ns, time_factor, ended_ns,
                                        ending, bench_toml, bench_sha256, plan_toml, plan_sha256, program)
                   VALUES ('watch', 'Loan set 3', '42', 'Cellar bench', ?, 0, 1, ?, 'ended', ?, '', ?, '', '0')""",
                (STARTED_NS, STARTED_NS + 10**9, BENCH, PLAN),
            )
            connection.execute(
                "INSERT INTO channel (id, session, name, instrument, unit, every_ns) VALUES (?1, ?1, 'p', 'i', 'W', 1)",
                (session,),
            )
            connection.executemany(
                "INSERT INTO reading VALUES (?, ?, ?, 5, 0)", [(session, n, n / 8) for n in range(400)]
            )
        connection.execute("COMMIT")


def _from_step(seed: int) -> int:
    return seed % schema.NEWEST  # 0: there is no file


def migrate(folder: Path, seed: int, say: Say) -> None:
    """As the daemon does at its start."""
    prepare(folder / STORE)
    say("migrated", schema.NEWEST)


def wrong_migrate(folder: Path, seed: int, said: Said) -> list[str]:
    """Old or new, and all that was in it."""
    store, steps, wrong = folder / STORE, _from_step(seed), []
    (version,) = plain(store, "PRAGMA user_version")[0]
    if version not in ((schema.NEWEST,) if said.get("migrated") else (steps, schema.NEWEST)):
        wrong.append(f"version {version} out of {steps}")
    if not version:
        return [*wrong, *(["tables without a version"] if plain(store, "SELECT 1 FROM sqlite_schema") else [])]
    names = [name for (name,) in plain(store, "SELECT name FROM _sqlite_migrations ORDER BY id")]
    if names != [name for name, _ in schema.STEPS[:version]]:
        wrong.append(f"version {version} with steps {names}")
    if steps:
        found = plain(store, "SELECT channel, t_ns, value FROM reading WHERE channel <= 3 ORDER BY channel, t_ns")
        if found != [(session, n, n / 8) for session in range(1, 4) for n in range(400)]:
            wrong.append("the readings are not what they were")
    return wrong


# Typing in, and correcting what was typed, beside the writer.


def type_in(folder: Path, seed: int, say: Say) -> None:
    """Every third is corrected."""
    with session(folder, say) as writer:
        for n in range(90):
            writer.put(reading(n))
            typed = enter(folder / STORE, "plate", 800.0 + n)
            say("typed", [typed.t_ns, typed.value])
            if n % 3 == 2:
                better = enter(folder / STORE, "plate", 900.0 + n, corrects_ns=typed.t_ns)
                say("typed", [better.t_ns, better.value])
                say("corrected", [typed.t_ns, better.t_ns])


def wrong_type_in(folder: Path, seed: int, said: Said) -> list[str]:
    """Every one that was acknowledged, one more at most; a correction with what it corrects, or not at all."""
    store, wrong = folder / STORE, []
    if not said.get("session"):
        return []
    found = {t_ns: value for t_ns, _, value, *_ in rows(store, 1, ("plate",))}
    typed = dict(said.get("typed", []))
    if lost := typed.items() - found.items():
        wrong.append(f"{len(lost)} of {len(typed)} acknowledged entries lost")
    if len(found) > len(typed) + 1:
        wrong.append(f"{len(found)} entries of {len(typed)}")
    events = plain(store, "SELECT data FROM event WHERE kind = 'suspect' ORDER BY id")
    pairs = [[data["from_ns"], data["corrected_by_ns"]] for data in (json.loads(text) for (text,) in events)]
    corrected = said.get("corrected", [])
    if pairs[: len(corrected)] != corrected or len(pairs) > len(corrected) + 1:
        wrong.append("other corrections than were acknowledged")
    if len(pairs) != sum(value >= 900 for value in found.values()) or not {t for p in pairs for t in p} <= set(found):
        wrong.append("half a correction")
    return wrong


# Revising.


def _revision(number: int) -> StoredRevision:
    record = json.dumps({"schema": "benchlog-record/1", "number": number, "much": "0123456789" * 800})
    return StoredRevision(1, number, STARTED_NS, "0", f"the {number}th", BENCH, {"a.csv": f"{number}"}, record)


def revise(folder: Path, seed: int, say: Say) -> None:
    """The first brings number 0 along."""
    add_revisions(folder / STORE, [_revision(0), _revision(1)])
    say("revised", 1)
    for number in range(2, 50):
        add_revisions(folder / STORE, [_revision(number)])
        say("revised", number)


def wrong_revise(folder: Path, seed: int, said: Said) -> list[str]:
    """A row of numbers without a gap, up to the last one acknowledged or one more."""
    found = StoreReader.open(folder / STORE).revisions(1)
    acknowledged = last(said, "revised")
    wrong = [] if found == [_revision(n) for n in range(len(found))] else ["other revisions than were made"]
    at_least = 0 if acknowledged is None else acknowledged + 1
    if len(found) < at_least:
        wrong.append(f"{at_least - len(found)} acknowledged revisions lost")
    if len(found) > max(at_least + 1, 2) or len(found) == 1:
        wrong.append(f"{len(found)} revisions, {at_least} acknowledged")
    return wrong


# Keeping account of the timetable's starts.


def _due(n: int) -> tuple[list[DueStart], Mark]:
    return [DueStart(f"entry {n} {k}", n, "watch", missed="nobody there") for k in range(3)], Mark("all", "at dawn", n)


def keep_account(folder: Path, seed: int, say: Say) -> None:
    """Rows and the mark until when they are complete, together."""
    for n in range(60):
        due, mark = _due(n)
        account(folder / STORE, due, [mark])
        say("accounted", n)


def wrong_account(folder: Path, seed: int, said: Said) -> list[str]:
    """As many rows as the mark says."""
    store = folder / STORE
    found = plain(store, "SELECT entry, due_ns FROM start ORDER BY due_ns, entry")
    (mark,) = plain(store, "SELECT max(accounted_ns) FROM timetable")[0]
    until = -1 if mark is None else mark
    acknowledged = last(said, "accounted")
    wrong = []
    if until < (-1 if acknowledged is None else acknowledged):
        wrong.append(f"the starts acknowledged until {acknowledged} are there until {until}")
    if found != [(one.entry, n) for n in range(until + 1) for one in _due(n)[0]]:
        wrong.append("other starts than the mark says")
    return wrong


# Recovering: itself cut off.


def cut_off(folder: Path, seed: int) -> None:
    """Three sessions whose program was killed."""
    for _ in range(3):
        writer = begin(folder / STORE)
        for n in range(1_500):
            writer.put(reading(n))
        writer.end("done")
    with closing(sqlite3.connect(folder / STORE)) as connection:
        connection.execute("UPDATE session SET ended_ns = NULL, ending = '', digest = NULL")
        connection.commit()


def recover(folder: Path, seed: int, say: Say) -> None:
    """As the daemon does at its start."""
    say("closed", len(close_cut_off(folder / STORE, "cut off", dead={1, 2, 3})))


def wrong_recover(folder: Path, seed: int, said: Said) -> list[str]:
    """All of them closed, or none."""
    store = folder / STORE
    found = plain(store, "SELECT ended_ns IS NOT NULL AND digest IS NOT NULL FROM session WHERE id <= 3")
    events = plain(store, "SELECT session, text FROM event WHERE session <= 3 ORDER BY session")
    wrong = []
    if found not in ([(0,)] * 3, [(1,)] * 3) or (said.get("closed") and found != [(1,)] * 3):
        wrong.append(f"closed: {found}")
    if [session for session, _ in events] != ([1, 2, 3] if found == [(1,)] * 3 else []):
        wrong.append(f"events: {events}")
    source = [as_row(reading(n)) for n in range(1_500)]
    return wrong + [f"session {n} is not what it was" for n in (1, 2, 3) if rows(store, n) != source]
