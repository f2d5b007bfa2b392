"""Steps: a crystal or an oscillator that jumps, within a key-down or between two.

Within a key-down readings are looked at; CUSUM of their deviations from a straight line says whether it is worth a
closer look, ``levels`` whether drift, bend and wander explain what is seen. Between key-downs their means are
compared, since what the frequency does in every key-down alike is no step.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import rounding
from benchlog.analysis.cusum import cusum
from benchlog.analysis.fits import fit_line, median
from benchlog.analysis.levels import (
    KEY_DOWNS,
    LONG,
    READINGS,
    WANDER,
    Kind,
    Level,
    gains_at_most,
    likeliest_step,
    noise_of,
    places_of,
)
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import Finding
from benchlog.analysis.uncertainty import combine, expanded
from benchlog.analysis.wild import decimal_step, robust_sd
from benchlog.analysis.wording import plus_minus
from benchlog.clock import rfc3339
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

# Chosen so that clean sessions have a false step in fewer than 1 of 500 (none in 1025 of the truth trials, seeds 2 and
# 3, highest gain 7.0 beyond ln n), and 99 % of steps of 3 U and more are told (766 of 770).
GAIN = 7.7  # in log likelihood, and as much more as there are readings to find a step among, ln n
BEYOND = 1.0  # times its U, that a step must be
RESOLUTIONS = 1.5  # times the counter's resolution, that a step must be
MIN_READINGS, MIN_KEY_DOWNS = 12, 7
HINT = 9.0  # gain that is enough once key-downs on either side show that there is a step
PART = 0.5  # of the step between those key-downs, that the one inside must be at least, and its inverse at most
SLACK_K, SLACK_H = 0.5, 4.0  # CUSUM, in standard deviations (NIST/SEMATECH e-Handbook 6.3.2.3)
ROUNDING = 1e-6  # in log likelihood: what the same gain may differ by when it is worked out in another order
SHARED = 15  # points on either side of where two pieces' middles meet, that both tell of
TELLING = 8  # windows of each band that are asked for the noise: more would say the same


@dataclass(frozen=True, slots=True)
class Step:
    """The frequency jumped by ``size`` Hz between two readings, or two key-downs."""

    from_s: float
    to_s: float
    size: Measured
    between_key_downs: bool = False

    @property
    def at_s(self) -> float:
        """The middle of where it can have been."""
        return (self.from_s + self.to_s) / 2


class Hiss:
    """What a session's windows say of the kind of noise, worked out once for all bands.

    One window of 20 s seldom tells white noise from one that wanders, and what may wander is no step. But the same
    counter reads all windows: what the others show, on this band or another, counts as well. Only how the noise repeats
    itself is taken from them; how large it is, is each window's own.
    """

    def __init__(self, bands: Iterable[tuple[Sequence[tuple[Array, Array]], float]]) -> None:
        """``bands``: of each, (t_s, hz) of its windows, wild readings left out, and the counter's resolution."""
        asked: list[tuple[Array, Array, float]] = []
        for parts, resolution in bands:
            many = [part for part in parts if len(part[0]) >= MIN_READINGS]
            some = sorted({round(i) for i in np.linspace(0, len(many) - 1, TELLING).tolist()} if many else ())
            asked += [(many[i][0][:LONG], many[i][1][:LONG], resolution) for i in some]
        self._first_s, self._last_s = (np.array([t_s[at] for t_s, _, _ in asked]) for at in (0, -1))
        found = [noise_of(places_of(t), t, hz, replace(READINGS, resolution=step)) for t, hz, step in asked]
        self._tells = np.array([one is not None for one in found], dtype=bool)
        self._said = np.array([np.zeros(len(WANDER)) if one is None else one for one in found])

    def beside(self, t_s: Array) -> Array | None:
        """The sum over all windows that none of these times is in; None where there is none."""
        apart = self._tells & ((self._last_s < t_s[0]) | (self._first_s > t_s[-1]))
        return self._said[apart].sum(axis=0) if apart.any() else None


@dataclass(frozen=True)
class Windows:
    """One band's readings, (t_s, hz) of each window, wild ones left out; the counter's resolution; all bands' noise."""

    parts: Sequence[tuple[Array, Array]]
    resolution: float
    hiss: Hiss

    @cached_property
    def kind(self) -> Kind:
        """Of the points that readings are."""
        return replace(READINGS, resolution=self.resolution)

    @cached_property
    def needed(self) -> float:
        """Gain in log likelihood for a step among the readings to be believed."""
        return GAIN + math.log(max(sum(len(t_s) for t_s, _ in self.parts), 1))

    @cached_property
    def quiet(self) -> set[tuple[float, int]]:
        """The pieces (``pieces_of``) that have no step to be believed, by their first time and how many readings."""
        pieces = [piece for part in self.parts for piece in pieces_of(*part) if len(piece[0]) >= MIN_READINGS]
        gains = gains_at_most(pieces, self.kind, [self.hiss.beside(t_s) for t_s, _ in pieces])
        quiet = np.flatnonzero(gains < self.needed - ROUNDING).tolist()
        return {(float(pieces[i][0][0]), len(pieces[i][0])) for i in quiet}

    @property
    def needed_between(self) -> float:
        """The same for a step among the key-downs' means."""
        return GAIN + math.log(max(len(self.parts), 1))


def find_steps(heard: OnBand, hiss: Hiss | None = None) -> list[Step]:
    """All steps of one band, in order of time. ``hiss``: of the session's other bands as well.

    Sizes have the scatter, the rounding of the counter's resolution on both sides and its gain in their budgets.
    """
    accuracy = heard.accuracy("frequency")
    found = steps_in(*_parts(heard), hiss)
    dressed = []
    for step in found:
        lines = [*step.size.budget, *accuracy.difference(step.size.value)]
        if (u := rounding(accuracy.resolution, heard.sd("frequency"))) > 0:
            lines.append(Component(u * math.sqrt(2), source=f"resolution of {accuracy.channel} before and after"))
        dressed.append(replace(step, size=combine(step.size.value, lines)))
    return dressed


def _parts(heard: OnBand) -> tuple[list[tuple[Array, Array]], float]:
    """(t_s, hz) of each window without its wild readings, and the counter's resolution, by its decimals if need be."""
    parts = heard.tame_frequency
    return parts, heard.accuracy("frequency").resolution or _last_digit(parts)


def _last_digit(parts: Sequence[tuple[Array, Array]]) -> float:
    return decimal_step(np.concatenate([hz for _, hz in parts])) if parts else 0.0


def steps_in(parts: Sequence[tuple[Array, Array]], resolution: float = 0.0, hiss: Hiss | None = None) -> list[Step]:
    """Steps in (t_s, hz) of each window, in order of time, with type A uncertainty alone.

    Args:
        parts: (n,) good readings each, no wild ones.
        resolution: the counter's; 0 where unknown, when the readings' own decimals tell it.
        hiss: what all windows say of the noise; by default these windows alone.
    """
    resolution = resolution or _last_digit(parts)
    windows = Windows(parts, resolution, hiss or Hiss([(parts, resolution)]))
    within: dict[int, list[Step]] = {}
    for i in sorted(range(len(parts)), key=lambda i: len(parts[i][0])):
        if found := list(_within(*parts[i], windows)):
            within[i] = found
    found = [step for steps in within.values() for step in steps]
    # Means are compared between key-downs without a step of their own.
    for run in np.split(np.arange(len(parts)), sorted(within)):
        found += _between([parts[i] for i in run if i not in within], windows)
    return sorted(found, key=lambda step: step.from_s)


def hiss_of(heard: Iterable[OnBand]) -> Hiss:
    """What all bands of a session say of the noise."""
    return Hiss(_parts(one) for one in heard)


def step_findings(steps: Mapping[str, Sequence[Step]], started_ns: int) -> Iterator[Finding]:
    """One finding for each step. ``started_ns``: of the session, UTC, for the time in the text."""
    for name, jumps in steps.items():
        for step in jumps:
            interval = expanded(step.size)
            if interval is None:
                continue

            def clock(t_s: float) -> str:
                return rfc3339(started_ns + round(t_s * 1e9))[11:19]

            place = "between two key-downs, " if step.between_key_downs else ""
            by = plus_minus(step.size.value, interval[0], "Hz")
            text = (
                f"{name} jumped by {'+' if step.size.value > 0 else ''}{by} at {clock(step.at_s)} UTC, "
                f"{place}between {clock(step.from_s)} and {clock(step.to_s)}"
            )
            yield Finding(
                "step",
                text,
                band=name,
                from_ns=round(step.from_s * 1e9),
                to_ns=round(step.to_s * 1e9),
                value=step.size.value,
                expanded=interval[0],
            )


def _within(t_s: Array, hz: Array, windows: Windows) -> Iterator[Step]:
    if len(t_s) > LONG:
        yield from _in_pieces(t_s, hz, windows)
        return
    if len(t_s) < MIN_READINGS or (float(t_s[0]), len(t_s)) in windows.quiet:
        return
    if not _worth_a_look(t_s, hz, windows.resolution):
        return
    level = _in_window(t_s, hz, windows, windows.needed)
    if level is None or not _believed(level, windows):
        return
    after = level.before + 1
    yield from _within(t_s[:after], hz[:after], windows)
    yield Step(float(t_s[level.earliest]), float(t_s[level.latest + 1]), _sized(level, "readings"))
    yield from _within(t_s[after:], hz[after:], windows)


def _in_window(t_s: Array, hz: Array, windows: Windows, least: float) -> Level | None:
    return likeliest_step(places_of(t_s), t_s, hz, windows.kind, least, windows.hiss.beside(t_s))


def _in_pieces(t_s: Array, hz: Array, windows: Windows) -> Iterator[Step]:
    """A long key-down, in pieces that overlap by half; a step seen in two of them is told once."""
    before = -math.inf
    pieces = pieces_of(t_s, hz)
    for piece, (from_s, to_s) in zip(pieces, _middles([t for t, _ in pieces]), strict=True):
        for step in _within(*piece, windows):
            if step.from_s > before and from_s <= step.at_s <= to_s:
                yield step
                before = step.to_s


def _middles(pieces: Sequence[Array]) -> Iterator[tuple[float, float]]:
    """Between which times each of overlapping pieces, (n,) times, tells what it sees.

    A step among the last points of a piece comes out with a wrong place and size. It is told by the piece in whose
    middle it is; the first has none before it, the last none after it.
    """
    left_out = LONG // 4 - SHARED
    for i, t_s in enumerate(pieces):
        from_s = float(t_s[left_out]) if i > 0 else -math.inf
        yield from_s, float(t_s[LONG - 1 - left_out]) if i < len(pieces) - 1 else math.inf


def pieces_of(t_s: Array, hz: Array) -> list[tuple[Array, Array]]:
    """(t_s, hz), (n,) each, of a window in as many pieces as it takes to look at it: whole where it is not long."""
    starts = range(0, max(len(t_s) - LONG // 2, 1), LONG // 2) if len(t_s) > LONG else (0,)
    return [(t_s[start : start + LONG], hz[start : start + LONG]) for start in starts]


def _worth_a_look(t_s: Array, hz: Array, resolution: float) -> bool:
    """Whether CUSUM of the standardised deviations from a line gives an alarm; what no step gives seldom passes."""
    residuals = fit_line(t_s, hz).residuals
    changes = np.diff(hz)
    changes -= median(changes)
    # Coarse readings change by nothing or by a whole digit: their median change may be far too large.
    sd = min(robust_sd(changes), math.sqrt(float(np.mean(changes**2)))) / math.sqrt(2)
    sd = max(sd, resolution / math.sqrt(12))
    if sd == 0:
        return bool(np.any(residuals))
    return cusum(residuals / sd, 0.0, SLACK_K).alarm(SLACK_H) is not None


def _between(parts: Sequence[tuple[Array, Array]], windows: Windows) -> Iterator[Step]:
    if not parts:
        return
    enough = np.median([len(t_s) for t_s, _ in parts]) / 4  # readings: the mean of fewer is no equal of the others
    parts = [part for part in parts if len(part[0]) >= enough]
    if len(parts) > LONG:
        # What straddles two pieces is seen in the one between them.
        seen = -math.inf
        pieces = [parts[start : start + LONG] for start in range(0, len(parts) - LONG // 2, LONG // 2)]
        firsts = [np.array([t_s[0] for t_s, _ in piece]) for piece in pieces]
        for piece, (from_s, to_s) in zip(pieces, _middles(firsts), strict=True):
            for step in _between(piece, windows):
                if step.from_s > seen and from_s <= step.at_s <= to_s:
                    yield step
                    seen = step.to_s
        return
    if len(parts) < MIN_KEY_DOWNS:
        return
    at = np.array([t_s.mean() for t_s, _ in parts])
    means = np.array([hz.mean() for _, hz in parts])
    level = likeliest_step(np.arange(len(at), dtype=float), at, means, KEY_DOWNS, windows.needed_between)
    if level is None or not _believed(level, windows):
        return
    after = level.before + 1
    for i, outward in ((level.before, -1), (after, 1)):
        inside = _in_window(*parts[i], windows, HINT) if MIN_READINGS <= len(parts[i][0]) <= LONG else None
        if inside is not None and _is_inside(inside, level, means, i, outward, len(parts[i][0])):
            # Too small to be believed from that window alone; now that there is a step, that is where it is.
            t_s = parts[i][0]
            yield from _between(parts[:i], windows)
            yield Step(float(t_s[inside.earliest]), float(t_s[inside.latest + 1]), _sized(inside, "readings"))
            yield from _between(parts[i + 1 :], windows)
            return
    # A step among the last or first readings of a window is not seen there, only in the means after it.
    last, first = parts[level.earliest][0], parts[level.latest + 1][0]
    from_s, to_s = float(last[-min(READINGS.edge, len(last))]), float(first[min(READINGS.edge, len(first)) - 1])
    yield from _between(parts[:after], windows)
    yield Step(from_s, to_s, _sized(level, "key-downs' means"), between_key_downs=True)
    yield from _between(parts[after:], windows)


def _is_inside(inside: Level, level: Level, means: Array, i: int, outward: int, n: int) -> bool:
    """Whether the step between two key-downs is rather the one inside of key-down i, next to it.

    Then their sizes are alike, and the key-down's mean has moved by its share of the step from where those beyond it
    (``outward``: the next one is i + outward) lead to.
    """
    beyond, farther = i + outward, i + 2 * outward
    if not (0 <= farther < len(means) and PART < inside.size / level.size < 1 / PART):
        return False
    moved = float(means[i] - 2 * means[beyond] + means[farther])
    after = n - inside.before - 1
    share = after / n if outward < 0 else -(n - after) / n
    return moved / level.size > share / 2 if share > 0 else moved / level.size < share / 2


def _believed(level: Level, windows: Windows) -> bool:
    interval = expanded(_sized(level, ""))
    if interval is None:
        return False
    return abs(level.size) > max(BEYOND * interval[0], RESOLUTIONS * windows.resolution)


def _sized(level: Level, what: str) -> Measured:
    return combine(level.size, [Component(level.u, level.dof, f"scatter of the {what} before and after", "A")])
