"""What a record tells of each band beyond its table: only what was measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from benchlog.analysis.results import BandResult, Record, Result, Stability
from benchlog.report import words
from benchlog.report.numbers import duration, significant, with_uncertainty

SIDE_BY_SIDE = 5  # bands that a page has room for
SAME_TIME = 0.1  # averaging times closer than this are one; they lie a factor of two apart
STABILITY_AID = (
    "Stability: overlapping Allan deviation of the relative frequency, with its 95 % interval: how much the means "
    "over two neighbouring spans of that length differ, as a root mean square over the square root of two."
)


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing found: its name, value, limit and verdict; empty where there is none."""

    name: str
    value: str
    limit: str = ""
    verdict: str = ""
    css: str = ""

    @property
    def line(self) -> str:
        """``1.42 ± 0.05, most 2: pass``."""
        limit = f", {self.limit}" if self.limit else ""
        return f"{self.value}{limit}{f': {self.verdict}' if self.verdict else ''}"


@dataclass(frozen=True, slots=True)
class Steady:
    """Stability at one averaging time."""

    over: str  # the averaging time
    deviation: str
    interval: str
    hz: str
    tau_s: float

    @property
    def line(self) -> str:
        """``53 ppb (49 to 58) over 1 s``."""
        return f"{self.deviation} ({self.interval}) over {self.over}"

    @property
    def fact(self) -> Fact:
        """For a table: the interval and the deviation in hertz below the deviation."""
        return Fact(f"Over {self.over}", self.deviation, f"{self.interval}; {self.hz}")


@dataclass(frozen=True, slots=True)
class More:
    """One band's further results."""

    band: str
    facts: Sequence[Fact]
    stability: Sequence[Steady]


@dataclass(frozen=True, slots=True)
class Table:
    """Bands side by side: for each row its name and a cell for each band, None where there is nothing."""

    title: str
    bands: Sequence[str]
    rows: Sequence[tuple[str, Sequence[Fact | None]]]


def more(record: Record) -> list[More]:
    """Of every band of which there is more to tell."""
    found = [More(band.band, list(_facts(band)), steadiness(band)) for band in record.bands]
    return [one for one in found if one.facts or one.stability]


def tables(found: Sequence[More]) -> list[Table]:
    """The same with at most ``SIDE_BY_SIDE`` bands in a table; stability in tables of its own."""
    out = []
    for title in ("", "Stability"):
        told = [(one.band, one.facts) for one in found] if not title else _together(found)
        told = [(band, facts) for band, facts in told if facts]
        for i in range(0, len(told), SIDE_BY_SIDE):
            part = [(band, {fact.name: fact for fact in facts}) for band, facts in told[i : i + SIDE_BY_SIDE]]
            names = _in_order([list(facts) for _, facts in part])
            rows = [(name, [facts.get(name) for _, facts in part]) for name in names]
            out.append(Table(title, [band for band, _ in part], rows))
    return out


def _together(found: Sequence[More]) -> list[tuple[str, Sequence[Fact]]]:
    """Stability by bands; averaging times that are nearly the same (0.99 s and 1 s) have one name, and so one row."""
    names: dict[float, str] = {}
    first_s = 0.0
    for at in sorted((at for one in found for at in one.stability), key=lambda at: at.tau_s):
        if at.tau_s > (1 + SAME_TIME) * first_s:
            first_s = at.tau_s
        names[at.tau_s] = names.get(first_s) or at.fact.name
    return [(one.band, [replace(at.fact, name=names[at.tau_s]) for at in one.stability]) for one in found]


def _in_order(lists: Sequence[Sequence[str]]) -> list[str]:
    """All names, each once; what only a later list has goes in after the name it follows there."""
    names: list[str] = []
    for one in lists:
        at = 0
        for name in one:
            if name in names:
                at = names.index(name) + 1
            else:
                names.insert(at, name)
                at += 1
    return names


def _facts(band: BandResult) -> Iterator[Fact]:
    for name, quantity in words.FURTHER.items():
        result = band.results[name]
        if result.value is None and result.limit is None:
            continue
        limit = words.limit_text(result, quantity)
        verdict = words.VERDICT[result.verdict] if limit and result.value is not None else ""
        value = _swr(result) if name == "swr" else with_uncertainty(result, quantity.unit)
        yield Fact(words.capital(quantity.name), value, limit, verdict, result.verdict)
    if band.warm_up is not None:
        for part, result, unit in words.warm_up_parts(band.warm_up):
            yield Fact(f"Warm-up: {part}", with_uncertainty(result, unit))
    if band.settled_after_s is not None:
        yield Fact("Frequency settled", f"{duration(band.settled_after_s)} into the session")
    for one in band.tuning:
        when = "" if one.at_s is None else f"{duration(one.at_s)} into the session"
        lacks = "the bench has no such channel" if one.channel is None else ""
        yield Fact(words.capital(words.TUNING[one.what]), with_uncertainty(one.measured, one.unit or ""), when or lacks)


def _swr(result: Result) -> str:
    """No standing wave ratio is below 1: where the interval would go there, only its upper end tells something."""
    if result.value is None or result.expanded is None or result.value - result.expanded >= 1:
        return with_uncertainty(result, "")
    return f"{significant(result.value, 3)}, at most {significant(result.value + result.expanded, 3)}"


def steadiness(band: BandResult) -> list[Steady]:
    """The Allan deviations as a table; parts in 10^9 where they are small."""
    unit, factor = in_parts(band.stability)
    return [_steady(one, unit, factor, band.expected_hz) for one in band.stability]


def in_parts(stability: Sequence[Stability]) -> tuple[str, float]:
    """The unit that suits all of a band's deviations, and how many of it make 1."""
    return ("ppm", 1e6) if max((one.high for one in stability), default=0.0) >= 1e-6 else ("ppb", 1e9)


def _steady(one: Stability, unit: str, factor: float, expected_hz: float) -> Steady:
    return Steady(
        duration(one.tau_s),
        f"{significant(one.deviation * factor, 2)} {unit}",
        f"{significant(one.low * factor, 2)} to {significant(one.high * factor, 2)}",
        f"{significant(one.deviation * expected_hz, 2)} Hz",
        one.tau_s,
    )
