"""What every form of the record says, in plain words: quantities, verdicts, cautions, method."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchlog.analysis.results import (
    BandResult,
    Dial,
    Finding,
    InstrumentState,
    Record,
    Result,
    TuningStep,
    Verdict,
    WarmUp,
)
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


# What a band's table shows. The frequency error in ppm is the one in Hz again, so it is shown but not counted.
QUANTITIES: dict[str, Quantity] = {
    "power_w": Quantity("power", "W", "least"),
    "droop_percent": Quantity("droop", "%", "most"),
    "frequency_error_hz": Quantity("frequency error", "Hz", "within ±"),
    "drift_hz_per_h": Quantity("drift", "Hz/h", "within ±"),
}
PPM = Quantity("frequency error", "ppm", "within ±")
# What is told of a band beyond its table, where it was measured.
FURTHER: dict[str, Quantity] = {
    "run_droop_percent": Quantity("droop over the run", "%", "most"),
    "run_droop_tau_s": Quantity("time constant of the droop over the run", "s", "most"),
    "droop_tau_s": Quantity("time constant of the droop", "s", "most"),
    "swr": Quantity("standing wave ratio", "", "most"),
    "delivered_w": Quantity("delivered power", "W", "least"),
    "efficiency_percent": Quantity("efficiency", "%", "least"),
    "dissipation_w": Quantity("plate dissipation", "W", "most"),
    "key_down_drift_hz": Quantity("drift within a key-down", "Hz", "within ±"),
}
# What tuning showed, with the reading that it is, in the channel's own unit.
TUNING: dict[TuningStep, str] = {
    "grid-current-peak": "peak of the grid current",
    "plate-current-dip": "dip of the plate current",
    "level-control-moves": "level control first moves",
    "level-control": "level control when measured",
}
# Takes longer than a sweep spends on a band: its absence is told, but decides nothing.
TAKES_LONG = ("drift_hz_per_h", "run_droop_percent", "run_droop_tau_s")
POWER_KIND = {"pep": "PEP", "carrier": "carrier", "mean": ""}

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


def capital(text: str) -> str:
    """With its first letter large and all others as they are."""
    return text[:1].upper() + text[1:]


def measure(name: str) -> str:
    """What a channel measures, as a reader knows it: ``plate-voltage`` without its hyphen, ``alc`` in full."""
    return {"alc": "level control (ALC)"}.get(name, name.replace("-", " "))


def degrees(text: str) -> str:
    """A quantity as the bench file writes it, its degrees as everybody else does."""
    return re.sub(r"\bdeg([CF])\b", r"°\1", text)


def limit_text(result: Result, quantity: Quantity) -> str:
    """``least 100 W``, or nothing where the plan asks for nothing."""
    if result.limit is None:
        return ""
    joint = "" if quantity.limit.endswith("±") else " "
    return f"{quantity.limit}{joint}{significant(result.limit, 6)} {quantity.unit}".strip()


def verdict_text(result: Result) -> str:
    """The verdict in words; without a limit there was nothing to pass."""
    if result.limit is None:
        return "" if result.value is None else "no limit"
    return VERDICT[result.verdict]


def power_text(band: BandResult) -> str:
    """``102.0 ± 8.0 W``, and what kind of power that is where it is not the plain mean: ``PEP 102.0 ± 8.0 W``."""
    text = with_uncertainty(band.power_w, QUANTITIES["power_w"].unit)
    kind = POWER_KIND[band.power_kind] if band.power_w.value is not None else ""
    return f"{kind} {text}".strip()


@dataclass(frozen=True, slots=True)
class Judged:
    """What all results of a band come to, and which of them decided it."""

    verdict: Verdict
    because: tuple[str, ...]  # names in QUANTITIES and FURTHER


def judge(band: BandResult) -> Judged:
    """A band's verdict: the worst of those that the plan sets a limit for.

    A band is only said to pass when everything asked of it was measured, with one exception: what takes ten minutes
    and more on one band (``TAKES_LONG``), which a sweep never spends, so its absence is told but decides nothing.
    """
    names = [name for name in QUANTITIES | FURTHER if band.results[name].limit is not None]
    results = {name: band.results[name] for name in names}
    verdicts: tuple[Verdict, ...] = ("fail", "undecided")
    for verdict in verdicts:
        if because := tuple(name for name, result in results.items() if result.verdict == verdict):
            return Judged(verdict, because)
    if because := tuple(n for n, r in results.items() if r.verdict == "not-measured" and n not in TAKES_LONG):
        return Judged("not-measured", because)
    return Judged("pass", tuple(results))


def warm_up_parts(warm_up: WarmUp) -> list[tuple[str, Result, str]]:
    """What a warm-up fit found: name, result, unit."""
    return [
        ("away at first by", warm_up.by_hz, "Hz"),
        ("time constant", warm_up.tau_s, "s"),
        ("ends at", warm_up.final_hz, "Hz"),
    ]


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


def overdue_sentence(record: Record) -> str:
    """Which instruments were due for calibration when the session began; nothing where none was."""
    late = [i for i in record.instruments if i.overdue and i.due is not None]
    if not late:
        return ""
    which = listed(f"{i.name} (due {i.due.isoformat()})" for i in late if i.due is not None)
    return f"Calibration was overdue for {which} when the session began."


def revision_sentence(record: Record) -> str:
    """Where a session was analysed more than once: which record this is, and whether it is the newest."""
    revision = record.session.revision
    if revision is None or revision.newest == 0:
        return ""
    if revision.number == 0:
        said = "This is the record as it was first made"
    else:
        why = f" ({revision.because.rstrip('.')})" if revision.because else ""
        said = f"This is revision {revision.number} of the record{why}"
    newer = f"; revision {revision.newest} stands in its place" if revision.replaced_by is not None else ""
    return f"{said}{newer}."


def calibration(state: InstrumentState) -> str:
    """When an instrument was calibrated, and until when that held, in words."""
    if state.due is None:
        return f"{state.calibrated.isoformat()}, no due date" if state.calibrated else "not stated"
    since = f"{state.calibrated.isoformat()}, " if state.calibrated else ""
    return f"{since}{'OVERDUE: was due' if state.overdue else 'due'} {state.due.isoformat()}"


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


def unseen(parts: Iterable[tuple[str, str]]) -> str:
    """``power (anything above 20 W would have been), droop (above 1.6 %) and drift (above 4 Hz/h)``."""
    first, *others = parts
    told = [f"{first[0]} (anything above {first[1]} would have been)"]
    return listed(told + [f"{name} (above {size})" for name, size in others])


def listed(parts: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    items: Sequence[str] = list(parts)
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)
