"""A run on a bench where some instruments turn on the logger: what that costs it, and what it says of them.

The real ``benchlog soak`` keys a simulated transmitter (or ``benchlog watch`` looks on). While the key is down,
instruments flood, drip or never end a line; then they are mended. Looked at from outside: what the process takes,
whether the others' slots suffer, whether every slot has its row with a reason and no value is invented, what the
operator is told, how soon the key is up.
"""

from __future__ import annotations

import contextlib
import re
import signal
import socket
import sqlite3
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from benchlog.simulate.keybox import Edge, Mode
from benchlog.simulate.process import BenchProcess
from tests.endurance.vitals import Vitals, Watcher
from tests.trials.judge import Kept
from tests.trials.rig import COMMAND

PATIENCE_S = 60.0
TOLD_MOST = 3  # lines an operator gets of one outage before its end: what is wrong, what that puts in doubt
LIMITED = ("plate-voltage", "plate-current", "temperature")  # quiet, these would rightly end the run
ASK = {"voltmeter": "MEAS:VOLT?", "ammeter": "I?", "multimeter": "MEAS:CURR?", "counter": "MEAS:FREQ?"}
_SOAK = '[soak]\nband = "80 m"\nkey_down = "90 s"\nrest = "2 s"\nlasts = "8 h"\n'
_OF = "FROM reading JOIN channel ON channel.id = channel LEFT JOIN note ON note.id = note"


@dataclass(frozen=True)
class Case:
    """Which instruments turn, and how: kinds of ``benchlog.simulate.troubles``."""

    name: str
    troubles: dict[str, str] = field(default_factory=dict)


FOUR = {"voltmeter": "chatter", "ammeter": "flood", "multimeter": "trickle", "counter": "unfinished"}
CASES = (
    Case("nobody"),
    Case("floods, TCP", {"voltmeter": "flood"}),
    Case("floods with lines, TCP", {"voltmeter": "chatter"}),
    Case("floods, pty", {"ammeter": "flood"}),
    Case("floods with lines, pty", {"ammeter": "chatter"}),
    Case("floods, talker on a pty", {"thermometer": "flood"}),
    Case("floods with lines, talker", {"thermometer": "chatter"}),
    Case("a byte a second", {"multimeter": "trickle"}),
    Case("never ends a line", {"counter": "unfinished"}),
    Case("four at once", FOUR),
)


class NotMade(Exception):
    """The trial could not be made: it says nothing about the logger."""


@dataclass(frozen=True)
class Ran:
    """What a run left behind. Times are of CLOCK_MONOTONIC, in ns."""

    case: Case
    store: Path
    calm: list[Vitals]
    troubled: list[Vitals]
    from_ns: int
    to_ns: int
    edges: list[Edge]
    stopped_ns: int  # SIGTERM, with the key down
    ended_s: float  # from then to the end of the process
    said: list[str]  # what the operator reads

    @property
    def key_up_s(self) -> float:
        """From SIGTERM to the key box's own edge."""
        return (self.edges[-1].t_ns - self.stopped_ns) / 1e9 if not self.edges[-1].down else float("inf")

    @property
    def told_besides(self) -> set[str]:
        """Lines about other trouble, a busy machine's included."""
        known = {line for instrument in self.case.troubles for line in self.told(instrument)}
        return {line for line in self.said if line.startswith("! ")} - known

    def told(self, instrument: str) -> list[str]:
        """The lines about one instrument's outage."""
        return [line for line in self.said if line.startswith((f"! {instrument}:", f"! {instrument} "))]


def run(folder: Path, case: Case, *, calm_s: float, trouble_s: float, factor: float = 1.0, keyed: bool = True) -> Ran:
    """One run, all seconds real: a heat run, or (not ``keyed``) a watch with the key up. Raises NotMade."""
    folder.mkdir(parents=True)
    store, said = folder / "hostile.benchlog", folder / "said"
    with contextlib.ExitStack() as made:
        box: Mode | None = "timeout" if keyed else None
        bench = made.enter_context(BenchProcess(folder / "bench", time_factor=factor, script="free", key_box=box))
        _edit(bench)
        bench.tell("band 80 m")
        words = [COMMAND, *(["soak", "--yes"] if keyed else ["watch"])]
        words += ["--bench", str(bench.bench_file), "--plan", str(bench.plan_file), "--store", str(store)]
        with said.open("wb") as err:
            logger = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=err)
        made.callback(_end, logger)

        def until(what: str, so: Callable[[], bool]) -> None:
            deadline = time.monotonic() + PATIENCE_S
            while not so():
                if time.monotonic() > deadline or logger.poll() is not None:
                    raise NotMade(f"{case.name}: {what} did not come to be: {said.read_text()[-500:]}")
                time.sleep(0.05)

        def ready() -> bool:
            return bench.edges()[-1:] != [] and bench.edges()[-1].down if keyed else _all_read(store)

        until("key down" if keyed else "a reading of each channel", ready)
        watcher = Watcher(logger.pid, store, 0.1)
        watcher.start()
        time.sleep(calm_s)
        looks, from_ns = len(watcher.seen), time.monotonic_ns()
        for instrument, kind in case.troubles.items():
            bench.tell(f"trouble {instrument}={kind}")
        time.sleep(trouble_s)
        to_ns = time.monotonic_ns()
        for instrument in case.troubles:
            bench.tell(f"mend {instrument}")
        for instrument in case.troubles:
            until(f"{instrument} is back", lambda name=instrument: f"! {name} is back" in said.read_text())  # type: ignore[misc]
        until("ready again", ready)
        watcher.stop()
        stopped_ns = time.monotonic_ns()
        logger.send_signal(signal.SIGTERM)
        logger.wait(PATIENCE_S)
        ended_s = (time.monotonic_ns() - stopped_ns) / 1e9
        lines, seen, edges = said.read_text().splitlines(), watcher.seen, bench.edges() if keyed else []
        return Ran(case, store, seen[:looks], seen[looks:], from_ns, to_ns, edges, stopped_ns, ended_s, lines)


def _all_read(store: Path) -> bool:
    """Every channel has a row, and every instrument so its connection."""
    with contextlib.suppress(sqlite3.Error), closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db:
        asked = "SELECT (SELECT count(DISTINCT channel) FROM reading) = (SELECT count(*) FROM channel)"
        return bool(db.execute(asked).fetchone()[0])
    return False


def _edit(bench: BenchProcess) -> None:
    plan = bench.plan_file.read_text()
    bench.plan_file.write_text(re.sub(r"\[soak\].*?\n\n", f"{_SOAK}\n", plan, flags=re.DOTALL))
    text = bench.bench_file.read_text()
    for measure in LIMITED:
        text = re.sub(rf"^{measure} = .*\n", "", text, flags=re.MULTILINE)
    bench.bench_file.write_text(text)


def _end(logger: subprocess.Popen[bytes]) -> None:
    if logger.poll() is None:
        logger.kill()
    logger.wait()


# What is in the store ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slots:
    """Rows of the store, counted with a plain connection."""

    lost: dict[str, int]  # planned and without a row, by channel
    missed_calm: float  # share of the well-behaved instruments' slots before the trouble
    missed_troubled: float  # the same while others misbehave
    rows: int  # of the misbehaving ones, meanwhile
    good: int  # of these with a value
    mute: int  # of these neither with a value nor with a reason
    invented: int  # of these with a value beyond what the channel says when all is well


def slots(ran: Ran) -> Slots:
    """What became of every slot."""
    kept = Kept.of(ran.store)
    begins, ends = kept.session_ns(ran.from_ns), kept.session_ns(ran.to_ns)
    bad = tuple(ran.case.troubles)
    marks = ",".join("?" * len(bad))
    missed = f"SELECT avg(coalesce(state, '') = 'missed') {_OF} WHERE instrument NOT IN ({marks})"
    meanwhile = f"WHERE instrument IN ({marks}) AND t_ns > ? AND t_ns < ?"
    # A question asked before the trouble began may be answered well after it.
    during = (*bad, begins + max(500_000_000, round(0.1e9 * kept.factor)), ends)
    usual = f"SELECT name, min(value), max(value) {_OF} WHERE note = 0 AND (t_ns < ? OR t_ns > ?) GROUP BY name"
    with closing(sqlite3.connect(ran.store)) as db:
        calm = db.execute(f"{missed} AND t_ns < ?", (*bad, begins)).fetchone()[0]
        troubled = db.execute(f"{missed} AND t_ns > ? AND t_ns < ?", (*bad, begins, ends)).fetchone()[0]
        found = db.execute(f"SELECT name, value, coalesce(reason, '') {_OF} {meanwhile}", during).fetchall()
        between = {name: (low, high) for name, low, high in db.execute(usual, (begins, ends))}
    good = [(name, value) for name, value, _ in found if value is not None]
    return Slots(
        lost=kept.lost(0, last=False),
        missed_calm=calm or 0.0,
        missed_troubled=troubled or 0.0,
        rows=len(found),
        good=len(good),
        mute=sum(value is None and not reason for _, value, reason in found),
        invented=sum(not between[name][0] <= value <= between[name][1] for name, value in good),
    )


def faults(ran: Ran) -> list[str]:
    """What did not hold, whatever the machine was doing meanwhile; empty when all did."""
    found, counted = [], slots(ran)
    if counted.lost:
        found.append(f"slots without a row: {counted.lost}")
    if ran.case.troubles and not counted.rows:
        found.append("no row of the troubled instruments")
    if counted.mute:
        found.append(f"{counted.mute} rows without a reason")
    if counted.invented:
        found.append(f"{counted.invented} readings that nobody measured")
    for instrument in ran.case.troubles:
        told = ran.told(instrument)
        if not 2 <= len(told) <= TOLD_MOST + 1 or told[-1] != f"! {instrument} is back":
            found.append(f"of the {instrument} the operator is told {told}")
    if any(edge.down for edge in ran.edges[-1:]):
        found.append("the key stays down")
    return found


# What it takes -------------------------------------------------------------------------------------------


def processor(looks: Sequence[Vitals]) -> float:
    """Percent of one core over that time."""
    return 100 * (looks[-1].cpu_s - looks[0].cpu_s) / (looks[-1].at_s - looks[0].at_s)


def worst_second(looks: Sequence[Vitals]) -> float:
    """Percent of one core in the second that took most."""
    spans = [
        [look for look in looks[n:] if look.at_s - first.at_s < 1.05]
        for n, first in enumerate(looks)
        if first.at_s < looks[-1].at_s - 1
    ]
    return max((processor(span) for span in spans if len(span) > 1), default=0.0)


def pours(folder: Path, kind: str, instrument: str, for_s: float = 0.5) -> float:
    """Megabytes a second that a plain reader gets out of such an instrument, read as fast as it can be."""
    with BenchProcess(folder, script="free") as bench:
        bench.tell(f"trouble {instrument}={kind}")
        address, got = bench.addresses[instrument], 0
        tcp = re.fullmatch(r"TCPIP::(.*)::(\d+)::SOCKET", address)
        with contextlib.ExitStack() as opened:
            if tcp:
                link = opened.enter_context(socket.create_connection((tcp[1], int(tcp[2]))))
                read: Callable[[], bytes] = lambda: link.recv(1 << 16)  # noqa: E731
                time.sleep(0.2)  # the trouble is there
                link.sendall(f"{ASK[instrument]}\n".encode())
            else:
                file = opened.enter_context(Path(address).open("r+b", buffering=0))
                read = lambda: file.read(1 << 16) or b""  # noqa: E731
                time.sleep(0.2)
                file.write(f"{ASK[instrument]}\n".encode())
            began = time.monotonic()
            while time.monotonic() - began < for_s:
                got += len(read())
        return got / for_s / 1e6
