"""Who measured, and whether each instrument's calibration held when the session began."""

from __future__ import annotations

from collections.abc import Iterable

from benchlog.analysis.results import InstrumentState
from benchlog.bench import Bench
from benchlog.clock import utc
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
    day = utc(started_ns).date()
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
