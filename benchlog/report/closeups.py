"""One key-down of each band seen close: power, its fitted curve, and the plate voltage where droop follows it.

Imports matplotlib.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.droop import DroopFit
from benchlog.analysis.ends import Ends, ends_of
from benchlog.analysis.keydowns import KeyDown
from benchlog.bench import Bench
from benchlog.plan import Band, Plan
from benchlog.report.drawing import (
    DATA,
    FIT,
    KEYED,
    LIMIT,
    PANEL,
    WINDOW,
    Picture,
    below,
    canvas,
    decimated,
    plain_text,
    shade,
    style,
    svg,
)
from benchlog.report.numbers import significant
from benchlog.report.session import counting, measuring

_LEFT, _RIGHT, _FOOT, _HEAD = 64, 10, 36, 22
_POWER_PX, _VOLTS_PX, _BETWEEN_PX = 132, 72, 12


@dataclass(frozen=True, slots=True)
class _CloseUp:
    """What one picture is drawn from."""

    band: Band
    least_w: float  # what the band must make, as the meter shows it
    key_down: KeyDown
    window: tuple[float, float]
    fit: DroopFit
    power: Corrected
    volts: Corrected | None
    volts_fit: Ends | None


def close_ups(analysis: Analysis, bench: Bench, plan: Plan) -> Iterator[Picture]:
    """For each band the key-down with the worst droop: power, window and fitted curve.

    Where a supply-sag finding says that power follows the plate voltage, this stands below, with the finding's curve.
    """
    power, volts = measuring(analysis, "forward-power"), measuring(analysis, "plate-voltage")
    sagging = {finding.band for finding in analysis.record.findings if finding.kind in ("supply-sag", "output-stage")}
    for number, band in enumerate(plan.bands):
        fitted = [
            (k.droop.percent.value, k) for k in counting(analysis) if k.band == band.name and k.droop and k.window
        ]
        if power is None or not fitted:
            continue
        _, worst = max(fitted, key=lambda pair: pair[0])
        assert worst.droop is not None  # as chosen above
        assert worst.window is not None
        beside = volts if band.name in sagging else None
        volts_fit = ends_of(*beside.between(*worst.window).good(), worst.window) if beside is not None else None
        least_w = band.shown_power(bench.meter)
        seen = _CloseUp(band, least_w, worst, worst.window, worst.droop, power, beside, volts_fit)
        yield _picture(seen, f"close-{number}")


def _picture(seen: _CloseUp, name: str) -> Picture:
    fit, band = seen.fit, seen.band
    more_px = _VOLTS_PX + _BETWEEN_PX if seen.volts is not None else 0
    with style():
        height = _HEAD + _POWER_PX + more_px + _FOOT
        figure, axes = canvas(PANEL, height, (_LEFT, _RIGHT, _FOOT + more_px, _HEAD))
        low, high = _span(seen, seen.power, (fit.start_w, fit.end_w))
        if low - (high - low) / 2 < seen.least_w < high + (high - low) / 2:  # a far one would flatten the rest
            axes.axhline(seen.least_w, color=LIMIT, linewidth=1.2)
            room = 0.12 * (high - low)
            low, high = min(low, seen.least_w - room), max(high, seen.least_w + room)
        _draw(axes, seen, seen.power, fit)
        axes.set_ylim(max(0.0, low), high)
        axes.set_ylabel("forward power, W")
        title = f"{band.name}: {significant(fit.start_w)} W to {significant(fit.end_w)} W"
        plain_text(axes, 0, 1.04, title)
        shape = "falling straight" if fit.shape == "straight" else "settling exponentially"
        alt = f"Power during one key-down on {title}, {shape}, droop {fit.percent.value:.1f} percent."
        if seen.volts is not None:
            axes.tick_params(labelbottom=False)
            axes = below(figure, axes, _VOLTS_PX, _BETWEEN_PX)
            volts = (seen.volts_fit.loss.start, seen.volts_fit.loss.end) if seen.volts_fit else None
            _draw(axes, seen, seen.volts, seen.volts_fit)
            axes.set_ylim(*_span(seen, seen.volts, volts, share=0.02))
            axes.set_ylabel("plate, V")
            if volts is not None:
                alt += f" Below it the plate voltage, {volts[0]:.0f} V to {volts[1]:.0f} V."
        axes.set_xlabel("seconds of key-down")
        return Picture(band.name, alt, svg(figure, name, alt))


def _span(
    seen: _CloseUp, series: Corrected, ends: tuple[float, float] | None, share: float = 0.05
) -> tuple[float, float]:
    """The axis for what the window holds and where the curve ends; at least ``share`` of it: the steady looks so."""
    _, inside = series.between(*seen.window).good()
    shown = [*inside, *(ends or ())]
    if not shown:
        return 0.0, 1.0
    span = max(max(shown) - min(shown), share * max(shown))
    return min(shown) - 0.3 * span, max(shown) + 0.3 * span


def _draw(axes: Axes, seen: _CloseUp, series: Corrected, fit: DroopFit | Ends | None) -> None:
    start_s, lasted_s = seen.key_down.start_s, seen.key_down.stop_s - seen.key_down.start_s
    margin_s = 0.04 * lasted_s
    shade(axes, [(0, lasted_s)], KEYED)
    shade(axes, [(seen.window[0] - start_s, seen.window[1] - start_s)], WINDOW)
    near = slice(*np.searchsorted(series.t_s, (start_s - margin_s, seen.key_down.stop_s + margin_s)))
    t_s, value = decimated(series.t_s[near] - start_s, series.value[near], PANEL)
    axes.plot(t_s, value, color=DATA, linewidth=0, marker="o", markersize=2.4, markeredgewidth=0)
    if fit is not None:
        fit_s = np.linspace(*seen.window, 40)
        axes.plot(fit_s - start_s, fit.curve(fit_s), color=FIT, linewidth=1.6, dashes=(4, 2))
    axes.set_xlim(-margin_s, lasted_s + margin_s)
