"""What an instrument's data sheet, resolution and calibration leave open about a channel's corrected values (type B).

Accuracy limits are rectangular (GUM 4.3.7) and common to all readings of a channel: one unknown number between -1 and
1 times (gain x reading + offset). So they do not average away, and cancel where the channel is compared with itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchlog.analysis.uncertainty import rectangular
from benchlog.bench import Bench, Channel
from benchlog.correction import CorrectionTable, K
from benchlog.model import Component, Measure

HARMONICS = 1000  # of the rounding's sawtooth; without noise the sum is short of step / sqrt(12) by 0.03 %


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A channel's accuracy limits, +/- (gain x reading + offset), on its corrected SI values; resolution; calibration.

    ``at`` gives that of one band, the factor and the uncertainty of a correction table looked up there.
    """

    gain: float = 0.0  # of the reading, a plain ratio
    offset: float = 0.0  # of full scale, SI, times |scale| and the factor
    zero: float = 0.0  # what the correction adds to every reading: no part of what the instrument read
    channel: str = ""  # its name, for budgets
    resolution: float = 0.0  # the smallest step of a reading, SI, times |scale| and the factor
    step: float = 0.0  # the same of an instrument that shows decibels, as a share of the reading
    reference: float = 0.0  # relative standard uncertainty of a counter's time base
    reference_name: str = ""  # of the error that this leaves, for budgets
    table: CorrectionTable | None = None  # not yet looked up
    correction: float = 0.0  # relative standard uncertainty of the table, once looked up
    table_name: str = ""  # of the error that this leaves

    @classmethod
    def of(cls, channel: Channel) -> Accuracy:
        """From the bench file, the table not yet looked up."""
        scale, table = abs(channel.scale), channel.table
        factor = channel.factor(None) if table is None else 1.0
        # The same certificate's error in two sessions is one error, and may cancel; that of another one is another.
        stated = f"{1e6 * channel.reference_offset:.9g} ± {1e6 * channel.reference_uncertainty:.9g} ppm"
        return cls(
            gain=channel.of_reading,
            offset=channel.of_range * channel.range_si * scale * factor,
            zero=channel.offset_si * factor,
            channel=channel.name,
            resolution=channel.resolution_si * scale * factor,
            step=channel.resolution_ratio,
            reference=channel.reference_uncertainty / K,
            reference_name=f"{channel.name} time base ({stated})",
            table=table,
            table_name=f"{channel.name} correction ({table.name}, {table.sha256[:12]})" if table else "",
        )

    @classmethod
    def measuring(cls, bench: Bench, measure: Measure) -> Accuracy:
        """Of the channel that measures something; of no error where none does."""
        channel = bench.measuring(measure)
        return cls.of(channel) if channel else cls()

    def at(self, hz: float | None) -> Accuracy:
        """On values taken at one frequency of the transmitter.

        None, where that is not known: with the largest factor, as the values have it then, and the largest uncertainty.
        """
        if self.table is None:
            return self
        factor = self.table.largest if hz is None else self.table.at(hz)
        return replace(
            self,
            offset=self.offset * factor,
            zero=self.zero * factor,
            resolution=self.resolution * factor,
            table=None,
            correction=max(self.table.relative_u) if hz is None else self.table.relative_u_at(hz),
        )

    def limit(self, value: float) -> float:
        """Half-width a of the rectangular distribution about a corrected value."""
        return self.gain * abs(value - self.zero) + self.offset

    def u(self, value: float) -> float:
        """Standard uncertainty from the limits alone."""
        return rectangular(self.limit(value))

    def smallest_step(self, value: float) -> float:
        """What corrected values about ``value`` move by at least, SI; 0 where the bench file does not say."""
        return self.resolution + self.step * abs(value - self.zero)

    def components(self, value: float, *, sd: float = 0.0, at_hz: float | None = None) -> list[Component]:
        """The type B lines of a mean of readings.

        Args:
            value: corrected, SI.
            sd: standard deviation of the single readings; noise wider than a step averages the step's rounding out.
            at_hz: the frequency the transmitter was on, for a correction table; not needed after ``at``.
        """
        here = self.at(at_hz)
        lines = [Component(here.u(value), source=f"accuracy of {self.channel}", shared=self.shared)]
        if (u := rounding(here.smallest_step(value), sd)) > 0:
            lines.append(Component(u, source=f"resolution of {self.channel}"))
        return lines + here._calibration(value)

    def difference(self, apart: float) -> list[Component]:
        """The type B lines of a difference of two values of this channel: only what grows with the reading is left.

        Both are taken at one frequency of the transmitter, or are frequencies. A slope is such a difference too.
        """
        gain = Component(rectangular(self.gain * apart), source=f"gain of {self.channel}", shared=self.shared)
        return [gain, *self.at(None)._calibration(apart)]

    def _calibration(self, value: float) -> list[Component]:
        lines = []
        if self.reference:
            source = f"calibration of the time base of {self.channel}"
            lines.append(Component(self.reference * value, source=source, shared=self.reference_name))
        if self.correction:
            source = f"calibration of {self.channel} (correction table)"
            lines.append(Component(self.correction * value, source=source, shared=self.table_name))
        return lines

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
