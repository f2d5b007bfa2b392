"""How much of a power droop follows the plate supply, and how much is the output stage.

Power is taken to go with the square of the plate voltage times the stage's emission: common practice, no source, for
class-C and linear stages on an unregulated supply. So what is left of the power from start to end of a window is what
the supply leaves times what the stage leaves, 1 - d = (1 - d_supply) (1 - d_stage), with
d_supply = 1 - (V_end / V_start)**2 from a curve fitted to the plate voltage over the same window. Both droops are
ratios of a channel to itself: gains cancel, zeros do not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.analysis.ends import Ends, Noise, ends_of, fallen
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.results import BandResult, Finding, Result
from benchlog.analysis.uncertainty import combine, expanded, through
from benchlog.analysis.wording import plus_minus
from benchlog.model import Component, Measured
from benchlog.quantities import show

WORTH_PERCENT = 5.0  # droop worth explaining where the plan has no limit for it
SHARE = 0.2  # of the droop; what a part's whole interval must exceed to be told
_SQUARE = "power taken to go with the square of the plate voltage (common practice)"


@dataclass(frozen=True, slots=True)
class Split:
    """A droop and its two parts, in percent, which multiply; and between which voltages the supply fell."""

    droop: Measured
    supply: Measured
    stage: Measured
    start_v: float
    end_v: float


def split(power: Measured, volts: Measured) -> tuple[Measured, Measured]:
    """(supply, stage): the parts of a power droop, given how much the plate voltage fell meanwhile.

    Args:
        power, volts: 100 (start - end) / start, in percent.
    Returns:
        In percent; 1 - d = (1 - supply) (1 - stage). A supply that rises has a negative part. Uncertainties to first
        order, the two fits' scatter taken as independent: where power and voltage wander together, too wide.
    """
    kept, left = 1 - volts.value / 100, 1 - power.value / 100
    supply = _weighed(100 * (1 - kept**2), [(volts, 2 * kept)])
    stage = _weighed(100 * (1 - left / kept**2), [(power, 1 / kept**2), (volts, -2 * left / kept**3)])
    return supply, stage


def _weighed(value: float, parts: Sequence[tuple[Measured, float]]) -> Measured:
    """A function of measured values from its partial derivatives (JCGM 100, 5.1.2); budget lines carry over."""
    return combine(value, [line for part, slope in parts for line in through(part.budget, slope)])


Asked = Callable[[], Noise | None]


def supply_findings(heard: OnBand, found: BandResult, noise: Asked, *, mismatched: bool = False) -> Iterator[Finding]:
    """What of one band's droop, or lack of power, is the supply and what the output stage.

    Nothing where no plate voltage was measured, or where readings over range hide what happened.
    Args:
        noise: the plate voltage's, asked for only where it is needed.
        mismatched: the load changed as well, so that what is left is not for certain the output stage.
    """
    if measuring(heard.series, "plate-voltage") is None:
        return
    rest = "the output stage, or the match that changed" if mismatched else "the output stage"
    told = False
    if _worth(found.droop_percent):
        worst = max((k for k in heard.key_downs if k.droop), key=_percent, default=None)
        parts = _split_within(heard, worst, noise()) if worst else None
        if worst and parts:
            for finding in _told(parts, f"{heard.band.name}: of", "droop", rest):
                told = True
                yield _at(finding, heard, worst, worst)
    if (run := _split_over_run(heard)) is not None:
        for finding in _told(run, f"{heard.band.name}, from the first key-down to the last: of", "less power", rest):
            yield _at(finding, heard, heard.key_downs[0], heard.key_downs[-1])
    if not told and found.power_w.verdict == "fail":
        yield from _lacking(heard, found.power_w, noise())


def _percent(key_down: KeyDown) -> float:
    return key_down.droop.percent.value if key_down.droop else -np.inf


def _worth(droop: Result) -> bool:
    if droop.value is None or droop.expanded is None:
        return False
    if droop.limit is None:
        return droop.value - droop.expanded > WORTH_PERCENT
    return droop.verdict == "fail" or (droop.verdict == "undecided" and droop.value > droop.expanded)


def voltage_noise(bands: Iterable[OnBand]) -> Noise | None:
    """Of the plate voltage about its curves in all counted key-downs of a session."""
    return Noise.about([fit for heard in bands for k in heard.key_downs if (fit := voltage(heard, k)) is not None])


def voltage(heard: OnBand, key_down: KeyDown) -> Ends | None:
    """The plate voltage's curve over a key-down's window; None where its readings cannot tell."""
    one = measuring(heard.series, "plate-voltage")
    if one is None or key_down.window is None:
        return None
    inside = one.between(*key_down.window)
    return None if inside.over_range() else ends_of(*inside.good(), key_down.window)


def _split_within(heard: OnBand, key_down: KeyDown, noise: Noise | None) -> Split | None:
    """The parts of the droop in one key-down's window."""
    volts = voltage(heard, key_down)
    if volts is None or key_down.droop is None or _hidden(key_down):
        return None
    return _parted(key_down.droop.percent, volts, fallen(volts, noise, heard.accuracy("plate-voltage")))


def _parted(power: Measured, volts: Ends, fell: Measured) -> Split:
    supply, stage = split(power, fell)
    return Split(power, supply, stage, volts.loss.start, volts.loss.end)


def _hidden(key_down: KeyDown) -> bool:
    power = key_down.means.get("forward-power")
    return power is not None and power.over_range > 0


def _split_over_run(heard: OnBand) -> Split | None:
    """The parts of what the power at the windows' starts loses from the first key-down of a band to its last.

    Not ``run_droop_percent``: that is of means, this of starts, as the voltage is.
    None below 5 key-downs, where less than 5 % is lost for certain, or where power or voltage is not known in one.
    """
    starts = np.array([k.window[0] for k in heard.key_downs if k.window])
    watts = np.array([k.droop.start_w for k in heard.key_downs if k.droop and not _hidden(k)])
    if not len(watts) == len(starts) == len(heard.key_downs) or not len(starts):
        return None
    span = (float(starts[0]), float(starts[-1]))
    power = ends_of(starts, watts, span)
    if power is None:
        return None
    lost = fallen(power, Noise.about([power]), heard.accuracy("forward-power"))
    if not _sure(lost, WORTH_PERCENT):
        return None
    each = [fit.loss.start for k in heard.key_downs if (fit := voltage(heard, k)) is not None]
    volts = ends_of(starts, np.array(each), span) if len(each) == len(starts) else None
    if volts is None:
        return None
    return _parted(lost, volts, fallen(volts, Noise.about([volts]), heard.accuracy("plate-voltage")))


def _sure(part: Measured, least: float) -> bool:
    """Whether the whole interval is above ``least``."""
    interval = expanded(part)
    return interval is not None and part.value - interval[0] > least


def _told(parts: Split, of: str, lost: str, rest: str) -> Iterator[Finding]:
    """The parts whose whole intervals exceed a fifth of the droop."""
    total, supply, stage = (_shown(part) for part in (parts.droop, parts.supply, parts.stage))
    volts = f"({show(parts.start_v, 'V', 3)} to {show(parts.end_v, 'V', 3)})"
    of = f"{of} {total} {lost},"
    if _sure(parts.supply, SHARE * parts.droop.value):
        text = f"{of} {supply} follows the plate supply {volts}, {stage} is {rest}; {_SQUARE}"
        yield _valued(Finding("supply-sag", text), parts.supply)
    if _sure(parts.stage, SHARE * parts.droop.value):
        text = f"{of} {stage} is {rest}: what is left without the {supply} that follows the plate supply {volts}; "
        yield _valued(Finding("output-stage", text + _SQUARE), parts.stage)


def _shown(part: Measured) -> str:
    interval = expanded(part)
    return plus_minus(part.value, interval[0] if interval else None, "%")


def _valued(finding: Finding, part: Measured) -> Finding:
    interval = expanded(part)
    return replace(finding, value=part.value, expanded=interval[0] if interval else None)


def _at(finding: Finding, heard: OnBand, first: KeyDown, last: KeyDown) -> Finding:
    """With its band and times: the windows' own."""
    start_s = first.window[0] if first.window else first.start_s
    stop_s = last.window[1] if last.window else last.stop_s
    return replace(finding, band=heard.band.name, from_ns=round(start_s * 1e9), to_ns=round(stop_s * 1e9))


def _lacking(heard: OnBand, power: Result, noise: Noise | None) -> Iterator[Finding]:
    """Too little power: what of it goes with the supply's fall from each window's start on, in percent of the limit.

    A supply that is low from the start does not show here: nobody told what it should be.
    """
    if power.value is None or not power.limit:
        return
    total, lost, budget = 0.0, 0.0, list[Component]()
    low_v, high_v = np.inf, -np.inf
    for key_down in heard.key_downs:
        fit, mean = voltage(heard, key_down), key_down.means.get("forward-power")
        if fit is None or mean is None or not mean.n or _hidden(key_down):
            return
        at = np.linspace(fit.start_s, fit.start_s + fit.lasts_s, 201)
        kept = float(np.mean((fit.curve(at) / fit.loss.start) ** 2))
        shape = (1 - kept) / (1 - (fit.loss.end / fit.loss.start) ** 2) if fit.loss.end != fit.loss.start else 0.5
        # What the mean lacks for the fall is shape x d_supply; d_supply's budget is 2 V_end / V_start x the voltage's.
        slope = mean.n * mean.mean / kept**2 * shape * 2 * fit.loss.end / fit.loss.start / 100
        budget += through(fallen(fit, noise, heard.accuracy("plate-voltage")).budget, slope)
        lost += mean.n * mean.mean * (1 / kept - 1)
        total += mean.n * mean.mean
        low_v, high_v = min(low_v, fit.loss.end), max(high_v, fit.loss.start)
    if total <= 0:
        return
    # Shares of what the meter shows are shares of the power stated, whatever kind that is.
    in_percent = 100 * power.value / (total * power.limit)
    part = combine(lost * in_percent, through(budget, in_percent))
    lacking = 100 * (1 - power.value / power.limit)
    if not _sure(part, SHARE * lacking):
        return
    text = (
        f"{heard.band.name}: of {plus_minus(lacking, None, '%')} power lacking to {show(power.limit, 'W')}, "
        f"{_shown(part)} follows the plate supply, which falls with the key down "
        f"({show(high_v, 'V', 3)} to {show(low_v, 'V', 3)}); {_SQUARE}"
    )
    finding = _valued(Finding("supply-sag", text), part)
    yield _at(finding, heard, heard.key_downs[0], heard.key_downs[-1])
