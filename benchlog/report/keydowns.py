"""Every key-down as a line of text, each with a U of its own, for readers who want to follow the numbers."""

from __future__ import annotations

from collections.abc import Mapping

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.bands import frequency_error
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.onband import OnBand
from benchlog.analysis.power import mean_of
from benchlog.analysis.verdicts import Sense, result
from benchlog.bench import Bench
from benchlog.model import Measured
from benchlog.plan import Plan
from benchlog.report import words
from benchlog.report.numbers import duration, megahertz, significant, with_uncertainty

LISTED = 100  # at most
_NONE = "–"


def lines(analysis: Analysis, bench: Bench, plan: Plan) -> list[Mapping[str, str]]:
    """The first ``LISTED`` key-downs, in order of time, by the table's columns."""
    return [_line(key_down, analysis, bench, plan) for key_down in analysis.key_downs[:LISTED]]


def _line(key_down: KeyDown, analysis: Analysis, bench: Bench, plan: Plan) -> Mapping[str, str]:
    power, error = _NONE, _NONE
    if key_down.band is not None:
        alone = OnBand(plan.band(key_down.band), (key_down,), analysis.series, bench)
        power, error = _text(mean_of(alone, "forward-power"), "W"), _text(frequency_error(alone), "Hz")
    elif key_down.frequency_hz is not None:
        error = f"at {megahertz(key_down.frequency_hz)}"
        power = _NONE if key_down.power_w is None else f"{significant(key_down.power_w)} W"
    return {
        "start": words.stamp(analysis.record.session.started_ns + round(key_down.start_s * 1e9)),
        "lasted": duration(key_down.lasted_s),
        "band": key_down.band or "no band of the plan",
        "counts": "yes" if key_down.counts else "no",
        "power": power,
        "error": error,
        "droop": _text(key_down.droop.percent if key_down.droop else None, "%"),
    }


def _text(measured: Measured | None, unit: str) -> str:
    return _NONE if measured is None else with_uncertainty(result(measured, None, Sense.WITHIN), unit)
