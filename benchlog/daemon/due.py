"""What the timetable wants when: a pure function of the file, so that what was due while nobody ran is known too."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.triggers.combining import OrTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger
from apscheduler.triggers.interval import IntervalTrigger
from tzlocal import get_localzone

from benchlog.timetable import Times

REMIND_AT = time(9)


def zone_of(name: str | None) -> ZoneInfo:
    """The file's zone, or the host's."""
    return ZoneInfo(name) if name else get_localzone()


def trigger(times: Times, zone: ZoneInfo) -> Any:
    """The scheduler's words for it."""
    if times.once is not None:
        return DateTrigger(times.once if times.once.tzinfo else times.once.replace(tzinfo=zone))
    if times.every is not None:
        return IntervalTrigger(seconds=times.every, start_date=datetime(1970, 1, 1, tzinfo=zone), timezone=zone)
    return OrTrigger([daily(at, zone, ",".join(times.days) or None) for at in times.at or ()])


def daily(at: time, zone: ZoneInfo, days: str | None = None) -> Any:
    """Every day, or on some."""
    return CronTrigger(hour=at.hour, minute=at.minute, second=at.second, day_of_week=days, timezone=zone)


def due(trigger: Any, after: datetime, until: datetime) -> Iterator[datetime]:
    """When it was due in (after, until]; UTC, whole milliseconds, so that one due time is one, however found."""
    found = trigger.get_next_fire_time(None, after)
    while found is not None and (at := _milliseconds(found)) <= until:
        if at > after:
            yield at
        found = trigger.get_next_fire_time(found, found)


def following(trigger: Any, after: datetime) -> datetime | None:
    """The next one, or None where there is none."""
    found = trigger.get_next_fire_time(None, after)
    while found is not None and (at := _milliseconds(found)) <= after:
        found = trigger.get_next_fire_time(found, found)
    return None if found is None else at


def _milliseconds(when: datetime) -> datetime:
    return datetime.fromtimestamp(0, tz=UTC) + timedelta(milliseconds=round(when.timestamp() * 1000))
