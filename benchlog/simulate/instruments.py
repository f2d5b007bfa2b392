"""The six instruments of the simulated bench: what they measure, how well, and how they say it.

Numbers in, lines out: an instrument gets the moment's truth from a function and knows nothing of sockets.
What the bench file states of an instrument (full scale, accuracy) and what it does come from the same ``Meter``.
"""

from __future__ import annotations

import re
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchlog.simulate.noise import uniform
from benchlog.simulate.physics import Moment

OVER_RANGE = "9.9E37"  # SCPI-1999 vol. 1 §7.2.1
NOT_A_NUMBER = "9.91E37"

Now = Callable[[], Moment]
"""The truth at this moment."""


@dataclass(frozen=True, slots=True)
class Meter:
    """One measuring function: what its data sheet promises, and where it really stands within that.

    Its error is one gain error for life, so that it is common to all readings and leaves zero alone: keyed up, a
    wattmeter shows no power. The data sheet's limits are never exceeded: |error| <= (of_reading + of_range) x reading.
    """

    full_scale: float
    of_reading: float
    of_range: float
    resolution: float
    gain: float = 0.0  # its own error, a share of the reading

    def made(self, seed: int, what: str) -> Meter:
        """One that left the works: its gain error is anywhere between the limits, as the seed decides."""
        limit = self.of_reading + self.of_range
        gain = (2 * uniform(seed, f"gain of {what}") - 1) * limit
        return Meter(self.full_scale, self.of_reading, self.of_range, self.resolution, gain)

    def reads(self, true: float) -> float | None:
        """What it shows; None above its range."""
        shown = round(true * (1 + self.gain) / self.resolution) * self.resolution
        return None if abs(shown) > self.full_scale else shown


class Scpi:
    """The command side of an instrument: ``*IDN?``, an error queue, and its own queries.

    A key of ``queries`` is a header as manuals print it, short form in capitals: ``MEASure:POWer?``. Commands in
    ``settings`` are taken and do nothing. Anything else queues -113. Called from any number of threads.
    """

    QUEUE = 16

    def __init__(self, identity: str, queries: Mapping[str, Callable[[], str]], settings: tuple[str, ...] = ()) -> None:
        self._errors: deque[str] = deque()
        self._lock = threading.Lock()
        own: dict[str, Callable[[], str]] = {
            "*IDN?": lambda: identity,
            "*OPC?": lambda: "1",
            "SYSTem:ERRor?": self._next_error,
            "SYSTem:ERRor:NEXT?": self._next_error,
        }
        self._queries = [(_header(name), answer) for name, answer in {**own, **queries}.items()]
        self._settings = [_header(name) for name in ("*RST", *settings)]

    def __call__(self, line: str) -> str | None:
        """One line to its reply; None for a command, and for what it does not know."""
        words = line.split(None, 1)
        head = words[0] if words else ""
        if head.upper() == "*CLS":
            with self._lock:
                self._errors.clear()
            return None
        for pattern, answer in self._queries:
            if pattern.fullmatch(head):
                if len(words) == 1:
                    return answer()
                self._fault('-108,"Parameter not allowed"')
                return None
        if not any(pattern.fullmatch(head) for pattern in self._settings):
            self._fault(f'-113,"Undefined header;{head[:40]}"')
        return None

    def _fault(self, error: str) -> None:
        with self._lock:
            if len(self._errors) == self.QUEUE:  # SCPI-1999: the newest entry makes way
                self._errors[-1] = '-350,"Queue overflow"'
            else:
                self._errors.append(error)

    def _next_error(self) -> str:
        with self._lock:
            return self._errors.popleft() if self._errors else '0,"No error"'


def _header(name: str) -> re.Pattern[str]:
    """``MEASure:POWer?`` matches its long and its short form, each word by itself, a leading colon, in any case."""
    words = [re.sub(r"[a-z]+", lambda rest: f"(?:{rest[0]})?", re.escape(word)) for word in name.split(":")]
    return re.compile(":?" + ":".join(words), re.IGNORECASE)


def measured(now: Now, latency_s: float, say: Callable[[Moment], str]) -> Callable[[], str]:
    """A reading that takes ``latency_s`` of real time and is taken in the middle of it."""

    def answer() -> str:
        time.sleep(latency_s / 2)
        said = say(now())
        time.sleep(latency_s / 2)
        return said

    return answer


# Data sheets of our own invention, in W, Hz, V behind the probe, A, mA, V and degC.
WATTMETER = Meter(full_scale=250.0, of_reading=0.0, of_range=0.05, resolution=0.1)
COUNTER = Meter(full_scale=30e6, of_reading=0.5e-6, of_range=0.0, resolution=1.0)
VOLTMETER = Meter(full_scale=2.0, of_reading=0.01, of_range=0.0005, resolution=1e-5)
AMMETER = Meter(full_scale=0.6, of_reading=0.01, of_range=0.002, resolution=1e-4)
GRID_METER = Meter(full_scale=20.0, of_reading=0.01, of_range=0.001, resolution=0.01)
LEVEL_METER = Meter(full_scale=10.0, of_reading=0.005, of_range=0.001, resolution=0.001)
THERMOMETER = Meter(full_scale=200.0, of_reading=0.005, of_range=0.005, resolution=0.1)
PROBE = 1000.0
AMMETER_ASK = "I?"
AMMETER_PATTERN = r"I=(?P<amperes>[+-]\d\.\d{4}|OL) A"
THERMOMETER_PATTERN = r"T=(?P<celsius>-?\d+\.\d|OL) C"
TEXT_OVER_RANGE = "OL"
THERMOMETER_EVERY_S = 0.5


def wattmeter(now: Now, seed: int, pace: float) -> Scpi:
    """Forward and reflected power in one reply, in watts: ``+104.3,+0.2``."""
    meter = WATTMETER.made(seed, "wattmeter")

    def say(moment: Moment) -> str:
        return ",".join(_said(meter.reads(watts), "+.1f") for watts in (moment.forward_w, moment.reflected_w))

    power = measured(now, 0.010 * pace, say)
    return Scpi("Example,SIM-W250,W0017,1.2", {"MEASure:POWer?": power}, settings=("CONFigure:POWer",))


def counter(now: Now, seed: int, pace: float) -> Scpi:
    """Frequency in hertz, ``1.4300031E+07``; not a number without a signal."""
    meter = COUNTER.made(seed, "counter")

    def say(moment: Moment) -> str:
        if moment.frequency_hz is None:
            return NOT_A_NUMBER
        return _said(meter.reads(moment.frequency_hz), ".7E")

    frequency = measured(now, 0.050 * pace, say)  # its gate is open so long
    return Scpi("Example,SIM-F30,F0042,2.0", {"MEASure:FREQuency?": frequency}, settings=("CONFigure:FREQuency",))


def voltmeter(now: Now, seed: int, pace: float) -> Scpi:
    """Volts behind the probe, ``+8.53120E-01``: the plate's are ``PROBE`` times that."""
    meter = VOLTMETER.made(seed, "voltmeter")
    voltage = measured(now, 0.020 * pace, lambda moment: _said(meter.reads(moment.plate_v / PROBE), "+.5E"))
    return Scpi(
        "Example,SIM-V6,V0008,1.0",
        {"MEASure:VOLTage?": voltage, "MEASure:VOLTage:DC?": voltage},
        settings=("CONFigure:VOLTage", "CONFigure:VOLTage:DC"),
    )


def ammeter(now: Now, seed: int, pace: float) -> Callable[[str], str]:
    """A serial multimeter: ``I?`` brings ``I=+0.2603 A``, ``I=OL A`` over range; anything else only ``?``."""
    meter = AMMETER.made(seed, "ammeter")

    def say(moment: Moment) -> str:
        return f"I={_said(meter.reads(moment.plate_a), '+.4f', TEXT_OVER_RANGE)} A"

    current = measured(now, 0.015 * pace, say)
    return lambda line: current() if line.strip() == AMMETER_ASK else "?"


def multimeter(now: Now, seed: int, pace: float) -> Scpi:
    """Two inputs: grid current in milliamperes, ``+4.01``, and the level control's voltage, ``-0.300``."""
    grid, level = GRID_METER.made(seed, "grid meter"), LEVEL_METER.made(seed, "level meter")
    current = measured(now, 0.020 * pace, lambda moment: _said(grid.reads(1e3 * moment.grid_a), "+.2f"))
    voltage = measured(now, 0.020 * pace, lambda moment: _said(level.reads(moment.alc_v), "+.3f"))
    return Scpi("Example,SIM-M2,M0031,1.1", {"MEASure:CURRent?": current, "MEASure:VOLTage?": voltage})


def thermometer(now: Now, seed: int, pace: float) -> Callable[[], tuple[float, str]]:
    """A thermocouple reader that talks by itself: ``T=41.3 C``, and the next ``THERMOMETER_EVERY_S`` later.

    Gives the wait and then the line; ``now`` must look that far ahead.
    """
    meter = THERMOMETER.made(seed, "thermometer")

    def following() -> tuple[float, str]:
        return THERMOMETER_EVERY_S * pace, f"T={_said(meter.reads(now().stage_c), '.1f', TEXT_OVER_RANGE)} C"

    return following


def _said(value: float | None, form: str, over_range: str = OVER_RANGE) -> str:
    return over_range if value is None else format(value, form)
