"""A guided sweep: band by band, without a hand on the computer.

The operator is told the band, the dial and what to mind; keys when ready; and the key-down is detected,
recognised by its frequency and measured. Keying another band of the plan than the one asked for is as
good: the sweep goes by what it hears, and ends when every band has been measured once.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator

from benchlog.model import Event
from benchlog.plan import Band
from benchlog.runs.happenings import Happening, KeyedUp, Wanted
from benchlog.runs.listen import Listener
from benchlog.runs.safety import Onlooker
from benchlog.runs.session import Session


def sweep(session: Session, stop: threading.Event) -> Iterator[Happening]:
    """Until every band of the plan has a key-down that counts, or ``stop`` is set."""
    left = {band.name: band for band in session.plan.bands}
    yield _ask(session, left, rest_until_s=0.0)
    for happening in Listener(session, Onlooker(session)).listen(stop):
        yield happening
        if not isinstance(happening, KeyedUp):
            continue
        heard = happening.key_down
        if heard.counts and heard.band in left:
            del left[heard.band]
            if not left:
                session.ending = "every band measured"
                return
            yield _ask(session, left, heard.stop_s + session.plan.sweep.rest)
    session.ending = f"ended by the operator; not measured: {', '.join(left)}"


def _ask(session: Session, left: dict[str, Band], rest_until_s: float) -> Wanted:
    band = next(iter(left.values()))
    of = len(session.plan.bands)
    text = f"asked for {band.name}, dial {band.dial_hz / 1e6:.6f} MHz"
    session.put(Event(session.clock.t_ns(), "band", text, data={"band": band.name}))
    return Wanted(band, of - len(left), of, rest_until_s)
