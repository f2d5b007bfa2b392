"""What analysis finds: the record's parts, as frozen data. ``as_json`` is the contract's form.

Times are session times in nanoseconds until ``as_json`` writes them as RFC 3339 dates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from benchlog.clock import rfc3339
from benchlog.emission import PowerKind
from benchlog.model import Component, SessionKind

SCHEMA = "benchlog-record/1"

Verdict = Literal["pass", "fail", "undecided", "not-measured"]
FindingKind = Literal[
    "low-power",
    "droop",
    "drift",
    "frequency-error",
    "step",
    "stuck",
    "gap",
    "over-range",
    "supply-sag",
    "output-stage",
    "mismatch",
    "band-crystal",
    "dial",
    "wrong-instrument",
    "limit",
]

TuningStep = Literal["grid-current-peak", "plate-current-dip", "level-control-moves", "level-control"]


def _finite(dof: float | None) -> float | None:
    return None if dof is None or math.isinf(dof) else dof


@dataclass(frozen=True, slots=True)
class Result:
    """A value with its expanded uncertainty at 95 % and what that means against a limit.

    ``verdict`` is by guarded acceptance with guard band U; without a limit it is "pass" (nothing to miss), without
    a value "not-measured". ``dof`` may be inf; the JSON has null for that.
    """

    value: float | None
    expanded: float | None
    k: float | None
    dof: float | None
    limit: float | None
    verdict: Verdict
    budget: tuple[Component, ...] = ()  # what ``expanded`` is made of
    conformity: float | None = None  # how probable it is that the true value meets the limit; None where unknown

    @classmethod
    def missing(cls, limit: float | None = None) -> Result:
        """Nothing measured."""
        return cls(None, None, None, None, limit, "not-measured")

    def as_json(self) -> dict[str, Any]:
        """The contract's ``M``."""
        return {
            "value": self.value,
            "expanded": self.expanded,
            "k": self.k,
            "dof": _finite(self.dof),
            "limit": self.limit,
            "verdict": self.verdict,
            "conformity": self.conformity,
            "budget": [
                {
                    "source": line.source,
                    "type": line.evaluated,
                    "u": line.u,
                    "dof": _finite(line.dof),
                    "shared": line.shared or None,
                }
                for line in self.budget
            ],
        }


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a reader must know, with where it was seen."""

    kind: FindingKind
    text: str
    band: str | None = None
    channel: str | None = None
    from_ns: int | None = None
    to_ns: int | None = None
    value: float | None = None
    limit: float | None = None
    expanded: float | None = None  # U of value at 95 %, where it has one

    def as_json(self, started_ns: int) -> dict[str, Any]:
        """The contract's form."""

        def date(t_ns: int | None) -> str | None:
            return None if t_ns is None else rfc3339(started_ns + t_ns)

        return {
            "kind": self.kind,
            "band": self.band,
            "channel": self.channel,
            "from": date(self.from_ns),
            "to": date(self.to_ns),
            "value": self.value,
            "limit": self.limit,
            "text": self.text,
            "expanded": self.expanded,
        }


@dataclass(frozen=True, slots=True)
class WarmUp:
    """A frequency that nears ``final_hz`` as by_hz x exp(-t / tau_s), t from the first reading."""

    by_hz: Result
    tau_s: Result
    final_hz: Result

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return {"by_hz": self.by_hz.as_json(), "tau_s": self.tau_s.as_json(), "final_hz": self.final_hz.as_json()}


@dataclass(frozen=True, slots=True)
class Stability:
    """Overlapping Allan deviation of the relative frequency at one averaging time, with its 95 % interval."""

    tau_s: float
    deviation: float
    low: float
    high: float
    terms: int

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return {
            "tau_s": self.tau_s,
            "deviation": self.deviation,
            "low": self.low,
            "high": self.high,
            "terms": self.terms,
        }


@dataclass(frozen=True, slots=True)
class Tuned:
    """What tuning a band showed on one channel, in that channel's unit."""

    what: TuningStep
    channel: str | None  # None: the bench has none that measures it
    unit: str | None
    at_s: float | None  # session time
    measured: Result

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return {
            "what": self.what,
            "channel": self.channel,
            "unit": self.unit,
            "at_s": self.at_s,
            "measured": self.measured.as_json(),
        }


_UNMEASURED = Result.missing()


@dataclass(frozen=True, slots=True)
class BandResult:
    """One band of the plan. What has no limit in the plan has verdict "pass" and says what was found."""

    band: str
    expected_hz: float
    key_downs: int
    power_w: Result
    droop_percent: Result
    frequency_error_hz: Result
    frequency_error_ppm: Result
    drift_hz_per_h: Result
    settled_after_s: float | None
    power_kind: PowerKind = "mean"  # what power_w states (ITU RR 1.157 to 1.159)
    droop_tau_s: Result = _UNMEASURED  # time constant that the key-downs have in common, where they bend enough to tell
    run_droop_percent: Result = _UNMEASURED  # from the first key-down to the last
    run_droop_tau_s: Result = _UNMEASURED
    swr: Result = _UNMEASURED
    delivered_w: Result = _UNMEASURED  # forward less reflected
    efficiency_percent: Result = _UNMEASURED  # power over plate input
    dissipation_w: Result = _UNMEASURED  # plate input less power
    key_down_drift_hz: Result = _UNMEASURED  # by how much the frequency moves in a window; the worst key-down
    warm_up: WarmUp | None = None
    stability: tuple[Stability, ...] = ()
    tuning: tuple[Tuned, ...] = ()

    @property
    def results(self) -> dict[str, Result]:
        """Everything with an uncertainty, by its name in the record."""
        return {
            "power_w": self.power_w,
            "droop_percent": self.droop_percent,
            "frequency_error_hz": self.frequency_error_hz,
            "frequency_error_ppm": self.frequency_error_ppm,
            "drift_hz_per_h": self.drift_hz_per_h,
        } | self.further

    @property
    def further(self) -> dict[str, Result]:
        """What the contract's form has been extended by."""
        return {
            "droop_tau_s": self.droop_tau_s,
            "run_droop_percent": self.run_droop_percent,
            "run_droop_tau_s": self.run_droop_tau_s,
            "swr": self.swr,
            "delivered_w": self.delivered_w,
            "efficiency_percent": self.efficiency_percent,
            "dissipation_w": self.dissipation_w,
            "key_down_drift_hz": self.key_down_drift_hz,
        }

    def as_json(self) -> dict[str, Any]:
        """The contract's form, and what has been added to it since."""
        return {
            "band": self.band,
            "expected_hz": self.expected_hz,
            "key_downs": self.key_downs,
            **{name: result.as_json() for name, result in self.results.items() if name not in self.further},
            "settled_after_s": self.settled_after_s,
            "power_kind": self.power_kind,
            **{name: result.as_json() for name, result in self.further.items()},
            "warm_up": None if self.warm_up is None else self.warm_up.as_json(),
            "stability": [one.as_json() for one in self.stability],
            "tuning": [one.as_json() for one in self.tuning],
        }


@dataclass(frozen=True, slots=True)
class Dial:
    """The frequency errors split in what all bands share and what is each band's own."""

    common_hz: Result
    own_hz: dict[str, Result]

    def as_json(self) -> dict[str, Any]:
        """The contract's form."""
        bands = [{"band": band, "own_hz": own.as_json()} for band, own in self.own_hz.items()]
        return {"common_hz": self.common_hz.as_json(), "bands": bands}


@dataclass(frozen=True, slots=True)
class InstrumentState:
    """An instrument as the bench file and the session's events know it."""

    name: str
    calibrated: date | None = None
    due: date | None = None  # the last day the calibration holds
    overdue: bool | None = None  # on the day the session began (UTC); None where nothing says when it is due
    identities: tuple[str, ...] = ()  # what it said of itself, each once

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return {
            "instrument": self.name,
            "calibrated": None if self.calibrated is None else self.calibrated.isoformat(),
            "due": None if self.due is None else self.due.isoformat(),
            "overdue": self.overdue,
            "identities": list(self.identities),
        }


@dataclass(frozen=True, slots=True)
class Revision:
    """Which analysis of a session this is, where it was analysed again with another bench file."""

    number: int  # 0: with the bench file it was taken with
    made_ns: int  # UTC
    program: str  # benchlog's version then
    because: str  # for people; may be empty
    newest: int

    @property
    def replaces(self) -> int | None:
        """The revision that stood before it."""
        return self.number - 1 if self.number else None

    @property
    def replaced_by(self) -> int | None:
        """The revision that stands in its place."""
        return self.newest if self.newest > self.number else None

    def as_json(self) -> dict[str, Any]:
        """For the record."""
        return {
            "number": self.number,
            "made": rfc3339(self.made_ns),
            "program": self.program,
            "because": self.because,
            "replaces": self.replaces,
            "replaced_by": self.replaced_by,
        }


@dataclass(frozen=True, slots=True)
class SessionFacts:
    """What the record says of the session itself."""

    id: int
    kind: SessionKind
    transmitter: str
    bench: str
    started_ns: int  # UTC, Unix epoch
    ended_ns: int | None  # UTC; None while it runs, or where it was cut off
    digest: str  # SHA-256 of the raw readings and the files they were taken with (``store.digest``)
    revision: Revision | None = None  # None: never analysed again


@dataclass(frozen=True, slots=True)
class Record:
    """The whole record of one session."""

    session: SessionFacts
    bands: tuple[BandResult, ...]
    dial: Dial | None
    findings: tuple[Finding, ...]
    readings: dict[str, int] = field(default_factory=dict)  # good, over_range, invalid, missed
    instruments: tuple[InstrumentState, ...] = ()  # in the bench file's order

    def as_json(self) -> dict[str, Any]:
        """The contract's ``benchlog-record/1``."""
        s = self.session
        return {
            "schema": SCHEMA,
            "session": {
                "id": s.id,
                "kind": s.kind,
                "transmitter": s.transmitter,
                "bench": s.bench,
                "started": rfc3339(s.started_ns),
                "ended": None if s.ended_ns is None else rfc3339(s.ended_ns),
                "digest": s.digest,
                "revision": None if s.revision is None else s.revision.as_json(),
            },
            "bands": [band.as_json() for band in self.bands],
            "dial": None if self.dial is None else self.dial.as_json(),
            "findings": [finding.as_json(s.started_ns) for finding in self.findings],
            "readings": self.readings,
            "instruments": [instrument.as_json() for instrument in self.instruments],
        }
