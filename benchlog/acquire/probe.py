"""Ask every instrument once who it is and what it reads: what ``benchlog check`` shows, and what a run
looks at before it begins."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from benchlog.acquire.station import Station
from benchlog.bench import Bench, DriverLookup, Instrument
from benchlog.clock import Clock
from benchlog.model import Event, Reading


@dataclass(frozen=True, slots=True)
class Probed:
    """What one instrument said; ``fault`` is empty where it answered at all."""

    instrument: Instrument
    identity: str
    fault: str
    readings: tuple[Reading, ...]
    events: tuple[Event, ...]


class _Kept(list[Reading | Event]):
    """A sink that is a list."""

    put = list.append


def probe(bench: Bench, drivers: DriverLookup, clock: Clock) -> Sequence[Probed]:
    """All polled instruments at once, so that dead ones cost one time-out in all, in the file's order."""
    with ThreadPoolExecutor(max_workers=len(bench.instruments), thread_name_prefix="probe") as pool:
        return [found for found in pool.map(lambda i: _probe(i, bench, drivers, clock), bench.instruments) if found]


def _probe(instrument: Instrument, bench: Bench, drivers: DriverLookup, clock: Clock) -> Probed | None:
    driver = drivers(instrument.driver)
    if isinstance(driver, str) or not driver.polled:
        return None
    kept = _Kept()
    station = Station(instrument, driver, bench.options[instrument.name], clock=clock, sink=kept)
    try:
        station.connect()
        fault = station.fault
        for question in station.questions:
            station.poll(question, clock.t_ns())
    finally:
        station.close()
    return Probed(
        instrument,
        station.identity or "",
        fault,
        tuple(item for item in kept if isinstance(item, Reading)),
        tuple(item for item in kept if isinstance(item, Event)),
    )
