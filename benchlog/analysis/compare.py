"""Two sessions of one transmitter: what differs, by how much, and whether that is more than the instruments leave open.

A difference is B - A, with an uncertainty from both budgets (JCGM 100:2008, 5.2.2): an error that both sessions share
enters with opposite signs and cancels as far as its two contributions are equal; everything else adds. "Real" is what
exceeds its U at 95 %. What a set measures on another day also depends on tuning, mains and weather: real means that
it measured differently, not why.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.results import BandResult, Result
from benchlog.analysis.sameness import Errors, SameChannel, Taken
from benchlog.analysis.uncertainty import combine, expanded, rectangular, scatter_of
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component, Measure, Measured

Outcome = Literal["real", "none-seen", "not-comparable"]
Change = Literal["better", "worse", "neither"]

ALIKE = 1.25  # spans that differ by more than this factor make what is measured over them incomparable


@dataclass(frozen=True, slots=True)
class Kind:
    """What must be known of a quantity to compare it."""

    measures: tuple[Measure, ...]
    better: Literal["up", "down", "nearer zero"] | None = None
    over: Literal["window", "run"] | None = None  # it grows with the length of this
    of_worst: bool = False  # the worst key-down's: more key-downs, more chances of noise
    watts: bool = False  # states power, and so of one kind (PEP, mean, carrier)
    takes_long: bool = False  # a sweep never measures it: its absence decides nothing


_POWER: tuple[Measure, ...] = ("forward-power",)
_FREQUENCY: tuple[Measure, ...] = ("frequency",)
_REFLECTION: tuple[Measure, ...] = ("forward-power", "reflected-power")
_INPUT: tuple[Measure, ...] = ("forward-power", "plate-voltage", "plate-current")

# The frequency error in ppm is the one in Hz again, and time constants are no merit of their own.
KINDS: Mapping[str, Kind] = {
    "power_w": Kind(_POWER, "up", watts=True),
    "droop_percent": Kind(_POWER, "down", over="window", of_worst=True),
    "frequency_error_hz": Kind(_FREQUENCY, "nearer zero"),
    "drift_hz_per_h": Kind(_FREQUENCY, "nearer zero", over="run", takes_long=True),
    "run_droop_percent": Kind(_POWER, "down", over="run", takes_long=True),
    "swr": Kind(_REFLECTION, "down"),
    "delivered_w": Kind(_REFLECTION, "up", watts=True),
    "efficiency_percent": Kind(_INPUT, "up", watts=True),
    "dissipation_w": Kind(_INPUT, watts=True),
    "key_down_drift_hz": Kind(_FREQUENCY, "nearer zero", over="window", of_worst=True),
}


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity of one band in both sessions."""

    quantity: str  # its name in the record
    a: Result
    b: Result
    outcome: Outcome
    why: str = ""  # it is not comparable
    difference: Result | None = None  # B - A
    change: Change | None = None  # of a real difference, where there is a better and a worse

    @property
    def verdict_changed(self) -> bool:
        """Against the same limit, which both were held to."""
        return self.limit_changed is False and self.a.verdict != self.b.verdict

    @property
    def limit_changed(self) -> bool | None:
        """None where neither had a limit, or one was not measured."""
        if self.a.value is None or self.b.value is None or (self.a.limit is None and self.b.limit is None):
            return None
        return self.a.limit != self.b.limit

    @property
    def open_question(self) -> bool:
        """The first session had measured it, and whether it is worse now cannot be said."""
        kind = KINDS[self.quantity]
        had = self.outcome == "not-comparable" and self.a.value is not None and kind.better is not None
        return had and not (kind.takes_long and self.b.value is None)


@dataclass(frozen=True, slots=True)
class BandCompared:
    """One band in both sessions; None where a session does not have it."""

    band: str
    a: BandResult | None
    b: BandResult | None
    quantities: tuple[Compared, ...]  # those that at least one session measured


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that two sessions have to be compared by."""

    bands: tuple[BandCompared, ...]
    channels: tuple[SameChannel, ...]  # whose errors were let cancel, and whose not

    @property
    def all(self) -> list[tuple[str, Compared]]:
        """(band, quantity), in order."""
        return [(band.band, one) for band in self.bands for one in band.quantities]

    @property
    def worse(self) -> list[tuple[str, Compared]]:
        """What is really worse."""
        return [(band, one) for band, one in self.all if one.change == "worse"]

    @property
    def open_questions(self) -> list[tuple[str, Compared]]:
        """What the first session had measured, and cannot be compared."""
        return [(band, one) for band, one in self.all if one.open_question]


def compare(a: Taken, b: Taken, vouched: Collection[str] = ()) -> Comparison:
    """Session B against session A, band by band.

    Args:
        a, b: of one transmitter, the earlier first.
        vouched: names of instruments that somebody says are the same in both sessions (``sameness.Errors``).
    """
    errors = Errors([a, b], vouched)
    bands = {band.band: band for band in a.analysis.record.bands}
    others = {band.band: band for band in b.analysis.record.bands}
    compared = tuple(
        _band(name, _Pair(a, b, bands.get(name), others.get(name), errors)) for name in {**bands, **others}
    )
    lines = [line for band in compared for one in band.quantities for line in (*one.a.budget, *one.b.budget)]
    shared = dict.fromkeys(line.shared for line in lines if line.shared and line.evaluated == "B")
    return Comparison(compared, tuple(errors.channels(shared)))


@dataclass(frozen=True, slots=True)
class _Pair:
    a: Taken
    b: Taken
    band_a: BandResult | None
    band_b: BandResult | None
    errors: Errors


def _band(name: str, pair: _Pair) -> BandCompared:
    a, b = pair.band_a, pair.band_b
    found = []
    for quantity in KINDS:
        one = a.results[quantity] if a else Result.missing()
        other = b.results[quantity] if b else Result.missing()
        if one.value is not None or other.value is not None:
            found.append(_compared(quantity, one, other, pair))
    return BandCompared(name, a, b, tuple(found))


def _compared(quantity: str, a: Result, b: Result, pair: _Pair) -> Compared:
    why = next(_obstacles(quantity, a, b, pair), "")
    if why or a.value is None or b.value is None:
        return Compared(quantity, a, b, "not-comparable", why)
    kind = KINDS[quantity]
    extra = [*_of_span(kind, a, b, pair), *_of_chance(kind, a, b, pair)]
    difference = minus(b, a, pair.errors, extra)
    shown = result(difference, None, Sense.WITHIN)
    real = shown.expanded is not None and abs(difference.value) > shown.expanded
    change = _change(kind, a, b, pair.errors, extra) if real else None
    return Compared(quantity, a, b, "real" if real else "none-seen", difference=shown, change=change)


def obstacle(quantity: str, band: str, a: Taken, b: Taken) -> str:
    """What keeps a quantity of a band from being compared between two sessions; empty where nothing does."""
    one, other = (next((x for x in taken.analysis.record.bands if x.band == band), None) for taken in (a, b))
    results = [found.results[quantity] if found else Result.missing() for found in (one, other)]
    return next(_obstacles(quantity, results[0], results[1], _Pair(a, b, one, other, Errors([a, b]))), "")


def minus(b: Result, a: Result, errors: Errors, extra: Collection[Component] = ()) -> Measured:
    """B - A with its uncertainty; both must have a value. ``errors`` are those of sessions A and B in this order."""
    return _joined(b, a, -1.0, errors, extra)


def _joined(b: Result, a: Result, sign: float, errors: Errors, extra: Collection[Component]) -> Measured:
    """b + sign x a. What both share is one line, of what is left of it."""
    assert a.value is not None  # as the caller has seen
    assert b.value is not None
    lines = [_told(line, "second", 1.0, errors) for line in b.budget]
    lines += [_told(line, "first", sign, errors) for line in a.budget]
    common = dict.fromkeys(line.shared for line in lines if _common(line, errors))
    kept = [line for line in lines if line.shared not in common]
    for name in common:
        u = sum(line.u for line in lines if line.shared == name)
        dof = min(line.dof for line in lines if line.shared == name)
        kept.append(Component(u, dof, f"what is left of {name}, common to both sessions", shared=name))
    return combine(b.value + sign * a.value, [*kept, *extra])


def _common(line: Component, errors: Errors) -> bool:
    """Scatter is each session's own, also where several of its lines stem from one error."""
    return line.evaluated == "B" and bool(line.shared) and errors.same(line.shared)


def _told(line: Component, session: str, sign: float, errors: Errors) -> Component:
    source = f"{line.source}, {session} session"
    if not line.shared or _common(line, errors):
        return replace(line, u=sign * line.u, source=source)
    return replace(line, u=sign * line.u, source=source, shared=f"{line.shared}, {session} session")


def _change(kind: Kind, a: Result, b: Result, errors: Errors, extra: Collection[Component]) -> Change | None:
    """Which way a real difference goes. Near zero is better only where the sizes differ by more than their U."""
    assert a.value is not None
    assert b.value is not None
    if kind.better is None:
        return None
    if kind.better != "nearer zero":
        return "better" if (b.value > a.value) == (kind.better == "up") else "worse"
    if a.value * b.value >= 0:
        return "worse" if abs(b.value) > abs(a.value) else "better"
    # On the other side of zero now: |B| - |A| is the sum of both values, up to its sign.
    interval = expanded(_joined(b, a, 1.0, errors, extra))
    grown = abs(b.value) - abs(a.value)
    if interval is None or abs(grown) <= interval[0]:
        return "neither"
    return "worse" if grown > 0 else "better"


def _obstacles(quantity: str, a: Result, b: Result, pair: _Pair) -> Iterator[str]:
    """What keeps a quantity from being compared; the first one is told."""
    kind, one, other = KINDS[quantity], pair.band_a, pair.band_b
    for found, band, which in ((a, one, "first"), (b, other, "second")):
        if band is None or not band.key_downs:
            yield f"the band was not heard in the {which} session"
        elif found.value is None:
            yield f"not measured in the {which} session"
    if one is None or other is None:
        return
    if one.expected_hz != other.expected_hz:
        yield f"expected at {one.expected_hz / 1e6:.6f} MHz then, at {other.expected_hz / 1e6:.6f} MHz now"
    if kind.watts and one.power_kind != other.power_kind:
        yield f"the power is {one.power_kind} in the first session, {other.power_kind} in the second"
    for found, taken, which in ((a, pair.a, "first"), (b, pair.b, "second")):
        if found.expanded is None:
            yield f"its uncertainty in the {which} session is unknown"
        for measure in kind.measures:
            if _lacking(taken, one.band, measure):
                yield f"readings of {measure} are over range or lacking in the {which} session"
    spans = _spans(kind, pair)
    if spans and max(spans) > ALIKE * min(spans):
        what = "a key-down's window" if kind.over == "window" else "the run"
        yield f"{what} lasted {spans[0]:.0f} s then and {spans[1]:.0f} s now"


def _counted(taken: Taken, band: str) -> list[KeyDown]:
    return [one for one in taken.analysis.key_downs if one.counts and one.band == band]


def _lacking(taken: Taken, band: str, measure: Measure) -> bool:
    return any(one.means[measure].lacking for one in _counted(taken, band) if measure in one.means)


def _spans(kind: Kind, pair: _Pair) -> tuple[float, float] | None:
    """(first, second) session's time in seconds over which the quantity builds up; None where that is no matter."""
    if kind.over is None or pair.band_a is None or pair.band_b is None:
        return None
    key_downs = [_counted(taken, pair.band_a.band) for taken in (pair.a, pair.b)]
    spans = [_run_s(one) if kind.over == "run" else _window_s(one) for one in key_downs]
    return (spans[0], spans[1]) if min(spans) > 0 else None


def _run_s(key_downs: list[KeyDown]) -> float:
    return max((k.stop_s for k in key_downs), default=0.0) - min((k.start_s for k in key_downs), default=0.0)


def _window_s(key_downs: list[KeyDown]) -> float:
    """The window of the key-down with the most droop, which the record's droop is of."""
    windows = [(k.droop.percent.value if k.droop else -1e9, k.window[1] - k.window[0]) for k in key_downs if k.window]
    return max(windows)[1] if windows else 0.0


def _of_span(kind: Kind, a: Result, b: Result, pair: _Pair) -> Iterator[Component]:
    """What grows in time has grown longer in the longer span: at most in proportion."""
    spans = _spans(kind, pair)
    if spans is None or a.value is None or b.value is None or spans[0] == spans[1]:
        return
    half_width = max(abs(a.value), abs(b.value)) * (max(spans) / min(spans) - 1)
    yield Component(rectangular(half_width), source=f"measured over {spans[0]:.1f} s and {spans[1]:.1f} s")


def _of_chance(kind: Kind, a: Result, b: Result, pair: _Pair) -> Iterator[Component]:
    """The worst of many noisy key-downs stands out by chance, and the more so the more there are.

    By how much is expected of n normal deviates: their largest, after G. Blom, Statistical Estimates and Transformed
    Beta-Variables, 1958 (from memory). It is an upper bound, since key-downs also differ in earnest.
    """
    if not kind.of_worst or pair.band_a is None or pair.band_b is None:
        return
    n_a, n_b = pair.band_a.key_downs, pair.band_b.key_downs
    excess = abs(_largest_of(n_b) * scatter_of(b.budget) - _largest_of(n_a) * scatter_of(a.budget))
    if excess > 0:
        yield Component(excess, source=f"the worst of {n_a} key-downs against the worst of {n_b}")


def _largest_of(n: int) -> float:
    from scipy import special

    return float(special.ndtri((n - 0.375) / (n + 0.25))) if n > 1 else 0.0
