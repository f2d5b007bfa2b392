"""The dial's part in the bands' frequency errors, and each band's own crystal's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchlog.analysis.accuracy import Accuracy
from benchlog.analysis.results import Dial, Result
from benchlog.analysis.uncertainty import combine, rectangular
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component, Measured

STANDS_OUT = 5 * 1.4826  # times the median of all |own|: 5 robust standard deviations
MIN_DIAL_BANDS = 3


@dataclass(frozen=True, slots=True)
class BandError:
    """One band's frequency error: value and type A uncertainty in Hz, and where it was measured."""

    error: Measured
    expected_hz: float
    tolerance_hz: float | None
    moving_hz: float = 0.0  # by how much it may have moved between its own key-downs and the other bands'


def dial_split(errors: Mapping[str, BandError], accuracy: Accuracy | None = None) -> Dial | None:
    """error_b = common + own_b with median(own) = 0; None below three bands.

    The median is the middle band's error (or the mean of the middle two), and has its uncertainty. The counter's
    gain error is one ratio for all bands, so in ``own`` only the difference of the bands' frequencies from the
    middle one's counts, and its offset cancels. ``common`` is held against the strictest band's tolerance.
    """
    if len(errors) < MIN_DIAL_BANDS:
        return None
    accuracy = accuracy or Accuracy()
    ordered = sorted(errors.values(), key=lambda band: band.error.value)
    half = (len(ordered) - 1) // 2
    middle = ordered[half : len(ordered) - half]
    share = 1 / len(middle)
    common = sum(band.error.value for band in middle) * share
    middle_hz = sum(band.expected_hz for band in middle) * share
    scatter = [Component(band.error.u * share, band.error.dof, "scatter of the middle band", "A") for band in middle]
    tolerances = [band.tolerance_hz for band in errors.values() if band.tolerance_hz is not None]
    common_hz = combine(common, [*scatter, *accuracy.components(middle_hz)])
    own = {
        name: combine(
            band.error.value - common,
            [
                Component(band.error.u, band.error.dof, "scatter of the band", "A"),
                *scatter,
                *_moving(band),
                *accuracy.difference(band.expected_hz, middle_hz),
            ],
        )
        for name, band in errors.items()
    }
    return Dial(
        result(common_hz, min(tolerances, default=None), Sense.WITHIN),
        {name: result(value, None, Sense.WITHIN) for name, value in own.items()},
    )


def _moving(band: BandError) -> list[Component]:
    if not band.moving_hz:
        return []
    return [Component(rectangular(band.moving_hz), source="the frequency still moving while the band was keyed")]


def standing_out(own: Mapping[str, Result]) -> list[str]:
    """Bands whose own error is beyond its uncertainty, and stands out.

    With a good counter every band differs from the middle one by more than its uncertainty; a wrong crystal is told
    by standing out from what the bands commonly differ by.
    """
    values = {name: abs(found.value) for name, found in own.items() if found.value is not None}
    common_spread = STANDS_OUT * float(np.median(list(values.values()))) if values else 0.0
    return [
        name
        for name, value in values.items()
        if (guard := own[name].expanded) is not None and value > max(guard, common_spread)
    ]
