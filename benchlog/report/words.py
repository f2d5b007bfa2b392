"""What every form of the record says, in plain words: verdicts, the summary, cautions, method."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchlog.analysis.results import BandResult, Dial, Finding, Record, Result, Verdict
from benchlog.clock import rfc3339
from benchlog.report.numbers import duration, significant, with_uncertainty

VERDICT: dict[Verdict, str] = {
    "pass": "pass",
    "fail": "fail",
    "undecided": "undecided",
    "not-measured": "not measured",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A kind of result: what it is called, its unit, and how its limit is worded."""

    name: str
    unit: str
    limit: str  # "least 100 W", "most 10 %", "within ± 300 Hz"


# What a band is judged on. The frequency error in ppm is the one in Hz again, so it is shown but not counted.
QUANTITIES: dict[str, Quantity] = {
    "power_w": Quantity("power", "W", "least"),
    "droop_percent": Quantity("droop", "%", "most"),
    "frequency_error_hz": Quantity("frequency error", "Hz", "within ±"),
    "drift_hz_per_h": Quantity("drift", "Hz/h", "within ±"),
}
PPM = Quantity("frequency error", "ppm", "within ±")

READING_AID = (
    "± is the expanded uncertainty U at 95 %. A verdict holds for the whole interval: pass when all of it meets the "
    "limit, fail when none of it does, undecided between, and wherever readings are lacking in a way that U does not "
    "tell (over range, or a key-down without any)."
)
CAUTION = (
    "Lethal high voltage, stored charge, RF burns, hot valves and loads: software is no interlock; "
    "local codes, licences and qualified people decide."
)
CAUTIONS = (
    "Transmitters of this kind hold lethal voltages, also after they are switched off: filter capacitors keep "
    "their charge. Disconnect, wait for the bleeders, discharge with a grounded stick, then measure to be sure.",
    "RF burns: tens of watts on an exposed conductor are enough. Key only into a load that is rated for the power.",
    "Valves and dummy loads stay hot enough to burn long after the key is up.",
    "This program is no interlock. An independent hardware time-out belongs behind anything that keys a transmitter, "
    "and no safety circuit may be defeated for a measurement.",
    "This record describes measurements. It is not a licence, a certificate of conformity or a permit to work: "
    "local codes, the station's licence and qualified people decide.",
)


def limit_text(result: Result, quantity: Quantity) -> str:
    """``least 100 W``, or nothing where the plan asks for nothing."""
    if result.limit is None:
        return ""
    joint = "" if quantity.limit.endswith("±") else " "
    return f"{quantity.limit}{joint}{significant(result.limit, 6)} {quantity.unit}"


def verdict_text(result: Result) -> str:
    """The verdict in words; without a limit there was nothing to pass."""
    if result.limit is None:
        return "" if result.value is None else "no limit"
    return VERDICT[result.verdict]


@dataclass(frozen=True, slots=True)
class Judged:
    """What all results of a band come to, and which of them decided it."""

    verdict: Verdict
    because: tuple[str, ...]  # names in QUANTITIES


def judge(band: BandResult) -> Judged:
    """A band's verdict: the worst of those that the plan sets a limit for.

    A band is only said to pass when everything asked of it was measured, with one exception: drift needs ten
    minutes on one band, which a sweep never spends, so its absence is told (``not_measured``) but decides nothing.
    """
    results = {name: band.results[name] for name in QUANTITIES if band.results[name].limit is not None}
    verdicts: tuple[Verdict, ...] = ("fail", "undecided")
    for verdict in verdicts:
        if because := tuple(name for name, result in results.items() if result.verdict == verdict):
            return Judged(verdict, because)
    if because := tuple(n for n, r in results.items() if r.verdict == "not-measured" and n != "drift_hz_per_h"):
        return Judged("not-measured", because)
    return Judged("pass", tuple(results))


def summary(record: Record) -> list[str]:
    """What a reader wants to know first, as sentences; the first one stands alone."""
    judged = {band.band: judge(band) for band in record.bands}
    bands = {band.band: band for band in record.bands}
    if not any(band.key_downs for band in record.bands):
        return ["No key-down was counted on any band of the plan, so nothing was judged."]
    passed = [name for name, j in judged.items() if j.verdict == "pass"]
    if len(judged) == 1:
        said = [f"{name} passes." for name in passed]  # if not, the sentence that says why stands first
    elif len(passed) == len(judged):
        said = [f"All {len(judged)} bands pass."]
    else:
        said = [f"{len(passed) or 'None'} of {len(judged)} bands {'pass' if len(passed) > 1 else 'passes'}."]
    for name, j in judged.items():
        if j.verdict in ("fail", "undecided"):
            verb = "fails on" if j.verdict == "fail" else "is undecided on"
            said.append(f"{name} {verb} {'; '.join(_against(bands[name], n) for n in j.because)}.")
    unheard = [name for name, j in judged.items() if j.verdict == "not-measured" and not bands[name].key_downs]
    if unheard:
        said.append(f"No key-down was counted on {listed(unheard)}.")
    for name, j in judged.items():
        if j.verdict == "not-measured" and name not in unheard:
            said.append(f"On {name}, {listed(QUANTITIES[n].name for n in j.because)} could not be measured.")
    no_drift = [b for b in record.bands if b.drift_hz_per_h.limit is not None and b.drift_hz_per_h.value is None]
    if no_drift:
        where = "any band" if len(no_drift) == len(record.bands) else listed(b.band for b in no_drift)
        said.append(f"Drift was not judged on {where}: it takes at least 10 minutes on one band.")
    return said


def _against(band: BandResult, name: str) -> str:
    quantity, result = QUANTITIES[name], band.results[name]
    numbers = f"{with_uncertainty(result, quantity.unit)}, {limit_text(result, quantity)}"
    doubt = ", but readings are lacking" if result.verdict == "undecided" and _would_pass(result, quantity) else ""
    return f"{quantity.name} ({numbers}{doubt})"


def _would_pass(result: Result, quantity: Quantity) -> bool:
    """Whether the interval alone meets the limit, so that something else must have left the verdict open."""
    if result.value is None or result.expanded is None or result.limit is None:
        return False
    if quantity.limit == "least":
        return result.value - result.expanded >= result.limit
    reached = result.value if quantity.limit == "most" else abs(result.value)
    return reached + result.expanded <= result.limit


def dial_sentences(dial: Dial) -> list[str]:
    """The dial split in words."""
    common = f"The dial is off by {with_uncertainty(dial.common_hz, 'Hz')} on all bands alike"
    if dial.common_hz.limit is not None:
        common += f" ({limit_text(dial.common_hz, QUANTITIES['frequency_error_hz'])}: {verdict_text(dial.common_hz)})"
    # No line break inside a band's name: "15 / m" reads badly.
    own = "; ".join(
        f"{name.replace(' ', chr(160))}: {with_uncertainty(own, 'Hz')}" for name, own in dial.own_hz.items()
    )
    return [f"{common}.", f"What is left to each band itself: {own}."]


def finding_title(finding: Finding) -> str:
    """``low-power`` as a heading."""
    return finding.kind.replace("-", " ").capitalize()


def finding_when(finding: Finding, started_ns: int) -> str:
    """``09:05:12 to 09:05:30 UTC``, with its date where that is not the session's first; nothing without a time."""
    if finding.from_ns is None:
        return ""
    start = stamp(started_ns + finding.from_ns)
    shown = start.removeprefix(stamp(started_ns)[:11])
    if finding.to_ns is None or finding.to_ns - finding.from_ns < 10**9:
        return f"{shown} UTC"
    end = stamp(started_ns + finding.to_ns)
    return f"{shown} to {end.removeprefix(start[:11])} UTC"


def stamp(epoch_ns: int) -> str:
    """``2026-11-25 09:03:09`` (UTC, which the reader is told beside it)."""
    return rfc3339(epoch_ns, 0).replace("T", " ").removesuffix("Z")


def lasted(record: Record) -> str:
    """How long the session was, where it is known."""
    ended_ns = record.session.ended_ns
    return "" if ended_ns is None else duration((ended_ns - record.session.started_ns) / 1e9)


def readings_sentence(record: Record) -> str:
    """``4,210 readings planned: 4,198 good, 12 missed.``"""
    total = sum(record.readings.values())
    if not total:
        return "No reading was planned."
    parts = [f"{n:,} {name.replace('_', ' ')}" for name, n in record.readings.items() if n]
    return f"{count(total, 'reading')} planned: {listed(parts)}."


def count(n: int, what: str) -> str:
    """``1 band``, ``5 bands``, ``4,210 readings``."""
    return f"{n:,} {what}" if n == 1 else f"{n:,} {what}s"


def listed(parts: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    items: Sequence[str] = list(parts)
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)
