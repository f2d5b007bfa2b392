"""The dial's part in the bands' frequency errors, and each band's own crystal's."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.results import Dial, Result
from benchlog.analysis.uncertainty import UNKNOWN, combine, rectangular
from benchlog.analysis.verdicts import Sense, result
from benchlog.analysis.wild import robust_sd
from benchlog.model import Component, Measured

Array = NDArray[np.float64]

STANDS_OUT = 5.0  # robust standard deviations of what is each band's own
MATTERS = 1 / 5  # of a band's max_frequency_error
MIN_DIAL_BANDS = 3
DRAWS = 4000
FAR_HZ = 1e12


@dataclass(frozen=True, slots=True)
class BandError:
    """One band's frequency error: value and type A uncertainty in Hz, and where it was measured."""

    error: Measured
    expected_hz: float
    tolerance_hz: float | None
    rounding_hz: float = 0.0  # standard uncertainty that the counter's resolution leaves
    moving_hz: float = 0.0  # by how much it may have moved between its own key-downs and the other bands'


def dial_split(errors: Mapping[str, BandError], accuracy: Accuracy | None = None) -> Dial | None:
    """error_b = common + own_b with median(own) = 0; None below three bands.

    A median is no smooth function: with a counter that may be off by more than the bands differ, which band is the
    middle one is itself uncertain. So each source of error is drawn from its distribution and carried through the
    split (JCGM 101:2008, 7), one number for all bands where the counter's error is one: what is common to the bands
    then cancels in ``own`` as it should. ``common`` is held against the strictest band's tolerance.
    """
    if len(errors) < MIN_DIAL_BANDS:
        return None
    accuracy = accuracy or Accuracy()
    found = np.array([band.error.value for band in errors.values()])
    common = float(np.median(found))
    sources = [(line, *_split(found + drawn, common, found - common)) for line, drawn in _sources(errors, accuracy)]
    middle = _middle(errors)
    common_hz = combine(common, [_line(line, u, middle) for line, u, _ in sources])
    own = {}
    for i, (name, band) in enumerate(errors.items()):
        budget = [_line(line, float(us[i]), [*middle, band.error]) for line, _, us in sources]
        own[name] = combine(float(found[i]) - common, [*budget, *_moving(band)])
    tolerances = [band.tolerance_hz for band in errors.values() if band.tolerance_hz is not None]
    return Dial(
        result(common_hz, min(tolerances, default=None), Sense.WITHIN),
        {name: result(value, None, Sense.WITHIN) for name, value in own.items()},
    )


def _middle(errors: Mapping[str, BandError]) -> list[Measured]:
    """The error or the two errors that the median is made of."""
    ordered = sorted((band.error for band in errors.values()), key=lambda error: error.value)
    half = (len(ordered) - 1) // 2
    return ordered[half : len(ordered) - half]


def _line(line: Component, u: float, noise_of: Sequence[Measured]) -> Component:
    """A source's line in one budget; scatter is known as well as that of the bands it is mostly made of."""
    if line.evaluated == "B":
        return replace(line, u=u)
    known = combine(0.0, [Component(error.u, error.dof) for error in noise_of])
    return replace(line, u=u if math.isfinite(known.u) else UNKNOWN, dof=known.dof)


def _split(errors: Array, common: float, own: Array) -> tuple[float, Array]:
    """By how much (root mean square) common and own, (bands,), of drawn errors (draws, bands) miss what was found."""
    errors = np.nan_to_num(errors, posinf=FAR_HZ, neginf=-FAR_HZ)  # of bands whose scatter is unknown
    drawn = np.median(errors, axis=1, keepdims=True)
    return float(np.sqrt(np.mean((drawn - common) ** 2))), np.sqrt(np.mean((errors - drawn - own) ** 2, axis=0))


def _sources(errors: Mapping[str, BandError], accuracy: Accuracy) -> Iterator[tuple[Component, Array]]:
    """Each source of error: its line in the budgets, and draws of it in Hz, (draws, bands). The same every time."""
    bands, rng = list(errors.values()), np.random.default_rng(DRAWS)
    places = np.array([band.expected_hz for band in bands])
    one = (2 * np.arange(DRAWS)[:, None] + 1) / DRAWS - 1  # evenly from -1 to 1: what is common is exact
    scatter = np.array([band.error.u for band in bands])
    yield Component(0.0, 1.0, "scatter of the bands", "A"), scatter * rng.standard_normal((DRAWS, len(bands)))
    limits = np.array([accuracy.limit(hz) for hz in places])
    if limits.any():
        yield Component(0.0, source=f"accuracy of {accuracy.channel}", shared=accuracy.shared), one * limits
    if accuracy.reference:
        source = f"calibration of the time base of {accuracy.channel}"
        normal = np.array([NormalDist().inv_cdf((1 + float(x)) / 2) for x in one[:, 0]])[:, None]
        line = Component(0.0, source=source, shared=accuracy.reference_name)
        yield line, accuracy.reference * places * normal / np.sqrt(np.mean(normal**2))
    rounding = np.array([band.rounding_hz for band in bands])
    if rounding.any():
        yield (
            Component(0.0, source=f"resolution of {accuracy.channel}"),
            math.sqrt(3) * rounding * rng.uniform(-1, 1, (DRAWS, len(bands))),
        )


def _moving(band: BandError) -> list[Component]:
    """In the band's own error only: were it the middle one, the others would tell where the middle is."""
    if not band.moving_hz:
        return []
    return [Component(rectangular(band.moving_hz), source="the frequency still moving while the band was keyed")]


def standing_out(own: Mapping[str, Result], tolerances_hz: Mapping[str, float | None]) -> list[str]:
    """Bands whose own error is beyond its uncertainty, and stands out.

    With a good counter every band differs from the middle one by more than its uncertainty, as crystals do (common
    practice, no source). A wrong one is told by standing out from what the bands commonly differ by, and by taking
    more than a fifth of what the plan allows the band, where it allows something.
    """
    values = {name: abs(found.value) for name, found in own.items() if found.value is not None}
    common_spread = STANDS_OUT * robust_sd(np.array(list(values.values()))) if values else 0.0
    return [
        name
        for name, value in values.items()
        if (guard := own[name].expanded) is not None
        and value > max(guard, common_spread, MATTERS * (tolerances_hz.get(name) or 0.0))
    ]
