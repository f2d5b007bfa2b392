"""The simulated bench from outside: through raw sockets, pyserial, and the files it wrote."""

from __future__ import annotations

import re
import socket
import threading
import time
from contextlib import closing

import pytest

from benchlog.bench import load_bench
from benchlog.driver import NoOptions
from benchlog.errors import UsageError
from benchlog.files import Table
from benchlog.plan import load_plan
from benchlog.simulate import instruments
from benchlog.simulate.bench import INSTRUMENTS, SimulatedBench
from benchlog.simulate.troubles import KINDS, Planned, planned
from tests.simulate.clients import TcpClient, serial_at


def ask(bench: SimulatedBench, name: str, line: str) -> str:
    with closing(TcpClient(bench.addresses[name])) as client:
        return client.ask(line)


def test_identities_are_those_the_bench_file_expects(bench):
    for name in ("wattmeter", "counter", "voltmeter", "multimeter"):
        table = next(t for t in load_bench(bench.bench_file, any_driver).instruments if t.name == name)
        assert re.search(table.identity, ask(bench, name, "*IDN?"))
        assert ask(bench, name, "SYST:ERR?") == '0,"No error"'


def test_key_and_band_reach_the_sockets(bench):
    assert ask(bench, "wattmeter", "MEAS:POW?") == "+0.0,+0.0"
    assert ask(bench, "counter", "MEAS:FREQ?") == "9.91E37"
    bench.band("20 m")
    bench.key(True)
    forward, reflected = map(float, ask(bench, "wattmeter", "MEAS:POW?").split(","))
    truth = bench.truth.band("20 m")
    assert forward == pytest.approx(truth.power_w, rel=0.10)  # 5 % of the meter, and some heat, mains and noise
    assert 0 < reflected < 0.01 * forward
    assert float(ask(bench, "counter", "MEAS:FREQ?")) == pytest.approx(truth.dial_hz, abs=300)
    assert float(ask(bench, "voltmeter", "MEAS:VOLT?")) * instruments.PROBE == pytest.approx(850, rel=0.03)
    bench.band("15 m")  # with the key held
    assert float(ask(bench, "counter", "MEAS:FREQ?")) == pytest.approx(21.2e6, abs=600)
    bench.key(False)
    assert ask(bench, "counter", "MEAS:FREQ?") == "9.91E37"


def test_an_unknown_command_is_not_answered_and_queued(bench):
    with closing(TcpClient(bench.addresses["counter"])) as client:
        client.file.write("MEAS:TEMP?\n")
        assert client.ask("SYST:ERR?").startswith("-113")


def test_the_ammeter_answers_on_a_real_serial_line(bench):
    bench.key(True)
    with serial_at(bench.addresses["ammeter"]) as port:
        port.write(b"I?\n")
        line = port.readline().decode().strip()
        amperes = re.fullmatch(instruments.AMMETER_PATTERN, line)["amperes"]
        assert float(amperes) == pytest.approx(bench.truth.bands[0].plate_current_a, rel=0.06)
        port.write(b"nonsense\n")
        assert port.readline() == b"?\n"


def test_the_thermometer_talks_on_a_real_serial_line(bench):
    with serial_at(bench.addresses["thermometer"]) as port:
        port.readline()  # may have been cut by our late opening
        lines = [port.readline().decode().strip() for _ in range(3)]
    for line in lines:
        celsius = float(re.fullmatch(instruments.THERMOMETER_PATTERN, line)["celsius"])
        assert celsius == pytest.approx(bench.truth.ambient_c, abs=1.5)


def test_the_thermometer_shows_the_stage_as_it_is_when_the_line_comes(bench):
    bench.key(True)
    with serial_at(bench.addresses["thermometer"]) as port:
        port.readline()
        for _ in range(5):
            shown = float(re.fullmatch(instruments.THERMOMETER_PATTERN, port.readline().decode().strip())["celsius"])
            assert bench.truth.ambient_c < shown < bench.now().stage_c * 1.01 + 0.5  # rising, so never ahead of now


def any_driver(name: str) -> type:
    """The bench file's own part is checked here; the real drivers check theirs in the runs' tests."""

    class Options(Table):
        baud: int = 9600
        pattern: str = ""
        over_range: str = ""

    return type("Driver", (), {"Options": Options if name == "serial-text" else NoOptions, "polled": True})


def test_the_files_are_valid_and_mean_this_bench(bench):
    read, plan = load_bench(bench.bench_file, any_driver), load_plan(bench.plan_file)
    assert {t.name: t.address for t in read.instruments} == bench.addresses
    assert tuple(bench.addresses) == INSTRUMENTS
    assert read.measuring("plate-voltage").scale == instruments.PROBE
    assert read.measuring("forward-power").range_si == 250.0
    assert read.measuring("forward-power").of_range == 0.05
    assert [(b.name, b.expected_hz, b.min_power) for b in plan.bands] == [
        ("80 m", 3.6e6, 100.0),
        ("40 m", 7.05e6, 100.0),
        ("20 m", 14.3e6, 100.0),
        ("15 m", 21.2e6, 90.0),
        ("10 m", 28.3e6, 80.0),
    ]
    assert (plan.sweep.key_down, plan.sweep.rest, plan.sweep.settle) == (20.0, 10.0, 2.0)
    assert [band.dial_hz for band in bench.truth.bands] == [band.expected_hz for band in plan.bands]


def test_the_sweep_waits_for_start_and_then_keys_by_itself(make_bench):
    bench = make_bench(time_factor=100.0, script="sweep", seed=5)
    assert not any(change.drive for change in bench.course.changes())
    bench.start()
    begun = bench.course
    bench.start()  # only the first counts
    assert bench.course is begun
    assert bench.t_s < 20.0
    with closing(TcpClient(bench.addresses["counter"])) as client:
        heard = set()
        while bench.t_s < bench.script_s and len(heard) < 5:
            said = float(client.ask("MEAS:FREQ?"))
            heard |= {band.name for band in bench.truth.bands if abs(said - band.dial_hz) < 0.01 * band.dial_hz}
    assert heard == {band.name for band in bench.truth.bands}


def test_two_benches_of_one_seed_have_the_same_instruments(tmp_path):
    courses = []
    for folder in "ab":
        with SimulatedBench(tmp_path / folder, seed=9, script="sweep", time_factor=50.0) as bench:
            bench.start()
            courses.append([bench.course.at(t / 10) for t in range(600)])
    assert courses[0] == courses[1]
    assert instruments.COUNTER.made(9, "counter") == instruments.COUNTER.made(9, "counter")


def test_a_hand_on_the_key_ends_the_script(make_bench):
    bench = make_bench(script="sweep", time_factor=20.0)
    bench.start()
    bench.key(False)
    assert len(bench.course.changes()) == 2  # the script's first, at time 0, and this
    with pytest.raises(KeyError):
        bench.band("11 m")


def test_trouble_comes_and_goes_at_its_simulated_times(make_bench):
    """Silent from 20 s to 40 s: asked all the time, every reply falls outside."""
    bench = make_bench(time_factor=40.0, script="sweep", troubles=[Planned("counter", "silent", 20.0, 40.0)])
    bench.start()
    answered: list[float] = []
    client = TcpClient(bench.addresses["counter"])
    client.socket.settimeout(30.0)
    reader = threading.Thread(target=lambda: answered.extend(bench.t_s for _ in client.file))
    reader.start()
    while bench.t_s < 60.0:
        client.socket.sendall(b"*IDN?\n")
        time.sleep(0.01)
    client.socket.shutdown(socket.SHUT_RDWR)
    reader.join()
    client.close()
    early, late = [t for t in answered if t < 21.0], [t for t in answered if t > 39.9]
    assert early
    assert late
    # The trouble's thread may be late itself; but nothing is answered in the middle of the silence.
    assert not [t for t in answered if 30.0 < t < 39.9]


def test_trouble_by_hand(bench):
    with closing(TcpClient(bench.addresses["wattmeter"])) as client:
        bench.trouble("wattmeter", "garbage")
        assert client.ask("MEAS:POW?").startswith("\x00\\xff#~")
    bench.trouble("wattmeter", None)
    assert ask(bench, "wattmeter", "MEAS:POW?") == "+0.0,+0.0"
    for names in (("nobody", "silent"), ("counter", "nonsense")):
        with pytest.raises(KeyError):
            bench.trouble(*names)


@pytest.mark.parametrize(
    ("text", "plan"),
    [
        ("wattmeter=silent@120", Planned("wattmeter", "silent", 120.0, None)),
        ("counter=garbage@60..90", Planned("counter", "garbage", 60.0, 90.0)),
        ("ammeter=hang-up", Planned("ammeter", "hang-up", 0.0, None)),
        ("thermometer=cut@0.5..1.25", Planned("thermometer", "cut", 0.5, 1.25)),
    ],
)
def test_troubles_as_written(text, plan):
    assert planned(text, INSTRUMENTS) == plan
    assert KINDS[plan.kind](1.0) is not None


@pytest.mark.parametrize(
    "text",
    ["", "counter", "counter=", "counter=bogus", "nobody=silent", "counter=silent@9..3", "counter=silent@-1", "a@b"],
)
def test_troubles_that_make_no_sense(text):
    with pytest.raises(UsageError):
        planned(text, INSTRUMENTS)


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan"), float("inf")])
def test_an_impossible_time_factor_is_refused(tmp_path, factor):
    with pytest.raises(UsageError):
        SimulatedBench(tmp_path, time_factor=factor)


def test_a_bench_that_cannot_begin_leaves_nothing(tmp_path, runtime):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    with pytest.raises(FileExistsError), SimulatedBench(in_the_way):
        pass
    assert list(runtime.iterdir()) == []
