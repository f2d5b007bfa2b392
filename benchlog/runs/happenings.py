"""What a run tells whoever shows it, in the order it happens. Times are session times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchlog.analysis.keydowns import KeyDown
from benchlog.bench import Channel
from benchlog.model import Event, State
from benchlog.plan import Band


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest slot of one channel."""

    channel: Channel
    t_s: float
    value: float | None  # SI, corrected
    state: State
    reason: str


@dataclass(frozen=True, slots=True)
class Tick:
    """How things stand; several times a second."""

    t_s: float
    down_since_s: float | None
    band: Band | None  # recognised, while the key is down
    latest: Mapping[str, Latest]
    heat: float | None = None  # the dummy load's, as a fraction of what it stands


@dataclass(frozen=True, slots=True)
class Begun:
    """The session is in the store."""

    session_id: int
    store: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """The next band to key, and those done."""

    band: Band
    done: int
    of: int
    rest_until_s: float  # when the load has rested


@dataclass(frozen=True, slots=True)
class Resting:
    """A run that keys waits with the key up (a heat run's rest, or a load that must cool)."""

    until_s: float
    done: int  # key-downs of a heat run


@dataclass(frozen=True, slots=True)
class KeyedDown:
    """The key went down."""

    t_s: float


@dataclass(frozen=True, slots=True)
class Recognised:
    """The frequency was heard; ``band`` is None where no band of the plan is within 1 % of it."""

    band: Band | None
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class LongEnough:
    """The key was down as long as the plan wants; it may go up."""

    band: Band | None


@dataclass(frozen=True, slots=True)
class KeyedUp:
    """The key went up; what the key-down showed."""

    key_down: KeyDown


@dataclass(frozen=True, slots=True)
class Trouble:
    """Of an instrument, the store, the clock, the key line's guard or a limit; kept as an event as well."""

    event: Event


Happening = Begun | Tick | Wanted | Resting | KeyedDown | Recognised | LongEnough | KeyedUp | Trouble
