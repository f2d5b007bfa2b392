"""Correction tables: what the CSV file means, and what is said of a faulty one."""

from __future__ import annotations

import csv
import io
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.acquire.registry import find
from benchlog.bench import Bench, beyond_tables, load_bench
from benchlog.correction import COLUMNS, CorrectionTable, table_from, text_kept
from benchlog.errors import BadFile, Fault
from benchlog.quantities import Dimension
from tests.benches import any_driver, bench_of

ROOT = Path(__file__).parent.parent
HEAD = "frequency,correction,uncertainty\r\n"
GOOD = f"{HEAD}3.6 MHz,1.023,1 %\r\n14 MHz,0.99,2 %\r\n"
BENCH = """
[bench]
name = "b"
[[instrument]]
name = "meter"
driver = "x"
[[instrument.channel]]
name = "power"
unit = "W"
measures = "forward-power"
correction = "coupler.csv"
[[instrument]]
name = "counter"
driver = "x"
[[instrument.channel]]
name = "frequency"
unit = "Hz"
measures = "frequency"
"""


def table(text: str, dimension: Dimension = "power") -> CorrectionTable:
    found = table_from("coupler.csv", text, dimension)
    assert isinstance(found, CorrectionTable), [str(fault) for fault in found]
    return found


def faults(text: str, dimension: Dimension = "power") -> list[str]:
    found = table_from("coupler.csv", text, dimension)
    assert isinstance(found, list), found
    return [str(fault) for fault in found]


def bench(text: str = BENCH, **tables: str) -> Bench:
    named = {f"{name}.csv": words for name, words in tables.items()}
    return bench_of(text, text_kept(named))


def told(text: str = BENCH, **tables: str) -> list[str]:
    with pytest.raises(BadFile) as raised:
        bench(text, **tables)
    return [str(fault) for fault in raised.value.faults]


@pytest.mark.parametrize(
    ("cell", "factor"),
    [
        ("1.023", 1.023),
        (" 1.023 ", 1.023),
        ("2.3 %", 1.023),
        ("-2.3 %", 0.977),
        ("250 ppm", 1.00025),
        ("0.10 dB", 1.0232929922807541),  # 10 ** 0.01
        ("-3 dB", 0.5011872336272722),  # 10 ** -0.3
        ("30 dB", 1000.0),
        ("0 dB", 1.0),
    ],
)
def test_a_correction_as_a_factor_or_on_top(cell: str, factor: float) -> None:
    assert table(f"{HEAD}1 MHz,{cell},0 %").factor == (pytest.approx(factor, rel=1e-12),)


@pytest.mark.parametrize(
    ("cell", "u"),
    [("1.5 %", 0.0075), ("0 %", 0.0), ("0.06 dB", 0.06 * math.log(10) / 10 / 2), ("200 ppm", 1e-4)],
)
def test_an_uncertainty_is_stated_with_k_2(cell: str, u: float) -> None:
    assert table(f"{HEAD}1 MHz,1,{cell}").relative_u == (pytest.approx(u, rel=1e-12),)


POINTS = st.lists(
    st.tuples(st.integers(1, 10**8), st.floats(0.01, 100), st.floats(0, 0.99)),
    min_size=1,
    max_size=8,
    unique_by=lambda row: row[0],
).map(sorted)


@given(
    POINTS,
    st.permutations(COLUMNS),
    st.sampled_from(["\r\n", "\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.booleans(),
    st.booleans(),
)
def test_what_is_written_is_what_is_read(rows, order, end, quoting, mark, decibels) -> None:  # type: ignore[no-untyped-def]
    """Round trip: any order of columns, line end, quoting, byte-order mark, with factors as ratios or decibels."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=end, quoting=quoting)
    writer.writerow(order)
    for hz, factor, share in rows:
        shown = f"{10 * math.log10(factor)!r} dB" if decibels else f"{factor!r}"
        cells = {"frequency": f"{hz} Hz", "correction": shown, "uncertainty": f"{100 * share!r} %"}
        writer.writerow([cells[column] for column in order])
    found = table(("\ufeff" if mark else "") + out.getvalue())
    assert found.hz == tuple(float(hz) for hz, _, _ in rows)
    assert found.factor == pytest.approx([factor for _, factor, _ in rows], rel=1e-9)
    assert found.relative_u == pytest.approx([share / 2 for _, _, share in rows], rel=1e-9, abs=1e-300)


CELLS = st.one_of(
    st.sampled_from(
        ["", "3.6 MHz", "1.023", "nan", "inf dB", "1e999 dB", "9e9 dB", "-1", "0", "2 %", "-100 %", "1e99 %"]
    ),
    st.text(max_size=8),
)
LINES = st.lists(CELLS, max_size=5).map(",".join)


@settings(max_examples=400)
@given(
    st.one_of(st.text(max_size=80), st.lists(LINES, max_size=6).map(lambda lines: HEAD + "\n".join(lines))),
    st.sampled_from(["power", "voltage", "current"]),
)
def test_junk_is_a_table_or_a_list_of_faults_and_nothing_else(text: str, dimension: Dimension) -> None:
    found = table_from("coupler.csv", text, dimension)
    if isinstance(found, CorrectionTable):
        assert all(a < b for a, b in pairwise(found.hz))
        assert all(math.isfinite(f) and f > 0 for f in found.factor)
        assert all(0 <= u < 0.5 for u in found.relative_u)
    else:
        assert found
        assert all(isinstance(fault, Fault) and fault.where.startswith("coupler.csv") for fault in found)


def test_every_fault_is_told_at_once_with_its_line_its_value_and_a_cure() -> None:
    said = faults(
        f"{HEAD}3.6,1.0,1 %\r\n\r\n7 MHz,about 1,1 %\r\n10 MHz,1.0,1\r\n9 MHz,1.0,1 %\r\n"
        "9 MHz,0,1 %,x\r\n14 MHz,-1,-1 %"
    )
    assert [fault.partition(":")[0] for fault in said[:-1]] == [
        'coupler.csv line 2, frequency = "3.6"',
        'coupler.csv line 4, correction = "about 1"',
        'coupler.csv line 5, uncertainty = "1"',
        'coupler.csv line 7 = "9 MHz,0,1 %,x"',
        'coupler.csv line 8, correction = "-1"',
    ]
    assert "unit is missing" in said[0]
    assert '"1.023", as "2.3 %", or "0.10 dB"' in said[1]
    assert 'written "1.5 %" or "0.05 dB"' in said[2]
    assert "4 fields; the header has 3" in said[3]
    assert "must not be negative" in said[5]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: empty; its first line must be frequency,correction,uncertainty"),
        (HEAD, "no rows"),
        ("frequency,corection,uncertainty\n", 'did you mean "correction"?'),
        ("frequency,correction\n1 MHz,1\n", 'the column "uncertainty" is missing'),
        ("frequency,correction,uncertainty,frequency\n", "there twice"),
        (f"{HEAD}14 MHz,1,1 %\n7 MHz,1,1 %\n", "line 3, frequency = 7 MHz: frequencies must increase"),
        (f"{HEAD}7 MHz,1,1 %\n7 MHz,1,1 %\n", "line 3, frequency = 7 MHz: frequencies must increase"),
        (f'{HEAD}7 MHz,"1,1 %\n', "not CSV as RFC 4180 has it"),
        (f"{HEAD}0 Hz,1,1 %\n", "must be more than zero"),
        (f"{HEAD}1 MHz,1,100 %\n", "less than 100 %"),
        (f"{HEAD}1 MHz,1e400,1 %\n", "not a finite number"),
    ],
)
def test_tables_that_make_no_sense(text: str, says: str) -> None:
    assert any(says in fault for fault in faults(text)), faults(text)


def test_a_thousand_faults_are_told_in_fifty_lines() -> None:
    said = faults(HEAD + "x,1,1 %\n" * 1000)
    assert len(said) == 51
    assert said[-1] == "coupler.csv: 950 more faults"


def test_decibels_are_for_powers() -> None:
    assert table(f"{HEAD}1 MHz,1 dB,1 %", "power").factor[0] > 1.2
    said = faults(f"{HEAD}1 MHz,1 dB,0.1 dB", "voltage")
    assert len(said) == 2
    assert all("powers only, and this is a voltage" in fault for fault in said)


@given(POINTS, st.floats(1, 1e8))
def test_between_two_rows_it_is_linear_and_beyond_the_ends_those_hold(rows, hz) -> None:  # type: ignore[no-untyped-def]
    """Against the textbook's straight line, worked out here."""
    found = CorrectionTable("t", "", *zip(*((float(f), factor, u) for f, factor, u in rows), strict=True))
    expected = rows[0][1] if hz <= rows[0][0] else rows[-1][1]
    for (f0, c0, _), (f1, c1, _) in pairwise(rows):
        if f0 < hz <= f1:
            expected = c0 + (c1 - c0) * (hz - f0) / (f1 - f0)
    assert found.at(hz) == pytest.approx(expected, rel=1e-9)
    assert found.at(np.array([hz, hz])).tolist() == [found.at(hz)] * 2
    assert found.misses(hz) == (not rows[0][0] <= hz <= rows[-1][0])
    assert min(u for *_, u in rows) <= found.relative_u_at(hz) * (1 + 1e-9) + 1e-12


def test_a_bench_file_takes_its_table_from_beside_it(tmp_path: Path) -> None:
    """Whatever folder the program runs in; its words are kept to the byte, mark and line ends and all."""
    words = "\ufeff" + GOOD
    (tmp_path / "coupler.csv").write_bytes(words.encode())
    (tmp_path / "bench.toml").write_text(BENCH)
    read = load_bench(tmp_path / "bench.toml", any_driver)
    assert read.tables == {"coupler.csv": words}
    power = read.measuring("forward-power")
    assert power is not None
    assert power.table is not None
    assert power.in_si(100.0, 14e6) == pytest.approx(99.0)
    assert power.in_si(100.0) == pytest.approx(102.3), "the largest, where the frequency is not known"
    again = bench_of(read.source.text, text_kept(read.tables))
    assert again.instruments == read.instruments
    assert again.measuring("forward-power").table == power.table  # type: ignore[union-attr]


def test_one_table_for_two_channels_is_read_for_each_in_its_own_dimension() -> None:
    two = BENCH.replace('name = "counter"', 'name = "other"').replace(
        'name = "frequency"\nunit = "Hz"', 'name = "volts"\nunit = "V"\ncorrection = "coupler.csv"'
    ).replace('measures = "frequency"', "") + (
        '[[instrument]]\nname = "c"\ndriver = "x"\n[[instrument.channel]]\nname = "f"\nunit = "Hz"\n'
        'measures = "frequency"\n'
    )  # fmt: skip
    assert [c.table is not None for _, c in bench(two, coupler=GOOD).channels()] == [True, True, False]
    said = told(two, coupler=GOOD.replace("0.99", "0.1 dB"))
    assert len(said) == 1, "for the power it is good"
    assert "this is a voltage" in said[0]


def test_faults_of_the_bench_file_and_of_its_table_are_told_together() -> None:
    said = told(BENCH.replace('unit = "Hz"', 'unit = "Hz"\nevry = "1 s"'), coupler=GOOD.replace("0.99", "O.99"))
    assert len(said) == 2
    assert 'did you mean "every"?' in said[0]
    assert said[1].startswith('coupler.csv line 3, correction = "O.99"')


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"coupler.csv"', '"cal/coupler.csv"', "a plain file name"),
        ('"coupler.csv"', '""', "a name needs"),
        ('"coupler.csv"', "3", "valid string"),
        ('unit = "Hz"', 'unit = "Hz"\ncorrection = "coupler.csv"', "not frequency"),
        ('unit = "Hz"\nmeasures = "frequency"', 'unit = "Hz"', 'needs a channel that measures "frequency"'),
    ],
)
def test_where_a_table_makes_no_sense(old: str, new: str, says: str) -> None:
    assert any(says in fault for fault in told(BENCH.replace(old, new), coupler=GOOD))


def test_a_table_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)

    def said() -> str:
        with pytest.raises(BadFile) as raised:
            load_bench(tmp_path / "bench.toml", any_driver)
        (fault,) = raised.value.faults
        assert fault.where == 'instrument[0] "meter".channel[0] "power".correction'
        assert fault.found == '"coupler.csv"'
        return fault.problem

    assert said() == f"no such file in {tmp_path}; put it beside the bench file"
    (tmp_path / "coupler.csv").write_bytes(GOOD.encode() + b"21 MHz,\xff,1 %")
    assert "not UTF-8 text (line 4)" in said()
    (tmp_path / "coupler.csv").unlink()
    (tmp_path / "coupler.csv").mkdir()
    assert "is a directory" in said()


def test_bands_beyond_the_table_are_told() -> None:
    read = bench(coupler=GOOD)
    assert beyond_tables(read, {"80 m": 3.6e6, "20 m": 14e6}) == []
    said = [str(fault) for fault in beyond_tables(read, {"160 m": 1.8e6, "30 m": 10e6, "10 m": 28.3e6})]
    assert len(said) == 2
    assert "the table goes from 3.6 MHz to 14 MHz, and 160 m is on 1.800000 MHz" in said[0]
    assert "10 m is on 28.300000 MHz" in said[1]


def test_the_example_bench_file_with_all_it_leaves_out_is_good(tmp_path: Path) -> None:
    """What config/bench.toml has commented out of the measuring chain, taken in."""
    text = (ROOT / "config/bench.toml").read_text()
    taken = 0
    for key in ("calibrated", "due", "resolution", "scale", "offset", "correction", "reference_"):
        lines = [line for line in text.splitlines() if line.startswith(f"# {key}")]
        taken += len(lines)
        for line in lines:
            text = text.replace(line, line.removeprefix("# "))
    assert taken == 9
    (tmp_path / "bench.toml").write_text(text)
    (tmp_path / "coupler.csv").write_bytes((ROOT / "config/coupler.csv").read_bytes())
    read = load_bench(tmp_path / "bench.toml", find)
    power, counter = read.measuring("forward-power"), read.measuring("frequency")
    assert power is not None
    assert counter is not None
    assert power.in_si(100.0, 7e6) == pytest.approx(100.2)
    assert counter.in_si(10e6) == pytest.approx(10e6 + 1.2)
    assert counter.reference_uncertainty == pytest.approx(5e-8)
