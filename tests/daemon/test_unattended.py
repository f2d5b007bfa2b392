"""A run with nobody there whose files no longer fit each other: it never begins, and says what is wrong."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.daemon.unattended import Job, Outcome, Unattended
from benchlog.page.feed import Feed
from benchlog.plan import load_plan
from benchlog.timetable import load_timetable, misfits
from tests.cli.inside import inside

ROOT = Path(__file__).parent.parent.parent
WATCH = '[[start]]\nname = "listening"\nrun = "watch"\nat = "02:30"\nlasts = "1 h"\n'
BENCH = (ROOT / "config/bench.toml").read_text()
PLAN = (ROOT / "config/plan.toml").read_text()
SOAK = '[[start]]\nname = "heat run"\nrun = "soak"\nat = "02:30"\nmay_key = true\n'
TABLE = "frequency,correction,uncertainty\n3.5 MHz,1.012,1 %\n7 MHz,1.0,1 %\n"


def written(folder: Path, bench: str, plan: str, start: str) -> None:
    for name, text in (("b.toml", bench), ("p.toml", plan), ("t.toml", start), ("short.csv", TABLE)):
        (folder / name).write_text(text)


def outcome(folder: Path, bench: str, plan: str, start: str) -> Outcome | None:
    written(folder, bench, plan, start)
    timetable = load_timetable(folder / "t.toml")
    assert not misfits(timetable, load_bench(folder / "b.toml", find), load_plan(folder / "p.toml")), "each is right"
    job = Job(timetable.starts[0], 0, folder / "b.toml", folder / "p.toml", folder / "s.benchlog", timetable)
    run = Unattended(job, cold_at=time.monotonic(), begun=lambda _: None, paused=lambda _: None, feed=Feed())
    run.start()
    assert run.join(60)
    return run.outcome


CW = 'mode = "cw"                         # cw | usb | lsb | am\n'
SPEECH = PLAN.replace(CW, 'mode = "usb"\nsignal = "speech"\nrated = "pep"\n', 1)
SHORT = BENCH.replace('of_range = "5 %"', 'of_range = "5 %"\ncorrection = "short.csv"', 1)

KEYED = (
    BENCH.replace('key_down = "90 s"', 'key_down = "30 s"')
    + '[key]\ndriver = "serial-line"\naddress = "x"\nline = "rts"\n'
)


@pytest.mark.parametrize(
    ("bench", "plan", "start", "said"),
    [
        (BENCH, SPEECH, WATCH, "no fixed relation leads"),
        (SHORT, PLAN, WATCH, "the table goes from"),
        (KEYED, PLAN, SOAK, "longer than the 30 s of limits.key_down"),
    ],
)
def test_files_that_do_not_fit_each_other_begin_no_run(
    tmp_path: Path, bench: str, plan: str, start: str, said: str
) -> None:
    """No session means a missed start, which is told (tests/cli/test_serve.py)."""
    found = outcome(tmp_path, bench, plan, start)
    assert found is not None
    assert (found.kind, found.session) == ("failed", None)
    assert said in found.text
    assert not (tmp_path / "s.benchlog").exists()


def test_a_heat_run_that_the_bench_does_not_allow_is_told_when_the_daemon_is_started(tmp_path: Path) -> None:
    """Not at half past two in the morning."""
    written(tmp_path, KEYED, PLAN, SOAK)
    words = ("--bench", "b.toml", "--plan", "p.toml", "--timetable", "t.toml", "--store", "s.benchlog", "--port", "0")
    said = inside("serve", *words, folder=tmp_path, status=2).stderr
    assert "p.toml: 1 fault" in said
    assert "soak.key_down" in said
    assert not (tmp_path / "s.benchlog").exists()
