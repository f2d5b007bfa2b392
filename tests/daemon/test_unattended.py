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

ROOT = Path(__file__).parent.parent.parent
WATCH = '[[start]]\nname = "listening"\nrun = "watch"\nat = "02:30"\nlasts = "1 h"\n'
BENCH = (ROOT / "config/bench.toml").read_text()
PLAN = (ROOT / "config/plan.toml").read_text()
TABLE = "frequency,correction,uncertainty\n3.5 MHz,1.012,1 %\n7 MHz,1.0,1 %\n"


def outcome(folder: Path, bench: str, plan: str) -> Outcome | None:
    for name, text in (("b.toml", bench), ("p.toml", plan), ("t.toml", WATCH), ("short.csv", TABLE)):
        (folder / name).write_text(text)
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


@pytest.mark.parametrize(
    ("bench", "plan", "said"), [(BENCH, SPEECH, "no fixed relation leads"), (SHORT, PLAN, "the table goes from")]
)
def test_files_that_do_not_fit_each_other_begin_no_run(tmp_path: Path, bench: str, plan: str, said: str) -> None:
    """No session means a missed start, which is told (tests/cli/test_serve.py)."""
    found = outcome(tmp_path, bench, plan)
    assert found is not None
    assert (found.kind, found.session) == ("failed", None)
    assert said in found.text
    assert not (tmp_path / "s.benchlog").exists()
