"""A load, or what leads to it, whose match gets worse: reflected against forward power, at two times.

The share of the forward power that comes back, r = Pr / Pf, is compared with itself: the meters' gains only scale its
change, and their zeros count only as far as the forward power changed meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import Finding
from benchlog.analysis.swr import swr
from benchlog.analysis.uncertainty import combine, expanded, rectangular, scatter
from benchlog.analysis.wording import plus_minus
from benchlog.model import Component, Measured
from benchlog.quantities import plain

Array = NDArray[np.float64]

SWR_RISE = 0.1  # less is no matter to any transmitter, and within what connectors do
MIN_READINGS = 8
FALSE_ALARMS = 0.002  # chance of a finding on a band whose match never changed, over all its key-downs


@dataclass(frozen=True, slots=True)
class Bridge:
    """Both power channels on one band; what the reflected power is rounded to, and what that leaves in a mean."""

    forward: Corrected
    reflected: Corrected
    of_forward: Accuracy
    of_reflected: Accuracy
    step_w: float
    rounded_w: float

    @classmethod
    def of(cls, heard: OnBand) -> Bridge | None:
        """None where the bench has not both."""
        forward, reflected = measuring(heard.series, "forward-power"), measuring(heard.series, "reflected-power")
        if forward is None or reflected is None:
            return None
        of_reflected = heard.accuracy("reflected-power")
        # The smallest step between its readings: what they are rounded to, where that is coarse.
        steps = np.diff(np.unique(heard.readings("reflected-power")[1]))
        step_w = max(of_reflected.resolution, float(steps.min()) if len(steps) else 0.0)
        rounded_w = rounding(step_w, heard.sd("reflected-power"))
        return cls(forward, reflected, heard.accuracy("forward-power"), of_reflected, step_w, rounded_w)


@dataclass(frozen=True, slots=True)
class Returned:
    """What share of the forward power came back at one time, and the powers it was read from."""

    share: float
    forward_w: float
    scatter: tuple[float, float] = (0.0, math.inf)  # u of the share, type A, and its degrees of freedom

    @property
    def swr(self) -> float:
        """Standing wave ratio; a share below 0 is noise about a perfect match."""
        return swr(1.0, min(max(self.share, 0.0), 1.0))


@dataclass(frozen=True, slots=True)
class Change:
    """The match at two times, and the rise of the returned share between them, in percent of the forward power."""

    first: Returned
    last: Returned
    rise_percent: Measured
    step_percent: float  # of the forward power, that a coarse meter's readings jump where nothing changes
    start_s: float
    stop_s: float

    def shows(self, looked: int) -> bool:
        """Whether it got worse for certain, ``looked`` such changes having been looked at, and by enough to matter.

        A coarse meter may jump by one step where hardly anything changed: only what is beyond two steps counts.
        """
        guard = expanded(self.rise_percent, 1 - FALSE_ALARMS / looked)
        if guard is None or self.last.swr - self.first.swr < SWR_RISE:
            return False
        return self.rise_percent.value - self.step_percent > guard[0]


def mismatch(heard: OnBand) -> Iterator[Finding]:
    """At most one finding for each: the worst rise within a key-down, and from the first key-down to the last."""
    bridge = Bridge.of(heard)
    if bridge is None:
        return
    inside = [change for k in heard.key_downs if (change := within(bridge, k)) is not None]
    over = between(bridge, heard.key_downs[0], heard.key_downs[-1]) if len(heard.key_downs) > 1 else None
    looked = max(len(inside) + (over is not None), 1)
    shown = [change for change in inside if change.shows(looked)]
    if shown:
        yield _finding(heard, max(shown, key=lambda change: change.rise_percent.value), "within a key-down")
    if over is not None and over.shows(looked):
        yield _finding(heard, over, "from the first key-down to the last")


def shares(bridge: Bridge, key_down: KeyDown) -> tuple[Array, Array, Array] | None:
    """(t_s, Pr / Pf, Pf) at the reflected power's readings in a window, (n,) each; Pf read off between its readings.

    None without a window or readings of both powers, and where a reading was over range.
    """
    if key_down.window is None:
        return None
    forward, reflected = bridge.forward.between(*key_down.window), bridge.reflected.between(*key_down.window)
    (t_s, back), sent = reflected.good(), forward.good()
    if forward.over_range() or reflected.over_range() or not len(t_s) or not len(sent[0]):
        return None
    out = np.interp(t_s, *sent)
    return (t_s, back / out, out) if np.all(out > 0) else None


def within(bridge: Bridge, key_down: KeyDown) -> Change | None:
    """The change from a window's start to its end, read from a fitted curve."""
    found = shares(bridge, key_down)
    if found is None or key_down.window is None:
        return None
    t_s, share, out_w = found
    bend = fit_bends(t_s, share, out_w, key_down.window)
    if bend is None:
        return None
    (before, after), (first_w, last_w), noise = bend
    if not (first_w > 0 and last_w > 0):
        return None
    return _change(bridge, Returned(before, first_w), Returned(after, last_w), [noise], key_down.window)


Ends = tuple[float, float]  # at a window's start and at its end


def fit_bends(t_s: Array, share: Array, out_w: Array, window: Ends) -> tuple[Ends, Ends, Component] | None:
    """Cubics over a window: of both quantities their ends, and the type A uncertainty of 100 times the share's rise.

    Args:
        t_s, share, out_w: (n,) readings in the window, in order of time: what comes back of 1 that goes out, and W out.
    They bend either way, as a match does that gets worse faster and faster, or ever more slowly. None where fewer than
    8 readings, or readings over less than half of the window, cannot tell.
    """
    start_s, lasts = window[0], window[1] - window[0]
    if len(t_s) < MIN_READINGS or t_s[-1] - t_s[0] < lasts / 2:
        return None
    columns = np.vander((t_s - start_s) / lasts, 4, increasing=True)
    parameters, of_watts = np.linalg.lstsq(columns, np.column_stack([share, out_w]), rcond=None)[0].T
    noise = scatter(share - columns @ parameters, 4)
    rise = np.array([0.0, 1.0, 1.0, 1.0])  # from 0 to 1
    spread = float(rise @ np.linalg.inv(columns.T @ columns) @ rise)
    # Correlated readings are worth n_eff: the parameters' variance is n / n_eff times that of as many white ones.
    u = math.sqrt(noise.variance * spread * noise.n / noise.n_eff)
    line = Component(100 * u, noise.dof, f"scatter of {len(share)} readings about the curve", "A")
    return _ends(parameters), _ends(of_watts), line


def _ends(parameters: Array) -> Ends:
    return float(parameters[0]), float(parameters.sum())


def between(bridge: Bridge, first: KeyDown, last: KeyDown) -> Change | None:
    """The change from one key-down's mean to another's."""
    means = [_mean(bridge, key_down) for key_down in (first, last)]
    if means[0] is None or means[1] is None or first.window is None or last.window is None:
        return None
    noise = [Component(100 * u, dof, "scatter of a key-down", "A") for u, dof in (one.scatter for one in means if one)]
    return _change(bridge, means[0], means[1], noise, (first.window[0], last.window[1]))


def _mean(bridge: Bridge, key_down: KeyDown) -> Returned | None:
    found = shares(bridge, key_down)
    if found is None:
        return None
    _, share, out_w = found
    mean = float(share.mean())
    noise = scatter(share - mean)
    return Returned(mean, float(out_w.mean()), (noise.u_mean, noise.dof)) if noise.dof else None


def _change(
    bridge: Bridge, first: Returned, last: Returned, noise: list[Component], span: tuple[float, float]
) -> Change:
    """With what zeros, gains and resolutions leave open: d(Pr / Pf) is dPr / Pf - (Pr / Pf) dPf / Pf."""
    forward, reflected = bridge.of_forward, bridge.of_reflected
    rise = 100 * (last.share - first.share)
    by_reflected = 100 * (1 / last.forward_w - 1 / first.forward_w)
    by_forward = -100 * (last.share / last.forward_w - first.share / first.forward_w)
    budget = [
        *noise,
        Component(rectangular(reflected.offset) * by_reflected, source=f"zero of {reflected.channel}"),
        Component(rectangular(forward.offset) * by_forward, source=f"zero of {forward.channel}"),
        Component(rectangular(reflected.gain) * rise, source=f"gain of {reflected.channel}"),
        Component(rectangular(forward.gain) * rise, source=f"gain of {forward.channel}"),
    ]
    if bridge.rounded_w > 0:  # each end by itself
        ends = (100 * bridge.rounded_w / end.forward_w for end in (first, last))
        budget += [Component(end, source=f"resolution of {reflected.channel}") for end in ends]
    step_percent = 200 * bridge.step_w / min(first.forward_w, last.forward_w)
    return Change(first, last, combine(rise, budget), step_percent, *span)


def _finding(heard: OnBand, change: Change, when: str) -> Finding:
    interval = expanded(change.rise_percent)
    guard = interval[0] if interval else None
    before, after = (100 * max(end.share, 0.0) for end in (change.first, change.last))
    text = (
        f"{heard.band.name}: the match gets worse {when}: SWR {_ratio(change.first.swr)} to {_ratio(change.last.swr)}, "
        f"reflected power {plain(before, '%', 2)} to {plain(after, '%', 2)} of forward, more by "
        f"{plus_minus(change.rise_percent.value, guard, '%')}: look at the load, its cable and connectors; "
        "a match that changes changes power too, which looks like droop"
    )
    return Finding(
        "mismatch",
        text,
        band=heard.band.name,
        channel=heard.accuracy("reflected-power").channel,
        from_ns=round(change.start_s * 1e9),
        to_ns=round(change.stop_s * 1e9),
        value=change.rise_percent.value,
        expanded=guard,
    )


def _ratio(value: float) -> str:
    return f"{value:.2f}"
