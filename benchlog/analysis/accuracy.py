"""What an instrument's data sheet, resolution and calibration leave open about a channel's corrected values (type B).

Accuracy limits are rectangular (GUM 4.3.7) and common to all readings of a channel: one unknown number between -1 and
1 times (gain x reading + offset). So they do not average away, and cancel where the channel is compared with itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.analysis.uncertainty import rectangular
from benchlog.bench import Bench, Channel
from benchlog.model import Component, Measure

HARMONICS = 1000  # of the rounding's sawtooth; without noise the sum is short of step / sqrt(12) by 0.03 %


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A channel's accuracy limits, +/- (gain x reading + offset), on its corrected SI values, and its resolution."""

    gain: float = 0.0  # of the reading, a plain ratio
    offset: float = 0.0  # of full scale, SI, times |scale|
    zero: float = 0.0  # what the correction adds to every reading: no part of what the instrument read
    channel: str = ""  # its name, for budgets
    resolution: float = 0.0  # the smallest step of a reading, SI, times |scale|

    @classmethod
    def of(cls, channel: Channel) -> Accuracy:
        """From the bench file."""
        offset = channel.of_range * channel.range_si * abs(channel.scale)
        return cls(channel.of_reading, offset, channel.offset_si, channel.name)

    @classmethod
    def measuring(cls, bench: Bench, measure: Measure) -> Accuracy:
        """Of the channel that measures something; of no error where none does."""
        channel = bench.measuring(measure)
        return cls.of(channel) if channel else cls()

    def limit(self, value: float) -> float:
        """Half-width a of the rectangular distribution about a corrected value."""
        return self.gain * abs(value - self.zero) + self.offset

    def u(self, value: float) -> float:
        """Standard uncertainty from the limits alone."""
        return rectangular(self.limit(value))

    def components(self, value: float, *, sd: float = 0.0, at_hz: float | None = None) -> list[Component]:
        """The type B lines of a mean of readings.

        Args:
            value: corrected, SI.
            sd: standard deviation of the single readings; noise wider than a step averages the step's rounding out.
            at_hz: the frequency the transmitter was on, for corrections that depend on it.
        """
        lines = [Component(self.u(value), source=f"accuracy of {self.channel}", shared=self.shared)]
        if (u := rounding(self.resolution, sd)) > 0:
            lines.append(Component(u, source=f"resolution of {self.channel}"))
        return lines

    def difference(self, value: float, other: float) -> list[Component]:
        """The type B lines of value - other, both read on this channel: only the gain's part does not cancel."""
        return [
            Component(rectangular(self.gain * (value - other)), source=f"gain of {self.channel}", shared=self.shared)
        ]

    @property
    def shared(self) -> str:
        """The name of the error that all readings of the channel share."""
        return f"{self.channel} accuracy"


def rounding(step: float, sd: float) -> float:
    """Standard uncertainty that rounding to ``step`` leaves in the mean of many readings with Gaussian noise ``sd``.

    step / sqrt(12) without noise (GUM F.2.2.1); noise dithers it away: the mean is biased by a sawtooth of the true
    value, whose k-th harmonic, of amplitude step / (pi k), shrinks by exp(-2 (pi k sd / step)**2).
    Source: B. Widrow, I. Kollar, Quantization Noise, 2008, ch. 4 and 9 (from memory).
    """
    if step <= 0:
        return 0.0
    noise = 2 * (math.pi * sd / step) ** 2
    terms = (math.exp(-2 * noise * k**2) / (2 * (math.pi * k) ** 2) for k in range(1, HARMONICS))
    return step * math.sqrt(math.fsum(terms))
