"""A run's happenings in one line each, for a terminal and for the page."""

from __future__ import annotations

from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Measure, Measured
from benchlog.plan import Band, Plan
from benchlog.report.numbers import duration, fitting, megahertz, significant, with_uncertainty
from benchlog.report.words import degrees


def told(key_down: KeyDown, plan: Plan) -> str:
    """A key-down in one line."""
    lasted = duration(key_down.lasted_s)
    if key_down.band is None:
        where = f" at {hertz(key_down.frequency_hz)}" if key_down.frequency_hz else ""
        return f"Key up after {lasted}{where}: no band of the plan is within 1 % of it."
    if not key_down.counts:
        return f"{key_down.band}: key up after {lasted}: tuning.{_turns(key_down)}"
    parts = [f"{key_down.band}: key up after {lasted}."]
    if key_down.power_w is not None:
        droop = f", droop {_percent(key_down.droop.percent)}" if key_down.droop else ""
        parts.append(f"{significant(key_down.power_w)} W{droop}.")
    if key_down.frequency_hz is not None:
        error = key_down.frequency_hz - plan.band(key_down.band).expected_hz
        parts.append(f"{hertz(key_down.frequency_hz)}, {error:+.0f} Hz from the dial.")
    return " ".join(parts)


def _percent(droop: Measured) -> str:
    return with_uncertainty(result(droop, None, Sense.WITHIN), "%")


def _turns(key_down: KeyDown) -> str:
    """What tuning showed, in milliamperes."""
    ways: dict[Measure, str] = {"grid-current": "grid current peaked at", "plate-current": "plate current dipped to"}
    found = [
        f"{way} {significant(1e3 * key_down.turns[measure].value, 3)} mA"
        for measure, way in ways.items()
        if measure in key_down.turns
    ]
    said = ", ".join(found)
    return f" {said[:1].upper()}{said[1:]}." if found else ""


def heard(band: Band | None, frequency_hz: float) -> str:
    """A recognised frequency in one line."""
    if band is None:
        return f"Heard {hertz(frequency_hz)}: no band of the plan is within 1 % of it."
    return f"Heard {hertz(frequency_hz)}: {band.name}, {frequency_hz - band.expected_hz:+.0f} Hz from the dial."


def dial(band: Band) -> str:
    """How this set's dial says it."""
    if band.segment is not None and band.reading is not None:
        return f"{significant(band.reading / 1e3, 6)} kHz in the {megahertz(band.segment)} segment"
    return megahertz(band.dial_hz)


def hertz(frequency_hz: float) -> str:
    """Always to the hertz, so that a changing number does not jump about."""
    return f"{frequency_hz / 1e6:.6f} MHz"


def live(value: float, unit: str) -> str:
    """A value in SI as it changes: with the digits that fit its place, whatever they are."""
    if unit == "Hz":
        return hertz(value)
    factor, unit = fitting(value, unit)
    return f"{significant(value * factor)} {degrees(unit)}".rstrip()
