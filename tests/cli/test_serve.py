"""The daemon through real processes: it starts runs unattended, accounts for those it could not, and ends well.

"Within one second" is the contract's own bound on keying up, and the key box's clock is the judge.
"""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import sqlite3
import stat
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from benchlog.cli.daemon import _around
from benchlog.daemon.serving import NET
from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import benchlog
from tests.cli.keyed import WITHIN_S, keyed_bench, until_up
from tests.cli.running import run
from tests.cli.serving import PATIENCE_S, Hook, a_soak, a_watch, at_once_s, free_port, serve, soon, words

LOAD = re.compile(r'continuous = ".*"\ncooling = ".*"')


def keyed(said: dict[str, Any]) -> bool:
    return said["run"] is not None and said["run"]["key_down_since"] is not None


def rows(store: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(store)) as db:
        return db.execute(query).fetchall()


def test_a_heat_run_by_the_timetable_is_seen_and_stopped(tmp_path: Path) -> None:
    """Status shows it live, a second run due meanwhile is missed and told, stop keys up, SIGTERM ends the daemon."""
    told = tmp_path / "told.jsonl"
    code = (
        f"import os, sys; open({str(told)!r}, 'a').write(sys.stdin.read() + '\\n'); os.environ['BENCHLOG_NOTICE_KIND']"
    )
    with keyed_bench(tmp_path / "bench") as bench, Hook() as hook:
        timetable = a_soak() + a_watch(at_once_s() + 1, "too late")
        timetable += f'[notices]\ncommand = {json.dumps([sys.executable, "-c", code])}\nwebhook = "{hook.address}"\n'
        with serve(bench, tmp_path, timetable) as served:
            run_ = served.until(keyed)["run"]
            assert (run_["kind"], run_["entry"], run_["session"]) == ("soak", "heat run", 1)
            values = {latest["measures"]: latest for latest in run_["latest"]}
            assert values["forward-power"]["unit"] == "W"
            served.until(lambda said: bool(said["missed"]))
            assert (
                json.loads(benchlog("status", "--json", "--port", served.port, status=0).stdout)["run"]["session"] == 1
            )
            begun = time.monotonic()
            shown = benchlog("status", "--port", served.port, status=0).stdout
            starts_s = time.monotonic() - begun
            assert "soak (heat run): running, session 1" in shown
            assert "Missed:" in shown
            assert not re.search(r"\de[+-]\d", shown), "a number as programs write it"
            served.until(keyed)
            since_ns = time.monotonic_ns()
            stopped = benchlog("stop", "--port", served.port, status=0)
            assert until_up(bench, since_ns) < WITHIN_S + 2 * max(starts_s, 0.5), "the command's start takes some of it"
            assert "stopped by the operator" in stopped.stdout
            assert served.status()["run"] is None
            assert "No run is on" in benchlog("stop", "--port", served.port, status=0).stdout
            notices = [hook.notices.get(timeout=PATIENCE_S) for _ in range(2)]
            status, _ = served.daemon.stop(signal.SIGTERM)
            assert status == 0
            log = served.said()
    assert [notice["kind"] for notice in notices] == ["missed-start", "run-ended"]
    assert notices[0]["why"] == "soak session 1 was on"
    assert [json.loads(line)["kind"] for line in told.read_text().splitlines()] == ["missed-start", "run-ended"]
    assert {line["level"] for line in log} == {"info", "warning"}
    assert any("keys the transmitter with nobody there: heat run. Lethal" in line["text"] for line in log)
    (missed,) = rows(served.store, "SELECT entry, run, missed FROM start WHERE session IS NULL")
    assert missed == ("too late", "watch", "soak session 1 was on")
    listed = benchlog("sessions", "--store", served.store, status=0).stdout
    assert "stopped by the operator" in listed
    assert "Missed: too late (watch), due" in listed


def test_status_tells_what_will_key_and_what_is_overdue() -> None:
    due = "2027-01-31T22:00:00Z"
    soon = [{"due": due, "entry": name, "run": run_} for name, run_ in (("heat", "soak"), ("night", "watch"))]
    known = [{"instrument": name, "due": "2026-11-01", "days": days} for name, days in (("a", -24), ("b", 1))]
    assert _around({"last": None, "next": soon, "missed": [], "calibration": known}) == [
        f"Next: {due} heat (soak), which keys the transmitter with nobody there",
        f"Next: {due} night (watch)",
        "Calibration of a: OVERDUE, was due 2026-11-01",
        "Calibration of b: due 2026-11-01, in 1 day",
    ]


def test_sigterm_while_keyed_keys_up_and_ends_the_session(tmp_path: Path) -> None:
    """With a webhook that hangs: it delays nothing."""
    with keyed_bench(tmp_path / "bench") as bench, Hook(hangs=True) as hook:
        timetable = a_watch(-20, "long ago") + a_soak() + f'[notices]\nwebhook = "{hook.address}"\ntimeout = "20 s"\n'
        with serve(bench, tmp_path, timetable) as served:
            assert hook.met.wait(PATIENCE_S), "the missed start of a minute ago is told at once"
            served.until(keyed)
            since_ns = time.monotonic_ns()
            status, _ = served.daemon.stop(signal.SIGTERM)
            took_s = (time.monotonic_ns() - since_ns) / 1e9
            assert until_up(bench, since_ns) < WITHIN_S
            assert status == 0
            assert took_s < 18, "the webhook has 20 s"
    ((ended_ns, ending, digest),) = rows(served.store, "SELECT ended_ns, ending, digest FROM session")
    assert ended_ns is not None
    assert "the daemon was asked to end" in ending
    assert digest
    assert rows(served.store, "SELECT entry, missed FROM start WHERE session IS NULL") == [
        ("long ago", "the daemon was not running")
    ]


def test_a_limit_stops_the_run_and_is_told(tmp_path: Path) -> None:
    """The first two tries of the webhook are refused; the third is taken."""
    with keyed_bench(tmp_path / "bench", temperature='["", "40 degC"]') as bench, Hook(refuses=1) as hook:
        timetable = a_soak() + f'[notices]\nwebhook = "{hook.address}"\n'
        with serve(bench, tmp_path, timetable) as served:
            notice = hook.notices.get(timeout=PATIENCE_S)
            said = served.status()
            assert bench.edges()[-1].down is False
    assert notice["kind"] == "stopped-for-safety"
    assert "stage temperature" in notice["text"]
    assert (notice["session"], notice["entry"]) == (1, "heat run")
    assert (said["run"], said["last"]["how"]) == (None, "stopped")


def test_after_sigkill_the_session_is_closed_and_continued(tmp_path: Path) -> None:
    """What came due while nobody ran is missed; the run goes on in a new session, once the load is cold again."""
    more = "resume = true"
    with keyed_bench(tmp_path / "bench") as bench:
        text = bench.bench_file.read_text()
        bench.bench_file.write_text(LOAD.sub('continuous = "400 W"\ncooling = "3 s"', text))
        in_s = 2 * at_once_s() + 6.0  # by then the daemon has been killed
        comes_due = time.monotonic() + in_s
        timetable = (
            a_soak(more=more) + f'[[start]]\nname = "hourly"\nrun = "watch"\nlasts = "1 min"\nonce = {soon(in_s)}\n'
        )
        with serve(bench, tmp_path, timetable) as served:
            served.until(keyed)
            since_ns = time.monotonic_ns()
            served.daemon.process.send_signal(signal.SIGKILL)
            served.daemon.process.wait()
            assert until_up(bench, since_ns) < WITHIN_S
        assert rows(served.store, "SELECT ended_ns FROM session") == [(None,)]
        time.sleep(max(0.0, comes_due - time.monotonic()))
        with serve(bench, tmp_path, timetable) as served:
            said = served.until(keyed)
            assert (said["run"]["session"], said["run"]["continues"]) == (2, 1)
            assert any("the load cools for another" in line for line in served.daemon.told)
            assert served.daemon.stop(signal.SIGTERM)[0] == 0
    first, second = rows(served.store, "SELECT ended_ns, started_ns, ending, digest FROM session ORDER BY id")
    ((last_ns,),) = rows(
        served.store, "SELECT max(t_ns) FROM reading JOIN channel ON channel.id = channel WHERE session = 1"
    )
    assert first[0] >= first[1] + last_ns
    assert first[0] < second[1] + 60 * 10**9
    assert first[2].startswith("cut off; closed by the daemon at ")
    assert first[3], "its digest is set"
    assert "their digest differs" not in benchlog("report", 1, "--store", served.store).stderr
    assert "the daemon was asked to end" in second[2]
    ((data,),) = rows(served.store, "SELECT data FROM event WHERE session = 2 AND text LIKE 'continues session 1%'")
    assert json.loads(data)["continues"] == 1
    assert 3000 < json.loads(data)["left_s"] < 3600
    assert rows(served.store, "SELECT missed FROM start WHERE entry = 'hourly'") == [("the daemon was not running",)]


def test_the_control_takes_orders_from_its_own_user_only(tmp_path: Path, free_bench: BenchProcess) -> None:
    free_bench.start()
    with serve(free_bench, tmp_path, a_watch()) as served:
        served.until(lambda said: said["run"] is not None and said["run"]["phase"] == "running")
        (place,) = Path(os.environ["XDG_RUNTIME_DIR"]).glob(f"benchlog/daemon-{served.port}.json")
        assert stat.S_IMODE(place.stat().st_mode) == 0o600
        token = json.loads(place.read_text())["token"]

        def asked(method: str, path: str, **headers: str) -> int:
            connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=PATIENCE_S)
            connection.request(method, path, headers=headers)
            status = connection.getresponse().status
            connection.close()
            return status

        assert asked("GET", "/api/status") == 200
        assert asked("GET", "/api/status", Host=f"evil.example:{served.port}") == 421
        assert asked("GET", "/api/status", Host="127.0.0.1") == 421
        assert asked("POST", "/api/stop") == 401
        assert asked("POST", "/api/stop", Authorization="Bearer " + "x" * len(token)) == 401
        assert asked("POST", "/api/stop", Authorization=f"Bearer {token}", Host="evil.example") == 421
        assert asked("GET", "/api/stop") == 405
        assert served.status()["run"]["phase"] == "running", "none of that stopped it"
        second = benchlog(*words(free_bench, tmp_path, a_watch(), free_port()), status=2)
        assert "a daemon serves this store already" in second.stderr
        assert asked("POST", "/api/stop", Authorization=f"Bearer {token}") == 202
        served.until(lambda said: said["run"] is None)
        assert served.daemon.stop(signal.SIGINT)[0] == 0
        assert not place.exists()
    for command in ("status", "stop"):
        nobody = benchlog(command, "--port", served.port, status=3)
        assert "no daemon" in nobody.stderr
        assert "benchlog serve" in nobody.stderr


def test_the_service_manager_hears_of_it(tmp_path: Path, free_bench: BenchProcess, monkeypatch: Any) -> None:
    """The watchdog is fed while the run's loop turns."""
    free_bench.start()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        line.settimeout(PATIENCE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "900000")
        with serve(free_bench, tmp_path, a_watch()) as served:
            monkeypatch.delenv("NOTIFY_SOCKET")
            assert line.recv(1000).startswith(b"READY=1\n")
            while b"watch session 1" not in (said := line.recv(1000)):
                assert said.startswith(b"WATCHDOG=1\n")
            served.daemon.process.send_signal(signal.SIGTERM)
            while (said := line.recv(1000)) != b"STOPPING=1":
                assert said.startswith(b"WATCHDOG=1\n")
            assert served.daemon.process.wait(PATIENCE_S) == 0


def test_a_backup_is_whole_and_the_oldest_go(tmp_path: Path, free_bench: BenchProcess) -> None:
    free_bench.start()
    timetable = a_watch() + '[backup]\nevery = "1 s"\nfolder = "copies"\nkeep = 1\n'
    with serve(free_bench, tmp_path, timetable) as served:
        served.daemon.wait_for("watch session 1 begun")
        so_far = sum("backup of the store" in line for line in served.daemon.told)
        served.daemon.wait_for("backup of the store", so_far + 2)
        assert served.daemon.stop(signal.SIGTERM)[0] == 0
    copies = sorted((tmp_path / "copies").iterdir())
    assert len(copies) == 1
    for copy in copies:
        assert rows(copy, "SELECT count(*) FROM session") == [(1,)]
        assert rows(copy, "SELECT count(*) FROM reading")[0][0] > 0
        assert "watch" in benchlog("sessions", "--store", copy, status=0).stdout


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[start]]\nname = "x"\nrun = "soak"\nat = "02:30"\n', "refused without may_key = true"),
        ('[[start]]\nname = "x"\nrun = "soak"\nat = "02:30"\nmay_key = true\n', "names no key line ([key])"),
        ('[[calibration]]\ninstrument = "nobody"\ndue = 2027-01-01\n', "no such instrument on this bench"),
    ],
)
def test_a_timetable_the_bench_cannot_keep_is_refused(
    tmp_path: Path, free_bench: BenchProcess, text: str, said: str
) -> None:
    refused = benchlog(*words(free_bench, tmp_path, text, free_port()), status=2)
    assert said in refused.stderr
    assert not (tmp_path / "s.benchlog").exists()


def test_a_bench_that_does_not_answer_is_a_missed_start(tmp_path: Path, free_bench: BenchProcess) -> None:
    free_bench.start()
    free_bench.tell("trouble wattmeter=silent")
    with serve(free_bench, tmp_path, a_watch()) as served:
        (missed,) = served.until(lambda said: bool(said["missed"]))["missed"]
    assert "without forward power no key-down is seen" in missed["why"]


def test_a_port_that_is_taken_is_told(tmp_path: Path, free_bench: BenchProcess) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        done = benchlog(*words(free_bench, tmp_path, a_watch(), other.getsockname()[1]), status=3)
        assert "the port cannot be had" in done.stderr
        with run("status", "--port", other.getsockname()[1]) as asked:
            client, _ = other.accept()
            client.sendall(b"SSH-2.0-something\r\n")
            client.close()
            assert asked.process.wait(PATIENCE_S) == 3


def test_of_two_starts_noticed_at_once_the_earlier_begins(tmp_path: Path) -> None:
    """The daemon is held up until both are past, and a little more; the later one stands first in its file."""
    with keyed_bench(tmp_path / "bench") as bench:
        wait_s = at_once_s()
        timetable = a_watch(wait_s + 0.5, "later") + a_watch(wait_s, "earlier")
        with serve(bench, tmp_path, timetable) as served:
            served.daemon.process.send_signal(signal.SIGSTOP)
            time.sleep(wait_s + NET.total_seconds() + 2)
            served.daemon.process.send_signal(signal.SIGCONT)
            said = served.until(lambda said: bool(said["missed"]) and said["run"] is not None)
            assert (said["run"]["entry"], [one["entry"] for one in said["missed"]]) == ("earlier", ["later"])
