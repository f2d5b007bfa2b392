"""Watch: no order at all. Whatever is keyed is recognised, measured and told."""

from __future__ import annotations

import threading
from collections.abc import Iterator

from benchlog.runs.happenings import Happening
from benchlog.runs.listen import Listener
from benchlog.runs.safety import Onlooker
from benchlog.runs.session import Session


def watch(session: Session, stop: threading.Event) -> Iterator[Happening]:
    """Until ``stop`` is set."""
    yield from Listener(session, Onlooker(session)).listen(stop)
    session.ending = "ended by the operator"
