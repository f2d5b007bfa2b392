"""What is abused: each target takes any bytes, and raises AssertionError, or anything, where the program does wrong.

Right is: the clear error that belongs there, or what the bytes truly say by a judge of its own (``numbers``).
"""

from __future__ import annotations

import csv
import io
import json
import math
import signal
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlog.acquire.registry import find
from benchlog.bench import Bench, bench_from
from benchlog.correction import CorrectionTable, table_from
from benchlog.driver import Answer, BadReply, InstrumentError, Settings
from benchlog.errors import BadFile, Fault
from benchlog.files import TomlFile
from benchlog.keying.guard import Guard, Law
from benchlog.keying.heat import HeatBudget
from benchlog.keying.overdue import overdue, watch_no_more
from benchlog.keying.pipes import Message
from benchlog.plan import plan_from
from benchlog.quantities import DIMENSIONS, parse
from benchlog.series import STATES
from benchlog.store.csv_rows import read_csv
from benchlog.timetable import timetable_from
from benchlog_drivers import ieee488
from benchlog_drivers.scpi import Scpi, ScpiOptions
from benchlog_drivers.text import fields
from tests.abuse.numbers import number, reading, same

ROOT = Path(__file__).parent.parent.parent
CONFIG = ROOT / "config"
NAME = Path("abused")


@dataclass(frozen=True)
class Target:
    """One parser. ``seeds``: what it should take, or nearly; abuse begins there."""

    name: str
    check: Callable[[bytes], None]
    seeds: Sequence[bytes]
    share: int = 10  # of all inputs: fewer for a slow one


# Instruments ---------------------------------------------------------------------------------------------


class Wire:
    """A link that hands over what it was given, piece by piece, and then nothing."""

    fresh, paired = True, False

    def __init__(self, pieces: Sequence[bytes]) -> None:
        self._pieces = list(pieces)
        self.asked = False

    def send(self, data: bytes) -> None:
        self.asked = True

    def receive(self, wait_s: float) -> bytes:
        return self._pieces.pop(0) if self.asked and self._pieces else b""

    def close(self) -> None:
        pass


class Abused(Scpi):
    """The real driver on such a link."""

    wire = Wire(())

    def _connect(self) -> Wire:
        return self.wire


def scpi(data: bytes) -> None:
    """The first byte says how the rest is cut into pieces."""
    size, rest = (data[0] % 16 + 1, data[1:]) if data else (1, b"")
    options = ScpiOptions(identify="", errors="", quiet="1 ns", late="1 ns")
    driver = Abused(Settings("abused", "TCPIP::127.0.0.1::1::SOCKET", 0.05, (), "", options, lambda *_: None))
    driver.wire = Wire([rest[at : at + size] for at in range(0, len(rest), size)])
    driver.open()
    try:
        answer = driver.ask("MEAS?")
    except InstrumentError as exc:
        assert exc.what
        return
    finally:
        driver.close()
    _as_said(answer, rest)


def _as_said(answer: Answer, sent: bytes) -> None:
    """Every value stands in the first message, at its place in the list."""
    said = _message(sent)
    assert said is not None, f"{answer.values} out of a message that is not whole"
    places = _places(said)
    for place, value in answer.values.items():
        assert isinstance(place, int)
        true = reading(places[place])
        assert true is not None, f"{value} at {place} out of {places[place]!r}"
        assert same(value, true), f"{value} is not {places[place]!r}"


def _message(sent: bytes) -> str | None:
    """IEEE 488.2 8.7.9: a definite block has the length it says, and all else ends at the first LF."""
    if sent[:1] == b"#" and sent[1:2].isdigit() and sent[1:2] != b"0":
        digits = int(sent[1:2])
        count = int(sent[2 : 2 + digits])
        return sent[2 + digits : 2 + digits + count].decode("ascii", "backslashreplace")
    end = sent.find(b"\n")
    if end < 0:
        return None
    return sent[2 if sent[:2] == b"#0" else 0 : end].decode("ascii", "backslashreplace")


def _places(said: str) -> list[str]:
    """Between commas and semicolons, but for those in quotes."""
    places, quoted = [""], False
    for letter in said:
        quoted ^= letter == '"'
        if letter in ",;" and not quoted:
            places.append("")
        else:
            places[-1] += letter
    return places


def error_queue(data: bytes) -> None:
    text = data.decode("ascii", "backslashreplace")
    try:
        code, _ = ieee488.error(text)
    except BadReply:
        return
    assert code == int(text.split(",")[0])


PATTERN = r"P=(?P<power>\S+) W(?:, S=(?P<swr>\S+))?"


def serial_text(data: bytes) -> None:
    """By a pattern with two numbers, one of them optional."""
    line = data.decode("ascii", "backslashreplace")
    try:
        found = fields(line, PATTERN, "OL")
    except BadReply as exc:
        assert exc.said == line
        return
    for name, before, after in (("power", "P=", " W"), ("swr", ", S=", None)):
        if name in found:
            token = line.strip().split(before, 1)[1]
            token = token.split(after, 1)[0] if after else token
            true = math.inf if token.strip() == "OL" else reading(token)
            assert true is not None, f"{found[name]} out of {token!r}"
            assert same(found[name], true)


# Files ---------------------------------------------------------------------------------------------------

CHANNELS = ("power", "plate voltage")
_FOLDER = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())


def csv_import(data: bytes) -> None:
    """Every row that came through says what its line says; where one line is wrong, nothing came through."""
    with tempfile.NamedTemporaryFile(dir=_FOLDER, suffix=".csv") as file:
        file.write(data)
        file.flush()
        try:
            columns = read_csv(Path(file.name), CHANNELS)
        except BadFile as exc:
            _told(exc)
            return
    text = data.decode("utf-8-sig")
    header, *rows = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if row]
    said: Counter[tuple[str, str, float | None]] = Counter()
    for row in rows:
        of = dict(zip(header, row, strict=True))
        value = reading(of["value"]) if of["value"] else None
        state = of.get("state") or "good"
        if value is not None and not math.isfinite(value):
            state, value = ("invalid" if math.isnan(value) else "over-range"), None
        said[of["channel"], state, value] += 1
    kept: Counter[tuple[str, str, float | None]] = Counter()
    for name, column in columns.items():
        for value, state in zip(column.value.tolist(), column.state.tolist(), strict=True):
            kept[name, STATES[state].value, None if math.isnan(value) else value] += 1
    assert kept == said


def correction_table(data: bytes) -> None:
    found = table_from("abused", data.decode("utf-8", "replace"), "power")
    if isinstance(found, CorrectionTable):
        assert all(math.isfinite(hz) and hz > 0 for hz in found.hz)
        assert all(math.isfinite(factor) and factor > 0 for factor in found.factor)
    else:
        assert found
        assert all(isinstance(fault, Fault) and fault.problem for fault in found)


def _toml(data: bytes, read: Callable[[TomlFile], Any]) -> Any:
    try:
        return read(TomlFile(NAME, data.decode()))
    except UnicodeDecodeError:  # TomlFile.read tells it
        return None
    except BadFile as exc:
        _told(exc)
        return None


def _told(exc: BadFile) -> None:
    assert exc.faults
    assert all(fault.where and fault.problem for fault in exc.faults), exc.faults


def bench_file(data: bytes) -> None:
    bench = _toml(data, lambda source: bench_from(source, find, lambda *_: ""))
    if isinstance(bench, Bench):
        names = [channel.name for _, channel in bench.channels()]
        assert len(names) == len(set(names))
        for instrument in bench.instruments:
            assert 0 < instrument.timeout < math.inf
        for _, channel in bench.channels():
            assert 0 < channel.every < math.inf
            assert math.isfinite(channel.scale)


def plan_file(data: bytes) -> None:
    plan = _toml(data, plan_from)
    if plan is not None:
        names = [band.name for band in plan.bands]
        assert len(names) == len(set(names))
        for band in plan.bands:
            assert 0 < band.expected_hz < math.inf
            assert band.min_power is None or 0 < band.min_power < math.inf


def timetable_file(data: bytes) -> None:
    timetable = _toml(data, timetable_from)
    if timetable is not None:
        assert all(start.run == "watch" or start.may_key for start in timetable.starts)


def quantity(data: bytes) -> None:
    """A number with its unit, for one dimension after another."""
    text = data.decode("utf-8", "replace")
    for dimension in DIMENSIONS:
        try:
            value = parse(text, dimension)
        except ValueError as exc:
            assert str(exc)
            continue
        assert math.isfinite(value)
        starts = (text.strip()[:end] for end in range(len(text), 0, -1))
        assert any(number(start) is not None for start in starts), f"{value} out of {text!r}"


# The key, and the page -----------------------------------------------------------------------------------


class Relay:
    """A key line in memory."""

    down = False

    def open(self) -> None:
        self.down = False

    def set(self, down: bool) -> None:
        self.down = down

    def read_back(self) -> bool | None:
        return self.down

    def close(self) -> None:
        pass


class Said:
    """Where a guard's reports go."""

    def __init__(self) -> None:
        self.told: list[dict[str, object]] = []

    def say(self, **told: object) -> None:
        json.dumps(told)
        self.told.append(told)


def guard(data: bytes) -> None:
    """Lines to a guard with the key down: it is up after any that make no sense, and down never beyond the law."""
    signal.signal(signal.SIGALRM, overdue)  # as the guard's process has it
    try:
        _guarded(data)
    finally:
        watch_no_more()


def _guarded(data: bytes) -> None:
    line, said = Relay(), Said()
    one = Guard(line, Law(5.0, 0.6, HeatBudget(100.0, 60.0), 50.0), said)  # type: ignore[arg-type]
    one.start()
    one.turn([{"down": 1.0}])
    assert line.down
    messages: list[Message | None] = []
    for text in data.split(b"\n"):
        try:
            found = json.loads(text)
        except (ValueError, RecursionError):
            found = None
        messages.append(found if isinstance(found, dict) else None)
    for message in messages:
        keys = set(message) if isinstance(message, dict) else set()
        asked_down = keys == {"down"}
        before = line.down
        one.turn([message])
        if not asked_down and not keys & {"up", "beat", "line", "key_down_s", "heartbeat_s", "heat"}:
            assert not line.down, f"down after {message!r}"
        if line.down and not before:
            assert asked_down
            assert message is not None
            assert 0 < message["down"] <= 5.0, "down for longer than the law"
    one.up("over")
    assert not line.down


def api_body(data: bytes) -> None:
    """A typed reading's body. No run is on, so 409 is the best that any can get."""
    from tests.abuse.page import post

    status, said = post("/api/readings", data)
    assert status in (400, 409, 413, 422), (status, said)
    assert json.loads(said)["error"]
    if status == 409:
        body = json.loads(data)
        assert isinstance(body["value"], int | float)
        assert math.isfinite(body["value"])


def _config(name: str) -> bytes:
    return (CONFIG / name).read_bytes()


_CSV = b"time,channel,value,state\n2026-11-25T10:00:00Z,power,98.2,\n2026-11-25T10:00:01Z,power,,missed\n"
_CSV_TOO = b"\xef\xbb\xbftime,value,channel\r\n2026-11-25T10:00:00.5+01:00,-1e3,power\r\n"
_TEMPLATE = b'[transmitter]\nname = "x"\n[[band]]\nname = "30 m"\ndial = "10.12 MHz"\nmode = "cw"\nmin_power = "60 W"\n'
_REPLIES = (b"\x0f98.2\n", b"\x031,2.5E0;+3\n", b"\x0f#2111.5,2.5,3.5\n", b'\x0f"a,b",9.91E37\n')
_REPLIES += (b"\x0f1_0\n", b"\x0fnan\n", b"\x0f-inf,1\n", b"\x0f0x1\n", b"\x0f1e999\n", b"\x0f\x1f11\n")
TARGETS = (
    Target("SCPI replies", scpi, _REPLIES),
    Target("SCPI error queue", error_queue, (b'-113,"Undefined header"', b'0,"No error"', b"+0")),
    Target("serial text", serial_text, (b"P=99.5 W", b"P=+1.5E2 W, S=1.2\r", b"P=OL W", b"P=+1\x1d W\r")),
    Target("CSV import", csv_import, (_CSV, _CSV_TOO)),
    Target("correction table", correction_table, (_config("coupler.csv"),)),
    Target("bench file", bench_file, (_config("bench.toml"),), share=1),
    Target("plan file", plan_file, (_config("plan.toml"), _TEMPLATE)),
    Target("timetable file", timetable_file, (_config("timetable.toml"),)),
    Target(
        "quantities",
        quantity,
        (b"14.300 MHz", b"60 W", b"-10 dBm", b"300 ppm", b"5 %", b"200 Hz/h", b"1.5 min", b"4" * 80 + b"dBm"),
    ),
    Target("guard's orders", guard, (b'{"beat": 1}\n{"down": 1.0}\n{"up": true}\n{"down": 99}', b'{"heartbeat_s": 9}')),
    Target("typed readings", api_body, (b'{"channel": "grid current", "value": 12.5}', b'{"value": 1e999}')),
)
