"""What is in the store after a trial: read with a plain connection, counted against the polling plan."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchlog.acquire.bus import TURN_NS
from tests.trials.rig import COMMAND

QUIET_S = 1.0
LATEST_NS = 250_000_000  # what a commit may be late by
COMMIT_NS = 50_000_000  # what the commit itself may take; some ms on an idle disk
START_S = 0.25  # between the first bus's first slots and the last one's, on a busy machine
BEGINS_S = 10.0  # from the session's first event to the first bus's first slots; nothing is keyed meanwhile
TURNS_NS = 2_000_000  # all buses are due within so long of one another
JUST_BEHIND = 10  # such a part of a slot: how long a bus may be held up when its slot is all but over
_CHANNELS = "SELECT id, name, every_ns, instrument FROM channel ORDER BY id"
_ROWS = "SELECT t_ns, took_us, note FROM reading WHERE channel = ? ORDER BY t_ns"
_BY_ITSELF = {"thermometer"}  # talks unasked: its stamps are its own, not the slots'


@dataclass(frozen=True)
class Kept:
    """One session as a stranger's SQLite finds it. Times of CLOCK_MONOTONIC in, session times inside."""

    store: Path
    anchor_ns: int
    factor: float

    @classmethod
    def of(cls, store: Path) -> Kept:
        with closing(sqlite3.connect(store)) as db:
            anchor_ns, factor = db.execute("SELECT anchor_ns, time_factor FROM session").fetchone()
        return cls(store, anchor_ns, factor)

    def session_ns(self, at_ns: int) -> int:
        return round((at_ns - self.anchor_ns) * self.factor)

    def host_ns(self, t_ns: int) -> int:
        return self.anchor_ns + round(t_ns / self.factor)

    def faults(self) -> list[str]:
        """Why the session is not readable; empty when it is."""
        found = []
        with closing(sqlite3.connect(self.store)) as db:
            if (said := db.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
                found.append(f"integrity_check: {said}")
        words = [COMMAND, "report", "--json", "--store", str(self.store)]
        done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False, env=dict(os.environ))
        try:
            if json.loads(done.stdout)["readings"]["good"] < 1:
                found.append("the report has no good readings")
        except (ValueError, KeyError):
            found.append(f"report: {done.stderr.strip()[:200]}")
        return found

    def has_event(self, kind: str) -> bool:
        with closing(sqlite3.connect(self.store)) as db:
            return bool(db.execute("SELECT count(*) FROM event WHERE kind = ?", (kind,)).fetchone()[0])

    def quiet_ns(self, channel: str, before_ns: int) -> int:
        """When it counts as quiet, on the host's clock."""
        asked = (
            "SELECT max(t_ns), every_ns FROM reading JOIN channel ON channel.id = channel"
            " WHERE name = ? AND note = 0 AND t_ns < ?"
        )
        with closing(sqlite3.connect(self.store)) as db:
            found = db.execute(asked, (channel, self.session_ns(before_ns))).fetchone()
        last_ns, every_ns = map(int, found)
        return self.host_ns(last_ns) + max(round(QUIET_S * 1e9), round(2 * every_ns / self.factor))

    def crossing_ns(self, channel: str, over: float, after_ns: int) -> int | None:
        """The stamp of the first reading over the limit since the fault, on the host's clock."""
        asked = (
            "SELECT min(t_ns) FROM reading JOIN channel ON channel.id = channel"
            " WHERE name = ? AND note = 0 AND value > ? AND t_ns > ?"
        )
        with closing(sqlite3.connect(self.store)) as db:
            (t_ns,) = db.execute(asked, (channel, over, self.session_ns(after_ns) - 10**9)).fetchone()
        return None if t_ns is None else self.host_ns(t_ns)

    def lost(self, fault_ns: int, *, last: bool) -> dict[str, int]:
        """Planned slots that have no row, by channel; empty when none.

        Slot k of a channel is due at k x ``every_ns`` of session time, and has one row, good or not. Counted are the
        slots from the channel's first (all begin together, soon after the session) to the last that must be
        committed: due before the fault, less 250 ms, a
        commit, and the longest exchange the channel had, for a reading exists only when its exchange is over. Where
        the logger lived on (``last`` false), all slots up to its last row count.

        A row belongs to the slot in which its exchange began (stamp less half of what it took), a row of a slot
        that was not asked in stands at the slot itself. Only an instrument that talks by itself has stamps that tell
        no slot: there rows are counted, not told apart.
        """
        cut_ns = self.session_ns(fault_ns - LATEST_NS - COMMIT_NS)
        missing = {}
        with closing(sqlite3.connect(self.store)) as db:
            (began_ns,) = db.execute("SELECT min(t_ns) FROM event WHERE kind = 'session'").fetchone()
            begun_ns = min(
                (every_ns * slots[0] for every_ns, slots in self.slots().values() if slots), default=began_ns
            )
            if begun_ns - began_ns > BEGINS_S * 1e9 * self.factor:
                begun_ns = began_ns
            for number, name, every_ns, instrument in db.execute(_CHANNELS).fetchall():
                rows = db.execute(_ROWS, (number,)).fetchall()
                slots = slots_of(rows, every_ns)
                first = -(-began_ns // every_ns)
                latest_ns = begun_ns + round(START_S * 1e9 * self.factor)  # for the buses to begin, and then a slot
                if slots and slots[0] <= -(-latest_ns // every_ns):
                    first = slots[0]
                longest_ns = max((took_us or 0 for _, took_us, _ in rows), default=0) * 1000
                end = -(-(cut_ns - longest_ns) // every_ns)
                if instrument in _BY_ITSELF:
                    lost = end - first - len(rows)
                else:
                    if not last and slots:
                        end = max(end, slots[-1] + 1)
                    lost = len(set(range(first, end)) - set(slots)) + len(slots) - len(set(slots))
                if lost > 0:
                    missing[name] = lost
        return missing

    def slots(self) -> dict[str, tuple[int, list[int]]]:
        """``every_ns`` of each channel that is asked, and the slot that each of its rows belongs to."""
        with closing(sqlite3.connect(self.store)) as db:
            return {
                name: (every_ns, slots_of(db.execute(_ROWS, (number,)).fetchall(), every_ns))
                for number, name, every_ns, instrument in db.execute(_CHANNELS).fetchall()
                if instrument not in _BY_ITSELF
            }

    def by_itself(self) -> list[tuple[int, int]]:
        """``every_ns`` and how many rows, of each channel of an instrument that talks by itself."""
        with closing(sqlite3.connect(self.store)) as db:
            return [
                (every_ns, len(db.execute(_ROWS, (number,)).fetchall()))
                for number, _, every_ns, instrument in db.execute(_CHANNELS).fetchall()
                if instrument in _BY_ITSELF
            ]

    def planned(self, fault_ns: int) -> int:
        """How many slots were due until then: what ``lost`` is to be seen against."""
        with closing(sqlite3.connect(self.store)) as db:
            (began_ns,) = db.execute("SELECT min(t_ns) FROM event WHERE kind = 'session'").fetchone()
            every = [row[2] for row in db.execute(_CHANNELS)]
        return sum((self.session_ns(fault_ns) - began_ns) // every_ns for every_ns in every)


def slots_of(rows: list[tuple[int, int | None, int]], every_ns: int) -> list[int]:
    """In order. A bus held up between its look at the clock and its question begins it in the slot after its own.

    That slot then has two rows, the first of them begun just behind its start, and the slot before it none. Two rows
    that began later are one too many, and no excuse for a slot that has none.
    """
    found = sorted(_slot(t_ns, took_us, every_ns, good=note == 0) for t_ns, took_us, note in rows)
    slots = [slot for slot, _ in found]
    for i in range(1, len(slots)):
        held_up = slots[i] == slots[i - 1] and found[i - 1][1] < every_ns // JUST_BEHIND
        if held_up and (i == 1 or slots[i - 2] < slots[i] - 1):
            slots[i - 1] -= 1
    return slots


def _slot(t_ns: int, took_us: int | None, every_ns: int, *, good: bool) -> tuple[int, int]:
    """And how long behind its start the exchange began; the whole slot for a row without one."""
    slot, behind_ns = divmod(t_ns, every_ns)
    # Nothing was asked, or nothing came: it stands where it was due, which an exchange's own middle is not to the turn.
    if not good and behind_ns < TURNS_NS and behind_ns % TURN_NS == 0:
        return slot, every_ns
    began_ns = t_ns - (took_us or 0) * 500
    return divmod(began_ns + 2_000, every_ns)  # stored to the microsecond
