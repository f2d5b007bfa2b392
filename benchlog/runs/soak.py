"""A heat run: cycles of key-down and rest, for hours, with nobody's hand on the key.

The bench is listened to for one rest before the first key-down, so that the record shows the set cold. The guard
bounds every key-down and the load's heat; a limit crossed ends the run with the key up.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator

from benchlog.analysis.keydowns import thresholds
from benchlog.errors import UsageError
from benchlog.plan import Soak
from benchlog.runs.happenings import Happening, KeyedUp, Resting, Tick
from benchlog.runs.listen import Listener
from benchlog.runs.safety import Keyer, held_key
from benchlog.runs.session import Session


def soak(session: Session, stop: threading.Event) -> Iterator[Happening]:
    """Until the plan's time is over, or ``stop`` is set.

    Raises: as ``Listener.listen``; BenchFailed where the key line cannot be held. The key is up when this ends,
    however it ends.
    """
    plan = session.plan.soak
    if plan is None:
        where, cure = str(session.plan.source.path), "Add it: config/plan.toml shows one."
        raise UsageError("the plan has no [soak]", where=where, cure=cure)
    on_w, off_w = thresholds(session.plan, session.plan.band(plan.band))
    with held_key(session, (off_w, on_w)) as keyer:
        yield from _cycles(session, plan, keyer, stop)


def _cycles(session: Session, plan: Soak, keyer: Keyer, stop: threading.Event) -> Iterator[Happening]:
    done = 0
    next_s = plan.rest
    yield Resting(next_s, done)
    for happening in Listener(session, keyer).listen(stop):
        yield happening
        if isinstance(happening, KeyedUp):
            done += 1
            next_s = happening.key_down.stop_s + plan.rest
            yield Resting(next_s, done)
        if not isinstance(happening, Tick) or keyer.is_down:
            continue
        if happening.t_s >= plan.lasts:
            session.ending = f"the heat run is over: {done} key-downs"
            return
        if happening.t_s >= next_s and (wait_s := keyer.down(plan.key_down)):
            next_s = happening.t_s + wait_s
            yield Resting(next_s, done)
    session.ending = f"ended by the operator after {done} key-downs"
