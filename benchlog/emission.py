"""Peak envelope, mean and carrier power of what a transmitter is made to send while it is measured.

Source: ITU Radio Regulations 1.156 to 1.159 (the terms), Recommendation ITU-R SM.326-7 (how they relate). Peak
envelope power is the mean over one RF cycle at the envelope's crest, mean power the mean over a time long against the
lowest modulating frequency, carrier power the mean over one RF cycle without modulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Mode = Literal["cw", "usb", "lsb", "am"]
Meter = Literal["mean", "pep"]  # what a power meter's indication states
PowerKind = Literal["pep", "mean", "carrier"]
Signal = Literal["carrier", "dots", "one-tone", "two-tone", "speech"]

SIGNALS: dict[Mode, tuple[Signal, ...]] = {
    "cw": ("carrier", "dots"),
    "usb": ("carrier", "one-tone", "two-tone", "speech"),
    "lsb": ("carrier", "one-tone", "two-tone", "speech"),
    "am": ("carrier", "one-tone", "two-tone", "speech"),
}
WORDS: dict[Signal, str] = {
    "carrier": "a steady carrier",
    "dots": "dots, marks as long as spaces",
    "one-tone": "one tone",
    "two-tone": "two equal tones",
    "speech": "speech",
}
MEANT: dict[PowerKind, str] = {"pep": "peak envelope power", "mean": "mean power", "carrier": "carrier power"}


@dataclass(frozen=True, slots=True)
class Emission:
    """What is sent: ``depth`` is the modulation's, of AM, as a plain ratio; of an unmodulated AM carrier the depth
    that the transmitter is taken to reach when it is modulated."""

    mode: Mode
    signal: Signal
    depth: float = 1.0

    def level(self, kind: PowerKind) -> float | None:
        """One kind of power, relative to the carrier (cw, am) or to the crest (usb, lsb).

        Returns None where there is no fixed relation: speech, two tones on AM, the carrier where it is suppressed.
        """
        if self.mode in ("usb", "lsb"):
            mean = {"carrier": 1.0, "one-tone": 1.0, "two-tone": 0.5}.get(self.signal)
            return {"pep": 1.0 if mean else None, "mean": mean, "carrier": None}[kind]
        if self.mode == "cw":
            return 0.5 if self.signal == "dots" and kind == "mean" else 1.0
        if kind == "carrier":
            return 1.0
        if self.signal not in ("carrier", "one-tone"):
            return None
        if kind == "pep":
            return (1 + self.depth) ** 2
        return 1.0 if self.signal == "carrier" else 1 + self.depth**2 / 2

    def indicated(self, meter: Meter) -> float | None:
        """What a meter of one kind shows, in the same terms as ``level``.

        That of an unmodulated AM carrier is the carrier's power on either meter, though the emission's peak envelope
        power, reached when it is modulated, is higher.
        """
        return 1.0 if (self.mode, self.signal) == ("am", "carrier") else self.level(meter)

    def factor(self, meter: Meter, rated: PowerKind | None) -> float | None:
        """What a meter's indication is multiplied by to state the rated kind; None: as the meter states it.

        Returns None where no fixed relation exists.
        """
        if rated is None:
            return 1.0
        shown, wanted = self.indicated(meter), self.level(rated)
        if shown is None or wanted is None:
            return 1.0 if rated == meter else None
        return wanted / shown

    def sensitivity(self, meter: Meter, rated: PowerKind | None) -> float:
        """d ln(factor) / d depth, of AM; 0 where the depth does not enter."""
        if rated is None or self.mode != "am" or not (self.factor(meter, rated) or 0) or not self._modulation_counts:
            return 0.0

        def slope(kind: PowerKind) -> float:
            m = self.depth
            if kind == "carrier" or (kind == "mean" and self.signal == "carrier"):
                return 0.0
            return 2 / (1 + m) if kind == "pep" else m / (1 + m**2 / 2)

        return slope(rated) - (0.0 if self.signal == "carrier" else slope(meter))

    @property
    def _modulation_counts(self) -> bool:
        return self.signal in ("carrier", "one-tone")

    @property
    def steady(self) -> bool:
        """Whether the envelope is, so that every meter shows the same and a reading at any instant will do."""
        return (self.signal == "carrier") or (self.mode in ("usb", "lsb") and self.signal == "one-tone")

    @property
    def described(self) -> str:
        """For people: "two equal tones, a linear amplifier taken for granted"."""
        if self.mode == "am" and self._modulation_counts:
            sent = "one tone at" if self.signal == "one-tone" else "an unmodulated carrier, taken to be modulated to"
            return f"{sent} {100 * self.depth:g} %"
        granted = ", a linear amplifier taken for granted" if self.signal == "two-tone" else ""
        return WORDS[self.signal] + granted
