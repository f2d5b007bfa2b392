"""What a reader must know of the readings: gaps, over range, stuck instruments, wrong instruments."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.corrections import GOOD, INVALID, MISSED, OVER_RANGE, Corrected
from benchlog.analysis.keydowns import KeyDown, gap_limit_s
from benchlog.analysis.results import Finding
from benchlog.bench import Bench, Channel, Instrument
from benchlog.model import Event
from benchlog.quantities import show

TOLD_ONE_BY_ONE = 3  # gaps of one channel; where there are more, one finding tells of all
OFTEN = 0.02  # of the slots that were looked at
STUCK_READINGS = 30
STUCK_S = 10.0
NOISY_REPEATS = 0.2  # at most this share of a noisy channel's readings repeat the one before
NOISY_TURNS = 0.3  # at least this share of its steps turn back; noise does so for two in three, a curve never

_EXPLAINING = ("link", "wrong-instrument", "suspect", "reply")


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of one channel without usable readings. ``absent``: not even a row says why."""

    from_s: float
    to_s: float
    missed: int = 0
    invalid: int = 0
    absent: bool = False

    @property
    def slots(self) -> int:
        """Planned readings that came to nothing."""
        return self.missed + self.invalid


def gaps(
    bench: Bench, series: Mapping[str, Corrected], key_downs: Sequence[KeyDown], events: Sequence[Event]
) -> Iterator[Finding]:
    """Stretches without readings, of what verdicts hang on down to a single missed slot.

    Of the other channels those that last (``gap_limit_s``), and slots lost here and there where they are more than
    ``OFTEN``; a few are in the record's counts and no finding. A counter has nothing to count while the key is up,
    and its first and last gate may see only part of a key-down; so for the frequency only windows are looked at.
    """
    for instrument, channel in bench.channels():
        one = series.get(channel.name)
        if one is None or not len(one.t_s):
            continue
        spans = None
        if channel.measures == "frequency":
            spans = [key_down.window for key_down in key_downs if key_down.window]
        limit_s = gap_limit_s(one.t_s, channel.every)
        found = find_gaps(one, limit_s, polled=_polled(instrument), spans=spans)
        judged = channel.measures in ("forward-power", "frequency")
        if not judged and sum(gap.slots for gap in found) <= OFTEN * len(one.t_s):
            found = [gap for gap in found if gap.absent or gap.to_s - gap.from_s + channel.every >= limit_s]
        if not found:
            continue
        if len(found) <= TOLD_ONE_BY_ONE:
            for gap in found:
                yield _gap_finding(instrument, channel, [gap], key_downs, events)
        else:
            yield _gap_finding(instrument, channel, found, key_downs, events)


def _polled(instrument: Instrument) -> bool:
    """Whether readings were planned. A driver that is not asked has no address; a needle may, for people."""
    return bool(instrument.address) and not instrument.typed


def find_gaps(
    one: Corrected, limit_s: float, *, polled: bool = True, spans: Sequence[tuple[float, float]] | None = None
) -> list[Gap]:
    """Gaps of one channel, in order of time.

    Args:
        limit_s: bad slots closer together than this are one gap; rows farther apart are one, where the channel is
            ``polled`` (a person types when there is something to type).
        spans: look only here; None for everywhere.
    """
    bad = (one.state == MISSED) | (one.state == INVALID)
    if spans is not None:
        bad &= _within(one.t_s, spans)
    at = np.flatnonzero(bad)
    found: list[Gap] = []
    # A good slot between two bad ones does not part them when they are close: a flickering link is one gap.
    for run in np.split(at, np.flatnonzero(np.diff(one.t_s[at]) > limit_s) + 1):
        if len(run):
            missed = int(np.count_nonzero(one.state[run] == MISSED))
            found.append(Gap(float(one.t_s[run[0]]), float(one.t_s[run[-1]]), missed, len(run) - missed))
    if polled:
        for i in np.flatnonzero(np.diff(one.t_s) > limit_s + 1e-6):
            from_s, to_s = float(one.t_s[i]), float(one.t_s[i + 1])
            if spans is None or any(start < to_s and from_s < stop for start, stop in spans):
                found.append(Gap(from_s, to_s, absent=True))
    return sorted(found, key=lambda gap: gap.from_s)


def _gap_finding(
    instrument: Instrument,
    channel: Channel,
    found: Sequence[Gap],
    key_downs: Sequence[KeyDown],
    events: Sequence[Event],
) -> Finding:
    from_s, to_s = found[0].from_s, max(gap.to_s for gap in found)
    missed, invalid = sum(gap.missed for gap in found), sum(gap.invalid for gap in found)
    absent = sum(gap.to_s - gap.from_s for gap in found if gap.absent)
    said = []
    if slots := missed + invalid:
        parts = [(missed, "not answered"), (invalid, "not usable")]
        why = ", ".join(f"{n:,} {word}" if n < slots else word for n, word in parts if n)
        said.append(f"{slots:,} {'reading' if slots == 1 else 'readings'} lacking ({why})")
    if absent:
        said.append(f"nothing recorded for {show(absent, 's')}")
    text = f"{channel.name}: {' and '.join(said)}"
    if len(found) > 1:
        text += f", in {len(found)} gaps"
    reason = next(
        (
            event.text
            for event in events
            if event.instrument == instrument.name
            and event.kind in _EXPLAINING
            and from_s - 2 <= event.t_ns / 1e9 <= to_s + 2
        ),
        "",
    )
    # A gap in power ends the key-down it falls into, and so begins just after it.
    bands = {k.band for k in key_downs if k.start_s <= to_s + 1 and from_s - 1 <= k.stop_s and k.band is not None}
    return Finding(
        "gap",
        f"{text}; {reason}" if reason else text,
        band=bands.pop() if len(bands) == 1 else None,
        channel=channel.name,
        from_ns=round(from_s * 1e9),
        to_ns=round(to_s * 1e9),
        value=float(slots) if slots else None,
    )


def over_range(series: Mapping[str, Corrected], key_downs: Sequence[KeyDown]) -> Iterator[Finding]:
    """Readings beyond the instrument's range: one finding for each channel and band, one for those outside any."""
    for one in series.values():
        at = one.t_s[one.state == OVER_RANGE]
        if not len(at):
            continue
        rest = np.ones(len(at), dtype=bool)
        for band in dict.fromkeys(key_down.band for key_down in key_downs):
            inside = _within(at, [(k.start_s, k.stop_s) for k in key_downs if k.band == band])
            rest &= ~inside
            if inside.any():
                averaged = [k.window for k in key_downs if k.band == band and k.counts and k.window]
                yield _over_range_finding(one, at[inside], band, averaged)
        if rest.any() and one.measures != "frequency":  # a counter without a signal may say anything
            yield _over_range_finding(one, at[rest], None)


def _over_range_finding(
    one: Corrected, at: NDArray[np.float64], band: str | None, averaged: Sequence[tuple[float, float]] = ()
) -> Finding:
    where = f" on {band}" if band else ""
    text = f"{one.channel} was over range in {_readings(len(at))}{where}"
    if lacking := int(np.count_nonzero(_within(at, averaged))):
        text += f", {lacking} of them where it is averaged: {_without(one, averaged)}"
    else:
        text += ", none of them where it is averaged"
    return Finding(
        "over-range",
        text,
        band=band,
        channel=one.channel,
        from_ns=round(at[0] * 1e9),
        to_ns=round(at[-1] * 1e9),
        value=float(len(at)),
    )


def _readings(n: int) -> str:
    return "1 reading" if n == 1 else f"{n} readings"


def _without(one: Corrected, averaged: Sequence[tuple[float, float]]) -> str:
    """What the mean is worth that lacks the readings beyond the instrument's range."""
    values = one.value[(one.state == GOOD) & _within(one.t_s, averaged)]
    if not len(values):
        return "none is left to average"
    mean = f"the mean of the other {_readings(len(values))}, {show(float(values.mean()), one.unit)},"
    if one.measures == "forward-power":
        return f"{mean} is too low a bound, and no verdict rests on it"
    if one.measures == "frequency":
        return f"{mean} is of those it could count, and no verdict rests on it"
    return f"{mean} lacks the largest"


def stuck(bench: Bench, series: Mapping[str, Corrected], key_downs: Sequence[KeyDown]) -> Iterator[Finding]:
    """Noisy channels that repeat one exact value over a long stretch while another channel changes.

    Only readings in windows are compared, since much reads the same when the key is up. Noisy is who elsewhere
    seldom repeats a value and often turns back: a coarse resolution repeats, a curve that has settled never turned.
    Where all channels of one instrument stand still together, so that each need not do so for long, one of them noisy
    and another instrument not still, it is the instrument.
    """
    windows = [key_down.window for key_down in key_downs if key_down.window]

    def inside(one: Corrected) -> Readings:
        kept = (one.state == GOOD) & _within(one.t_s, windows)
        return one.t_s[kept], one.value[kept]

    for instrument in bench.instruments:
        own = {channel.name: inside(series[channel.name]) for channel in instrument.channel if channel.name in series}
        others = [one for name, one in series.items() if name not in own]
        if (span := _all_still(own)) and any(_changes(*inside(other), *span) for other in others):
            yield _still_finding(instrument.name, {name: series[name] for name in own}, own, span)
            continue
        for name, (t_s, values) in own.items():
            span = _still(t_s, values)
            if span and any(_changes(*inside(other), *span) for other in series.values() if other.channel != name):
                yield _stuck_finding(series[name], t_s, values, span)


Readings = tuple[NDArray[np.float64], NDArray[np.float64]]


def _still(t_s: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[float, float] | None:
    """The longest stretch in which one channel repeated a value, if that is no chance."""
    starts = run_starts(values)
    lengths = np.diff(np.append(starts, len(values)))
    if not len(starts) or lengths.max() < STUCK_READINGS:
        return None
    start = int(starts[np.argmax(lengths)])
    from_s, to_s = float(t_s[start]), float(t_s[start + int(lengths.max()) - 1])
    noisy = to_s - from_s >= STUCK_S and _noisy(values[np.repeat(lengths < STUCK_READINGS, lengths)])
    return (from_s, to_s) if noisy else None


def _stuck_finding(
    one: Corrected, t_s: NDArray[np.float64], values: NDArray[np.float64], span: tuple[float, float]
) -> Finding:
    there = values[(t_s >= span[0]) & (t_s <= span[1])]
    return Finding(
        "stuck",
        f"{one.channel} repeated {show(float(there[0]), one.unit, 7)} in {len(there)} readings in a row, over "
        f"{show(span[1] - span[0], 's', 3)}, while others changed",
        channel=one.channel,
        from_ns=round(span[0] * 1e9),
        to_ns=round(span[1] * 1e9),
        value=float(there[0]),
    )


def _all_still(own: Mapping[str, Readings]) -> tuple[float, float] | None:
    """The longest stretch in which no channel of an instrument changed, if that is no chance; two channels at least."""
    if len(own) < 2 or not all(len(t_s) for t_s, _ in own.values()):
        return None
    every = np.sort(np.concatenate([t_s for t_s, _ in own.values()]))
    changes = np.unique(np.concatenate([t_s[run_starts(values)] for t_s, values in own.values()]))
    firsts = np.searchsorted(every, changes)
    lasts = np.append(firsts[1:], len(every)) - 1
    longest = int(np.argmax(every[lasts] - every[firsts]))
    from_s, to_s = float(every[firsts[longest]]), float(every[lasts[longest]])
    if to_s - from_s < STUCK_S or lasts[longest] - firsts[longest] + 1 < STUCK_READINGS:
        return None
    still = {name: (t_s >= from_s) & (t_s <= to_s) for name, (t_s, _) in own.items()}
    if any(np.count_nonzero(there) < STUCK_READINGS // 3 for there in still.values()):
        return None
    # It may have stood still at other times as well: those say nothing of its noise.
    elsewhere = (values[~(still[name] | _in_runs(values))] for name, (_, values) in own.items())
    return (from_s, to_s) if any(_noisy(values) for values in elsewhere) else None


def _in_runs(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of (n,) values repeat one another more often than noise ever does."""
    lengths = np.diff(np.append(run_starts(values), len(values)))
    return np.repeat(lengths >= STUCK_READINGS // 3, lengths)


def _still_finding(
    instrument: str, series: Mapping[str, Corrected], own: Mapping[str, Readings], span: tuple[float, float]
) -> Finding:
    shown, n = [], 0
    for name, (t_s, values) in own.items():
        there = values[(t_s >= span[0]) & (t_s <= span[1])]
        n += len(there)
        shown.append(f"{name} at {show(float(there[0]), series[name].unit, 7)}")
    return Finding(
        "stuck",
        f"{instrument} stood still on all its channels ({', '.join(shown)}) in {n} readings in a row, over "
        f"{show(span[1] - span[0], 's', 3)}, while others changed",
        from_ns=round(span[0] * 1e9),
        to_ns=round(span[1] * 1e9),
    )


def run_starts(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """Where each stretch of equal values begins in (n,) values."""
    return np.flatnonzero(np.concatenate([np.ones(min(len(values), 1), dtype=bool), np.diff(values) != 0]))


def _noisy(values: NDArray[np.float64]) -> bool:
    if len(values) < STUCK_READINGS:
        return False
    steps = np.diff(values)
    moves = steps[steps != 0]
    if len(moves) < (1 - NOISY_REPEATS) * len(steps):
        return False
    return bool(np.mean(np.sign(moves[1:]) != np.sign(moves[:-1])) >= NOISY_TURNS)


def _changes(t_s: NDArray[np.float64], values: NDArray[np.float64], from_s: float, to_s: float) -> bool:
    there = values[(t_s >= from_s) & (t_s <= to_s)]
    return len(np.unique(there)) >= STUCK_READINGS // 3


def wrong_instruments(events: Iterable[Event]) -> Iterator[Finding]:
    """Another instrument than the bench file's answered: one finding for each instrument."""
    told: dict[str, list[Event]] = {}
    for event in events:
        if event.kind == "wrong-instrument":
            told.setdefault(event.instrument, []).append(event)
    for name, said in told.items():
        text = said[0].text
        text = text if text.startswith(name) else f"{name}: {text}"
        yield Finding("wrong-instrument", text, from_ns=said[0].t_ns, to_ns=said[-1].t_ns)


def stops(events: Iterable[Event]) -> Iterator[Finding]:
    """Runs stopped or paused for safety: what did it, as it was told then."""
    for event in events:
        if event.kind == "limit":
            yield Finding(
                "limit",
                f"{'paused' if event.data.get('paused') else 'stopped'} for safety: {event.text}",
                channel=event.channel or None,
                from_ns=event.t_ns,
                to_ns=event.t_ns,
                value=event.data.get("value"),
                limit=event.data.get("limit"),
            )


def _within(t_s: NDArray[np.float64], spans: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    inside = np.zeros(len(t_s), dtype=bool)
    from_s, to_s = np.reshape(spans, (-1, 2)).T
    for i, j in zip(np.searchsorted(t_s, from_s, "left"), np.searchsorted(t_s, to_s, "right"), strict=True):
        inside[i:j] = True
    return inside
