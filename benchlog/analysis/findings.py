"""What a reader must know of the transmitter: failed verdicts in words, limits crossed, the dial, stray key-downs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from benchlog.analysis.corrections import Corrected
from benchlog.analysis.dial import standing_out
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.results import BandResult, Dial, Finding, FindingKind
from benchlog.analysis.wording import plus_minus
from benchlog.bench import Bench
from benchlog.quantities import plain, show

_VERDICTS: tuple[tuple[str, FindingKind, str, str], ...] = (
    # result, kind, words, unit; the ppm result says what the Hz one says
    ("power_w", "low-power", "makes", "W"),
    ("droop_percent", "droop", "droops by", "%"),
    ("run_droop_percent", "droop", "droops over the run by", "%"),
    ("frequency_error_hz", "frequency-error", "is off by", "Hz"),
    ("drift_hz_per_h", "drift", "drifts by", "Hz/h"),
)


def failed(bands: Iterable[BandResult]) -> Iterator[Finding]:
    """Every verdict "fail": what was found against what was asked."""
    for band in bands:
        for name, kind, words, unit in _VERDICTS:
            found = band.results[name]
            if found.verdict == "fail" and found.value is not None and found.limit is not None:
                has = plus_minus(found.value, found.expanded, unit)
                text = f"{band.band} {words} {has} against {plain(found.limit, unit)}"
                yield Finding(kind, text, band=band.band, value=found.value, limit=found.limit, expanded=found.expanded)


def dial_findings(dial: Dial | None, bands: Iterable[BandResult]) -> Iterator[Finding]:
    """A dial that is off on every band; a band that is off by itself."""
    if dial is None:
        return
    common = dial.common_hz
    if common.value is not None and common.expanded is not None and common.limit is not None:
        beyond = abs(common.value) > common.expanded and abs(common.value) > common.limit
        if beyond:
            text = (
                f"All bands share an error of {plus_minus(common.value, common.expanded, 'Hz')}, more than "
                f"{plain(common.limit, 'Hz')}: look at the dial, and at what all bands are mixed with"
            )
            yield Finding("dial", text, value=common.value, limit=common.limit, expanded=common.expanded)
    for band in standing_out(dial.own_hz, {one.band: one.frequency_error_hz.limit for one in bands}):
        own = dial.own_hz[band]
        if own.value is not None and own.expanded is not None:
            off = plus_minus(own.value, own.expanded, "Hz")
            text = f"{band} is off by {off} from what all bands share: look at its crystal"
            yield Finding("band-crystal", text, band=band, value=own.value, expanded=own.expanded)


def crossed_limits(bench: Bench, series: Mapping[str, Corrected]) -> Iterator[Finding]:
    """Good readings across the bench file's limits: one finding for each channel and end, with the worst value."""
    for one in series.values():
        bounds = bench.limits.of(one.measures) if one.measures else None
        if bounds is None:
            continue
        t_s, values = one.good()
        for limit, sign, words in ((bounds[0], -1.0, "fell to"), (bounds[1], 1.0, "reached")):
            if limit is None:
                continue
            over = np.flatnonzero(sign * values > sign * limit)
            if not len(over):
                continue
            worst = float(values[over[np.argmax(sign * values[over])]])
            times = f" in {len(over)} readings" if len(over) > 1 else ""
            yield Finding(
                "limit",
                f"{one.channel} {words} {show(worst, one.unit)} against {show(limit, one.unit)}{times}",
                channel=one.channel,
                from_ns=round(t_s[over[0]] * 1e9),
                to_ns=round(t_s[over[-1]] * 1e9),
                value=worst,
                limit=limit,
            )


def long_key_downs(bench: Bench, key_downs: Sequence[KeyDown]) -> Iterator[Finding]:
    """Key-downs longer than the bench file allows."""
    limit_s = bench.limits.key_down
    for key_down in key_downs:
        if limit_s is not None and key_down.lasted_s > limit_s:
            text = f"The key was down for {show(key_down.lasted_s, 's')} against {show(limit_s, 's')}"
            yield _of(key_down, "limit", text, value=key_down.lasted_s, limit=limit_s)


def unassigned(bench: Bench, key_downs: Sequence[KeyDown]) -> Iterator[Finding]:
    """Key-downs that would count, and belong to no band of the plan."""
    stray = [key_down for key_down in key_downs if key_down.counts and key_down.band is None]
    blind = [key_down for key_down in stray if key_down.frequency_hz is None]
    if blind:
        why = "without a frequency reading" if bench.measuring("frequency") else "on a bench that measures no frequency"
        text = f"{_count(len(blind), 'key-down')} {why}: no band could be told"
        yield Finding("gap", text, from_ns=round(blind[0].start_s * 1e9), to_ns=round(blind[-1].stop_s * 1e9))
    for key_down in stray:
        if key_down.frequency_hz is not None:
            text = f"A key-down at {show(key_down.frequency_hz, 'Hz', 7)} is within 1 % of no band of the plan"
            yield _of(key_down, "frequency-error", text, value=key_down.frequency_hz)


def _of(
    key_down: KeyDown, kind: FindingKind, text: str, *, value: float | None = None, limit: float | None = None
) -> Finding:
    from_ns, to_ns = round(key_down.start_s * 1e9), round(key_down.stop_s * 1e9)
    return Finding(kind, text, band=key_down.band, from_ns=from_ns, to_ns=to_ns, value=value, limit=limit)


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
