"""A heat run: cycles of key-down and rest, for hours, with nobody's hand on the key.

The bench is listened to for one rest before the first key-down, so that the record shows the set cold. The guard
bounds every key-down and the load's heat; a limit crossed ends the run, or pauses it, with the key up. On several
bands the operator changes the band, and says so.
"""

from __future__ import annotations

import threading
from collections.abc import Generator, Iterator
from queue import Empty

from benchlog.analysis.keydowns import thresholds
from benchlog.errors import UsageError
from benchlog.model import Event
from benchlog.plan import Band, Plan, Soak
from benchlog.runs.happenings import Happening, KeyedUp, Resting, Tick, Wanted
from benchlog.runs.listen import Listener
from benchlog.runs.safety import Keyer, held_key
from benchlog.runs.session import Session


def planned(plan: Plan) -> Soak:
    """The plan's heat run. Raises UsageError where it has none."""
    if plan.soak is None:
        where, cure = str(plan.source.path), "Add it: config/plan.toml shows one."
        raise UsageError("the plan has no [soak]", where=where, cure=cure)
    return plan.soak


def soak(session: Session, stop: threading.Event) -> Iterator[Happening]:
    """Until the plan's time is over on every band, or ``stop`` is set.

    Raises: as ``Listener.listen``; BenchFailed where the key line cannot be held. The key is up when this ends,
    however it ends.
    """
    plan = planned(session.plan)
    bands = [session.plan.band(name) for name in plan.bands]
    on_w, off_w = thresholds(
        session.plan, min(bands, key=lambda band: band.shown_power(session.bench.meter)), session.bench.meter
    )
    with held_key(session, (off_w, on_w)) as keyer:
        happenings = Listener(session, keyer).listen(stop)
        done = 0
        for number, band in enumerate(bands):
            if number and not (yield from _changed_to(session, band, number, len(bands), happenings)):
                break
            done = yield from _cycles(session, plan, keyer, happenings, done)
        over = "ended by the operator" if stop.is_set() else "the heat run is over"
        session.ending = f"{over}: {done} key-down{'' if done == 1 else 's'}"


def _changed_to(
    session: Session, band: Band, number: int, of: int, happenings: Iterator[Happening]
) -> Generator[Happening, None, bool]:
    """Ask for a band and wait until the operator says that it is set; returns False where the run is ended."""
    session.forget_asked()  # what was said before this band was asked for, says nothing of it
    session.put(Event(session.clock.t_ns(), "band", f"asked for {band.name}", data={"band": band.name}))
    yield Wanted(band, number, of, 0.0)
    for happening in happenings:
        yield happening
        try:
            session.asked.get_nowait()
        except Empty:
            continue
        return True
    return False


def _cycles(
    session: Session, plan: Soak, keyer: Keyer, happenings: Iterator[Happening], done: int
) -> Generator[Happening, None, int]:
    """One band's cycles; returns how many key-downs there were so far in all."""
    start_s = session.clock.t_ns() / 1e9
    next_s = start_s + plan.rest
    yield Resting(next_s, done)
    for happening in happenings:
        yield happening
        if isinstance(happening, KeyedUp):
            done += 1
            next_s = happening.key_down.stop_s + plan.rest
            yield Resting(next_s, done)
        if not isinstance(happening, Tick) or keyer.is_down:
            continue
        if happening.t_s >= start_s + plan.lasts:
            break
        if happening.t_s >= next_s and (wait_s := keyer.down(plan.key_down, plan.rest)):
            next_s = happening.t_s + wait_s
            yield Resting(next_s, done)
    return done
