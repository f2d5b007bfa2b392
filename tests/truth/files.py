"""The bench and plan files of a simulated session, as a user would write them."""

from __future__ import annotations

from benchlog.bench import Bench, Channel
from benchlog.plan import Plan
from tests import benches
from tests.truth.draw import ACCURACY, EVERY, RANGES, SETTLE_S, Planted
from tests.truth.world import PROBE

MEASURES = {
    "power": ("forward-power", "W"),
    "reflected": ("reflected-power", "W"),
    "frequency": ("frequency", "Hz"),
    "plate": ("plate-voltage", "V"),
    "current": ("plate-current", "A"),
}
KNOWS_RESOLUTION = "resolution" in Channel.model_fields


def bench_of(planted: Planted) -> Bench:
    """Its instruments, with what is stated of their accuracy and resolution."""
    tables = ['[bench]\nname = "North bench"\n']
    for port, name in enumerate(EVERY):
        measures, unit = MEASURES[name]
        scale = PROBE if name == "plate" else 1.0
        lines = [
            f'\n[[instrument]]\nname = "{name} meter"\ndriver = "any"',
            f'address = "TCPIP::127.0.0.1::{5025 + port}::SOCKET"',
            f'\n[[instrument.channel]]\nname = "{name}"\nmeasures = "{measures}"\nunit = "{unit}"',
            f'every = "{EVERY[name]:g} s"\nrange = "{RANGES[name] / scale:g} {unit}"\nscale = {scale:.1f}',
        ]
        of_reading, of_range = ACCURACY[name]
        if planted.stated:
            lines.append(f'of_reading = "{of_reading * 1e6:g} ppm"\nof_range = "{of_range * 1e6:g} ppm"')
        if KNOWS_RESOLUTION and (step := planted.step.get(name, 0.0)):
            lines.append(f'resolution = "{step!r} {unit}"')
        tables.append("\n".join(lines) + "\n")
    return benches.bench_of("".join(tables))


def plan_of(planted: Planted) -> Plan:
    """What is asked of its bands."""
    first = planted.bands[0].name
    tables = [
        '[transmitter]\nname = "Loan set 3"\n',
        f'[sweep]\nkey_down = "20 s"\nrest = "20 s"\nsettle = "{SETTLE_S:g} s"\n',
        f'[soak]\nband = "{first}"\nkey_down = "60 s"\nrest = "30 s"\nlasts = "1 h"\n',
    ]
    for band in planted.bands:
        lines = [
            f'\n[[band]]\nname = "{band.name}"\ndial = "{band.expected_hz:.1f} Hz"',
            f'min_power = "{band.min_power_w!r} W"\nmax_droop = "{100 * band.max_droop!r} %"',
            f'max_frequency_error = "{band.max_error_hz!r} Hz"\nmax_drift = "{band.max_drift_hz_per_h!r} Hz/h"',
        ]
        tables.append("\n".join(lines) + "\n")
    return benches.plan_of("".join(tables))
