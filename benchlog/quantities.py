"""Numbers with units, both ways: ``"14.300 MHz"`` to 14.3e6 and back.

``parse`` reads what people write in the bench and plan files; ``to_si`` turns an instrument's number in the
channel's unit into SI; ``show`` writes numbers for people. SI here means W, Hz, V, A, s, Hz/s, degC and
plain ratios (10 % is 0.1, 30 ppm is 30e-6).
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Literal, get_args

from quantiphy import InvalidNumber, Quantity

Dimension = Literal["power", "frequency", "voltage", "current", "time", "temperature", "ratio", "drift"]
DIMENSIONS: tuple[Dimension, ...] = get_args(Dimension)

# Base unit -> (multiply, divide, add) to SI; a divisor keeps 30 ppm at exactly 3e-05.
# Prefixes (m, k, M ...) are quantiphy's business.
_UNITS: dict[Dimension, dict[str, tuple[float, float, float]]] = {
    "power": {"W": (1, 1, 0)},
    "frequency": {"Hz": (1, 1, 0)},
    "voltage": {"V": (1, 1, 0)},
    "current": {"A": (1, 1, 0)},
    "time": {"s": (1, 1, 0), "min": (60, 1, 0), "h": (3600, 1, 0)},
    "temperature": {"degC": (1, 1, 0), "degF": (5, 9, -160 / 9), "K": (1, 1, -273.15)},
    "ratio": {"%": (1, 100, 0), "ppm": (1, 10**6, 0), "ppb": (1, 10**9, 0)},
    "drift": {"Hz/h": (1, 3600, 0), "Hz/min": (1, 60, 0), "Hz/s": (1, 1, 0)},
}
SI_UNIT: dict[Dimension, str] = {
    "power": "W",
    "frequency": "Hz",
    "voltage": "V",
    "current": "A",
    "time": "s",
    "temperature": "degC",
    "ratio": "",
    "drift": "Hz/s",
}
_DECIBEL_WATTS = {"dBm": 1e-3, "dBW": 1.0}
_EXAMPLE: dict[Dimension, str] = {
    "power": "60 W",
    "frequency": "10.120 MHz",
    "voltage": "850 V",
    "current": "120 mA",
    "time": "20 s",
    "temperature": "90 degC",
    "ratio": "5 %",
    "drift": "200 Hz/h",
}
# quantiphy would otherwise read the d of degC as deci and the m of min as milli.
_KNOWN = "min h degC degF K dBm dBW ppm ppb"


class _Q(Quantity):
    """Our own settings, so that nobody else's use of quantiphy changes ours."""


_Q.set_prefs(known_units=_KNOWN)
_PLAIN = re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*(?P<unit>[^\W\d_].*?|%)?\s*")


def parse(text: object, dimension: Dimension) -> float:
    """What a person wrote, as a number in SI.

    Raises:
        ValueError: not a number with a unit of that dimension; the message says how to write one.
    """
    want = f'a {dimension} is written like "{_EXAMPLE[dimension]}"'
    if not isinstance(text, str):
        raise ValueError(f"{want}: with its unit, in quotes")
    plain = _PLAIN.fullmatch(text)
    if plain is None:  # "0,5 W", "1_000 W" and "nan W" are read by the library, and not as people meant them
        comma = ", with a point and no comma" if re.match(r"\s*[+-]?\d+,\d", text) else ""
        raise ValueError(f"not a number with a unit; {want}{comma}")
    if not plain["unit"]:
        raise ValueError(f"the unit is missing; {want}")
    if plain["unit"] in _DECIBEL_WATTS:
        if dimension != "power":
            raise ValueError(f"{plain['unit']} is not a unit of {dimension}; {want}")
        return _finite(to_si(float(text[: plain.start("unit")]), plain["unit"]), want)
    try:
        quantity = _Q(text)
    except InvalidNumber:
        raise ValueError(f"not a number with a unit; {want}") from None
    unit = str(quantity.units)
    if unit not in _UNITS[dimension]:
        allowed = ", ".join([*_UNITS[dimension], *(_DECIBEL_WATTS if dimension == "power" else ())])
        raise ValueError(f"{plain['unit']!r} is not a unit of {dimension} (known: {allowed}); {want}")
    multiply, divide, add = _UNITS[dimension][unit]
    return _finite(float(quantity.real) * multiply / divide + add, want)


def _finite(number: float, want: str) -> float:
    if not math.isfinite(number):
        raise ValueError(f"not a finite number; {want}")
    return number


def dimension_of(unit: str) -> Dimension:
    """The dimension a channel's unit belongs to.

    Raises:
        ValueError: an unknown unit.
    """
    if unit in _DECIBEL_WATTS:
        return "power"
    for dimension in DIMENSIONS:
        try:
            parse(f"1 {unit}", dimension)
        except ValueError:
            continue
        return dimension
    raise ValueError("unknown unit; known are W, dBm, Hz, V, A, degC, s, % with the usual prefixes (mW, kHz ...)")


@lru_cache  # asked for every reading of a run, and the library takes a tenth of a millisecond to read a unit
def linear(unit: str) -> tuple[float, float]:
    """(factor, offset) with SI = factor x value + offset; dBm and dBW have none and raise ValueError."""
    if unit in _DECIBEL_WATTS:
        raise ValueError(f"{unit} is not linear in watts")
    dimension = dimension_of(unit)
    offset = parse(f"0 {unit}", dimension)
    return parse(f"1 {unit}", dimension) - offset, offset


def to_si(value: float, unit: str) -> float:
    """An instrument's number in its own unit, as a number in SI."""
    if unit in _DECIBEL_WATTS:
        try:
            return float(_DECIBEL_WATTS[unit] * 10 ** (value / 10))
        except OverflowError:  # a million dBm is said by an instrument that talks nonsense, not by a fault of ours
            return math.inf
    factor, offset = linear(unit)
    return value * factor + offset


def show(value: float, unit: str, digits: int = 4) -> str:
    """A number for people: ``show(14.3e6, "Hz")`` is ``14.3 MHz``."""
    if unit in ("%", "ppm", "degC", "s"):
        return f"{value:.{digits}g} {unit}"
    return str(Quantity(value, unit).render(prec=digits - 1, strip_zeros=True))


def plain(value: float, unit: str, digits: int = 4) -> str:
    """The same in the unit itself, for numbers that stand beside others of it: ``2100 Hz against 300 Hz``."""
    if not math.isfinite(value) or value == 0:
        return f"{value:g} {unit}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"
