"""What `scripts/page-load` runs: a daemon that reads ten channels ten times a second each, and real pages on it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.error import URLError

from playwright.sync_api import Browser, sync_playwright

COMMAND = str(Path(sys.executable).parent / "benchlog")
PORT, VIEWERS, LOADS, SPAN_S, EVERY_S = 21899, 5, 5, 20.0, 0.1
MEASURES = ["forward-power", "reflected-power", "frequency", "plate-voltage", "plate-current", "grid-current",
            "bias-voltage", "heater-voltage", "line-voltage", "drive-power"]  # fmt: skip
UNITS = {"power": "W", "voltage": "V", "current": "A", "frequency": "Hz"}
METERS = """
import json, sys
from benchlog.simulate.wire import TcpWire
wires = [TcpWire(lambda asked: "Example,METER,1,1" if asked == "*IDN?" else "+1.012E+07") for _ in range(5)]
print(json.dumps([wire.__enter__().port for wire in wires]), flush=True)
sys.stdin.read()
"""


def files(folder: Path, ports: list[int]) -> list[object]:
    """Five instruments of two channels each, a plan, and a timetable that begins to watch in three seconds."""
    text = '[bench]\nname = "Ten channels"\n'
    for n, port in enumerate(ports):
        text += f'[[instrument]]\nname = "meter {n}"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
        for measure in MEASURES[2 * n : 2 * n + 2]:
            unit = UNITS[measure.split("-")[-1]]
            text += (
                f'[[instrument.channel]]\nname = "{measure}"\nmeasures = "{measure}"\nunit = "{unit}"\n'
                f'ask = "MEAS:{measure}?"\nevery = "{EVERY_S} s"\nrange = "10 {"M" if unit == "Hz" else "k"}{unit}"\n'
            )
    begins = datetime.now(UTC) + timedelta(seconds=3)
    plan = '[transmitter]\nname = "Loan set 3"\n[[band]]\nname = "30 m"\ndial = "10.12 MHz"\nmode = "cw"\n'
    timetable = f'[[start]]\nname = "listening"\nrun = "watch"\nonce = {begins.isoformat()}\nlasts = "1 h"\n'
    for name, content in (("bench", text), ("plan", plan + 'min_power = "60 W"\n'), ("timetable", timetable)):
        (folder / f"{name}.toml").write_text(content)
    named = [(f"--{name}", folder / f"{name}.toml") for name in ("bench", "plan", "timetable")]
    return [word for pair in named for word in pair] + ["--store", folder / "s.benchlog", "--port", PORT]


@contextmanager
def daemon(folder: Path) -> Iterator[int]:
    """Its process id, once its run is on."""
    with subprocess.Popen(
        [sys.executable, "-c", METERS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as meters:
        assert meters.stdout is not None
        words = files(folder, json.loads(meters.stdout.readline()))
        with subprocess.Popen([COMMAND, "serve", *map(str, words)], stderr=subprocess.DEVNULL) as served:
            try:
                for _ in range(100):
                    with suppress(URLError):
                        if status()["run"]:
                            break
                    time.sleep(0.3)
                else:
                    raise SystemExit("the daemon's run did not begin")
                yield served.pid
            finally:
                served.terminate()
        meters.terminate()


def status() -> dict[str, Any]:
    """As GET /api/status tells it."""
    with urllib.request.urlopen(f"http://127.0.0.1:{PORT}/api/status") as answer:
        found: dict[str, Any] = json.load(answer)
    return found


def readings(store: Path) -> int:
    """How many are committed."""
    with closing(sqlite3.connect(store)) as db:
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])


def cpu_s(pid: int) -> float:
    """Of a process and all its threads, as the kernel counts it."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def share(pid: int) -> float:
    """Percent of one core, over some time."""
    before, began = cpu_s(pid), time.monotonic()
    time.sleep(SPAN_S)
    return 100 * (cpu_s(pid) - before) / (time.monotonic() - began)


def load_s(browser: Browser) -> tuple[float, float]:
    """From the address being opened to the first figure, and to the first trend; nothing cached."""
    page = browser.new_context().new_page()
    page.goto(f"http://127.0.0.1:{PORT}/", wait_until="commit")
    figure = "() => document.getElementById('power')?.textContent.match(/\\d/) && performance.now()"
    trend = "() => document.querySelector('#recent .main-svg') && performance.now()"
    found = [float(page.wait_for_function(one).json_value()) / 1000 for one in (figure, trend)]
    page.context.close()
    return found[0], found[1]


def main() -> None:
    """Print the table."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("no Chromium here: install the package chromium")
    with (
        tempfile.TemporaryDirectory() as folder,
        daemon(Path(folder)) as pid,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        store, alone = Path(folder) / "s.benchlog", share(pid)
        loads = [load_s(browser) for _ in range(LOADS)]
        for _ in range(VIEWERS):
            browser.new_page().goto(f"http://127.0.0.1:{PORT}/")
        time.sleep(3)
        rows, looked_at = readings(store), share(pid)
        rate = (readings(store) - rows) / SPAN_S
        assert status()["viewers"] == VIEWERS, "every page has its stream"
        browser.close()
    assert rate > 0.9 * len(MEASURES) / EVERY_S, f"{rate:.0f} readings a second are not what was to be measured"
    for what, column in (("first figures", 0), ("first trend", 1)):
        times = sorted(load[column] for load in loads)
        print(f"page load, {what:<28} median {statistics.median(times):.2f} s, worst {times[-1]:.2f} s")
    print(f"daemon, 100 readings/s, nobody looks    {alone:.1f} % of a core")
    print(f"daemon, 100 readings/s, {VIEWERS} pages         {looked_at:.1f} % of a core")
    print(f"load average meanwhile                  {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
