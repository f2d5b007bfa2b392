"""``benchlog verify``, as the owner of a store uses it, and as a stranger with a record in hand does."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.cli.conftest import benchlog
from tests.report import samples
from tests.report.written import imported


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one session, and its record as HTML and JSON."""
    folder = tmp_path_factory.mktemp("verify")
    store = imported(folder, samples.one_band())
    told = benchlog("report", "--store", store, "--html", folder / "r.html", "--json").stdout
    (folder / "r.json").write_text(told)
    return folder


def altered(folder: Path, to: Path, *statements: str) -> Path:
    """A copy of the store with other contents."""
    store = to / "altered.benchlog"
    with closing(sqlite3.connect(folder / "s.benchlog")) as source, closing(sqlite3.connect(store)) as copy:
        source.backup(copy)
        for statement in statements:
            assert copy.execute(statement).rowcount
        copy.commit()
    return store


def test_a_store_that_nobody_touched(folder: Path) -> None:
    said = benchlog("verify", "all", "--store", folder / "s.benchlog", status=0).stdout
    assert said.startswith("The file is whole.\nSession 1 (import, Loan set 3, 2026-11-25 09:03:09 UTC): intact, 675")
    assert json.loads((folder / "r.json").read_text())["session"]["digest"] in said


def test_one_altered_reading_and_whose_it_is(folder: Path, tmp_path: Path) -> None:
    store = altered(
        folder, tmp_path, "UPDATE reading SET value = value * 1.02 WHERE channel = 1 AND t_ns = 10000000000"
    )
    said = benchlog("verify", "--store", store, status=1).stdout
    assert "Session 1 (import, Loan set 3, 2026-11-25 09:03:09 UTC): NOT what it was when it ended" in said
    assert "power: among 375 readings some are not what they were, between 2026-11-25T09:03:09.2Z and" in said
    found = json.loads(benchlog("verify", "1", "--store", store, "--json", status=1).stdout)
    assert (found["schema"], found["file"], found["exit_status"]) == ("benchlog-verification/1", [], 1)
    (session,) = found["sessions"]
    assert session["verdict"] == "altered"
    assert session["digest"] != session["sealed_digest"]
    assert (session["readings"], session["sealed_readings"]) == (675, 675)
    (trouble,) = session["troubles"]
    assert (trouble["kind"], trouble["channel"], trouble["from"]) == ("altered", "power", "2026-11-25T09:03:09.2Z")
    report = benchlog("report", "--store", store, status=1)
    assert "The readings are not those the session ended with" in report.stdout
    assert "`benchlog verify 1` tells where." in report.stderr


def test_a_record_belongs_to_its_readings_and_says_what_they_say(folder: Path) -> None:
    said = benchlog("verify", "--record", folder / "r.html", "--store", folder / "s.benchlog", status=0).stdout
    assert said.endswith("belongs to session 1's readings, and says what they say\n")


def test_a_record_with_another_number_in_it_is_told(folder: Path, tmp_path: Path) -> None:
    store, then = folder / "s.benchlog", json.loads((folder / "r.json").read_text())
    value = then["bands"][0]["power_w"]["value"]
    then["bands"][0]["power_w"]["value"] = value + 5
    then.pop("findings")
    (tmp_path / "r.json").write_text(json.dumps(then))
    said = benchlog("verify", "--record", tmp_path / "r.json", "--store", store, status=1).stdout
    assert "has the digest of session 1's readings, but is not what benchlog makes of them now" in said
    assert f"bands[0].power_w.value: {value + 5:.6g}, now {value:.6g}" in said
    assert "findings: lacks" in said
    text = (folder / "r.html").read_text()
    (tmp_path / "r.html").write_text(text.replace("fail", "pass"))
    assert text.count("fail") > 3
    found = benchlog("verify", "--record", tmp_path / "r.html", "--store", store, "--json", status=1).stdout
    record = json.loads(found)["record"]
    assert (record["belongs"], record["says"], record["session"]) == (True, "something else", 1)


def test_a_record_of_other_readings_is_told(folder: Path, tmp_path: Path) -> None:
    moved = altered(folder, tmp_path, "DELETE FROM reading WHERE channel = 1 AND t_ns < 1000000000")
    said = benchlog("verify", "--record", folder / "r.html", "--store", moved, status=1).stdout
    assert "belongs to session 1 as it was when it ended; its readings are others now" in said
    other = json.loads((folder / "r.json").read_text())
    other["session"] |= {"digest": "0" * 64, "id": 12}
    (tmp_path / "o.json").write_text(json.dumps(other))
    said = benchlog("verify", "--record", tmp_path / "o.json", "--store", folder / "s.benchlog", status=1).stdout
    assert "does not belong to these readings: no session's (looked at: 1) have its digest" in said


@pytest.mark.parametrize("content", ['{"session": 3}', "<html><dd>1</dd>", "[" * 100_000])
def test_what_is_no_record_is_told(folder: Path, tmp_path: Path, content: str) -> None:
    record = tmp_path / "r"
    record.write_text(content)
    said = benchlog("verify", "--record", record, "--store", folder / "s.benchlog", status=2).stderr
    assert "Give a record that benchlog wrote" in said


def test_a_damaged_store_is_told_and_what_can_be_saved_is_saved(folder: Path, tmp_path: Path) -> None:
    store, new = tmp_path / "d.benchlog", tmp_path / "new.benchlog"
    shutil.copyfile(folder / "s.benchlog", store)
    content = bytearray(store.read_bytes())
    content[:4096] = bytes(4096)
    store.write_bytes(content)
    refused = benchlog("report", "--store", store, status=2).stderr
    assert "not an SQLite file" in refused
    said = benchlog("verify", "--rescue", new, "--store", store, status=0).stdout
    assert "Session 1 (import, Loan set 3): whole, 675 readings\n" in said
    assert store.read_bytes() == content
    assert benchlog("verify", "all", "--store", new, status=0).stdout.startswith("The file is whole.")
    again = benchlog("verify", "--rescue", new, "--store", store, status=2).stderr
    assert "there is such a file already" in again
    part = tmp_path / "part.benchlog"
    cut = altered(folder, tmp_path, "DELETE FROM reading WHERE channel = 1 AND t_ns < 1000000000")
    found = json.loads(benchlog("verify", "--rescue", part, "--store", cut, "--json", status=1).stdout)
    assert (found["schema"], found["exit_status"]) == ("benchlog-rescue/1", 1)
    (session,) = found["sessions"]
    assert (session["saved"], session["whole"]) == (True, False)
    power = next(one for one in session["channels"] if one["channel"] == "power")
    assert (power["saved"], power["lost"], power["unproven"], power["sealed"]) == (0, 375, 370, 375)


def test_words_that_do_not_go_together(folder: Path, tmp_path: Path) -> None:
    store = folder / "s.benchlog"
    both = benchlog("verify", "1", "--rescue", tmp_path / "n", "--store", store, status=2).stderr
    assert "a rescue takes the whole store" in both
    alone = benchlog("verify", "--unproven", "--store", store, status=2).stderr
    assert "Give it with --rescue." in alone
    assert "no session 7" in benchlog("verify", "7", "--store", store, status=2).stderr
