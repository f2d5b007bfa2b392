"""Watch: whatever is keyed; and sessions that end in every way a person ends them."""

from __future__ import annotations

import json
import signal
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import benchlog
from tests.cli.running import files, key, run


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda s: s.name)
def test_whatever_is_keyed_is_recognised_and_every_ending_keeps_it(
    free_bench: BenchProcess, tmp_path: Path, how: signal.Signals
) -> None:
    store = tmp_path / "bench.benchlog"
    free_bench.start()
    with run("watch", "--json", *files(free_bench, store)) as watched:
        watched.wait_for("Session 1")
        key(free_bench, watched, "15 m", 1)
        key(free_bench, watched, "80 m", 2)
        status, out = watched.stop(how)
    record = json.loads(out)
    assert status == 1, "15 m fails"
    assert [(band["band"], band["key_downs"]) for band in record["bands"]] == [("80 m", 1), ("15 m", 1)]
    assert record["session"]["ended"] is not None
    with closing(sqlite3.connect(store)) as db:
        (ending,) = db.execute("SELECT ending FROM session").fetchone()
        (rows,) = db.execute("SELECT count(*) FROM reading").fetchone()
    assert ending == "ended by the operator"
    assert rows == sum(record["readings"].values())


def test_a_killed_session_keeps_what_was_committed(free_bench: BenchProcess, tmp_path: Path) -> None:
    store = tmp_path / "bench.benchlog"
    free_bench.start()
    with run("watch", *files(free_bench, store)) as watched:
        watched.wait_for("Session 1")
        key(free_bench, watched, "20 m", 1)
        watched.stop(signal.SIGKILL)
    (session,) = json.loads(benchlog("sessions", "--store", store, "--json", status=0).stdout)
    assert session["ended"] is None
    record = json.loads(benchlog("report", "--store", store, "--json").stdout)
    assert [band["band"] for band in record["bands"]] == ["20 m"]
    assert "not ended: running, or cut off" in benchlog("sessions", "--store", store, status=0).stdout


def test_a_sweep_that_is_broken_off_says_what_is_lacking(free_bench: BenchProcess, tmp_path: Path) -> None:
    store = tmp_path / "bench.benchlog"
    free_bench.start()
    with run("sweep", "--json", *files(free_bench, store)) as sweep:
        sweep.wait_for("Band 1 of 5: 80 m")
        free_bench.tell("band 40 m")  # not the one asked for: as good
        free_bench.tell("key down")
        sweep.wait_for("Long enough")
        free_bench.tell("key up")
        sweep.wait_for("Band 2 of 5: 80 m")
        status, out = sweep.stop(signal.SIGINT)
    record = json.loads(out)
    assert status == 1
    assert [band["key_downs"] for band in record["bands"]] == [0, 1, 0, 0, 0]
    assert {band["power_w"]["verdict"] for band in record["bands"] if not band["key_downs"]} == {"not-measured"}
    assert "not measured: 80 m, 20 m, 15 m, 10 m" in benchlog("sessions", "--store", store, status=0).stdout


def test_a_typed_reading_joins_the_running_session(free_bench: BenchProcess, tmp_path: Path) -> None:
    store = tmp_path / "bench.benchlog"
    bench_file = tmp_path / "with needle.toml"
    needle = (
        '\n[[instrument]]\nname = "panel"\ndriver = "typed"\n'
        '[[instrument.channel]]\nname = "bias voltage"\nmeasures = "bias-voltage"\nunit = "V"\n'
    )
    bench_file.write_text(free_bench.bench_file.read_text() + needle)
    free_bench.start()
    with run("watch", "--json", "--bench", bench_file, "--plan", free_bench.plan_file, "--store", store) as watched:
        watched.wait_for("Session 1")
        entered = ("-4,5", "0,125", "97,5", "1000,125")
        for value in entered:
            benchlog("enter", "bias voltage", value, "--store", store, status=0)
        both = benchlog("enter", "bias voltage", "1,250", "--store", store, status=2)
        wrong = benchlog("enter", "bias voltge", "4", "--store", store, status=2)
        polled = benchlog("enter", "power", "4", "--store", store, status=2)
        watched.stop(signal.SIGINT)
    assert '"1,250" can be read in two ways' in both.stderr
    assert "Give 1250 or 1.25." in both.stderr
    assert 'did you mean "bias voltage"' in wrong.stderr
    assert "read by an instrument" in polled.stderr
    benchlog("enter", "bias voltage", "4", "--store", store, status=2)  # the session has ended
    benchlog("export", "last", tmp_path / "out.csv", "--store", store, status=0)
    lines = [line for line in (tmp_path / "out.csv").read_text().splitlines() if "bias voltage" in line]
    assert [line.split(",")[2:] for line in lines] == [[value.replace(",", "."), "good"] for value in entered]


def test_a_running_logger_stays_small(free_bench: BenchProcess, tmp_path: Path) -> None:
    """Below 120 MB at its peak, a measured key-down included, and without the libraries that only records need.

    Those show by the files that the process has mapped. pandas is kept out: it is not among our dependencies, but a
    test tool brings it along, and other libraries load it where they find it.
    """
    code = (
        "import sys\n"
        "class NoPandas:\n"
        "    def find_spec(self, name, *rest):\n"
        "        if name.split('.')[0] == 'pandas': raise ImportError(name)\n"
        "sys.meta_path.insert(0, NoPandas())\n"
        "from benchlog.cli import main\n"
        "main()\n"
    )
    free_bench.start()
    with run("watch", *files(free_bench, tmp_path / "bench.benchlog"), code=code) as watched:
        watched.wait_for("Session 1")
        key(free_bench, watched, "20 m", 1)
        peak = next(
            int(line.split()[1])
            for line in Path(f"/proc/{watched.process.pid}/status").read_text().splitlines()
            if line.startswith("VmHWM")
        )
        mapped = Path(f"/proc/{watched.process.pid}/maps").read_text()
        watched.stop(signal.SIGINT)
    assert peak * 1024 < 120e6
    assert "/scipy/special/" in mapped, "the key-down was measured"
    heavy = ("scipy/optimize", "scipy/stats", "matplotlib", "pandas", "pyarrow")
    assert [name for name in heavy if f"/{name}/" in mapped] == []
