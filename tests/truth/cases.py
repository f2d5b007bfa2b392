"""Each result of a record beside its truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.results import BandResult, Finding, Result
from benchlog.model import Component
from tests.truth.draw import Planted
from tests.truth.truths import BandTruths, dial_of, settled_between
from tests.truth.world import World

A_DOMINATED, B_DOMINATED = 0.95, 0.5  # share of type A in the variance: at least, at most
READ_FROM = {  # channels: what a spoiled one spoils
    "power_w": "power",
    "droop_percent": "power",
    "droop_tau_s": "power",
    "run_droop_percent": "power",
    "run_droop_tau_s": "power",
    "swr": "power reflected",
    "delivered_w": "power reflected",
    "efficiency_percent": "power plate current",
    "dissipation_w": "power plate current",
    "supply_percent": "power plate",
    "stage_percent": "power plate",
    "returned_percent": "power reflected",
}
OF_FINDINGS = {  # a finding's value, which its record does not split in types: taken for mixed
    "supply-sag": "supply_percent",
    "output-stage": "stage_percent",
    "mismatch": "returned_percent",
    "step": "step_hz",
}
OPTIONAL = ("droop_tau_s", "run_droop_tau_s", "warm_up.")  # not measured where the data do not support that shape


@dataclass(frozen=True)
class Case:
    """One result and its truth. ``judged`` False: shown only, for ``why``."""

    session: int
    band: str
    estimator: str
    value: float | None  # None: not measured, though there is a truth
    truth: float
    u: float
    expanded: float | None
    type_a: float  # share of type A in the variance
    tags: dict[str, str] = field(default_factory=dict)
    why: str = ""  # not judged

    @property
    def judged(self) -> bool:
        """Whether the criteria are about it."""
        return not self.why

    @property
    def measured(self) -> bool:
        """Whether there is an interval to hold the truth."""
        return self.value is not None and self.expanded is not None and self.u > 0

    @property
    def z(self) -> float:
        """(value - truth) / u."""
        return (float(self.value or 0.0) - self.truth) / self.u

    @property
    def holds(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(float(self.value or 0.0) - self.truth) <= float(self.expanded or 0.0)

    @property
    def dominated(self) -> str:
        """ "A", "B" or "mixed", by what the result's own budget says."""
        return "A" if self.type_a >= A_DOMINATED else "B" if self.type_a <= B_DOMINATED else "mixed"


@dataclass(frozen=True)
class Timed:
    """A time in the record that has no uncertainty of its own, and whether it is right."""

    session: int
    band: str
    what: str
    right: bool
    told: str


def matched(planted: Planted, analysis: Analysis) -> list[KeyDown | None]:
    """For each planted key-down the one that was found: of its band, its ends within half a second."""
    found = list(analysis.key_downs)
    out: list[KeyDown | None] = []
    for one in planted.key_downs:
        name = planted.bands[one.band].name
        close = [
            k
            for k in found
            if k.band == name and abs(k.start_s - one.start_s) < 0.5 and abs(k.stop_s - one.stop_s) < 0.5
        ]
        out.append(close[0] if len(close) == 1 else None)
    return out


@dataclass(frozen=True)
class Beside:
    """One session's record beside its truth."""

    world: World
    analysis: Analysis

    @property
    def planted(self) -> Planted:
        """What is so."""
        return self.world.planted

    @cached_property
    def truths(self) -> dict[str, BandTruths]:
        """By band; without those whose key-downs were not all found."""
        planted = self.planted
        pairs = list(zip(planted.key_downs, matched(planted, self.analysis), strict=True))
        found = {}
        for number, band in enumerate(planted.bands):
            own = [(keyed, k) for keyed, k in pairs if keyed.band == number]
            windows = [k.window for _, k in own if k is not None and k.window is not None and k.counts]
            if len(windows) == len(own):
                found[band.name] = BandTruths(self.world, band, windows, [keyed for keyed, _ in own])
        return found

    @cached_property
    def dial(self) -> tuple[float, dict[str, float]] | None:
        """The true (common, own by band); None where the record has none, or not of all bands."""
        all_there = len(self.truths) == len(self.planted.bands) >= 3
        return dial_of(self.truths) if all_there and self.analysis.record.dial is not None else None

    @cached_property
    def cases(self) -> list[Case]:
        """All results of the record that have a truth."""
        return list(self._cases())

    def _cases(self) -> Iterator[Case]:
        for band in self.analysis.record.bands:
            if band.band in self.truths:
                yield from _band_cases(self.planted, band, self.truths[band.band])
        dial = self.analysis.record.dial
        if dial is not None and self.dial is not None:
            common, own = self.dial
            yield case(self.planted, "", "dial.common_hz", dial.common_hz, common)
            for name, result in dial.own_hz.items():
                yield case(self.planted, name, "dial.own_hz", result, own[name])
        yield from (one for finding in self.analysis.record.findings for one in self._of_finding(finding))

    def _of_finding(self, finding: Finding) -> Iterator[Case]:
        """The value of a diagnosis, where what it tells of was planted: which windows it is about, its times say."""
        truth = self._planted_for(finding)
        if truth is None or finding.value is None or "lacking" in finding.text:
            return
        estimator = OF_FINDINGS[finding.kind]
        first, last = 0, 0
        if finding.kind != "step":
            starts = [abs(a - (finding.from_ns or 0) / 1e9) < 1e-3 for a, _ in truth.windows]
            stops = [abs(b - (finding.to_ns or 0) / 1e9) < 1e-3 for _, b in truth.windows]
            if not any(starts) or not any(stops):
                return
            first, last = starts.index(True), stops.index(True)
        name, value = truth.band.name, getattr(truth, estimator)(first, last)
        u = finding.expanded / 1.96 if finding.expanded else 0.0
        why, tags = _why_not(self.planted, name, estimator), _tags(self.planted, name, estimator)
        yield Case(
            self.planted.number, name, estimator, finding.value, value, u, finding.expanded, 0.75, tags, why
        )  # fmt: skip

    def _planted_for(self, finding: Finding) -> BandTruths | None:
        truth = self.truths.get(finding.band or "")
        if truth is None or finding.kind not in OF_FINDINGS:
            return None
        place = self.planted.bands.index(truth.band)
        return truth if self.planted.faults.get(finding.kind) == place else None

    def timed(self) -> Iterator[Timed]:
        """``settled_after_s`` of the bands it is defined for, and when a step that is told was."""
        for found in self.analysis.record.bands:
            truth = self.truths.get(found.band)
            limit = found.frequency_error_hz.limit
            if truth is None or limit is None or _why_not(self.planted, found.band, "settled_after_s"):
                continue
            t_s = truth.times("frequency")
            span = float(t_s[-1] - t_s[0])
            if span < 600:
                continue
            low, high = settled_between(truth, limit, self.planted.noise.sd["frequency"])
            value = found.settled_after_s
            # Not told only where it has stayed for less than a third of the span.
            right = float(t_s[-1]) - high < span / 3 if value is None else low - 1e-3 <= value <= high + 1e-3
            told = f"{value}, not {low:.1f} to {high:.1f}"
            yield Timed(self.planted.number, found.band, "settled_after_s", right, told)
        for finding in self.analysis.record.findings:
            if finding.kind == "step" and (truth := self._planted_for(finding)) is not None:
                from_s, to_s = (finding.from_ns or 0) / 1e9, (finding.to_ns or 0) / 1e9
                at_s = truth.band.step_at_s
                told = f"{from_s:.1f} to {to_s:.1f}, not {at_s:.1f}"
                yield Timed(self.planted.number, truth.band.name, "step time", from_s <= at_s <= to_s, told)


def _band_cases(planted: Planted, found: BandResult, truth: BandTruths) -> Iterator[Case]:
    sets = {
        "power_w": truth.mean("power"),
        "droop_percent": truth.droop_percent(),
        "droop_tau_s": truth.droop_tau_s(),
        "run_droop_percent": truth.run_droop_percent() if planted.kind == "soak" else None,
        "run_droop_tau_s": truth.run_droop_tau_s(),
        "frequency_error_hz": truth.frequency_error_hz(),
        "frequency_error_ppm": truth.frequency_error_hz() / truth.band.expected_hz * 1e6,
        "drift_hz_per_h": truth.drift_hz_per_h(),
        "key_down_drift_hz": truth.key_down_drift_hz(),
        "swr": truth.swr(),
        "delivered_w": truth.delivered_w(),
        "efficiency_percent": truth.efficiency_percent(),
        "dissipation_w": truth.dissipation_w(),
    }
    for name, value in sets.items():
        if value is not None:
            yield case(planted, found.band, name, found.results[name], value)
    if (warm := truth.warm_up()) is not None and found.warm_up is not None:
        results = (found.warm_up.by_hz, found.warm_up.tau_s, found.warm_up.final_hz)
        for name, result, value in zip(("by_hz", "tau_s", "final_hz"), results, warm, strict=True):
            yield case(planted, found.band, f"warm_up.{name}", result, value)


def case(planted: Planted, band: str, estimator: str, result: Result, truth: float) -> Case:
    u = result.expanded / result.k if result.expanded is not None and result.k else 0.0
    """Of one result."""
    return Case(
        planted.number,
        band,
        estimator,
        result.value,
        truth,
        u,
        result.expanded,
        type_a_share(result.budget),
        _tags(planted, band, estimator),
        _why_not(planted, band, estimator),
    )


def type_a_share(budget: tuple[Component, ...]) -> float:
    """Of the variance; errors that name the same source are summed first, and are A where one of them is."""
    groups: dict[str, list[Component]] = {}
    for number, line in enumerate(budget):
        groups.setdefault(line.shared or f"\0{number}", []).append(line)
    parts = [
        (sum(line.u for line in same) ** 2, any(line.evaluated == "A" for line in same)) for same in groups.values()
    ]
    total = sum(variance for variance, _ in parts)
    return sum(variance for variance, is_a in parts if is_a) / total if total > 0 else 1.0


def _place(planted: Planted, band: str) -> int:
    return next((i for i, one in enumerate(planted.bands) if one.name == band), -1)


def _tags(planted: Planted, band: str, estimator: str) -> dict[str, str]:
    tags = {
        "noise": planted.noise.kind,
        "kind": planted.kind,
        "coarse": "coarse" if any(planted.step.values()) else "fine",
    }
    place = _place(planted, band)
    if place >= 0 and "power" in READ_FROM.get(estimator, "frequency"):
        one = planted.bands[place]
        run = estimator.startswith("run_")
        tags["shape"] = one.run_shape if run else "supply" if one.sag else one.shape
    elif place >= 0:
        tags["shape"] = planted.drift + (", moves" if planted.bands[place].moves_hz else "")
    return tags


def _why_not(planted: Planted, band: str, estimator: str) -> str:
    """Why a case is shown and not judged: a result that the session's own trouble makes meaningless, and says so."""
    place = _place(planted, band)
    channels = READ_FROM.get(estimator, "frequency").split()
    for what, spans in (("over range", planted.over), ("stuck", planted.stuck)):
        for channel, from_s, _ in spans:
            number = next((k.band for k in planted.key_downs if k.start_s <= from_s < k.stop_s), -1)
            if channel in channels and (number == place or place < 0 or estimator == "dial.own_hz"):
                return what
    if place < 0 or not band:
        return ""
    one = planted.bands[place]
    if one.sag and one.shape != "none" and estimator == "droop_percent":
        return "two courses at once"
    if one.step_hz and channels == ["frequency"] and estimator not in ("dial.own_hz", "step_hz"):
        return "a step in it"
    if one.moves_hz and estimator.startswith("warm_up."):
        return "moves in each key-down as well"
    return ""
