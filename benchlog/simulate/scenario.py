"""The invented transmitter behind the demo, and the bench and plan files that go with it.

Loan set 3 is an HF valve set of the 100 W class (common practice, no source: about 850 V on the plates under load,
275 V on the driver, -100 V of bias, 6.3 V heaters). It makes an interesting record: four bands are sound, the
15 m crystal is off by more than the plan allows, 10 m loses power as it warms,
and the dial reads a little low everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchlog.simulate import instruments as meters
from benchlog.simulate.physics import BandTruth, Truth

LOAN_SET_3 = Truth(
    name="Loan set 3",
    serial="0042",
    bands=(
        BandTruth("80 m", 3.600e6, 140.0, plate_current_a=0.262, crystal_error_hz=+4.0, load_swr=1.05),
        BandTruth("40 m", 7.050e6, 140.0, plate_current_a=0.262, crystal_error_hz=-7.0, load_swr=1.06),
        BandTruth("20 m", 14.300e6, 128.0, plate_current_a=0.254, crystal_error_hz=+11.0, load_swr=1.08),
        BandTruth("15 m", 21.200e6, 114.0, plate_current_a=0.246, crystal_error_hz=+412.0, load_swr=1.10),
        BandTruth("10 m", 28.300e6, 112.0, plate_current_a=0.246, crystal_error_hz=-15.0, load_swr=1.13, droop=0.18),
    ),
    dial_error_hz=34.0,
    warm_up_hz=150.0,
    warm_up_s=900.0,
    on_before_s=1800.0,
    slow_sag_v=4.0,
)

KEY_DOWN_S, REST_S, SETTLE_S = 20.0, 10.0, 2.0  # the plan's


def bench_file(addresses: Mapping[str, str]) -> str:
    """The bench file of the simulated bench: six instruments at these addresses, and a key line if there is one."""
    key = (
        f"""
[key]                               # whoever holds this line keys the transmitter
driver = "serial-line"
address = "{addresses["key"]}"
line = "rts"
"""
        if "key" in addresses
        else ""
    )
    return f"""\
# A simulated bench. The instruments are programs, the sockets and serial lines between are real.
# The addresses are new each time it starts, so this file is good for as long as it runs.

[bench]
name = "Simulated bench"

[load]                              # the dummy load
continuous = "200 W"
cooling = "240 s"                   # thermal time constant

[limits]                            # what must not be exceeded
key_down = "90 s"                   # longest single key-down
plate-voltage = ["600 V", "1000 V"]
plate-current = ["", "350 mA"]
temperature = ["", "90 degC"]
{key}
[[instrument]]
name = "wattmeter"
driver = "scpi"
address = "{addresses["wattmeter"]}"
identity = "^Example,SIM-W250,"
timeout = "2 s"
setup = ["CONF:POW"]

[[instrument.channel]]              # one query, two numbers
name = "power"
measures = "forward-power"
unit = "W"
ask = "MEAS:POW?"
field = 0
every = "200 ms"
{_data_sheet(meters.WATTMETER, "W")}

[[instrument.channel]]
name = "reflected"
measures = "reflected-power"
unit = "W"
ask = "MEAS:POW?"
field = 1
every = "200 ms"
{_data_sheet(meters.WATTMETER, "W")}

[[instrument]]
name = "counter"
driver = "scpi"
address = "{addresses["counter"]}"
identity = "^Example,SIM-F30,"
timeout = "2 s"
setup = ["CONF:FREQ"]

[[instrument.channel]]              # not a number while there is no signal
name = "frequency"
measures = "frequency"
unit = "Hz"
ask = "MEAS:FREQ?"
every = "500 ms"
range = "{meters.COUNTER.full_scale / 1e6:g} MHz"
of_reading = "{1e6 * meters.COUNTER.of_reading:g} ppm"

[[instrument]]
name = "voltmeter"
driver = "scpi"
address = "{addresses["voltmeter"]}"
identity = "^Example,SIM-V6,"
timeout = "2 s"

[[instrument.channel]]              # through a high-voltage probe
name = "plate voltage"
measures = "plate-voltage"
unit = "V"
ask = "MEAS:VOLT?"
every = "500 ms"
{_data_sheet(meters.VOLTMETER, "V")}
scale = {meters.PROBE:.1f}                      # of the probe

[[instrument]]
name = "ammeter"
driver = "serial-text"
address = "{addresses["ammeter"]}"
timeout = "2 s"

[instrument.options]                # asks a line, gets a line
baud = 115200
pattern = '{meters.AMMETER_PATTERN}'
over_range = "{meters.TEXT_OVER_RANGE}"

[[instrument.channel]]
name = "plate current"
measures = "plate-current"
unit = "A"
ask = "{meters.AMMETER_ASK}"
field = "amperes"
every = "200 ms"                    # a dip is passed in a second
{_data_sheet(meters.AMMETER, "mA", 1e3, step=True)}

[[instrument]]
name = "multimeter"
driver = "scpi"
address = "{addresses["multimeter"]}"
identity = "^Example,SIM-M2,"
timeout = "2 s"

[[instrument.channel]]
name = "grid current"
measures = "grid-current"
unit = "mA"
ask = "MEAS:CURR?"
every = "200 ms"
{_data_sheet(meters.GRID_METER, "mA", step=True)}

[[instrument.channel]]              # the level control's line
name = "level control"
measures = "alc"
unit = "V"
ask = "MEAS:VOLT?"
every = "200 ms"
{_data_sheet(meters.LEVEL_METER, "V", step=True)}

[[instrument]]
name = "thermometer"
driver = "serial-text"
address = "{addresses["thermometer"]}"
timeout = "3 s"

[instrument.options]                # talks by itself, twice a second
baud = 115200
pattern = '{meters.THERMOMETER_PATTERN}'
over_range = "{meters.TEXT_OVER_RANGE}"

[[instrument.channel]]
name = "stage temperature"
measures = "temperature"
unit = "degC"
field = "celsius"
every = "1 s"
{_data_sheet(meters.THERMOMETER, "degC")}
"""


def _data_sheet(meter: meters.Meter, unit: str, per_unit: float = 1.0, *, step: bool = False) -> str:
    """A channel's full scale and accuracy; with ``step`` also the smallest step it shows."""
    lines = [
        f'range = "{per_unit * meter.full_scale:g} {unit}"',
        f'of_reading = "{100 * meter.of_reading:g} %"',
        f'of_range = "{100 * meter.of_range:g} %"',
    ]
    return "\n".join(lines + [f'resolution = "{per_unit * meter.resolution:g} {unit}"'] * step)


def plan_file(truth: Truth) -> str:
    """The plan file for a transmitter: it must make 100 W below 20 MHz, 90 W on 15 m and 80 W above."""
    bands = "".join(_band(band) for band in truth.bands)
    return f"""\
# What {truth.name} must show, band by band.

[transmitter]
name = "{truth.name}"
serial = "{truth.serial}"

[sweep]
key_down = "{KEY_DOWN_S:g} s"
rest = "{REST_S:g} s"
settle = "{SETTLE_S:g} s"                      # ignored at the start of each key-down
tuning = [
    "drive at minimum, grid and plate preset for the band",
    "tap the key, two seconds at most, for each of these:",
    "raise the drive until grid current shows, peak it",
    "dip the plate current",
    "load for power, back off until the level control just moves",
]

[soak]                              # a heat run, hours instead of a minute
band = "{truth.bands[0].name}"
key_down = "60 s"
rest = "120 s"
lasts = "8 h"
{bands}"""


def _band(band: BandTruth) -> str:
    low, high = 20e6, 25e6  # 15 m lies between
    min_power = 100 if band.dial_hz < low else 90 if band.dial_hz < high else 80
    place = f'dial = "{band.dial_hz / 1e6:.3f} MHz"'
    if band.name == "20 m":  # the same place as this set's two-part dial says it
        segment = f'segment = "{(band.dial_hz - 100e3) / 1e6:.3f} MHz"'
        place = f'{segment}\nreading = "100 kHz"                 # counted up from the segment'
    return f"""
[[band]]
name = "{band.name}"
{place}
mode = "cw"
min_power = "{min_power} W"
max_droop = "10 %"
max_frequency_error = "300 Hz"
max_drift = "200 Hz/h"
"""
