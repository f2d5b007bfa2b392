"""The shipped contract suite on every driver there is here, and on one by somebody else."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, ClassVar

import pytest

from benchlog.acquire import registry
from benchlog.bench import bench_from
from benchlog.driver import Driver, NoReply, Settings
from benchlog.driver_contract import DriverContract, PolledContract, WireContract
from benchlog.files import TomlFile
from benchlog.simulate.wire import PtyWire, TcpWire, Wire
from benchlog_drivers.scpi import Scpi, ScpiOptions
from benchlog_drivers.serial_text import SerialText
from benchlog_drivers.typed import Typed
from tests.contract import thermometer

HERE = Path(__file__).parent
POWER, VOLTS = "MEAS:POW?", "MEAS:VOLT?"
TIMEOUT_S = 0.3
# What a wire sends 2 ms after a line comes later than ``quiet`` by default, 3 ms, where a busy machine wakes it late: a
# limit that is documented, not the promise that is tested here.
QUIET: Mapping[str, Any] = {"quiet": "20 ms"}
SAYS = {"*IDN?": "Example,Meter,1,0", POWER: "+1.25000E+02", VOLTS: "842.5", "SYST:ERR?": '0,"No error"'}.get


class TestScpiOnTcp(WireContract):
    timeout_s = TIMEOUT_S
    driver = Scpi
    options = QUIET
    questions = (POWER, VOLTS)

    @pytest.fixture
    def wire(self) -> Iterator[Wire]:
        with TcpWire(SAYS) as wire:
            yield wire


class TestScpiThatCannotSayWhoItIs(TestScpiOnTcp):
    options: ClassVar[Mapping[str, Any]] = QUIET | {"identify": "", "errors": ""}


class TestScpiOnASerialLine(WireContract):
    timeout_s = TIMEOUT_S
    driver = Scpi
    options = QUIET
    questions = (POWER, VOLTS)

    @pytest.fixture
    def wire(self) -> Iterator[Wire]:
        with PtyWire(SAYS) as wire:
            yield wire

    @pytest.fixture
    def address(self, wire: Wire) -> str:
        return f"ASRL{wire.address}::INSTR"


class _ScpiOnPyvisaSim(PolledContract):
    """Another VISA library, with somebody else's instrument in it."""

    driver = Scpi
    questions = (POWER, "MEAS:ALL?")
    options: ClassVar[Mapping[str, Any]] = {"visa": f"{HERE / 'bench.yaml'}@sim", "errors": ""}
    resource: ClassVar[str]

    @pytest.fixture
    def address(self) -> str:
        return self.resource

    def test_what_it_says_is_what_arrives(self, opened: Driver) -> None:
        assert opened.ask(POWER).values == {0: 125.0}
        assert opened.ask("MEAS:ALL?").values == {0: 125.0, 1: float("inf"), 2: 1.5}

    def test_the_setup_reaches_it(self, address: str) -> None:
        options = ScpiOptions(**dict(self.options))
        driver = Scpi(Settings("mine", address, setup=("RANG 100",), options=options))
        try:
            assert driver.open() == "Example,Simulated Meter,7,1.0"
            assert driver.ask("RANG?").values == {0: 100.0}
        finally:
            driver.close()

    def test_what_it_does_not_know_gets_no_reply(self, made: Driver) -> None:
        made.open()
        with pytest.raises(NoReply):
            made.ask("WHAT?")


class TestScpiOnSimulatedSocket(_ScpiOnPyvisaSim):
    resource = "TCPIP::192.0.2.1::5025::SOCKET"


class TestScpiOnSimulatedLan(_ScpiOnPyvisaSim):
    resource = "TCPIP::192.0.2.2::INSTR"


class TestScpiOnSimulatedGpib(_ScpiOnPyvisaSim):
    resource = "GPIB::9::INSTR"


class TestScpiOnSimulatedSerial(_ScpiOnPyvisaSim):
    resource = "ASRL1::INSTR"


class TestSerialText(WireContract):
    timeout_s = TIMEOUT_S
    driver = SerialText
    questions = ("P", "T")
    options: ClassVar[Mapping[str, Any]] = QUIET | {
        "identify": "I",
        "pattern": r"(?:P|T)=(?P<value>\d+\.\d) \w+",
    }

    @pytest.fixture
    def wire(self) -> Iterator[Wire]:
        with PtyWire({"I": "meter 7", "P": "P=100.5 W", "T": "T=31.2 C"}.get) as wire:
            yield wire


class TestSerialTextThatCannotSayWhoItIs(TestSerialText):
    options: ClassVar[Mapping[str, Any]] = QUIET | {"pattern": r"(?:P|T)=(?P<value>\d+\.\d) \w+", "late": "700 ms"}


class TestTyped(DriverContract):
    driver = Typed

    def test_asking_tells_what_to_do(self, made: Driver) -> None:
        made.open()
        with pytest.raises(NoReply, match="benchlog enter"):
            made.ask("")


class TestSomebodyElses(WireContract):
    timeout_s = TIMEOUT_S
    driver = thermometer.Thermometer
    questions = ("CASE?", "AIR?")
    options: ClassVar[Mapping[str, Any]] = QUIET | {"identify": "WHO?"}

    @pytest.fixture
    def wire(self) -> Iterator[Wire]:
        with PtyWire({"WHO?": "thermometer 3", "CASE?": "CASE=0315", "AIR?": "AIR=0221"}.get) as wire:
            yield wire


def test_somebody_elses_driver_is_short() -> None:
    assert len((HERE / "thermometer.py").read_text().splitlines()) <= 30


BENCH = """
[bench]
name = "Test bench"

[[instrument]]
name = "probe"
driver = "thermometer"
address = "/dev/null"
options.baud = 1200

[[instrument.channel]]
name = "case"
unit = "degC"
ask = "CASE?"
"""


def test_somebody_elses_driver_is_found_like_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Installed as an installer would leave it: the module and its metadata beside it."""
    (tmp_path / "their_thermometer.py").write_text((HERE / "thermometer.py").read_text())
    metadata = tmp_path / "their_thermometer-2.1.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: their-thermometer\nVersion: 2.1\n")
    (metadata / "entry_points.txt").write_text("[benchlog.drivers]\nthermometer = their_thermometer:Thermometer\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "their_thermometer", raising=False)

    found = registry.find("thermometer")
    assert isinstance(found, type)
    assert found.__module__ == "their_thermometer"
    (told,) = [one for one in registry.installed() if one.name == "thermometer"]
    assert (told.distribution, told.version, told.reason) == ("their-thermometer", "2.1", "")
    assert told.summary.startswith("A thermometer on a serial line")
    bench = bench_from(TomlFile(tmp_path / "bench.toml", BENCH), registry.find)
    assert bench.options["probe"].baud == 1200  # type: ignore[attr-defined]
