"""All figures of a record, drawn once: where its document shows them, and by names of their own. Imports matplotlib."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from benchlog.analysis.analyse import Analysis
from benchlog.bench import Bench
from benchlog.cores import each
from benchlog.plan import Plan
from benchlog.report import byband, closeups, figures
from benchlog.report.drawing import Picture
from benchlog.report.words import QUANTITIES

_BARS = {  # quantity -> its figure's name
    "power_w": "power-bands",
    "droop_percent": "droop-bands",
    "frequency_error_hz": "frequency-bands",
    "drift_hz_per_h": "drift-bands",
}


@dataclass(frozen=True, slots=True)
class Pictures:
    """Of one record; what it has no readings for is not there."""

    in_time: Mapping[str, Picture]  # power, frequency
    bars: Mapping[str, Picture]  # by quantity, as ``QUANTITIES`` has them
    close_ups: Sequence[Picture]
    steady: Sequence[Picture]
    others: Sequence[Picture]  # every other channel

    def named(self) -> Iterator[tuple[str, Picture]]:
        """Each with the name it is asked for by."""
        yield from self.in_time.items()
        for quantity, picture in self.bars.items():
            yield _BARS[quantity], picture
        for kind, found in (("close-up", self.close_ups), ("stability", self.steady), ("channel", self.others)):
            for number, picture in enumerate(found, 1):
                yield f"{kind}-{number}", picture


def drawn(analysis: Analysis, bench: Bench, plan: Plan) -> Pictures:
    """All that there are."""
    record = analysis.record
    found = each(
        {
            "others": lambda: list(figures.others_in_time(analysis)),
            "close-ups": lambda: list(closeups.close_ups(analysis, bench, plan)),
            "bars": lambda: {quantity: byband.bars(record, quantity) for quantity in QUANTITIES},
            "steady": lambda: list(byband.stabilities(record)),
            "power": lambda: figures.power_in_time(analysis, bench, plan),
            "frequency": lambda: figures.frequency_in_time(analysis, plan),
        }
    )
    return Pictures(
        in_time={name: found[name] for name in ("power", "frequency") if found[name]},
        bars={quantity: one for quantity, one in found["bars"].items() if one},
        close_ups=found["close-ups"],
        steady=found["steady"],
        others=found["others"],
    )
