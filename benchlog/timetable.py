"""The timetable file: what the daemon starts when nobody is there, and whom it tells.

Times of day are in the file's ``zone``, or the host's. Whether an entry fits the bench and the plan is looked at by
``misfits``: keying unattended needs a plain ``may_key = true`` in the entry itself.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchlog.bench import Bench, Name
from benchlog.errors import BadFile, Fault
from benchlog.files import Duration, Table, TomlFile, validate
from benchlog.plan import Plan

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
_AT = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")


def _times(found: object) -> object:
    written = found if isinstance(found, tuple) else (found,)
    times = []
    for one in written:
        matched = _AT.fullmatch(one) if isinstance(one, str) else None
        if matched is None:
            raise ValueError('a time of day is written "02:30" or "02:30:15"; several stand in a list')
        hour, minute, second = (int(part or 0) for part in matched.groups())
        times.append(time(hour, minute, second))
    if not times:
        raise ValueError("no time at all: this never starts")
    return tuple(sorted(set(times)))


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (OSError, ValueError, KeyError):  # what it raises depends on what is wrong with the name
        raise ValueError('not a time zone this computer knows; one is written "Europe/Vienna" or "UTC"') from None
    return text


def _url(text: str) -> str:
    try:
        parts = urlsplit(text)
        parts.port  # noqa: B018 - looked at because it raises
    except ValueError as exc:
        raise ValueError(f"not an address of the web: {exc}") from None
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError('an address of the web is written "http://host/path" or "https://host/path"')
    return text


class Times(Table):
    """When: at times of day (on some days), every so often on a fixed grid, or once."""

    at: Annotated[tuple[time, ...] | None, BeforeValidator(_times)] = None
    days: tuple[Day, ...] = ()  # with at; none named: every day
    every: Duration | None = None  # counted from 1 January 1970, 00:00 in the zone, so that a restart changes nothing
    once: datetime | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum(way is not None for way in (self.at, self.every, self.once)) != 1:
            raise ValueError('say when, in one way: at = "02:30", every = "6 h", or once = 2027-01-31T22:00:00')
        if self.days and self.at is None:
            raise ValueError("days belongs to at")
        if self.every is not None and self.every < 1:
            raise ValueError("every must be at least 1 s")
        return self

    @property
    def written(self) -> str:
        """The same for the same times, however they were written."""
        at = ",".join(str(one) for one in self.at or ())
        return f"at={at};days={','.join(self.days)};every={self.every};once={self.once}"


class Start(Times):
    """One run, to be started unattended."""

    name: Name
    run: Literal["soak", "watch"]
    lasts: Duration | None = None  # of a watch; a heat run's is in the plan
    may_key: bool = False  # the operator's yes to keying with nobody there
    resume: bool = False  # go on with it after a crash or a power cut
    resume_within: Duration = 3600.0  # but not later than this after it was cut off

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.run == "watch") != (self.lasts is not None):
            raise ValueError('a watch needs lasts = "8 h", and only a watch: a heat run lasts as long as the plan says')
        if self.run == "soak" and not self.may_key:
            raise ValueError("a heat run keys the transmitter with nobody there; it is refused without may_key = true")
        return self


class Backup(Times):
    """Copies of the store, made while it is in use."""

    folder: Name  # relative to the store's
    keep: int = Field(14, ge=1)  # the newest ones


class Reminder(Table):
    """Of one instrument's calibration; without ``due`` the bench file says when it runs out."""

    instrument: Name
    due: date | None = None
    ahead: int = Field(30, ge=0)  # days before it that reminders begin, once a day


class Calibration(Reminder):
    """The same with the day it runs out."""

    due: date


class Notices(Table):
    """Whom to tell: a command (no shell), an address of the web, or both."""

    command: tuple[str, ...] = ()
    webhook: Annotated[str, AfterValidator(_url)] | None = None
    timeout: Duration = 10.0  # of one try


class _TimetableTables(Table):
    zone: Annotated[str, AfterValidator(_zone)] | None = None
    start: tuple[Start, ...] = ()
    backup: Backup | None = None
    calibration: tuple[Reminder, ...] = ()
    notices: Notices = Notices()


@dataclass(frozen=True)
class Timetable:
    """A timetable file that has no faults, with the words it was read from."""

    source: TomlFile
    zone: str | None
    starts: tuple[Start, ...]
    backup: Backup | None
    calibrations: tuple[Calibration, ...]
    notices: Notices


def load_timetable(path: Path, bench: Bench | None = None) -> Timetable:
    """Read a timetable file; the bench's own dates stand where it has none. Raises BadFile with every fault found."""
    return timetable_from(TomlFile.read(path), bench)


def timetable_from(source: TomlFile, bench: Bench | None = None) -> Timetable:
    """The same from words already read. Raises BadFile."""
    read = validate(_TimetableTables, source.tables)
    if isinstance(read, list):
        raise BadFile(source.path, read)
    faults = _twice("start", [start.name for start in read.start], "two starts of one name")
    faults += _twice("calibration", [c.instrument for c in read.calibration], "two dates for one instrument")
    faults += [
        Fault(f'start[{i}] "{start.name}".name', "", f'"{start.name}" is what the program\'s own entries are called')
        for i, start in enumerate(read.start)
        if start.name == "backup" or start.name.startswith("calibration of ")
    ]
    if not (read.start or read.backup or read.calibration):
        faults.append(Fault("file", "", "nothing is to be done at any time: give a [[start]] or a [backup]"))
    known = {instrument.name: instrument.due for instrument in bench.instruments} if bench else {}
    calibrations = []
    for i, reminder in enumerate(read.calibration):
        if due := reminder.due or known.get(reminder.instrument):
            calibrations.append(Calibration(instrument=reminder.instrument, due=due, ahead=reminder.ahead))
        else:
            where = f'calibration[{i}] "{reminder.instrument}".due'
            faults.append(Fault(where, "", "this key is missing, and no bench file says when it is due either"))
    if faults:
        raise BadFile(source.path, faults)
    return Timetable(source, read.zone, read.start, read.backup, tuple(calibrations), read.notices)


def misfits(timetable: Timetable, bench: Bench, plan: Plan) -> list[Fault]:
    """What in the timetable this bench and this plan cannot do."""
    faults = []
    for i, start in enumerate(timetable.starts):
        where = f'start[{i}] "{start.name}".run'
        if start.run == "soak" and plan.soak is None:
            faults.append(Fault(where, '"soak"', f"the plan ({plan.source.path}) has no [soak]"))
        if start.run == "soak" and plan.soak is not None and len(plan.soak.bands) > 1:
            faults.append(
                Fault(where, '"soak"', "the plan's [soak] names several bands; nobody is there to change them")
            )
        if start.run == "soak" and bench.key is None:
            faults.append(Fault(where, '"soak"', f"the bench file ({bench.source.path}) names no key line ([key])"))
    names = [instrument.name for instrument in bench.instruments]
    for i, calibration in enumerate(timetable.calibrations):
        if calibration.instrument not in names:
            known = f"no such instrument on this bench; known: {', '.join(names)}"
            faults.append(Fault(f"calibration[{i}].instrument", f'"{calibration.instrument}"', known))
    return faults


def _twice(where: str, names: Sequence[str], why: str) -> list[Fault]:
    counted: Any = Counter(names)
    return [Fault(where, f'"{name}"', why) for name, n in counted.items() if n > 1]
