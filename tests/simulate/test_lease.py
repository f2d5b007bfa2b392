"""Whose addresses are simulated, and who may have a time factor."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys

import pytest

from benchlog.errors import UsageError
from benchlog.simulate.lease import Lease, factor_for, held, live

A, B = "TCPIP::127.0.0.1::5001::SOCKET", "TCPIP::127.0.0.1::5002::SOCKET"
REAL = "TCPIP::192.0.2.7::5025::SOCKET"  # an address for documentation (RFC 5737); never connected to
SIX = Lease((A, "/dev/pts/99"), 6.0, 1, 7)


def test_no_bench_no_factor(runtime):
    assert factor_for([A, REAL, ""]) == 1.0
    assert factor_for([]) == 1.0


def test_all_its_own_addresses_have_its_factor():
    with held(SIX):
        assert live() == [SIX]
        assert factor_for([A, "/dev/pts/99"]) == 6.0
        assert factor_for([A, ""]) == 6.0  # readings a person types have no address
        assert factor_for([REAL]) == 1.0
    assert factor_for([A]) == 1.0


def test_a_factor_is_refused_beside_any_other_address():
    with held(SIX), pytest.raises(UsageError, match=r"192\.0\.2\.7"):
        factor_for([A, REAL])


def test_two_benches_of_different_speeds_are_refused_and_of_one_speed_are_not():
    with held(SIX), held(Lease((B,), 3.0, 2, 7)), pytest.raises(UsageError, match="3, 6"):
        factor_for([A, B])
    with held(SIX), held(Lease((B,), 6.0, 2, 7)):
        assert factor_for([A, B]) == 6.0


def test_the_file_is_this_users_only():
    with held(SIX) as path:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
        assert json.loads(path.read_text()) == {"addresses": list(SIX.addresses), "factor": 6.0, "pid": 1, "seed": 7}
    assert not path.exists()


def test_a_file_nobody_holds_counts_for_nothing_and_is_removed(runtime):
    runtime.mkdir()
    left = runtime / "simulated-1-left.json"
    left.write_text(json.dumps({"addresses": [A], "factor": 6.0, "pid": os.getpid(), "seed": 1}))
    assert factor_for([A]) == 1.0
    assert not left.exists()


def test_a_killed_benchs_lease_is_stale_at_once(tmp_path, runtime, monkeypatch):
    """SIGKILL: nothing of the bench's own runs any more, only the kernel lets go."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))  # what it cannot tidy up goes with the test's folder
    command = [sys.executable, "-m", "benchlog.simulate", f"--folder={tmp_path}", "--time-factor=6"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        addresses = list(json.loads(process.stdout.readline())["addresses"].values())
        assert factor_for(addresses) == 6.0
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert len(list(runtime.iterdir())) == 1
        assert factor_for(addresses) == 1.0
        assert list(runtime.iterdir()) == []


def test_another_users_file_is_not_believed(monkeypatch):
    with held(SIX):
        monkeypatch.setattr(os, "getuid", lambda: os.geteuid() + 1)
        assert live() == []
        with pytest.raises(PermissionError), held(SIX):
            pass


def test_a_lease_of_another_version_is_said():
    with held(SIX) as path:
        path.write_text('{"address": 1}')
        with pytest.raises(UsageError, match="does not understand"):
            factor_for([A])


def test_without_a_runtime_folder_of_the_system(monkeypatch):
    """The library's stand-in serves, without its warning."""
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert factor_for([A]) == 1.0
