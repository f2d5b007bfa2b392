"""The two files: what they mean once read. What is wrong with faulty ones is tried in tests/cli/test_bad_input.py."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import model_validator

from benchlog.bench import Bench, bench_from, calibration_advice
from benchlog.driver import Driver, NoOptions
from benchlog.errors import BadFile
from benchlog.files import Table, TomlFile, key
from benchlog.plan import plan_from
from tests.benches import bench_of, plan_of

HEAD = '[bench]\nname = "b"\n[[instrument]]\nname = "i"\ndriver = "x"\naddress = "a"\n'
CHANNEL = '[[instrument.channel]]\nname = "c"\nunit = "W"\n'
BAND = '[transmitter]\nname = "t"\n[[band]]\nname = "b"\nmin_power = "60 W"\n'


class Stub(Driver):
    Options: ClassVar[type[Table]] = NoOptions
    polled: ClassVar[bool] = True


def bench(text: str, driver: type[Driver] = Stub) -> Bench:
    return bench_of(text, drivers=lambda _: driver)


plan = plan_of


def faults(text: str, read: object) -> list[str]:
    with pytest.raises(BadFile) as told:
        read(text)  # type: ignore[operator]
    return [str(fault) for fault in told.value.faults]


def test_the_contracts_own_examples_are_good() -> None:
    """Design, section 4, word for word but for the comments."""
    assert bench(
        """
        [bench]
        name = "North bench"
        [load]
        continuous = "200 W"
        cooling = "240 s"
        [limits]
        key_down = "90 s"
        plate-voltage = ["600 V", "900 V"]
        temperature = ["", "90 degC"]
        [key]
        driver = "serial-line"
        address = "rfc2217://127.0.0.1:4001"
        line = "rts"
        [[instrument]]
        name = "wattmeter"
        driver = "scpi"
        address = "TCPIP::127.0.0.1::5025::SOCKET"
        identity = "^Example,.*"
        timeout = "1 s"
        setup = ["CONF:POW"]
        [[instrument.channel]]
        name = "power"
        measures = "forward-power"
        unit = "W"
        ask = "MEAS:POW?"
        every = "200 ms"
        range = "250 W"
        of_reading = "0 %"
        of_range = "5 %"
        scale = 1.0
        """
    ).limits.plate_voltage == (600.0, 900.0)
    read = plan(
        """
        [transmitter]
        name = "Loan set 3"
        serial = "0042"
        [[band]]
        name = "30 m"
        dial = "10.120 MHz"
        mode = "cw"
        min_power = "60 W"
        max_droop = "10 %"
        max_frequency_error = "300 Hz"
        max_drift = "200 Hz/h"
        [sweep]
        key_down = "20 s"
        rest = "40 s"
        settle = "2 s"
        [soak]
        band = "30 m"
        key_down = "60 s"
        rest = "120 s"
        lasts = "8 h"
        """
    )
    assert read.band("30 m").expected_hz == 10_120_000
    assert read.soak is not None
    assert read.soak.lasts == 8 * 3600
    assert read.soak.bands == ("30 m",)


@pytest.mark.parametrize(
    ("keys", "expected_hz"),
    [
        ('dial = "14.300 MHz"', 14_300_000),
        ('segment = "14.2 MHz"\nreading = "100 kHz"', 14_300_000),  # common practice, no source
        ('dial = "14.300 MHz"\nmode = "usb"\ntone = "1 kHz"', 14_301_000),
        ('dial = "14.300 MHz"\nmode = "lsb"\ntone = "1 kHz"', 14_299_000),
        ('dial = "14.300 MHz"\nmode = "usb"', 14_300_000),
        ('dial = "14.300 MHz"\nmode = "am"', 14_300_000),
    ],
)
def test_where_the_rf_is_expected(keys: str, expected_hz: float) -> None:
    assert plan(f"{BAND}{keys}").bands[0].expected_hz == expected_hz


def test_a_tolerance_in_hertz_or_in_parts_per_million() -> None:
    in_hz = plan(f'{BAND}dial = "20 MHz"\nmax_frequency_error = "300 Hz"').bands[0].max_frequency_error
    in_ppm = plan(f'{BAND}dial = "20 MHz"\nmax_frequency_error = "30 ppm"').bands[0].max_frequency_error
    assert in_hz is not None
    assert in_ppm is not None
    assert in_hz.at(20e6) == 300
    assert in_ppm.at(20e6) == pytest.approx(600)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("", "give either dial"),
        ('dial = "14 MHz"\nsegment = "14 MHz"\nreading = "1 kHz"', "give either dial"),
        ('segment = "14 MHz"', "belong together"),
        ('dial = "14 MHz"\nmode = "cw"\ntone = "1 kHz"', 'only in "usb" and "lsb"'),
        ('dial = "14 MHz"\nmax_droop = "-1 %"', "must not be negative"),
        ('dial = "14 MHz"\nmax_frequency_error = "0 Hz"', "more than zero"),
        ('dial = "14 MHz"\n[sweep]\nkey_down = "3 s"', "must leave at least 1 s"),
        (
            'dial = "14 MHz"\n[[band]]\nname = "c"\nmin_power = "1 W"\ndial = "14 MHz"',
            "two bands expect this frequency",
        ),
        ('dial = "14 MHz"\ntuning = ["peak", ""]', "an empty step"),
        ('dial = "14 MHz"\ntuning = ["peak\\nand dip"]', "a step is one line"),
        ('dial = "14 MHz"\n[sweep]\ntuning = {first = "peak"}', "a list of steps"),
        ('dial = "14 MHz"\n[swep]\nkey_down = "30 s"', 'did you mean "sweep"?'),
    ],
)
def test_plans_that_make_no_sense(keys: str, says: str) -> None:
    assert any(says in fault for fault in faults(f"{BAND}{keys}", plan))


def test_a_bands_own_tuning_steps_come_after_those_of_every_band() -> None:
    read = plan(f'{BAND}dial = "14 MHz"\ntuning = [" turn it slowly "]\n[sweep]\ntuning = ["peak", "dip"]')
    assert read.sweep.steps(read.bands[0]) == ("peak", "dip", "turn it slowly")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEAD, "channel: this key is missing"),
        (f"{HEAD}channel = []", "at least 1 item"),
        (f'{HEAD}{CHANNEL}of_range = "5 %"', "of_range needs range"),
        (f'{HEAD}{CHANNEL}range = "5 V"', "'V' is not a unit of power"),
        (f"{HEAD}{CHANNEL}scale = 0", "scale: must not be zero"),
        (f'{HEAD}{CHANNEL}scale = "10"', "valid number"),
        (f'{HEAD}{CHANNEL}offset = "1"', "the unit is missing"),
        (f'{HEAD}identity = "("\n{CHANNEL}', "not a pattern"),
        (f'{HEAD}{CHANNEL}name2 = "x"', 'did you mean "name"?'),
        (f'{HEAD}{CHANNEL}[[instrument]]\nname = "j"\ndriver = "x"\naddress = "a"\n'
         '[[instrument.channel]]\nname = "d"\nunit = "W"', "two instruments at one address"),
        (HEAD.replace('address = "a"\n', "") + CHANNEL, "address: this key is missing"),
        (f'{HEAD}options = {{baud = 9600}}\n{CHANNEL}', "unknown key"),
        (f"[limits]\nalc = []\n{HEAD}{CHANNEL}", 'a limit is written ["low", "high"]'),
        (f'[limits]\nalc = ["", ""]\n{HEAD}{CHANNEL}', "limits nothing"),
        (f'[limits]\nplate-volts = ["", "1 V"]\n{HEAD}{CHANNEL}', 'did you mean "plate-voltage"?'),
    ],
)  # fmt: skip
def test_benches_that_make_no_sense(text: str, says: str) -> None:
    assert any(says in fault for fault in faults(text, bench)), faults(text, bench)


def test_what_a_strangers_check_of_its_options_raises_is_a_fault_of_the_bench_file() -> None:
    class Picky(NoOptions):
        @model_validator(mode="before")
        @classmethod
        def _look(cls, table: object) -> object:
            raise RuntimeError("no dongle")

    class Stranger(Stub):
        Options = Picky

    told = 'instrument[0] "i".options: the driver "x" cannot take them: RuntimeError: no dongle'
    assert faults(f"{HEAD}{CHANNEL}", lambda text: bench(text, Stranger)) == [told]


RTS = '[key]\ndriver = "serial-line"\naddress = "x"\nline = "rts"\n'


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('[key]\ndriver = "serial-line"\naddress = "x"', 'line = "rts" or "dtr" belongs to'),
        ('[key]\ndriver = "scpi"\naddress = "x"\nline = "rts"', 'line = "rts" or "dtr" belongs to'),
        (RTS.replace("rts", "cts"), "not one of the known values"),
        (RTS.replace("serial-line", "seriel-line"), 'did you mean "serial-line"?'),
        (f"{RTS}options = {{baud = 9600}}", "key.options.baud = 9600: unknown key"),
        (f'{RTS}options = {{timeout = "400 ms"}}', "at most 300 ms"),
        ('[key]\ndriver = "scpi"\naddress = "x"', "key.options.down: this key is missing"),
        ('[key]\ndriver = "scpi"\naddress = "x"\noptions = {down = "1"}', "key.options.up: this key is missing"),
        ('[key]\ndriver = "modbus-coil"\naddress = "x"\noptions = {coil = 65536}', "key.options.coil = 65536"),
        ('[key]\ndriver = "modbus-coil"\naddress = "x"\noptions = {unit = "1"}', 'key.options.unit = "1"'),
        (f"{RTS}options = 3", "key.options = 3"),
        (f'{RTS}[limits]\nswr = "3"', "without quotes"),
        (f"{RTS}[limits]\nswr = 1.0", "above 1"),
        (f"{RTS}[limits]\nswr = true", "above 1"),
        (f'{RTS}[limits]\nplate-dissipation = "60 V"', "unit of power"),
        (f'{RTS}[limits]\nplate-disipation = "60 W"', 'did you mean "plate-dissipation"?'),
    ],
)
def test_key_lines_and_limits_that_make_no_sense(table: str, says: str) -> None:
    text = f"{table}\n{HEAD}{CHANNEL}"
    assert any(says in fault for fault in faults(text, bench)), faults(text, bench)


def test_a_key_lines_own_keys() -> None:
    read = bench(f'{RTS}[limits]\nswr = 3\nplate-dissipation = "60 W"\n{HEAD}{CHANNEL}')
    assert read.key_options is not None
    assert read.key_options.timeout == 0.2
    assert (read.limits.swr, read.limits.plate_dissipation) == (3.0, 60.0)
    coil = '[key]\ndriver = "modbus-coil"\naddress = "tcp://x:502"\noptions = {coil = 3, parity = "even"}\n'
    options = bench(f"{coil}{HEAD}{CHANNEL}").key_options
    assert options is not None
    assert options.model_dump() == {"timeout": 0.2, "unit": 1, "coil": 3, "baud": 9600, "parity": "even"}
    assert bench(f"{HEAD}{CHANNEL}").key_options is None


def test_scale_and_offset_make_si_of_a_reading() -> None:
    (_, channel), *_ = bench(
        f'{HEAD}[[instrument.channel]]\nname = "c"\nunit = "mV"\nscale = 100\noffset = "2 V"'
    ).channels()
    assert channel.in_si(5.0) == pytest.approx(5e-3 * 100 + 2)
    (_, warm), *_ = bench(f'{HEAD}[[instrument.channel]]\nname = "c"\nunit = "degF"\noffset = "9 degF"').channels()
    assert warm.in_si(212.0) == pytest.approx(105.0), "an offset is a difference"


HZ = '[[instrument.channel]]\nname = "c"\nunit = "Hz"\n'


@pytest.mark.parametrize(
    ("unit", "said", "si", "ratio"),
    [
        ("W", "100 mW", 0.1, 0.0),
        ("Hz", "1 Hz", 1.0, 0.0),
        ("degC", "0.1 degC", 0.1, 0.0),
        ("degF", "0.1 degF", 0.1 / 1.8, 0.0),
        ("dBm", "0.01 dB", 0.0, 10**0.001 - 1),
        ("dBm", "10 mW", 0.01, 0.0),
    ],
)
def test_a_resolution_is_a_step_and_not_a_place(unit: str, said: str, si: float, ratio: float) -> None:
    (_, channel), *_ = bench(
        f'{HEAD}[[instrument.channel]]\nname = "c"\nunit = "{unit}"\nresolution = "{said}"'
    ).channels()
    assert channel.resolution_si == pytest.approx(si, rel=1e-9, abs=1e-15)
    assert channel.resolution_ratio == pytest.approx(ratio, rel=1e-9, abs=1e-15)


def test_a_counters_time_base() -> None:
    """A time base above nominal counts for too short a time: what is read is too low."""
    (_, counter), *_ = bench(
        f'{HEAD}{HZ}reference_offset = "0.12 ppm"\nreference_uncertainty = "50 ppb"\nscale = 10.0\noffset = "5 Hz"'
    ).channels()
    assert counter.reference_uncertainty == pytest.approx(5e-8)
    assert counter.in_si(1e6) == pytest.approx((10e6 + 5) * (1 + 0.12e-6), rel=1e-15)
    (_, below), *_ = bench(f'{HEAD}{HZ}reference_offset = "-3 ppm"').channels()
    assert below.in_si(1e6) == pytest.approx(999_997.0, rel=1e-15)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        (f'{HZ}reference_offset = "0.12 %"', "is it ppm that was meant?"),
        (f"{HZ}reference_offset = 0.12", "with its unit"),
        (f'{HZ}reference_uncertainty = "-1 ppm"', "must not be negative"),
        (f'{CHANNEL}reference_offset = "1 ppm"', "a counter's; this is a power"),
        (f'{HZ}resolution = "1 W"', "'W' is not a unit of frequency"),
        (f'{HZ}resolution = "0 Hz"', "resolution: must be more than zero"),
        (f'{CHANNEL}resolution = "0.1 dB"', "resolution: "),
        (f'{CHANNEL.replace("W", "dBm")}resolution = "0 dB"', "resolution: must be more than zero"),
        (f'{CHANNEL.replace("W", "dBm")}resolution = "0.1 dBm"', 'a step in decibels is written "0.1 dB"'),
        (f'{CHANNEL}resolution = "-20 dBm"', 'a step in decibels is written "0.1 dB"'),
    ],
)
def test_measuring_chains_that_make_no_sense(keys: str, says: str) -> None:
    assert any(says in fault for fault in faults(f"{HEAD}{keys}", bench)), faults(f"{HEAD}{keys}", bench)


def test_calibration_dates_as_words_or_as_dates() -> None:
    (instrument,) = bench(f'{HEAD}calibrated = "2026-03-01"\ndue = 2027-03-01\n{CHANNEL}').instruments
    assert (instrument.calibrated, instrument.due) == (date(2026, 3, 1), date(2027, 3, 1))
    days = (date(2027, 2, 28), date(2027, 3, 1), date(2027, 3, 2))
    assert [instrument.overdue(day) for day in days] == [False, False, True], "it holds on the day itself"
    (dateless,) = bench(f"{HEAD}{CHANNEL}").instruments
    assert dateless.overdue(date(2027, 3, 2)) is None


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('calibrated = "1.3.2026"', 'a day is written "2026-03-01"'),
        ('calibrated = "20260301"', 'a day is written "2026-03-01"'),
        ('calibrated = "2026-02-30"', 'a day is written "2026-03-01"'),
        ("calibrated = 2026-03-01T12:00:00", "calibrated"),
        ("due = 2026", "due = 2026"),
        ('calibrated = "2026-03-01"\ndue = "2026-03-01"', "must be after calibrated (2026-03-01)"),
        ('calibrated = "2026-03-02"\ndue = 2026-03-01', "must be after calibrated (2026-03-02)"),
    ],
)
def test_calibration_dates_that_make_no_sense(keys: str, says: str) -> None:
    assert any(says in fault for fault in faults(f"{HEAD}{keys}\n{CHANNEL}", bench))


def test_what_check_says_of_calibrations() -> None:
    read = bench(f'{HEAD}calibrated = "2026-03-01"\ndue = 2027-03-01\n{CHANNEL}')
    assert calibration_advice(read, date(2026, 3, 1)) == []
    assert calibration_advice(read, date(2026, 2, 28)) == ["i: calibrated on 2026-03-01, a day that has not come yet"]
    (said,) = calibration_advice(read, date(2027, 3, 2))
    assert said.startswith("i: its calibration was due on 2027-03-01")


def test_a_place_in_a_file_as_people_name_it() -> None:
    tables = {"instrument": [{"name": "meter", "channel": [{"name": "power"}]}]}
    assert key(("instrument", 0, "channel", 0, "every"), tables) == 'instrument[0] "meter".channel[0] "power".every'


NAMES = st.sampled_from(
    ["bench", "name", "instrument", "channel", "driver", "unit", "band", "limits", "options", "correction", "due", "x"]
)
VALUES = st.recursive(
    st.one_of(
        st.text(max_size=6), st.sampled_from(["W", "Hz"]), st.integers(), st.floats(allow_nan=False), st.booleans()
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(NAMES, inner, max_size=4)),
    max_leaves=8,
)


@settings(max_examples=300)
@given(st.dictionaries(NAMES, VALUES, max_size=5))
def test_any_tables_are_a_bench_or_a_list_of_faults(tables: dict[str, object]) -> None:
    """TOML can hold anything; nothing but BadFile comes of it."""
    source = TomlFile(Path("bench.toml"), "")
    source.tables = tables
    for read in (lambda: bench_from(source, lambda _: Stub), lambda: plan_from(source)):
        with pytest.raises(BadFile) as told:
            read()
        assert told.value.faults


@given(st.text(max_size=60))
def test_any_text_is_toml_or_one_fault_that_names_the_place(text: str) -> None:
    try:
        tables = TomlFile(Path("x.toml"), text).tables
    except BadFile as told:
        assert len(told.faults) == 1
    else:
        assert tables == tomllib.loads(text)
