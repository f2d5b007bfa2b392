"""The faults: what is done while the key is down, and from when on the key has one second."""

from __future__ import annotations

import signal
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from benchlog.simulate.keybox import Mode
from tests.trials.rig import Rig

Rule = Literal["fault", "quiet", "crossing", "plugged", "goes on"]
RULES: dict[Rule, str] = {
    "fault": "from the fault",
    "quiet": "from the moment the channel counts as quiet: its last good reading + the larger of 1 s and two periods",
    "crossing": "from the stamp of the first stored reading over the limit",
    "plugged": "nobody can key up a box that holds its state while its cable is pulled: the key must be down until it "
    "is plugged in again, and up within 1 s from then",
    "goes on": "no reason to key up: the key must stay down, the run go on, and an event say what happened; the second "
    "counts from SIGTERM after that",
}


@dataclass(frozen=True)
class Fault:
    """One row of the table.

    Args:
        channel: whose silence or readings the rule is about.
        over: a reading of that channel above this, as stored, is one over the limit.
        event: the kind of event that must be in the store.
    """

    name: str
    inject: Callable[[Rig], None]
    rule: Rule = "fault"
    channel: str = ""
    over: float = 0.0
    event: str = ""
    box: Mode = "drop"
    limits: str = ""
    wrapped: str = ""
    small_disk: bool = False


def _logger(number: signal.Signals) -> Callable[[Rig], None]:
    return lambda rig: rig.signal_logger(number)


def _guard(number: signal.Signals) -> Callable[[Rig], None]:
    return lambda rig: rig.signal_guard(number)


def _tell(*lines: str) -> Callable[[Rig], None]:
    def tell(rig: Rig) -> None:
        for line in lines:
            rig.bench.tell(line)

    return tell


_USR1 = _logger(signal.SIGUSR1)
_STRANGER = ("trouble wattmeter=hang-up", "says wattmeter Example,SIM-X1,X0001,0.1")

FAULTS = (
    Fault("SIGKILL of the logger", _logger(signal.SIGKILL)),
    Fault("SIGSTOP of the logger", _logger(signal.SIGSTOP)),
    Fault("SIGTERM of the logger", _logger(signal.SIGTERM)),
    Fault("SIGKILL of the guard", _guard(signal.SIGKILL)),
    Fault("SIGSTOP of the guard", _guard(signal.SIGSTOP)),
    Fault("SIGKILL of the guard (box: hold)", _guard(signal.SIGKILL), box="hold"),
    Fault("power meter silent", _tell("trouble wattmeter=silent"), "quiet", "power"),
    Fault("power meter closed", _tell("trouble wattmeter=hang-up"), "quiet", "power"),
    Fault("power meter garbage", _tell("trouble wattmeter=garbage"), "quiet", "power"),
    Fault("power meter wrong instrument", _tell(*_STRANGER), "quiet", "power", event="wrong-instrument"),
    Fault(
        "frequency counter gone",
        _tell("trouble counter=hang-up"),
        "quiet",
        "frequency",
        limits='frequency = ["3 MHz", "4 MHz"]',
    ),
    Fault("plate voltage over limit", _tell("says voltmeter +1.05000E+00"), "crossing", "plate voltage", 1.0, "limit"),
    Fault("temperature over limit", _tell("says thermometer T=95.0 C"), "crossing", "stage temperature", 90, "limit"),
    Fault(
        "SWR over limit", _tell("says wattmeter +110.0,+60.0"), "crossing", "reflected", 50, "limit", limits="swr = 3.0"
    ),
    Fault("disk full", Rig.fill_disk, small_disk=True),
    Fault("store locked", Rig.lock_store),
    Fault("host clock +1 h", _USR1, "goes on", event="clock", wrapped="clock+"),
    Fault("host clock -1 h", _USR1, "goes on", event="clock", wrapped="clock-"),
    Fault("event loop blocked 5 s", _USR1, wrapped="blocked"),
    Fault("out of file descriptors", Rig.starve, "quiet", "power"),
    Fault("key box cable pulled (box: timeout)", _tell("cable pulled"), box="timeout"),
    Fault("key box cable pulled (box: drop)", _tell("cable pulled"), "plugged", box="drop"),
    Fault("key box cable pulled (box: hold)", _tell("cable pulled"), "plugged", box="hold"),
    Fault("key box cable reset (box: timeout)", _tell("cable reset"), box="timeout"),
    Fault("key box cable reset (box: drop)", _tell("cable reset"), box="drop"),
    Fault("key box cable reset (box: hold)", _tell("cable reset"), box="hold"),
)
