"""What analysis finds: the record's parts, as frozen data. ``as_json`` is the contract's form.

Times are session times in nanoseconds until ``as_json`` writes them as RFC 3339 dates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

from benchlog.clock import rfc3339
from benchlog.model import SessionKind

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

    @classmethod
    def missing(cls, limit: float | None) -> Result:
        """Nothing measured."""
        return cls(None, None, None, None, limit, "not-measured")

    def as_json(self) -> dict[str, Any]:
        """The contract's ``M``."""
        dof = None if self.dof is None or math.isinf(self.dof) else self.dof
        return {
            "value": self.value,
            "expanded": self.expanded,
            "k": self.k,
            "dof": dof,
            "limit": self.limit,
            "verdict": self.verdict,
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
        }


@dataclass(frozen=True, slots=True)
class BandResult:
    """One band of the plan."""

    band: str
    expected_hz: float
    key_downs: int
    power_w: Result
    droop_percent: Result
    frequency_error_hz: Result
    frequency_error_ppm: Result
    drift_hz_per_h: Result
    settled_after_s: float | None

    @property
    def results(self) -> dict[str, Result]:
        """All that have a verdict, by their names in the record."""
        return {
            "power_w": self.power_w,
            "droop_percent": self.droop_percent,
            "frequency_error_hz": self.frequency_error_hz,
            "frequency_error_ppm": self.frequency_error_ppm,
            "drift_hz_per_h": self.drift_hz_per_h,
        }

    def as_json(self) -> dict[str, Any]:
        """The contract's form."""
        return {
            "band": self.band,
            "expected_hz": self.expected_hz,
            "key_downs": self.key_downs,
            **{name: result.as_json() for name, result in self.results.items()},
            "settled_after_s": self.settled_after_s,
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
class SessionFacts:
    """What the record says of the session itself."""

    id: int
    kind: SessionKind
    transmitter: str
    bench: str
    started_ns: int  # UTC, Unix epoch
    ended_ns: int | None  # UTC; None while it runs, or where it was cut off
    digest: str  # SHA-256 of the raw readings (``store.digest``)


@dataclass(frozen=True, slots=True)
class Record:
    """The whole record of one session."""

    session: SessionFacts
    bands: tuple[BandResult, ...]
    dial: Dial | None
    findings: tuple[Finding, ...]
    readings: dict[str, int] = field(default_factory=dict)  # good, over_range, invalid, missed

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
            },
            "bands": [band.as_json() for band in self.bands],
            "dial": None if self.dial is None else self.dial.as_json(),
            "findings": [finding.as_json(s.started_ns) for finding in self.findings],
            "readings": self.readings,
        }
