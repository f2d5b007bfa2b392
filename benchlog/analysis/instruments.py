"""Who measured, and whether each instrument's calibration held when the session began."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime

from benchlog.analysis.results import InstrumentState
from benchlog.bench import Bench
from benchlog.model import Event


def instrument_states(bench: Bench, events: Iterable[Event], started_ns: int) -> tuple[InstrumentState, ...]:
    """One for each instrument of the bench, in the file's order.

    ``identities`` are what an instrument said of itself each time it was connected, repetitions left out: more than
    one means that another took its place, or that its firmware changed.
    """
    said: dict[str, list[str]] = {}
    for event in events:
        identity = event.data.get("identity", event.text) if event.kind == "identity" else ""
        if identity and identity not in said.setdefault(event.instrument, []):
            said[event.instrument].append(str(identity))
    day = session_day(started_ns)
    return tuple(
        InstrumentState(
            name=instrument.name,
            calibrated=instrument.calibrated,
            due=instrument.due,
            overdue=instrument.overdue(day),
            identities=tuple(said.get(instrument.name, ())),
        )
        for instrument in bench.instruments
    )


def session_day(started_ns: int) -> date:
    """The date, in UTC, of nanoseconds since 1970."""
    return datetime.fromtimestamp(started_ns // 10**9, UTC).date()
