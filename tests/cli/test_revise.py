"""An old session analysed again with a better bench file, and instruments whose calibration has run out."""

from __future__ import annotations

import json
import re
import shutil
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

import benchlog as program
from benchlog.simulate.process import BenchProcess
from tests.benches import north
from tests.cli.conftest import benchlog
from tests.cli.inside import inside
from tests.cli.running import key, run

BENCH = north(
    limits='plate-voltage = ["", "900 V"]',
    wattmeter='calibrated = 2025-03-01\ndue = "2026-03-01"',
    counter='due = "2027-03-01"',
    power='of_range = "1 %"',
)
PLAN = """
[transmitter]
name = "Loan set 3"

[[band]]
name = "20 m"
dial = "14.000 MHz"
min_power = "100 W"

[[band]]
name = "10 m"
dial = "28.000 MHz"
min_power = "80 W"
"""
TABLE = "frequency,correction,uncertainty\r\n14 MHz,1.08,2 %\r\n30 MHz,0.94,4 %\r\n"
CORRECTED = BENCH.replace('of_range = "1 %"', 'of_range = "1 %"\ncorrection = "coupler.csv"')
BANDS = (("20 m", 14.0e6, 95.0), ("10 m", 28.0e6, 95.0))


class Bench:
    """A folder with a session imported in it: 95 W as the meter shows it, on both bands, without noise."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "s.benchlog"
        (folder / "plan.toml").write_text(PLAN)
        (folder / "bench.toml").write_text(BENCH)
        (folder / "coupler.csv").write_text(TABLE, newline="")
        (folder / "better.toml").write_text(CORRECTED)
        rows = ["time,channel,value"]
        for i, (_, hz, watts) in enumerate(BANDS):
            for n in range(50):
                at = f"2026-11-25T09:{i:02d}:{n // 2:02d}.{n % 2 * 5}Z"
                rows += [f"{at},power,{watts if n < 42 else 0.0}"] + [f"{at},frequency,{hz + 20}"] * (n < 42)
        (folder / "in.csv").write_text("\r\n".join(rows))

    def run(self, *words: object, status: int | None = None) -> Any:
        return inside(*words, "--store", self.store, folder=self.folder, status=status)

    def report(self, *words: object) -> Any:
        return json.loads(self.run("report", 1, "--json", *words).stdout)

    def sql(self, statement: str) -> list[Any]:
        with closing(sqlite3.connect(self.store)) as db, db:
            return db.execute(statement).fetchall()

    def revise(self, *words: object, bench: str = "better.toml", status: int | None = None) -> Any:
        return self.run("revise", 1, "--bench", bench, *words, status=status)


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("taken"))
    bench.run("import", "in.csv", "--bench", "bench.toml", "--plan", "plan.toml", status=0)
    return bench


@pytest.fixture
def once(taken: Bench, tmp_path: Path) -> Bench:
    """A copy of its own, never revised."""
    bench = Bench(tmp_path)
    shutil.copy(taken.store, bench.store)
    return bench


@pytest.fixture(scope="module")
def revised(taken: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("revised"))
    shutil.copy(taken.store, bench.store)
    words = ("--bench", "better.toml", "--because", "coupler calibrated.", "--store", bench.store)
    benchlog("revise", "last", *words, cwd=bench.folder, status=1)  # once as a user does, in a process of its own
    return bench


def watts(record: Any) -> dict[str, float]:
    return {band["band"]: band["power_w"]["value"] for band in record["bands"]}


def test_the_new_record_has_the_correction_and_the_old_one_is_kept(once: Bench) -> None:
    before = once.report()
    raw = [once.sql(f"SELECT * FROM {table}") for table in ("session", "channel", "reading", "event", "note")]
    done = once.revise("--json", "--because", "coupler calibrated", status=1)
    new = json.loads(done.stdout)
    assert watts(before) == pytest.approx({"20 m": 95.0, "10 m": 95.0})
    assert watts(new) == pytest.approx({"20 m": 95 * 1.08, "10 m": 95 * 0.9575}, rel=1e-5)
    assert [band["power_w"]["verdict"] for band in new["bands"]] == ["undecided", "pass"]
    lines = {line["source"]: line["u"] for line in new["bands"][0]["power_w"]["budget"]}
    assert lines["calibration of power (correction table)"] == pytest.approx(95 * 1.08 * 0.01, rel=1e-4)
    assert once.report() == new
    assert once.report("--revision", 1) == new
    old = once.report("--revision", 0)
    assert {**old, "session": {**old["session"], "revision": None}} == before
    assert new["session"]["digest"] == before["session"]["digest"]
    after = [once.sql(f"SELECT * FROM {table}") for table in ("session", "channel", "reading", "event", "note")]
    assert after == raw, "nothing of the session itself has changed"
    stored = once.sql("SELECT number, because, bench_toml, tables, program FROM revision ORDER BY number")
    assert stored == [
        (0, "the record as first given", BENCH, "{}", program.__version__),
        (1, "coupler calibrated", CORRECTED, json.dumps({"coupler.csv": TABLE}), program.__version__),
    ]
    assert json.loads(once.sql("SELECT record FROM revision WHERE number = 0")[0][0]) == before


def test_the_records_say_which_they_are(revised: Bench) -> None:
    new, old = revised.run("report", 1).stdout, revised.run("report", 1, "--revision", 0).stdout
    flat = " ".join(new.split())
    assert re.search(
        r"This is revision 1, made on [0-9-]+ [0-9:]+ UTC with benchlog [0-9.]+ \(coupler calibrated\); "
        r"it replaces revision 0\.",
        flat,
    ), new
    assert "has been replaced: the newest is revision 1." in " ".join(old.split())
    told = revised.report()["session"]["revision"]
    assert (told["number"], told["because"], told["replaces"], told["replaced_by"]) == (
        1,
        "coupler calibrated.",
        0,
        None,
    )
    first = revised.report("--revision", 0)["session"]["revision"]
    assert (first["number"], first["replaces"], first["replaced_by"]) == (0, None, 1)
    revised.run("report", 1, "--html", "r.html")
    assert "This is revision 1, made on" in (revised.folder / "r.html").read_text()
    assert "ended" not in revised.run("sessions").stdout.partition("revision 1")[2]
    assert json.loads(revised.run("sessions", "--json").stdout)[0]["revision"] == 1


def test_a_session_never_revised_says_nothing_of_it(taken: Bench) -> None:
    assert taken.report()["session"]["revision"] is None
    assert "revision" not in taken.run("report", 1).stdout
    assert "revision" not in taken.run("sessions").stdout
    assert taken.report("--revision", 0) == taken.report()
    told = taken.run("report", 1, "--revision", 1, status=2).stderr
    assert "session 1 has no revision 1" in told
    assert "never revised" in told


def test_one_revision_after_another(once: Bench) -> None:
    """The second starts from the session's readings again, not from the first revision's values."""
    once.revise(status=1)
    (once.folder / "third.toml").write_text(CORRECTED.replace('"coupler.csv"', '"later.csv"'))
    (once.folder / "later.csv").write_text(TABLE.replace("1.08", "1.20"))
    once.revise(bench="third.toml", status=0)
    assert watts(once.report())["20 m"] == pytest.approx(95 * 1.20, rel=1e-5)
    assert watts(once.report("--revision", 1))["20 m"] == pytest.approx(95 * 1.08, rel=1e-5)
    assert watts(once.report("--revision", 0))["20 m"] == pytest.approx(95.0)
    told = once.run("report", 1, "--revision", 3, status=2).stderr
    assert "It has 0 to 2." in told


def test_a_table_changed_beside_the_same_bench_file_is_another_revision_and_no_change_is_none(once: Bench) -> None:
    once.revise(status=1)
    again = once.revise(status=2)
    assert "nothing would change" in again.stderr
    (once.folder / "coupler.csv").write_text(TABLE.replace("1.08", "1.20"))
    once.revise(status=0)
    assert once.sql("SELECT count(*) FROM revision") == [(3,)]


ANOTHER = '[[instrument.channel]]\nname = "plate"\nunit = "V"\nask = "V?"\n'


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('name = "power"', 'name = "watts"', ['channel = "watts"', "it has power, frequency", 'channel = "power"']),
        ('unit = "W"', 'unit = "mW"', ['channel "power".unit = "mW"', 'taken with "W"', "scale"]),
        ('every = "500 ms"', 'every = "1 s"', ['channel "power".every = "1 s"', 'taken with "0.5 s"']),
        ('ask = "MEAS:POW?"', 'ask = "MEAS:POW:AC?"', ['channel "power".ask', 'taken with "MEAS:POW?"']),
        ('ask = "MEAS:POW?"', 'ask = "MEAS:POW?"\nfield = 1', ['"power".field = 1', "taken with nothing"]),
        ('"900 V"', '"800 V"', ["limits", "not as when session 1 was taken"]),
        ('name = "wattmeter"', 'name = "other meter"', ['belongs to "other meter" here', 'from "wattmeter"']),
        ('\n[[instrument]]\nname = "counter"', f'{ANOTHER}[[instrument]]\nname = "counter"', ["no such channel"]),
        ('correction = "coupler.csv"', 'correction = "missing.csv"', ["missing.csv", "put it beside the bench file"]),
    ],
)
def test_a_bench_file_that_is_not_the_sessions_is_refused(once: Bench, old: str, new: str, says: list[str]) -> None:
    assert old in CORRECTED
    (once.folder / "better.toml").write_text(CORRECTED.replace(old, new, 1))
    done = once.revise(status=2)
    for part in says:
        assert part in done.stderr
    assert "Nothing was changed." in done.stderr
    assert once.sql("SELECT count(*) FROM revision") == [(0,)]


def test_the_cure_it_names_works(once: Bench) -> None:
    """The session's own bench file, to start from."""
    (once.folder / "better.toml").write_text(CORRECTED.replace('unit = "W"', 'unit = "mW"'))
    told = once.revise(status=2).stderr
    statement = re.search(r'sqlite3 \S+ "(.*)"', told)
    assert statement
    assert once.sql(statement[1]) == [(BENCH,)]


def test_how_an_instrument_is_reached_and_what_analysis_does_may_change(once: Bench) -> None:
    text = CORRECTED.replace("127.0.0.1::5025", "10.0.0.7::4000").replace('due = "2026-03-01"', 'due = "2027-03-01"')
    text = text.replace('name = "North bench"', 'name = "South bench"').replace('driver = "scpi"', 'driver = "gone"', 1)
    text = text.replace('of_reading = "1 ppm"', 'reference_offset = "2 ppm"\nreference_uncertainty = "1 ppm"')
    (once.folder / "better.toml").write_text(text)
    new = json.loads(once.revise("--json").stdout)
    assert new["bands"][0]["frequency_error_hz"]["value"] == pytest.approx(20 + 28, abs=1e-3)
    assert new["session"]["bench"] == "North bench", "where the readings were taken"
    assert [one["overdue"] for one in new["instruments"]] == [False, False]


def test_a_session_taken_with_a_table_needs_no_file_any_more(taken: Bench, tmp_path: Path) -> None:
    """Its record is made from the store alone; and who alters the table there is found out."""
    bench = Bench(tmp_path)
    bench.run("import", "in.csv", "--bench", "better.toml", "--plan", "plan.toml", status=0)
    for file in ("coupler.csv", "better.toml", "bench.toml", "plan.toml"):
        (tmp_path / file).unlink()
    assert watts(bench.report())["20 m"] == pytest.approx(95 * 1.08, rel=1e-5)
    assert "digest" not in bench.run("report", 1).stderr
    with closing(sqlite3.connect(bench.store)) as db, db:
        db.execute("UPDATE session SET tables = replace(tables, '1.08', '1.18')")
    altered = bench.run("report", 1, status=1)
    assert "their digest differs" in altered.stderr


def test_a_meter_that_cannot_answer_for_the_plans_rating_is_refused(tmp_path: Path) -> None:
    """No fixed relation leads from the peaks of speech to its mean; readings of the mean answered."""
    bench = Bench(tmp_path)
    (tmp_path / "plan.toml").write_text(f'{PLAN}mode = "usb"\nsignal = "speech"\nrated = "mean"\n')
    (tmp_path / "better.toml").write_text(BENCH.replace('unit = "W"', 'unit = "W"\npower = "pep"', 1))
    bench.run("import", "in.csv", "--bench", "bench.toml", "--plan", "plan.toml", status=0)
    told = bench.revise(status=2).stderr
    assert '"10 m".rated' in told
    assert "states peak envelope power" in told
    assert bench.sql("SELECT count(*) FROM revision") == [(0,)]


def test_a_band_beyond_the_table_is_refused_before_anything_is_done(once: Bench) -> None:
    (once.folder / "coupler.csv").write_text(TABLE.replace("30 MHz", "21 MHz"))
    told = once.revise(status=2).stderr
    assert "the table goes from 14 MHz to 21 MHz, and 10 m is on 28.000000 MHz" in told
    assert once.sql("SELECT count(*) FROM revision") == [(0,)]
    words = ("--bench", "better.toml", "--plan", "plan.toml")
    told = once.run("import", "in.csv", *words, status=2).stderr
    assert "10 m is on 28.000000 MHz" in told
    assert once.sql("SELECT count(*) FROM session") == [(1,)]
    assert "10 m is on 28.000000 MHz" in inside("check", *words, folder=once.folder, status=2).stderr


def test_a_record_worked_out_otherwise_than_it_was_recorded_is_told(once: Bench) -> None:
    """As a newer program may: here the figures recorded then are made others."""
    once.revise(status=1)
    (text,) = once.sql("SELECT record FROM revision WHERE number = 0")[0]
    record = json.loads(text)
    record["bands"][0]["power_w"]["value"] += 0.5
    del record["instruments"]  # an older program's had none, which is no difference
    with closing(sqlite3.connect(once.store)) as db, db:
        db.execute("UPDATE revision SET record = ?, program = '0.0.7' WHERE number = 0", (json.dumps(record),))
    assert "recorded this revision otherwise" not in once.run("report", 1).stderr
    done = once.run("report", 1, "--revision", 0)
    assert f"benchlog 0.0.7 recorded this revision otherwise than {program.__version__} works it out" in done.stderr
    assert "bands[0].power_w.value: 95.5, now 95" in done.stderr
    assert len(done.stderr.splitlines()) == 2
    assert "it is not what was recorded then" in " ".join(done.stdout.split())


def test_readings_altered_after_the_session_ended_are_told_for_every_revision(once: Bench) -> None:
    once.revise(status=1)
    with closing(sqlite3.connect(once.store)) as db, db:
        db.execute("UPDATE reading SET value = value + 1 WHERE channel = 1 AND t_ns < 1000000000")
    for words in ((), ("--revision", 0)):
        assert "their digest differs" in once.run("report", 1, *words, status=1).stderr


def test_a_session_that_still_runs_is_not_revised(once: Bench) -> None:
    with closing(sqlite3.connect(once.store)) as db, db:
        # Its rows run ahead of this moment, as those of a session that has begun just now do.
        db.execute(
            "UPDATE session SET ended_ns = NULL, digest = NULL, anchor_ns = ?", (time.monotonic_ns() - 85 * 10**9,)
        )
    told = once.revise(status=2).stderr
    assert "session 1 is still running" in told
    with closing(sqlite3.connect(once.store)) as db, db:
        db.execute("UPDATE session SET anchor_ns = ?", (time.monotonic_ns() - 3600 * 10**9,))
    once.revise(status=1)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("revise",), "Missing argument"),
        (("revise", "7", "--bench", "better.toml"), "no session 7"),
        (("revise", "1", "--bench", "nothing.toml"), "no such file"),
        (("report", "1", "--revision", "-1"), "-1"),
    ],
)
def test_wrong_words(taken: Bench, words: tuple[str, ...], says: str) -> None:
    assert says in taken.run(*words, status=2).stderr


# Calibrations


def test_the_record_says_whose_calibration_had_run_out_when_the_session_began(taken: Bench) -> None:
    wattmeter, counter = taken.report()["instruments"]
    assert wattmeter == {
        "instrument": "wattmeter",
        "calibrated": "2025-03-01",
        "due": "2026-03-01",
        "overdue": True,
        "identities": [],
    }
    assert (counter["calibrated"], counter["due"], counter["overdue"]) == (None, "2027-03-01", False)


def test_check_says_it_beforehand(once: Bench) -> None:
    """The instruments do not answer here, which is exit status 3; the words are there all the same."""
    text = BENCH.replace("2025-03-01", "2020-03-01").replace("2026-03-01", "2021-03-01")
    (once.folder / "bench.toml").write_text(text.replace('due = "2027-03-01"', "calibrated = 2999-01-01"))
    words = ("--bench", "bench.toml", "--plan", "plan.toml")
    told = json.loads(inside("check", *words, "--json", folder=once.folder, status=3).stdout)["warnings"]
    assert any("wattmeter: its calibration was due on 2021-03-01" in one for one in told)
    assert any("counter: calibrated on 2999-01-01, a day that has not come yet" in one for one in told)
    assert "its calibration was due" in " ".join(inside("check", *words, folder=once.folder, status=3).stdout.split())


# Live


def test_what_is_told_live_has_the_correction_and_is_what_the_record_says(
    free_bench: BenchProcess, tmp_path: Path
) -> None:
    """A simulated bench through real sockets: once with a table that takes a tenth off, and revised to none."""
    plain = free_bench.bench_file.read_text()
    at = plain.index("\n", plain.index('measures = "forward-power"'))
    (tmp_path / "tenth.toml").write_text(f'{plain[:at]}\ncorrection = "tenth.csv"{plain[at:]}')
    (tmp_path / "plain.toml").write_text(plain)
    (tmp_path / "tenth.csv").write_text("frequency,correction,uncertainty\n3 MHz,-10 %,1 %\n30 MHz,-10 %,1 %\n")
    free_bench.start()
    store = tmp_path / "s.benchlog"
    words = ("--bench", tmp_path / "tenth.toml", "--plan", free_bench.plan_file, "--store", store)
    with run("watch", "--json", *words) as watched:
        watched.wait_for("Session 1")
        key(free_bench, watched, "20 m", 1)
        _, out = watched.stop(signal.SIGINT)
    (told,) = [line for line in watched.told if "key up after" in line]
    (band,) = json.loads(out)["bands"]
    shown = re.search(r"([\d.]+) W", told)
    assert shown
    assert float(shown[1]) == pytest.approx(band["power_w"]["value"], rel=1e-3)
    without = json.loads(benchlog("revise", 1, "--bench", tmp_path / "plain.toml", "--store", store, "--json").stdout)
    assert band["power_w"]["value"] == pytest.approx(0.9 * without["bands"][0]["power_w"]["value"], rel=1e-3)
    assert len(without["instruments"][0]["identities"]) == 1, "who answered, as the session heard it"
