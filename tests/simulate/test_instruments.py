"""What the simulated instruments say, word by word, without sockets."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.simulate import instruments
from benchlog.simulate.instruments import Meter, Scpi
from benchlog.simulate.physics import Moment

MOMENT = Moment(1.0, "20 m", 1.0, 104.34, 0.21, 14_300_031.4, 853.127, 0.26034, 41.26, 0.004012, -0.3)
DEAD = replace(MOMENT, drive=0.0, forward_w=0.0, reflected_w=0.0, frequency_hz=None, plate_a=0.0, grid_a=0.0, alc_v=0.0)
FAST = 1e-6


@pytest.fixture
def perfect(monkeypatch: pytest.MonkeyPatch) -> None:
    """No gain error, so that the words can be compared."""
    monkeypatch.setattr(Meter, "made", lambda self, seed, what: self)


@pytest.mark.usefixtures("perfect")
@pytest.mark.parametrize(
    ("make", "ask", "keyed", "rest"),
    [
        (instruments.wattmeter, "MEAS:POW?", "+104.3,+0.2", "+0.0,+0.0"),
        (instruments.counter, "MEAS:FREQ?", "1.4300031E+07", "9.91E37"),
        (instruments.voltmeter, "MEAS:VOLT?", "+8.53130E-01", "+8.53130E-01"),
        (instruments.voltmeter, "MEAS:VOLT:DC?", "+8.53130E-01", "+8.53130E-01"),
        (instruments.ammeter, "I?", "I=+0.2603 A", "I=+0.0000 A"),
        (instruments.multimeter, "MEAS:CURR?", "+4.01", "+0.00"),
        (instruments.multimeter, "MEAS:VOLT?", "-0.300", "+0.000"),
    ],
)
def test_each_says_its_number(make, ask, keyed, rest):
    assert make(lambda: MOMENT, 1, FAST)(ask) == keyed
    assert make(lambda: DEAD, 1, FAST)(ask) == rest


@pytest.mark.usefixtures("perfect")
def test_the_thermometer_talks_by_itself():
    assert instruments.thermometer(lambda: MOMENT, 1, 0.5)() == (0.25, "T=41.3 C")


@pytest.mark.usefixtures("perfect")
@pytest.mark.parametrize(
    ("make", "ask", "moment", "said"),
    [
        (instruments.wattmeter, "MEAS:POW?", replace(MOMENT, forward_w=260.0), "9.9E37,+0.2"),
        (instruments.counter, "MEAS:FREQ?", replace(MOMENT, frequency_hz=50e6), "9.9E37"),
        (instruments.voltmeter, "MEAS:VOLT?", replace(MOMENT, plate_v=2500.0), "9.9E37"),
        (instruments.ammeter, "I?", replace(MOMENT, plate_a=0.7), "I=OL A"),
        (instruments.multimeter, "MEAS:CURR?", replace(MOMENT, grid_a=0.03), "9.9E37"),
    ],
)
def test_over_range_is_said_and_not_shown(make, ask, moment, said):
    assert make(lambda: moment, 1, FAST)(ask) == said


@pytest.mark.parametrize(
    "meter",
    [
        instruments.WATTMETER,
        instruments.COUNTER,
        instruments.VOLTMETER,
        instruments.AMMETER,
        instruments.GRID_METER,
        instruments.LEVEL_METER,
        instruments.THERMOMETER,
    ],
)
@given(seed=st.integers(0, 10**6), share=st.floats(0.0, 0.94))
def test_every_meter_stays_inside_its_data_sheet(meter, seed, share):
    true = share * meter.full_scale
    shown = meter.made(seed, "any").reads(true)
    assert abs(shown - true) <= meter.of_reading * true + meter.of_range * meter.full_scale + meter.resolution * 0.51


def test_gain_errors_fill_the_data_sheets_limits():
    """Rectangular, as the uncertainty budget takes them: every tenth of the interval is met by some seed."""
    limit = instruments.WATTMETER.of_range
    gains = [instruments.WATTMETER.made(seed, "wattmeter").gain for seed in range(300)]
    assert {int((gain + limit) / (2 * limit) * 10) for gain in gains} == set(range(10))


@pytest.fixture
def scpi():
    return Scpi("Example,SIM-X,1,1.0", {"MEASure:POWer?": lambda: "+1.0"}, settings=("CONFigure:POWer",))


@pytest.mark.parametrize("ask", ["MEAS:POW?", "meas:pow?", "MEASure:POWer?", ":MEAS:POWER?", "MEASURE:POW?"])
def test_long_and_short_forms(scpi, ask):
    assert scpi(ask) == "+1.0"


@pytest.mark.parametrize("ask", ["MEASU:POW?", "MEA:POW?", "MEAS:POW", "MEAS:POWE?", "POW?", "MEAS:POW?X", "?", ""])
def test_anything_else_is_an_undefined_header(scpi, ask):
    assert scpi(ask) is None
    assert scpi("SYST:ERR?").startswith("-113,")
    assert scpi("SYST:ERR?") == '0,"No error"'


def test_identity_settings_and_the_error_queue(scpi):
    assert scpi("*IDN?") == "Example,SIM-X,1,1.0"
    assert scpi("CONF:POW") is None
    assert scpi("SYSTem:ERRor:NEXT?") == '0,"No error"'
    assert scpi("MEAS:POW? 3") is None
    assert scpi("SYST:ERR?").startswith("-108,")


def test_errors_come_first_in_first_out_and_the_newest_makes_way(scpi):
    """SCPI-1999: the queue overflows into -350 (clause from memory)."""
    for n in range(40):
        scpi(f"BAD{n}")
    said = [scpi("SYST:ERR?") for _ in range(Scpi.QUEUE + 1)]
    assert said[0] == '-113,"Undefined header;BAD0"'
    assert said[-2] == '-350,"Queue overflow"'
    assert said[-1] == '0,"No error"'


def test_cls_empties_the_queue(scpi):
    scpi("BAD")
    scpi("*CLS")
    assert scpi("SYST:ERR?") == '0,"No error"'


@given(st.text())
def test_no_line_upsets_it(line):
    scpi = Scpi("Example,SIM-X,1,1.0", {"MEASure:POWer?": lambda: "+1.0"})
    reply = scpi(line)
    assert reply is None or re.fullmatch(r"[^\n]+", reply)


def test_the_serial_meter_knows_one_question():
    assert instruments.ammeter(lambda: MOMENT, 1, FAST)("V?") == "?"
