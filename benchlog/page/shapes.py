"""What the API takes and answers, field by field. Units are in the names; SI throughout, but for typed readings."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat


class Shape(BaseModel):
    """Nothing beyond the fields named."""

    model_config = ConfigDict(extra="forbid")


class Problem(Shape):
    """What is wrong, and what to do."""

    error: str
    cure: str


class Nothing(Shape):
    """Done; there is no more to say."""


class Entry(Shape):
    """A reading that a person typed in, in the channel's own unit.

    ``open_for_s`` says how long its field has been open: the reading is of the moment it was opened. Seconds, and not
    a date: the clock of a telephone may be off. ``corrects`` names an earlier ``entry`` that was wrong.
    """

    channel: Annotated[str, Field(max_length=200)]
    value: Annotated[FiniteFloat, Field(strict=True)]
    open_for_s: Annotated[FiniteFloat, Field(ge=0, le=3600)] = 0.0
    corrects: Annotated[str, Field(pattern=r"^[0-9]{1,18}$")] | None = None


class Entered(Shape):
    """As it was stored. ``entry`` is its name, for a correction."""

    entry: str
    channel: str
    value: float
    unit: str
    t_s: float
    time: str
    corrects: str | None


class KeyDownAsked(Shape):
    """The second half of a press and hold."""

    nonce: Annotated[str, Field(max_length=100)]
    span: Annotated[Literal["tuning", "measuring"], Field(alias="for")]


class BandSet(Shape):
    """The second half of the press that says: the band that the heat run waits for is set."""

    nonce: Annotated[str, Field(max_length=100)]
    band: Annotated[str, Field(max_length=200)]


class Armed(Shape):
    """When, after this answer, the second half of a press and hold is accepted with this nonce."""

    nonce: str
    from_s: float
    until_s: float


class KeyedUp(Shape):
    """The key is going up; the run goes on, or ends."""

    run: Literal["goes-on", "ends"]


class Stopping(Shape):
    """The session that is being ended; 0 where it has no number yet."""

    stopping: int


class Series(Shape):
    """A channel in buckets, in order of time, one list entry each; buckets without a slot are left out.

    ``t_s`` is the bucket's middle; ``low``, ``mean`` and ``high`` are null where ``n``, the slots with a value, is 0.
    """

    channel: str
    unit: str
    from_s: float
    to_s: float
    bucket_s: float
    t_s: list[float]
    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]
    n: list[int]
    missing: list[int]


class SessionLine(Shape):
    """One session of the store; ``revision`` is its newest one's number, null where it was never analysed again."""

    id: int
    kind: str
    transmitter: str
    serial: str
    bench: str
    started: str
    ended: str | None
    ending: str | None
    digest: str | None
    revision: int | None
    channels: list[str]


class Record(Shape):
    """``benchlog-record/1``; ``altered``: the readings are not those the session ended with."""

    altered: bool
    record: dict[str, Any]


class Figure(Shape):
    """One figure of the record."""

    name: str
    title: str
    alt: str


class RunStanding(Shape):
    """The run that is on."""

    entry: str
    kind: str
    phase: str
    session: int | None
    continues: int | None
    t_s: float | None
    key_down_since: str | None
    key_down_s: float | None
    band: str | None
    latest: list[dict[str, Any]]
    load_heat: float | None


class Status(Shape):
    """How things stand."""

    said: Annotated[Literal["benchlog-daemon/1"], Field(alias="schema")]
    started: str
    bench: str
    transmitter: str
    store: str
    alive: bool
    store_fault: str | None
    run: RunStanding | None
    last: dict[str, Any] | None
    next: list[dict[str, Any]]
    missed: list[dict[str, Any]]
    calibration: list[dict[str, Any]]
    viewers: int
