"""Power droop over one window: a straight or a first-order exponential curve, and what it lost end to end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy, rounding
from benchlog.analysis.dips import MIN_READINGS, dips, spikes
from benchlog.analysis.fits import FOR_A_BEND, Fit, aicc_price, fit_exponential, fit_line, gone
from benchlog.analysis.memory import Memory, memory
from benchlog.analysis.uncertainty import combine, correlation_time, coverage_factor, rectangular
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

MIN_SHARE = 0.5  # of the window that the readings must span
MOST_OF_TAU = 0.75  # U of 1 / tau, relative
MARGIN = 2.0  # in AICc; what the exponential must be better by to be taken


@dataclass(frozen=True, slots=True)
class Residuals:
    """Of the points about a curve, and what each does to what is read from it."""

    values: Array  # (n,)
    parameters: int
    weights: Array  # (n,) percent by which the fall is off for one unit in a point


@dataclass(frozen=True, slots=True)
class DroopFit:
    """The curve fitted over a window, and the droop read from it: 100 (start - end) / start.

    ``kept``: which readings the curve follows; not those in spikes and short dips.
    """

    shape: Literal["straight", "exponential"]
    start_s: float  # of the window
    stop_s: float
    start_w: float
    end_w: float
    tau_s: float | None  # time constant of the exponential
    percent: Measured
    time_constant: Measured | None = None  # tau_s with its uncertainty, where that is known well enough to tell
    kept: NDArray[np.bool_] = field(default_factory=lambda: np.ones(0, dtype=bool), compare=False, repr=False)
    residuals: Residuals | None = field(default=None, compare=False, repr=False)

    def curve(self, t_s: Array) -> Array:
        """Watts at session times (n,)."""
        x = np.asarray(t_s, dtype=float) - self.start_s
        return self.start_w + (self.end_w - self.start_w) * gone(x, self.stop_s - self.start_s, self.tau_s)

    @property
    def parameters(self) -> int:
        """How many were fitted."""
        return 2 if self.tau_s is None else 3


@dataclass(frozen=True, slots=True)
class Fall:
    """A curve y(x), x from 0 to ``lasts``, and what it loses from end to end, with the type A lines of both."""

    loss: Loss
    lines: tuple[Component, ...]  # of its percentage
    time_constant: Measured | None
    sd: float  # of the points about the curve
    residuals: Residuals | None  # None where the curve is perfect

    def measured(self, accuracy: Accuracy | None) -> Measured:
        """The percentage lost, read on a channel of that accuracy."""
        meter = accuracy or Accuracy()
        of_the_meter = self.loss.of_the_meter(meter, unrounded(self.sd, meter.resolution))
        return combine(self.loss.percent, [*self.lines, *of_the_meter])


def fit_droop(
    t_s: Array, power_w: Array, window: tuple[float, float], accuracy: Accuracy | None = None
) -> DroopFit | None:
    """Fit the good readings of one window.

    Args:
        t_s, power_w: (n,) good readings inside the window, in order of time.
        window: (start_s, stop_s), where the droop is read from the curve.
        accuracy: of the channel. Its gain is common to start and end and cancels; its offset c does not:
            d(percent)/dc = -percent / start. Start and end are rounded independently.
    Returns:
        None where the readings cannot tell: fewer than 5, or spanning less than half of the window, or the curve
        starts at no power.
    Single spikes and short dips are left out (``dips``). The 95 % interval of the percentage holds the truth in 93 to
    97 % of cases, for white and first-order autocorrelated noise: tests/analysis/test_droop.py.
    """
    start_s, stop_s = window
    if len(t_s) < MIN_READINGS or t_s[-1] - t_s[0] < MIN_SHARE * (stop_s - start_s):
        return None
    kept, bent = _belonging(t_s - start_s, power_w)
    x, y = t_s[kept] - start_s, power_w[kept]
    if len(x) < MIN_READINGS:
        return None
    found = fall(x, y, stop_s - start_s, "readings", bent)
    if found is None:
        return None
    loss = found.loss
    return DroopFit(
        shape="straight" if loss.tau is None else "exponential",
        start_s=start_s,
        stop_s=stop_s,
        start_w=loss.start,
        end_w=loss.end,
        tau_s=loss.tau,
        percent=found.measured(accuracy),
        time_constant=found.time_constant,
        kept=kept,
        residuals=found.residuals,
    )


def noise_shared(fits: Sequence[DroopFit]) -> list[Measured]:
    """The percentages of a band's key-downs, their readings' noise known from all of them together.

    The noise is taken to be one for all (as ``uncertainty.pool`` does): known from one key-down alone, it makes U
    uncertain, and wider, where readings hang together.
    """
    remembered = memory([(fit.residuals.values, fit.residuals.parameters) for fit in fits if fit.residuals is not None])
    if len(fits) < 2 or remembered is None:
        return [fit.percent for fit in fits]
    shared = []
    for fit in fits:
        if fit.residuals is None:
            shared.append(fit.percent)
            continue
        variance, dof = remembered.of_sum([fit.residuals.weights])
        scatter, *others = fit.percent.budget
        words = f"{scatter.source}, their noise as in {len(fits)} key-downs"
        scatter = replace(scatter, u=math.sqrt(variance), dof=dof, source=words)
        shared.append(combine(fit.percent.value, [scatter, *others]))
    return shared


def belonging(t_s: Array, power_w: Array) -> NDArray[np.bool_]:
    """Which of (n,) readings a curve must follow: all but single spikes and short dips."""
    return _belonging(t_s - t_s[0] if len(t_s) else t_s, power_w)[0]


def _belonging(x: Array, y: Array) -> tuple[NDArray[np.bool_], Fit | None]:
    """The same, and the exponential through those readings."""
    kept = ~spikes(x, y)
    bent = bend(x[kept], y[kept])
    if (dipped := dips(x[kept], y[kept], bent)).any():
        kept[kept] = ~dipped
        bent = bend(x[kept], y[kept])
    return kept, bent


def bend(x: Array, y: Array) -> Fit | None:
    """The exponential through (n,) points; None where they show none, or are too few."""
    return fit_exponential(x, y) if len(x) >= FOR_A_BEND else None


def fall(x: Array, y: Array, lasts: float, points: str, bent: Fit | None) -> Fall | None:
    """What a quantity loses between x = 0 and x = ``lasts``, in percent of what it had at 0.

    Args:
        x, y: (n,) points in order, n >= 5; ``points`` is their name in the budget.
        bent: their ``bend``.
    Returns:
        None where the curve does not start above zero.
    The exponential is taken where its AICc is lower by more than 2, the points counted for as many as they are worth
    (K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2002, ch. 2.6). What the other shape would
    have said is in the uncertainty: the mean square error over both, by Akaike weights (ibid., ch. 4; from memory),
    less the shape's own, is the line "shape of the curve".
    """
    line = fit_line(x, y)
    taken, other, doubt = _read(line, x, lasts), _read(bent, x, lasts) if bent is not None else None, 0.0
    if bent is not None:
        behind = _behind(bent, line)
        if behind < -MARGIN:
            taken, other, behind = other, taken, -behind
        doubt = 1 / (1 + math.exp(min(behind / 2, 500.0)))  # Akaike weight of the other
    if taken is None:
        return None
    scatter = f"scatter of {len(x)} {points} about the curve"
    lines = [Component(taken.u, taken.dof, scatter, "A")]
    if other is not None:
        extra = doubt * (other.u**2 - taken.u**2 + (other.loss.percent - taken.loss.percent) ** 2)
        if extra > 0:
            lines.append(Component(math.sqrt(extra), taken.dof, "shape of the curve: straight or exponential", "A"))
    residuals = Residuals(taken.fit.residuals, len(taken.fit.b), taken.weights) if taken.weights is not None else None
    return Fall(
        loss=taken.loss,
        lines=tuple(lines),
        time_constant=_time_constant(taken, x, scatter),
        sd=taken.fit.sd,
        residuals=residuals,
    )


def unrounded(sd: float, step: float) -> float:
    """The noise that readings had before they were rounded to ``step``: what scatters besides, step / sqrt(12)."""
    return math.sqrt(max(sd**2 - step**2 / 12, 0.0))


def _time_constant(taken: _Reading, x: Array, scatter: str) -> Measured | None:
    """The time constant with its uncertainty; None where the points show that the curve bends, but not how fast.

    Noise moves the rate 1 / tau about evenly to both sides, down to none, which is a straight line; U is half the width
    of the interval of tau that 1 / tau +/- U(1 / tau) spans. Where the rate's own U is more than three quarters of it,
    tau is not told: of curves just bent enough to be noticed, noise has bent most further than they are.
    """
    if taken.loss.tau is None:
        return None
    # Of ln tau, to first order as of 1 / tau.
    gradient = np.array([0.0, 0.0, 1 / taken.loss.tau])
    u, dof = _fit_uncertainty(taken.fit, gradient, _weights(taken.fit, x, gradient), taken.memory)
    half = u * coverage_factor(dof)
    if not half <= MOST_OF_TAU:
        return None
    return combine(taken.loss.tau, [Component(u * taken.loss.tau / (1 - half**2), dof, scatter, "A")])


@dataclass(frozen=True, slots=True)
class Loss:
    """What a fitted curve has at x = 0 and at the end, and how the percentage lost goes with its parameters."""

    start: float
    end: float
    tau: float | None
    gradient: Array  # (p,)

    @property
    def percent(self) -> float:
        """100 (start - end) / start."""
        return 100 * (self.start - self.end) / self.start

    def of_the_meter(self, accuracy: Accuracy, sd: float) -> list[Component]:
        """The type B lines of the percentage: the channel's gain cancels, its zero c does not, -percent / start.

        ``sd``: of the noise that averages the rounding out.
        """
        lines = []
        if accuracy.offset:
            u = -self.percent / self.start * rectangular(accuracy.offset)
            lines.append(Component(u, source=f"zero of {accuracy.channel}", shared=accuracy.shared))
        if (step := rounding(accuracy.resolution, sd)) > 0:
            for where, at in (("start", self.end / self.start), ("end", 1.0)):
                source = f"resolution of {accuracy.channel}, at the {where}"
                lines.append(Component(100 * step * at / self.start, source=source))
        return lines


@dataclass(frozen=True, slots=True)
class _Reading:
    fit: Fit
    loss: Loss
    u: float  # of the percentage
    dof: float
    weights: Array | None  # (n,) of the points in the percentage
    memory: Memory | None  # of the points' noise


def lost(fit: Fit, lasts: float) -> Loss | None:
    """What a straight or exponential curve loses from x = 0 to ``lasts``; None where it does not start above zero."""
    ends = slopes(fit, np.array([0.0, lasts]))
    start, end = (float(y) for y in ends[:, :2] @ fit.b[:2])  # both shapes: b0, and b1 times the second column
    if start <= 0:
        return None
    tau = float(fit.b[2]) if len(fit.b) > 2 else None
    return Loss(start, end, tau, np.array([100 * end / start**2, -100 / start]) @ ends)


def _read(fit: Fit, x: Array, lasts: float) -> _Reading | None:
    loss = lost(fit, lasts)
    if loss is None:
        return None
    remembered = memory([(fit.residuals, len(fit.b))])
    weights = _weights(fit, x, loss.gradient)
    return _Reading(fit, loss, *_fit_uncertainty(fit, loss.gradient, weights, remembered), weights, remembered)


def _weights(fit: Fit, x: Array, gradient: Array) -> Array | None:
    """(n,) what one unit in each point does to a function of the parameters; None where the curve is perfect."""
    if not fit.rss > 0 or not fit.dof:
        return None
    return np.asarray(slopes(fit, x) @ (fit.covariance * (fit.dof / fit.rss) @ gradient))


def _fit_uncertainty(
    fit: Fit, gradient: Array, weights: Array | None, remembered: Memory | None
) -> tuple[float, float]:
    """(u, dof) of a function of the parameters, which points have ``_weights`` in, their memory allowed for."""
    if weights is not None and remembered is not None:
        variance, dof = remembered.of_sum([weights])
        return math.sqrt(variance), dof
    widening, dof = fit.widening()
    return math.sqrt(float(gradient @ fit.covariance @ gradient) * widening), dof


def slopes(fit: Fit, x: Array) -> Array:
    """(n, p) what each parameter moves the curve by."""
    if len(fit.b) == 2:
        return np.column_stack([np.ones_like(x), x])
    left = np.exp(-x / fit.b[2])
    return np.column_stack([np.ones_like(x), left, fit.b[1] * left * x / fit.b[2] ** 2])


def _behind(bent: Fit, line: Fit) -> float:
    """By how much AICc prefers the straight line to the exponential; negative where it prefers the exponential.

    The misfit of correlated points tells as much as that of the fewer independent ones they are worth; the price of a
    parameter is that of n points, for with few that are worth still fewer it would forbid the clearest bend.
    """
    n = len(bent.residuals)
    worth = n if bent.perfect else n / correlation_time(bent.residuals, 3)
    price = aicc_price(n, 4) - aicc_price(n, 3)
    return worth * (math.log(bent.misfit) - math.log(line.misfit)) + price
