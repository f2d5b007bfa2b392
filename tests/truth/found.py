"""Each finding of a record beside what was planted: faults told, faults missed, findings of nothing, verdicts.

A fault counts for recall where its true size is 3 U and more: how far the truth misses the limit (verdicts, dial), or
its size itself (a crystal), U the record's own. What has no U of its own in a record that missed it is planted far
larger than any U here can be, or has its U stated below.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchlog.analysis.results import Finding, Result
from tests.truth.cases import Beside, Case
from tests.truth.draw import Planted
from tests.truth.truths import BandTruths

RECALL_U = 3.0
NEAR_U = 0.2  # a truth so near its limit stands for one on it
VERDICTS = {  # result: kind of its finding; the ppm result says what the Hz one says
    "power_w": "low-power",
    "droop_percent": "droop",
    "drift_hz_per_h": "drift",
    "frequency_error_hz": "frequency-error",
}
PLAIN = ("mismatch", "stuck", "gap", "over-range")  # planted large
EXPLAINED = ("supply-sag", "output-stage")  # of a droop that misses its limit: by 3 U of the droop
STRAY_HZ = 100.0  # a band whose own true error is beyond that has a wrong crystal, whatever was planted


@dataclass(frozen=True)
class Fault:
    """A planted fault, and whether it was told."""

    session: int
    kind: str
    band: str
    size_u: float  # inf: planted large
    told: bool


@dataclass(frozen=True)
class False_:  # noqa: N801 (False is taken)
    """A finding of something that is not so."""

    session: int
    clean: bool
    kind: str
    text: str


@dataclass(frozen=True)
class Verdicted:
    """A verdict beside the truth."""

    session: int
    result: str
    meets: bool  # the truth meets the limit
    away_u: float  # of the truth from the limit, in U
    verdict: str

    @property
    def near(self) -> bool:
        """As good as on the limit."""
        return self.away_u <= NEAR_U


def misses_by(name: str, truth: float, limit: float) -> float:
    """How far a truth misses its limit; negative where it meets it."""
    if name == "power_w":
        return limit - truth
    return truth - limit if name == "droop_percent" else abs(truth) - limit


def verdicts_of(beside: Beside) -> Iterator[Verdicted]:
    """Of every result with a limit, a value and a truth, whose readings are in order."""
    for case, result in _limited(beside):
        away = misses_by(case.estimator, case.truth, float(result.limit or 0.0))
        yield Verdicted(case.session, case.estimator, away <= 0, abs(away) / float(case.expanded or 1), result.verdict)


def _limited(beside: Beside) -> Iterator[tuple[Case, Result]]:
    results = {(band.band, name): band.results[name] for band in beside.analysis.record.bands for name in VERDICTS}
    for case in beside.cases:
        result = results.get((case.band, case.estimator))
        if result is not None and result.limit is not None and case.measured and case.judged:
            yield case, result


def faults_of(beside: Beside) -> Iterator[Fault]:
    """Those of a size to be told."""
    planted, findings, truths = beside.planted, beside.analysis.record.findings, beside.truths
    yield from _missed_limits(beside)
    yield from _of_the_dial(beside)
    for kind, place in planted.faults.items():
        name = planted.bands[place].name
        if kind in PLAIN:
            yield Fault(planted.number, kind, name, np.inf, _plainly(planted, findings, kind, name))
        elif kind in EXPLAINED and name in truths:
            size = next(
                (_size(c, r) for c, r in _limited(beside) if (c.band, c.estimator) == (name, "droop_percent")), 0.0
            )
            if size >= RECALL_U:
                yield Fault(planted.number, kind, name, size, _told(findings, kind, name))
        elif kind == "step" and name in truths:
            size = abs(planted.bands[place].step_hz) / step_u(planted, truths[name])
            if size >= RECALL_U:
                yield Fault(planted.number, kind, name, size, _at_its_time(findings, name, truths[name].band.step_at_s))


def _of_the_dial(beside: Beside) -> Iterator[Fault]:
    planted, findings, dial = beside.planted, beside.analysis.record.findings, beside.analysis.record.dial
    if dial is None or beside.dial is None:
        return
    common, own = beside.dial
    guard, limit = dial.common_hz.expanded, dial.common_hz.limit
    if guard and limit is not None and (size := (abs(common) - limit) / guard) >= RECALL_U:
        yield Fault(planted.number, "dial", "", size, _told(findings, "dial", None))
    for kind, place in planted.faults.items():
        name = planted.bands[place].name
        if kind in ("band-crystal", "frequency-error") and abs(own[name]) > STRAY_HZ:
            size = _in_u(own[name], dial.own_hz[name])
            if size >= RECALL_U:
                yield Fault(planted.number, "band-crystal", name, size, _told(findings, "band-crystal", name))


def _missed_limits(beside: Beside) -> Iterator[Fault]:
    """Whatever was planted: every truth that misses its limit by 3 U."""
    for case, result in _limited(beside):
        if (size := _size(case, result)) >= RECALL_U:
            kind = VERDICTS[case.estimator]
            yield Fault(case.session, kind, case.band, size, _told(beside.analysis.record.findings, kind, case.band))


def _size(case: Case, result: Result) -> float:
    return misses_by(case.estimator, case.truth, float(result.limit or 0.0)) / float(case.expanded or 1)


def step_u(planted: Planted, truths: BandTruths) -> float:
    """U of a step's size from the readings of the key-down it is in, its time known: 1.96 u of a difference of means.

    Of n readings before and m after, each worth 1 / tau of an independent one, tau the noise's integrated correlation
    time. What moves besides (drift, warm-up) must be told from a step by the readings too, which doubles it.
    """
    at_s = truths.band.step_at_s
    t_s = truths.times("frequency")
    window = next(((a, b) for a, b in truths.windows if a <= at_s < b), None)
    if window is None:
        return np.inf
    inside = t_s[(t_s >= window[0]) & (t_s <= window[1])]
    before, after = int((inside < at_s).sum()), int((inside >= at_s).sum())
    if min(before, after) < 1:
        return np.inf
    tau = correlation_time(planted)
    return 2 * 1.96 * planted.noise.sd["frequency"] * float(np.sqrt(tau / before + tau / after))


def correlation_time(planted: Planted) -> float:
    """Of the counter's noise, in readings: (1 + rho) / (1 - rho); wandering repeats for about over_s, half of it."""
    if planted.noise.kind == "ar":
        return (1 + planted.noise.rho) / (1 - planted.noise.rho)
    return 1 + planted.noise.over_s / 0.5 if planted.noise.kind == "wandering" else 1.0


def _in_u(value: float, result: Result) -> float:
    return abs(value) / result.expanded if result.expanded else 0.0


def _told(findings: tuple[Finding, ...], kind: str, band: str | None) -> bool:
    return any(one.kind == kind and one.band == band for one in findings)


def _at_its_time(findings: tuple[Finding, ...], band: str, at_s: float) -> bool:
    """A step of that band, within what a few readings may hide of its time."""
    return any(
        one.kind == "step" and one.band == band and (one.from_ns or 0) / 1e9 - 5 <= at_s <= (one.to_ns or 0) / 1e9 + 5
        for one in findings
    )


def _plainly(planted: Planted, findings: tuple[Finding, ...], kind: str, band: str) -> bool:
    """Told of the band, or of the channel at the time."""
    if kind not in ("stuck", "gap", "over-range"):
        return _told(findings, kind, band)
    ((channel, from_s, to_s),) = {"stuck": planted.stuck, "gap": planted.missing, "over-range": planted.over}[kind]
    return any(
        one.kind == kind
        and one.channel == channel
        and (one.from_ns or 0) / 1e9 <= to_s + 1
        and (one.to_ns or 0) / 1e9 >= from_s - 1
        for one in findings
    )


def false_of(beside: Beside) -> Iterator[False_]:
    """Findings that nothing true explains."""
    for one in beside.analysis.record.findings:
        if not _explained(beside, one):
            yield False_(beside.planted.number, beside.planted.clean, one.kind, one.text)


def _explained(beside: Beside, one: Finding) -> bool:
    planted, band = beside.planted, one.band or ""
    for case in beside.cases:
        if VERDICTS.get(case.estimator) == one.kind and case.band == band:
            return not case.judged or misses_by(case.estimator, case.truth, float(one.limit or 0.0)) > 0
    common, own = beside.dial or (np.inf, {})
    if one.kind == "dial":
        return abs(common) > float(one.limit or 0.0)
    if one.kind == "band-crystal":
        return abs(own.get(band, np.inf)) > STRAY_HZ
    true = next((found for found in planted.bands if found.name == band), None)
    if true is not None and one.kind in ("supply-sag", "output-stage", "mismatch"):
        loses = true.depth > 0 or true.run_depth > 0
        return {"supply-sag": true.sag > 0, "output-stage": loses, "mismatch": true.swr_grows > 0}[one.kind]
    if one.kind == "step":
        return true is not None and true.step_hz != 0
    return one.kind in planted.faults
