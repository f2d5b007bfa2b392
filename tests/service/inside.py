"""In the container, as root: the unit on a simulated bench whose key box holds its line; what is seen goes to a file.

Called with a file's name it runs in the unit's place, tries what a service should not be able to do, and writes down
what was refused.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from benchlog.simulate.process import BenchProcess

SEEN, STATE, CONFIG = Path("/opt/trial/seen.json"), Path("/var/lib/benchlog"), Path("/etc/benchlog")
STORE, BENCH = STATE / "bench.benchlog", Path("/run/bench")
DROP_IN = Path("/run/systemd/system/benchlog.service.d/probe.conf")
PATIENCE_S = 90.0
_NEW_USER, _ATTACH = 0x10000000, 16  # of unshare(2) and ptrace(2)


def main() -> None:
    """The whole trial, then power off."""
    seen: dict[str, Any] = {}
    try:
        seen["exposure"] = _exposure()
        seen["tried"] = _tried()
        _keyed(seen)
    except Exception:  # noqa: BLE001 - it is told outside
        seen["broke"] = traceback.format_exc() + _run("journalctl", "-u", "benchlog", "-b", "--no-pager")
    finally:
        SEEN.write_text(json.dumps(seen))
        _run("systemctl", "poweroff")


def _exposure() -> float:
    said = _run("systemd-analyze", "security", "benchlog.service", "--no-pager")
    found = re.search(r"exposure level for benchlog\.service: ([\d.]+)", said)
    assert found, said
    return float(found[1])


def _tried() -> dict[str, bool]:
    """What the unit's sandbox lets through."""
    told = STATE / "tried.json"
    DROP_IN.parent.mkdir(parents=True, exist_ok=True)
    words = f"/opt/benchlog/bin/python3 {Path(__file__)} {told}"
    DROP_IN.write_text(f"[Service]\nType=oneshot\nWatchdogSec=0\nRestart=no\nExecStart=\nExecStart={words}\n")
    _run("systemctl", "daemon-reload")
    _run("systemctl", "start", "benchlog")
    found: dict[str, bool] = json.loads(told.read_text())
    DROP_IN.unlink()
    _run("systemctl", "daemon-reload")
    return found


def _keyed(seen: dict[str, Any]) -> None:
    """A heat run: its daemon killed, hung, asked to end, each time with the key down."""
    BENCH.mkdir(mode=0o755)
    os.environ["TMPDIR"] = str(BENCH)  # /tmp is the unit's own
    with BenchProcess(BENCH / "files", script="free", key_box="hold") as bench:
        bench.tell("band 80 m")
        _configure(bench)
        began = time.monotonic()
        _run("systemctl", "start", "benchlog")
        seen["ready_s"] = time.monotonic() - began
        _until(lambda: _is_down(bench), "a key-down")
        seen["real_time"] = _real_time(_pid())
        seen["status"] = _run(
            "runuser", "-u", "benchlog", "--", "env", "XDG_RUNTIME_DIR=/run/benchlog", "/opt/benchlog/bin/benchlog",
            "status",
        )  # fmt: skip
        for number, name in ((signal.SIGKILL, "killed"), (signal.SIGSTOP, "hung")):
            before = _pid()
            at_ns = time.monotonic_ns()
            os.kill(before, number)
            seen[f"{name}, up s"] = _up_s(bench, at_ns)
            _until(lambda old=before: _pid() not in (0, old), "another daemon")  # type: ignore[misc]
            seen[f"{name}, daemon again s"] = (time.monotonic_ns() - at_ns) / 1e9
            _until(lambda: _is_down(bench), "the run's next key-down")
        at_ns = time.monotonic_ns()
        _run("systemctl", "stop", "benchlog")
        seen["asked to end, up s"] = _up_s(bench, at_ns)
        seen["asked to end, ended s"] = (time.monotonic_ns() - at_ns) / 1e9
    seen["result"] = _run("systemctl", "show", "-p", "Result", "--value", "benchlog").strip()
    journal = _run("journalctl", "-u", "benchlog", "-b", "--no-pager")
    seen["killed by systemd"] = re.findall(r"Killing process .* SIGKILL", journal)
    seen["left over"] = _run("pgrep", "-u", "benchlog", "-a")
    said = _run("/opt/benchlog/bin/benchlog", "sessions", "--json", "--store", str(STORE))
    seen["sessions"] = [one["ending"] for one in json.loads(said)]
    seen["modes"] = {str(path): oct(path.stat().st_mode & 0o777) for path in (STATE, STORE)}


def _configure(bench: BenchProcess) -> None:
    for address in bench.addresses.values():  # a serial line is a pty of root's
        if address.startswith("/"):
            Path(address).parent.chmod(0o755)
            Path(address).chmod(0o666)
    plan = re.sub(r'^(key_down|rest) = ".*?"', r'\1 = "10 s"', bench.plan_file.read_text(), flags=re.MULTILINE)
    (CONFIG / "plan.toml").write_text(plan)
    text = re.sub(r'^cooling = ".*?"', 'cooling = "2 s"', bench.bench_file.read_text(), flags=re.MULTILINE)
    text = re.sub(r'^continuous = ".*?"', 'continuous = "2 kW"', text, flags=re.MULTILINE)
    (CONFIG / "bench.toml").write_text(text)  # a load that is soon cold again
    at = (datetime.now(UTC) + timedelta(seconds=10)).isoformat()
    start = f'[[start]]\nname = "heat run"\nrun = "soak"\nonce = {at}\nmay_key = true\nresume = true\n'
    (CONFIG / "timetable.toml").write_text(start)


def _real_time(pid: int) -> dict[str, Any]:
    limits = Path(f"/proc/{pid}/limits").read_text()
    found = re.search(r"Max realtime priority +(\S+)", limits)
    threads = [int(path.name) for path in Path(f"/proc/{pid}/task").iterdir()]
    return {
        "limit": found[1] if found else "",
        "threads": len(threads),
        "first": sum(os.sched_getscheduler(thread) == os.SCHED_RR for thread in threads),
    }


def _pid() -> int:
    return int(_run("systemctl", "show", "-p", "MainPID", "--value", "benchlog"))


def _is_down(bench: BenchProcess) -> bool:
    edges = bench.edges()
    return bool(edges) and edges[-1].down


def _up_s(bench: BenchProcess, at_ns: int) -> float | None:
    """From then until the box's line was up, by the box's clock; None for never."""
    with contextlib.suppress(TimeoutError):
        _until(lambda: not _is_down(bench), "the key up", 20.0)
        return (bench.edges()[-1].t_ns - at_ns) / 1e9
    return None


def _until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    until = time.monotonic() + patience_s
    while not true():
        if time.monotonic() > until:
            raise TimeoutError(f"waited {patience_s:g} s for {what}")
        time.sleep(0.05)


def _run(*words: str) -> str:
    return subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True).stdout


# In the unit's place.


def probe(told: Path) -> None:
    """Try everything, and write down what was let through."""
    found = {}
    for name, attempt in _attempts():
        try:
            attempt()
            found[name] = True
        except OSError:
            found[name] = False
    told.write_text(json.dumps(found))


def _attempts() -> Iterator[tuple[str, Callable[[], object]]]:
    yield "write its state", lambda: (STATE / "x").write_text("x")
    yield "write its runtime folder", lambda: Path("/run/benchlog/x").write_text("x")
    yield "connect on loopback", _loopback
    yield "fork", lambda: subprocess.run(["true"], check=True)
    yield "open a pseudo-terminal", os.openpty
    yield "choose its scheduling", lambda: os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    yield "choose its core", lambda: os.sched_setaffinity(0, os.sched_getaffinity(0))
    yield "stand back", lambda: os.nice(1)
    for path in ("/etc/benchlog", "/etc", "/usr", "/opt", "/var/log", "/boot"):
        yield f"write {path}", lambda folder=path: Path(folder, "x").write_text("x")  # type: ignore[misc]
    yield "look into /home", lambda: os.listdir("/home")
    yield "look into /root", lambda: os.listdir("/root")
    yield "see process 1", lambda: Path("/proc/1/status").read_text()
    yield "read the kernel's log", lambda: os.open("/dev/kmsg", os.O_RDONLY)
    yield "write a kernel setting", lambda: Path("/proc/sys/kernel/sysrq").write_text("1")
    yield "open a raw socket", lambda: socket.socket(socket.AF_INET, socket.SOCK_RAW, 1)
    yield "open a packet socket", lambda: socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM)
    yield "become root", lambda: os.setuid(0)
    yield "set a file's set-user-ID", lambda: (STATE / "x").chmod(0o4755)
    yield "set the clock", lambda: time.clock_settime(time.CLOCK_REALTIME, time.time())
    yield "set the host's name", lambda: socket.sethostname("x")
    yield "be a user of its own making", lambda: _call("unshare", _NEW_USER)
    yield "mount", lambda: _call("mount", b"none", b"/mnt", b"tmpfs", 0, None)
    yield "trace another", lambda: _call("ptrace", _ATTACH, 1, 0, 0)
    yield "go before the system's own", lambda: os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(50))


def _loopback() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        socket.create_connection(listener.getsockname(), timeout=5).close()


def _call(name: str, *words: object) -> None:
    library = ctypes.CDLL(None, use_errno=True)
    if getattr(library, name)(*words) == -1:
        raise OSError(ctypes.get_errno(), name)


if __name__ == "__main__":
    probe(Path(sys.argv[1])) if len(sys.argv) > 1 else main()
