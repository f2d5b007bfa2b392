"""CSV in and out, Parquet out: nothing lost either way, and nothing in unless all of it is good."""

from __future__ import annotations

import csv
import math
import os
import re
import tempfile
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.bench import Bench
from benchlog.clock import Clock, rfc3339
from benchlog.errors import BadFile, BadStore, BenchlogError, UsageError
from benchlog.model import Reading, State
from benchlog.plan import Plan
from benchlog.series import STATES
from benchlog.store.exchange import export_csv, export_parquet, import_csv
from benchlog.store.reader import StoreReader
from tests.store.samples import BENCH, CHANNELS, PLAN, begin, bench_of, good, plain, plan_of

T = "2026-11-25T09:03:09Z"


def imported(tmp_path: Path, text: str | bytes) -> StoreReader:
    source = tmp_path / "readings.csv"
    source.write_bytes(text if isinstance(text, bytes) else text.encode())
    store = tmp_path / "s.benchlog"
    assert import_csv(source, store, bench_of(BENCH), plan_of(PLAN)) == StoreReader.open(store).session("last").id
    return StoreReader.open(store)


def faults(tmp_path: Path, text: str | bytes) -> list[str]:
    """What is told; and nothing is imported."""
    with pytest.raises(BadFile) as told:
        imported(tmp_path, text)
    assert not (tmp_path / "s.benchlog").exists()
    assert told.value.cure == "Nothing was imported."
    str(told.value).encode()  # can be printed
    return [str(fault) for fault in told.value.faults]


def test_a_file_becomes_a_session(tmp_path: Path) -> None:
    reader = imported(
        tmp_path,
        '\ufeffvalue,channel,"time"\r\n'
        "7.5,power,2026-11-25T10:03:10+01:00\r\n"
        ' -1.5e-3,"frequency",2026-11-25t09:03:09.000000001z\r\n'.replace(" ", "")
        + "\r\n"
        + '"42","glow, in words of one number",2026-11-25 09:03:11Z',
    )
    session = reader.session("last")
    assert (session.kind, session.transmitter, session.bench_text) == ("import", "Loan set 3", BENCH)
    assert rfc3339(session.started_ns, 9) == "2026-11-25T09:03:09.000000001Z"
    assert session.ended_ns is not None
    assert rfc3339(session.ended_ns, 9) == "2026-11-25T09:03:11.000000000Z"
    assert session.ending == "imported from readings.csv"
    assert session.digest
    raw = reader.raw(session.id)
    assert list(raw) == CHANNELS
    assert (raw["frequency"].t_ns.tolist(), raw["frequency"].value.tolist()) == ([0], [-1.5e-3])
    assert (raw["power"].t_ns.tolist(), raw["power"].value.tolist()) == ([999_999_999], [7.5])
    assert raw[CHANNELS[-1]].value.tolist() == [42.0]
    assert reader.events(session.id) == []


def test_rows_in_any_order_and_every_state(tmp_path: Path) -> None:
    reader = imported(
        tmp_path,
        "time,channel,value,state\n"
        f"{T[:-2]}9Z,power,4,good\n{T[:-2]}5Z,power,,missed\n{T[:-2]}7Z,power,,over-range\n"
        f"{T[:-2]}6Z,power,1,\n{T[:-2]}8Z,power,,invalid\n",
    )
    power = reader.raw(1)["power"]
    assert power.t_ns.tolist() == [n * 10**9 for n in range(5)]
    assert [STATES[code].value for code in power.state] == ["missed", "good", "over-range", "invalid", "good"]
    assert np.array_equal(power.value, [math.nan, 1, math.nan, math.nan, 4], equal_nan=True)
    assert reader.counts(1) == {"good": 2, "over_range": 1, "invalid": 1, "missed": 1}


def test_scpi_markers_are_never_values(tmp_path: Path) -> None:
    """9.9E37 over range, 9.91E37 not a number: SCPI-1999 vol. 1, 7.2.1 (the clause from memory)."""
    rows = ["9.9E37", "-9.9E37", "9.91E37", "+9.91000E+37", "9.8E37"]
    text = "time,channel,value\n" + "".join(f"2026-11-25T09:03:0{n}Z,power,{v}\n" for n, v in enumerate(rows))
    power = imported(tmp_path, text).raw(1)["power"]
    assert [STATES[code].value for code in power.state] == ["over-range", "over-range", "invalid", "invalid", "good"]
    (tmp_path / "s.benchlog").unlink()
    (told,) = faults(tmp_path, f"time,channel,value,state\n{T},power,9.9E37,good\n")
    assert told.startswith('line 2, value = "9.9E37": SCPI')


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (f"{T},power", 'line 3 = "2026-11-25T09:03:09Z,power": 2 fields; the header has 4'),
        (f"{T},power,1,good,", "5 fields; the header has 4"),
        (f"{T},powr,1,", 'line 3, channel = "powr": no such channel in the bench file; did you mean "power"?'),
        (f"{T}, power,1,", 'channel = " power"'),  # spaces are data
        (f"{T},zzz,1,", "known here: back, frequency, glow, in words of one number, plate, power"),
        (f"{T},power,,", "line 3, value: missing; give a number, or one of the states over-range, invalid, missed"),
        (f"{T},power,1 W,", 'line 3, value = "1 W": not a number; one is written like 98.2'),
        (f'{T},power,"1,5",', 'value = "1,5": not a number'),
        (f"{T},power,nan,", "not a number"),
        (f"{T},power,inf,", "not a number"),
        (f"{T},power,1_000,", "not a number"),
        (f"{T},power,٣,", "not a number"),
        (f"{T},power,1e999,", "too large a number"),
        (f"{T},power,1,missed", 'line 3, value = "1": a reading that is "missed" has no value; leave it empty'),
        (f"{T},power,,mised", 'line 3, state = "mised": not one of the known states; did you mean "missed"?'),
        (f"{T},power,1,Good", 'state = "Good"'),
        ("2026-11-25 09:03,power,1,", 'line 3, time = "2026-11-25 09:03": not an RFC 3339 time; one is written like'),
        ("2026-02-29T00:00:00Z,power,1,", "no such date"),
        ("2026-11-25T24:00:00Z,power,1,", "no such time of day"),
        ("2026-11-25T09:03:09,power,1,", "not an RFC 3339 time"),
        ("2026-11-25T09:03:09.1234567891Z,power,1,", "at most nine digits of fraction"),
        ("1500-01-01T00:00:00Z,power,1,", "outside the years 1678 to 2261"),
        ("2026-11-25T09:03:60Z,power,1,", "only as a leap second"),
        ("2026-11-25T08:03:08Z,power,1,", 'line 3, time: "power" has a reading at this time already, on line 2'),
        ("2026-11-25T09:03:08+01:00,power,,missed", '"power" has a reading at this time already, on line 2'),
    ],
)
def test_a_bad_row_is_named_by_line_and_nothing_is_imported(tmp_path: Path, row: str, told: str) -> None:
    text = f"time,channel,value,state\r\n2026-11-25T08:03:08Z,power,1,good\r\n{row}\r\n{T},back,2,good\r\n"
    (fault,) = faults(tmp_path, text)
    assert fault.startswith("line 3")
    assert told in fault


def test_every_fault_is_told_in_order_of_lines(tmp_path: Path) -> None:
    told = faults(tmp_path, f"time,channel,value\n{T},power,1\nx,y,z\n{T},power,2\n{T},plate,\n")
    assert [re.split("[:=]", fault)[0].strip() for fault in told] == [
        "line 3, channel",
        "line 3, time",
        "line 3, value",
        "line 4, time",
        "line 5, value",
    ]


def test_faults_without_end_are_counted(tmp_path: Path) -> None:
    told = faults(tmp_path, "time,channel,value\n" + "x,power,1\n" * 120)
    assert len(told) == 51
    assert told[49].startswith("line 51,")
    assert told[50] == "further lines: 70 more faults"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["line 1: the file is empty; its first line must be time,channel,value"]),
        ("time,channel,value\n", ["line 1: no readings; only a header"]),
        ("time,channel\n", ['line 1, header: the column "value" is missing; the header is time,channel,value[,state]']),
        ("time,chanel,value\n", ['line 1, header = "chanel": unknown column; did you mean "channel"?', "missing"]),
        ("time,channel,value,value\n", ['line 1, header = "value": this column is there twice']),
        (f'time,channel,value\n{T},"power,1\n', ["line 2: not CSV as RFC 4180 has it"]),
        (f'time,channel,value\n{T},"po"wer,1\n', ["line 2: not CSV as RFC 4180 has it"]),
        (b"time,channel,value\n" + T.encode() + b",p\xf6wer,1\n", ['"p\\xf6wer (not UTF-8)": no such channel']),
        ("time,channel,value\n" + T + "," + "x" * 200_000 + ",1\n", ["field larger than field limit"]),
        (b"SQLite format 3\x00", ["unknown column", "missing", "missing", "missing"]),
    ],
)
def test_a_file_that_is_not_the_csv_we_mean(tmp_path: Path, text: str | bytes, told: list[str]) -> None:
    found = faults(tmp_path, text)
    assert len(found) == len(told)
    for fault, part in zip(found, told, strict=True):
        assert part in fault


def test_a_line_is_counted_where_its_row_begins(tmp_path: Path) -> None:
    told = faults(tmp_path, f'time,channel,value\n\n{T},"po\nwer",1\n{T},plate,x\n')
    assert told[0].startswith("line 3, channel")
    assert told[1].startswith("line 5, value")


def test_no_file_and_a_bad_store(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    with pytest.raises(BadFile, match="no such file"):
        import_csv(tmp_path / "none.csv", tmp_path / "s", bench, plan)
    source = tmp_path / "r.csv"
    source.write_text(f"time,channel,value\n{T},power,1\n")
    with pytest.raises(BadStore, match="not an SQLite file"):
        import_csv(source, source, bench, plan)
    assert source.read_text().endswith("power,1\n")


def test_an_import_that_fails_leaves_the_store_as_it_was(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    import sqlite3

    store = tmp_path / "s.benchlog"
    begin(store).end("done")
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute(
            """CREATE TRIGGER no BEFORE INSERT ON reading WHEN NEW.t_ns > 0
                              BEGIN SELECT RAISE(FAIL, 'no'); END"""
        )
    source = tmp_path / "r.csv"
    source.write_text(f"time,channel,value\n{T},power,1\n2027-01-01T00:00:00Z,power,2\n")
    with pytest.raises(BenchlogError):
        import_csv(source, store, bench, plan)
    assert plain(store, "SELECT count(*) FROM session") == [(1,)]
    assert plain(store, "SELECT count(*) FROM reading") == [(0,)]
    assert plain(store, "SELECT count(*) FROM channel") == [(len(CHANNELS),)]


SLOTS = st.tuples(
    st.sampled_from(CHANNELS),
    st.integers(-(2**61), 2**61),
    st.one_of(
        st.floats(allow_nan=False, allow_infinity=False).filter(lambda v: abs(v) not in (9.9e37, 9.91e37)),
        st.sampled_from([State.OVER_RANGE, State.INVALID, State.MISSED]),
    ),
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(
    started_ns=st.integers(-(2**61), 2**61),
    slots=st.lists(SLOTS, min_size=1, max_size=30, unique_by=lambda slot: slot[:2]),
)
def test_export_and_import_are_inverse(started_ns: int, slots: list[tuple[str, int, float | State]]) -> None:
    with tempfile.TemporaryDirectory() as name:
        store, out = Path(name) / "s.benchlog", Path(name) / "out.csv"
        w = begin(store, Clock(monotonic_ns=lambda: 0, utc_ns=lambda: started_ns))
        for channel, t_ns, what in slots:
            if isinstance(what, State):
                w.put(Reading(channel, t_ns, None, state=what, reason="so"))
            else:
                w.put(Reading(channel, t_ns, what))
        w.end("done")
        reader = StoreReader.open(store)
        assert export_csv(reader, 1, out) == len(slots)
        back = import_csv(out, store, bench_of(BENCH), plan_of(PLAN))
        before, after = reader.session(1), reader.session(back)
        assert list(reader.raw(1)) == list(reader.raw(back))
        for one, other in zip(reader.raw(1).values(), reader.raw(back).values(), strict=True):
            assert (before.started_ns + one.t_ns).tolist() == (after.started_ns + other.t_ns).tolist()
            assert one.value.tobytes() == other.value.tobytes()
            assert one.state.tolist() == other.state.tolist()


def test_the_csv_is_rfc_4180_in_order_of_time(tmp_path: Path) -> None:
    store, out = tmp_path / "s.benchlog", tmp_path / "out.csv"
    w = begin(store, Clock(monotonic_ns=lambda: 0, utc_ns=lambda: 1_795_597_389_250_000_001))
    w.put(Reading("glow, in words of one number", 250_000_000, 0.1))
    w.put(Reading("power", 250_000_000, 1e-7))
    w.put(Reading("frequency", 0, None, state=State.MISSED, reason="silent"))
    w.end("done")
    export_csv(StoreReader.open(store), 1, out)
    assert out.read_bytes() == (
        b"time,channel,value,state\r\n"
        b"2026-11-25T09:03:09.250000001Z,frequency,,missed\r\n"
        b"2026-11-25T09:03:09.500000001Z,power,1e-07,good\r\n"
        b'2026-11-25T09:03:09.500000001Z,"glow, in words of one number",0.1,good\r\n'
    )
    with out.open(newline="") as file:
        assert len(list(csv.reader(file, strict=True))) == 4


def test_parquet_has_everything(tmp_path: Path) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    store, out = tmp_path / "s.benchlog", tmp_path / "out.parquet"
    w = begin(store, Clock(monotonic_ns=lambda: 0, utc_ns=lambda: 1_795_597_389_250_000_001))
    w.put(good(0))
    w.put(Reading("power", 1, None, 1_000_000_000, State.MISSED, "silent for 1 s"))
    w.put(Reading("glow, in words of one number", 250_000_000, 0.1, 2500))
    w.end("done")
    assert export_parquet(StoreReader.open(store), 1, out) == 3
    table = parquet.read_table(out)
    assert table.schema.field("time").type == pa.timestamp("ns", "UTC")
    assert table.column("time").cast(pa.int64()).to_pylist() == [
        1_795_597_389_250_000_001,
        1_795_597_389_250_000_002,
        1_795_597_389_500_000_001,
    ]
    assert table.drop_columns("time").to_pylist() == [
        {
            "channel": "power",
            "value": 90.0,
            "unit": "W",
            "measures": "forward-power",
            "state": "good",
            "reason": "",
            "took_us": 3400,
        },
        {
            "channel": "power",
            "value": None,
            "unit": "W",
            "measures": "forward-power",
            "state": "missed",
            "reason": "silent for 1 s",
            "took_us": 1_000_000,
        },
        {
            "channel": "glow, in words of one number",
            "value": 0.1,
            "unit": "%",
            "measures": None,
            "state": "good",
            "reason": "",
            "took_us": 2,
        },
    ]


@pytest.mark.parametrize("way", [export_csv, export_parquet])
def test_an_export_writes_over_nothing_unless_told(tmp_path: Path, way: object) -> None:
    store, out = tmp_path / "s.benchlog", tmp_path / "out"
    w = begin(store)
    w.put(good(0))
    w.end("done")
    reader = StoreReader.open(store)
    before = store.read_bytes()
    out.write_text("mine")
    with pytest.raises(UsageError, match="there already"):
        way(reader, 1, out)  # type: ignore[operator]
    with pytest.raises(UsageError, match="the store itself"):
        way(reader, 1, store, force=True)  # type: ignore[operator]
    assert (out.read_text(), store.read_bytes()) == ("mine", before)
    way(reader, 1, out, force=True)  # type: ignore[operator]
    assert out.read_bytes() != b"mine"
    with pytest.raises(BenchlogError, match="cannot be written: no such file or directory"):
        way(reader, 1, tmp_path / "nowhere" / "out")  # type: ignore[operator]
    assert {name for name in os.listdir(tmp_path) if ".part" in name} == set()
