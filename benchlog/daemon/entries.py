"""The timetable's entries as the daemon goes by them: each with its trigger, and until when it is accounted for."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

from benchlog.clock import utc
from benchlog.daemon.due import REMIND_AT, daily, due, following, trigger, zone_of
from benchlog.store.starts import Mark
from benchlog.timetable import Backup, Calibration, Start, Timetable

MOST = 200  # starts told one by one after a gap; the others are told as one


@dataclass(slots=True)
class Entry:
    """One thing that is due at times."""

    name: str
    does: Start | Backup | Calibration
    trigger: Any
    times: str
    accounted: datetime  # UTC

    @property
    def run(self) -> str:
        """As the store has it."""
        return self.does.run if isinstance(self.does, Start) else "backup"

    @property
    def mark(self) -> Mark:
        """For the store."""
        return Mark(self.name, self.times, nanoseconds(self.accounted))

    @property
    def next(self) -> datetime:
        """When it is due, or was first of what is not accounted for; the end of time where it never will be."""
        return following(self.trigger, self.accounted) or datetime.max.replace(tzinfo=UTC)

    def take(self, until: datetime) -> tuple[list[datetime], bool]:
        """What was due since the last call; whether that is all. From now on it counts as accounted for."""
        if until <= self.accounted:  # or the host's clock went back: what was due in that hour was, once
            return [], True
        found = list(islice(due(self.trigger, self.accounted, until), MOST + 1))
        self.accounted = until
        return found[:MOST], len(found) <= MOST


def entries(timetable: Timetable, known: Mapping[str, Mark]) -> list[Entry]:
    """All of a timetable; ``known`` is what the store has of them."""
    zone, now = zone_of(timetable.zone), now_utc()
    written = timetable.zone or str(zone)
    wanted: list[tuple[str, Start | Backup | Calibration, Any, str]] = [
        (start.name, start, trigger(start, zone), f"{start.written};zone={written}") for start in timetable.starts
    ]
    if timetable.backup:
        made = timetable.backup
        wanted.append(("backup", made, trigger(made, zone), f"{made.written};zone={written}"))
    for calibration in timetable.calibrations:
        name = f"calibration of {calibration.instrument}"
        wanted.append((name, calibration, daily(REMIND_AT, zone), f"due={calibration.due};ahead={calibration.ahead}"))
    found = []
    for name, does, when, times in wanted:
        mark = known.get(name)
        if mark is not None and mark.times == times:
            accounted = utc(mark.accounted_ns)
        elif isinstance(does, Calibration):
            accounted = now - timedelta(days=1)  # a reminder is due once on the first day too
        elif does.once is not None:
            accounted = utc(0)  # one that is past already was missed
        else:
            accounted = now
        found.append(Entry(name, does, when, times, accounted))
    return found


def now_utc() -> datetime:
    """By the host's clock."""
    return utc(time.time_ns())


def nanoseconds(when: datetime) -> int:
    """Since 1970."""
    return round((when - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1)) * 1000
