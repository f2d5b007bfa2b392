"""Wrong words, wrong files, wrong addresses: one clear error, the exit status of the contract, nothing lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import ROOT, benchlog
from tests.cli.running import files, key, run

BENCH = (ROOT / "config" / "bench.toml").read_text()
PLAN = (ROOT / "config" / "plan.toml").read_text()


def check(folder: Path, bench: str = BENCH, plan: str = PLAN) -> str:
    """What `benchlog check` says of two faulty files; it must not get as far as the instruments."""
    (folder / "bench.toml").write_text(bench)
    (folder / "plan.toml").write_text(plan)
    done = benchlog("check", cwd=folder, status=2)
    assert not done.stdout
    return done.stderr


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('name = "North bench"', 'name = "North bench', ["TOML", "line 8"]),
        ('timeout = "1 s"', 'timeout = "1 sec"', ['instrument[0] "wattmeter".timeout', '"1 sec"', "s, min, h"]),
        ('timeout = "1 s"', "timeout = 1", ['"wattmeter".timeout = 1', "with its unit"]),
        ('timeout = "1 s"', 'timout = "1 s"', ['"wattmeter".timout', 'did you mean "timeout"?']),
        ('unit = "Hz"', 'unit = "W"', ['"frequency"', '"W" is a power, frequency is a frequency']),
        ('name = "reflected"', 'name = "power"', ["channel", '"power"', "two channels of one name"]),
        ('driver = "scpi" ', 'driver = "scpy" ', ["driver", '"scpy"', 'did you mean "scpi"?']),
        ('measures = "reflected-power"', 'measures = "forward-power"', ["two channels measure this"]),
        ("pattern = 'VDC (?P<volts>[-+.0-9]+)'", "pattern = 'VDC ('", ['"voltmeter".options.pattern']),
        ('["600 V", "900 V"]', '["900 V", "600 V"]', ["limits.plate-voltage", "low end must be below"]),
        ('continuous = "200 W"', 'continuous = "0 W"', ["load.continuous", "more than zero"]),
    ],
)
def test_a_faulty_bench_file(tmp_path: Path, old: str, new: str, says: list[str]) -> None:
    assert old in BENCH
    error = check(tmp_path, bench=BENCH.replace(old, new, 1))
    assert error.startswith("benchlog: bench.toml: ")
    for part in says:
        assert part in error


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('mode = "cw" ', 'mode = "fm" ', ['band[0] "30 m".mode', '"fm"', "cw"]),
        ('min_power = "60 W"', 'min_power = "60 V"', ['band[0] "30 m".min_power', "'V' is not a unit of power"]),
        ('reading = "100 kHz"', "", ['band[1] "20 m"', "segment and reading belong together"]),
        ('name = "20 m"', 'name = "30 m"', ["two bands of one name"]),
        ('max_frequency_error = "300 Hz"', 'max_frequency_error = "300 W"', ['"300 Hz" or "30 ppm"']),
        ('    "dip the plate current",', '    " ",', ["sweep.tuning[3]", "an empty step"]),
        ('    "dip the plate current",', "    3,", ["sweep.tuning[3] = 3", "valid string"]),
        (
            'tuning = ["this band\'s core peaks low: turn it slowly"]',
            'tuning = "dip"',
            ['band[1] "20 m".tuning', '"dip"', "a list of steps, like ["],
        ),
        ('band = "30 m"', 'band = "31 m"', ["soak.band", "no such band", "30 m, 20 m"]),
    ],
)
def test_a_faulty_plan_file(tmp_path: Path, old: str, new: str, says: list[str]) -> None:
    assert old in PLAN
    error = check(tmp_path, plan=PLAN.replace(old, new, 1))
    assert error.startswith("benchlog: plan.toml: ")
    for part in says:
        assert part in error


def test_every_fault_of_both_files_is_told_at_once(tmp_path: Path) -> None:
    bench = BENCH.replace('timeout = "1 s"', 'timeout = "soon"').replace('of_range = "5 %"', 'of_range = "5 W"', 1)
    error = check(tmp_path, bench, PLAN.replace('mode = "cw" ', 'mode = "fm" '))
    assert "bench.toml: 2 faults" in error
    assert "plan.toml: 1 fault" in error


def test_missing_files_and_unknown_words(tmp_path: Path) -> None:
    assert (
        "nowhere.toml: 1 fault\n  file: no such file" in benchlog("check", "--bench", "nowhere.toml", status=2).stderr
    )
    assert "'x' is not a trouble" in benchlog("demo", "--folder", tmp_path / "d", "--trouble", "x", status=2).stderr
    assert "No such command" in benchlog("chekc", status=2).stderr
    assert "give its number" in benchlog("report", "first", status=2).stderr
    assert '"last" or "all"' in benchlog("verify", "first", status=2).stderr
    missing = benchlog("report", "--store", tmp_path / "none.benchlog", status=2).stderr
    assert "none.benchlog" in missing
    assert not (tmp_path / "none.benchlog").exists(), "looking makes no store"


def test_instruments_that_are_not_there(tmp_path: Path) -> None:
    """An address nobody listens at, one that does not resolve, a device that is missing: each said where it is."""
    bench = BENCH.replace("TCPIP::127.0.0.1::5026::SOCKET", "TCPIP::no-such-host.invalid::5026::SOCKET")
    bench = bench.replace("127.0.0.1::5025", "127.0.0.1::9").replace("/dev/ttyUSB0", str(tmp_path / "no device"))
    (tmp_path / "bench.toml").write_text(bench)
    (tmp_path / "plan.toml").write_text(PLAN)
    said = benchlog("check", cwd=tmp_path, status=3).stdout
    assert "connection refused" in said
    assert "no such file or directory" in said
    assert any(word in said.lower() for word in ("name or service not known", "resol", "name resolution")), said
    swept = benchlog("sweep", "--store", "s.benchlog", cwd=tmp_path, status=3)
    assert 'instrument "wattmeter"' in swept.stderr
    assert "without forward power no key-down is seen" in swept.stderr
    assert not (tmp_path / "s.benchlog").exists(), "no session was begun"


def test_a_serial_device_without_permission(tmp_path: Path) -> None:
    """Root may open anything, so as root the driver is run as another user."""
    device = tmp_path / "ttyX"
    device.touch()
    device.chmod(0o000)
    (tmp_path / "bench.toml").write_text(BENCH.replace("/dev/ttyUSB0", str(device)))
    (tmp_path / "plan.toml").write_text(PLAN)
    if os.getuid() == 0:
        if not (setpriv := shutil.which("setpriv")):
            pytest.fail("setpriv (util-linux) is needed to try this as root")
        code = (
            "from pathlib import Path; from benchlog_drivers.serial_text import SerialText as S;"
            "from benchlog.driver import Settings, LinkLost;"
            f"s = S(Settings('x', {str(device)!r}, 0.2, options=S.Options(pattern='(?P<a>.*)')))\n"
            "try: s.open()\nexcept LinkLost as exc: print(exc)"
        )
        for folder in [tmp_path, *tmp_path.parents]:
            if folder.stat().st_uid == os.getuid() and str(folder).startswith("/tmp/"):
                folder.chmod(0o755)
        done = subprocess.run(
            [setpriv, "--reuid=65534", "--clear-groups", sys.executable, "-c", code],
            capture_output=True, text=True, check=False, cwd="/",
        )  # fmt: skip
        said = done.stdout + done.stderr
    else:
        said = benchlog("check", cwd=tmp_path, status=3).stdout
    assert "permission denied" in said.lower()


@pytest.mark.parametrize("what", ["text", "foreign", "newer", "folder"])
def test_a_store_that_cannot_be_one(tmp_path: Path, what: str) -> None:
    store = tmp_path / "store"
    if what == "text":
        store.write_text("dear diary\n" * 100)
    elif what == "folder":
        store.mkdir()
    else:
        with closing(sqlite3.connect(store)) as db:
            if what == "newer":
                (tmp_path / "in.csv").write_text("time,channel,value\r\n2026-11-25T09:00:00Z,power,100\r\n")
                db.close()
                store.unlink(missing_ok=True)
                benchlog(
                    "import", tmp_path / "in.csv", "--bench", ROOT / "config/bench.toml",
                    "--plan", ROOT / "config/plan.toml", "--store", store, status=0,
                )  # fmt: skip
                with closing(sqlite3.connect(store)) as ours:
                    ours.execute("PRAGMA user_version = 1000")
            else:
                db.execute("CREATE TABLE recipe (cake)")
    before = store.read_bytes() if store.is_file() else b""
    error = benchlog("sessions", "--store", store, status=2).stderr
    assert str(store) in error
    assert len(error.splitlines()) >= 2, "and what to do"
    assert (store.read_bytes() if store.is_file() else b"") == before


def test_a_csv_with_bad_rows_is_not_imported_at_all(tmp_path: Path) -> None:
    rows = [
        "time,channel,value",
        "2026-11-25T09:00:00Z,power,100",
        "2026-11-25T09:00:01Z,pwer,100",
        "yesterday,power,100",
        "2026-11-25T09:00:03Z,power,about 100",
        "2026-11-25T09:00:04Z,power",
    ]
    (tmp_path / "in.csv").write_text("\r\n".join(rows))
    done = benchlog(
        "import", tmp_path / "in.csv", "--bench", ROOT / "config/bench.toml", "--plan", ROOT / "config/plan.toml",
        "--store", tmp_path / "s.benchlog", status=2,
    )  # fmt: skip
    assert not done.stdout
    for line in (3, 4, 5, 6):
        assert f"line {line}" in done.stderr
    assert "line 2" not in done.stderr
    assert 'did you mean "power"' in done.stderr
    if (tmp_path / "s.benchlog").exists():
        assert "No session" in benchlog("sessions", "--store", tmp_path / "s.benchlog").stdout


def test_a_full_disk_ends_the_session_clearly_and_keeps_what_was_committed(
    free_bench: BenchProcess, tmp_path: Path
) -> None:
    """A real full file system: a small one in memory, filled up while the session runs."""
    if os.getuid() != 0:
        pytest.skip("mounting a small file system takes root")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk], check=True)
    try:
        store = disk / "bench.benchlog"
        free_bench.start()
        with run("watch", *files(free_bench, store)) as watched:
            watched.wait_for("Session 1")
            key(free_bench, watched, "20 m", 1)
            with closing(sqlite3.connect(store)) as db:
                (committed,) = db.execute("SELECT count(*) FROM reading").fetchone()
            filler = disk / "filler"
            with filler.open("wb", buffering=0) as file:
                try:
                    while True:
                        file.write(b"x" * 4096)
                except OSError:
                    pass
            watched.wait_for("benchlog: ")
            status = watched.process.wait(120)
            told = "".join(watched.told)
        assert status == 3
        assert "Traceback" not in told
        assert "full" in told
        filler.unlink()
        with closing(sqlite3.connect(store)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert db.execute("SELECT count(*) FROM reading").fetchone()[0] >= committed > 100
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_simulated_bench_beside_a_real_address_is_refused(free_bench: BenchProcess, tmp_path: Path) -> None:
    """The time factor must never reach a real instrument."""
    mixed = tmp_path / "mixed.toml"
    extra = '\n[[instrument]]\nname = "real"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::9::SOCKET"\n'
    extra += '[[instrument.channel]]\nname = "line"\nunit = "V"\nask = "READ?"\n'
    mixed.write_text(free_bench.bench_file.read_text() + extra)
    done = benchlog(
        "watch", "--bench", mixed, "--plan", free_bench.plan_file, "--store", tmp_path / "s.benchlog", status=2
    )
    assert "simulated" in done.stderr
