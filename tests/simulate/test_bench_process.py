"""The simulated bench as a process of its own: started, told, ended, orphaned."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from benchlog.errors import BenchFailed
from benchlog.plan import load_plan
from benchlog.simulate.lease import factor_for
from benchlog.simulate.process import BenchProcess
from tests.simulate.clients import TcpClient

COMMAND = [sys.executable, "-m", "benchlog.simulate"]


@pytest.fixture
def process(tmp_path) -> Iterator[BenchProcess]:
    with BenchProcess(tmp_path, time_factor=50.0, seed=3, script="free") as running:
        yield running


def test_it_listens_when_it_says_so_and_ends_with_its_input(process):
    client = TcpClient(process.addresses["wattmeter"])
    assert client.ask("*IDN?").startswith("Example,SIM-")
    client.close()
    assert factor_for(list(process.addresses.values())) == 50.0
    assert load_plan(process.plan_file).transmitter.name == "Loan set 3"
    assert process.close() == 0
    assert factor_for(list(process.addresses.values())) == 1.0


def test_it_obeys_lines_and_survives_wrong_ones(process):
    process.tell("what is this")
    process.tell("band 11 m")
    process.tell("band 20 m")
    process.tell("key down")
    client = TcpClient(process.addresses["counter"])
    deadline = time.monotonic() + 60.0
    while (said := client.ask("MEAS:FREQ?")) == "9.91E37" and time.monotonic() < deadline:
        pass
    client.close()
    assert float(said) == pytest.approx(14.3e6, abs=300)


def test_start_begins_the_script(tmp_path):
    with BenchProcess(tmp_path, time_factor=100.0) as process:
        assert process.script_s == 297.5
        client = TcpClient(process.addresses["counter"])
        for _ in range(20):
            assert client.ask("MEAS:FREQ?") == "9.91E37"
        process.start()
        deadline = time.monotonic() + 60.0
        while (said := client.ask("MEAS:FREQ?")) == "9.91E37" and time.monotonic() < deadline:
            pass
        client.close()
        assert float(said) == pytest.approx(3.6e6, abs=300)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_cleanly_on_signals(tmp_path, runtime, number):
    with subprocess.Popen(
        [*COMMAND, f"--folder={tmp_path}"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        ready = json.loads(process.stdout.readline())
        process.send_signal(number)
        assert process.wait(60.0) == 0
        assert process.stderr.read() == ""
        assert list(runtime.iterdir()) == []
        assert not os.path.lexists(ready["addresses"]["ammeter"])


def test_it_ends_when_its_parent_is_killed(tmp_path):
    """The parent gets SIGKILL, so it can tell its bench nothing."""
    code = (
        "import sys, time; from pathlib import Path; from benchlog.simulate.process import BenchProcess\n"
        f"bench = BenchProcess(Path({str(tmp_path)!r})); print(bench.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as parent:
        pid = int(parent.stdout.readline())
        watched = os.pidfd_open(pid)  # readable once that very process has ended
        try:
            parent.kill()
            parent.wait()
            ended, _, _ = select.select([watched], [], [], 60.0)
            assert ended
        finally:
            os.close(watched)


def test_ctrl_c_at_the_terminal_is_not_for_the_bench(process):
    assert os.getpgid(process.pid) != os.getpgid(0)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--time-factor=0"], "time factor"),
        (["--trouble=counter=bogus"], "no such kind"),
        (["--script=dance"], "invalid choice"),
    ],
)
def test_words_that_make_no_sense_end_with_2(tmp_path, options, said):
    done = subprocess.run(
        [*COMMAND, f"--folder={tmp_path}", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_bench_that_does_not_come_up_says_why(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchFailed, match="cannot run"):
        BenchProcess(tmp_path / "file")


def test_telling_a_dead_bench_is_a_fault_and_no_traceback(process):
    os.kill(process.pid, signal.SIGTERM)
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
    with pytest.raises(BenchFailed, match="ended by itself"):
        process.tell("key up")


def test_it_tells_its_time_0_where_that_is_its_own_start(tmp_path):
    before_ns = time.monotonic_ns()
    with BenchProcess(tmp_path / "free", script="free") as bench:
        assert before_ns < bench.began_ns < time.monotonic_ns()
    with BenchProcess(tmp_path / "sweep", script="sweep") as bench:
        assert bench.began_ns is None, "a script's time 0 is yet to come"
