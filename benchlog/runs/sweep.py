"""A sweep: band by band, each told, keyed, recognised and measured.

The operator is told the band, the dial and what to mind; keys when ready; and the key-down is detected, recognised
by its frequency and measured, without a hand on the computer. Keying another band of the plan than the one asked for
is as good: the sweep goes by what it hears, and ends when every band has been measured once.

Where the session ``keys``, the bench's key line does it through its guard, each time the operator asks.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from queue import Empty

from benchlog.analysis.keydowns import thresholds
from benchlog.model import Event
from benchlog.plan import Band
from benchlog.runs.happenings import Happening, KeyedUp, Resting, Tick, Wanted
from benchlog.runs.listen import Listener
from benchlog.runs.safety import Keyer, Onlooker, held_key
from benchlog.runs.session import Session

TUNING_S = 5.0  # keyed for tuning; always too short to count


def sweep(session: Session, stop: threading.Event) -> Iterator[Happening]:
    """Until every band of the plan has a key-down that counts, or ``stop`` is set. Raises as ``Listener.listen``."""
    if not session.keys:
        yield from _bands(session, Listener(session, Onlooker(session)).listen(stop))
        return
    on_w, off_w = thresholds(session.plan, meter=session.bench.meter)
    with held_key(session, (off_w, on_w)) as keyer:
        yield from _bands(session, _keyed(session, keyer, stop))


def _bands(session: Session, happenings: Iterator[Happening]) -> Iterator[Happening]:
    left = {band.name: band for band in session.plan.bands}
    yield _ask(session, left, rest_until_s=0.0)
    for happening in happenings:
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


def _keyed(session: Session, keyer: Keyer, stop: threading.Event) -> Iterator[Happening]:
    """What is heard, with the key going down whenever it is asked for; a load that must rest first is told."""
    plan = session.plan.sweep
    spans = {"tuning": tap_s(plan.key_down), "measuring": plan.key_down}
    for happening in Listener(session, keyer).listen(stop):
        yield happening
        if not isinstance(happening, Tick):
            continue
        if session.up_asked.is_set():
            _up(session, keyer)
        if keyer.is_down:
            continue
        try:
            asked = session.asked.get_nowait()
        except Empty:
            continue
        if wait_s := keyer.down(spans[asked], plan.rest):
            yield Resting(happening.t_s + wait_s, 0)


def tap_s(key_down_s: float) -> float:
    """How long the key goes down for tuning where a key-down that counts lasts so long: less than half of that."""
    return min(TUNING_S, max(key_down_s / 2 - 1.0, key_down_s / 4))


def _up(session: Session, keyer: Keyer) -> None:
    """The key up at once, whatever else was asked for before."""
    session.up_asked.clear()
    session.forget_asked()
    keyer.up()
