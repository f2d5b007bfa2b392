"""Records of long sessions, against a script with pandas; how the page answers on them; how both grow."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import median

from benchlog.page.stored import StoredSeries
from benchlog.store.reader import StoreReader
from tests.speed import long_session
from tests.speed.table import COMMAND, FORM, ROOT, Line, Target, amount, compared, cost, seconds

POINTS = 1000


def records(folder: Path, hours: Sequence[float], rounds: int) -> Iterator[Line | str]:
    """The targets are for the longest."""
    growth = [FORM.format("", "record", "its memory", "", "the same, pandas", "", "first look, any zoom")]
    for each in hours:
        path = folder / f"long {each:g}.benchlog"
        count = long_session.make(path, each)
        ours, plain = [], []
        for _ in range(rounds):
            ours.append(cost(COMMAND, "report", "last", "--store", path, "--html", folder / "record.html"))
            plain.append(cost(sys.executable, ROOT / "tests/speed/plain_report.py", path, folder))
        times = [(a.wall_s, b.wall_s) for a, b in zip(ours, plain, strict=True)]
        peaks = [(a.peak_mb, b.peak_mb) for a, b in zip(ours, plain, strict=True)]
        first_s, zoomed_s = looked_at(path, each * 3600)
        longest = each == max(hours)
        if longest:
            what = f"of {count:,} readings ({each:g} h)"
            yield compared(f"record {what} / pandas", "s", times, Target(at_most=1 / 5))
            yield compared(f"its memory {what} / pandas", "MB", peaks, Target(at_most=1 / 4))
            target = Target(at_most=1)
            yield compared("page's first look at a channel / 50 ms", "ms", [(first_s, 0.05)], target, per=1e3)
            yield compared("page's series at its slowest zoom / 50 ms", "ms", [(zoomed_s, 0.05)], target, per=1e3)
        (our_s, their_s), (our_mb, their_mb) = (map(median, zip(*pairs, strict=True)) for pairs in (times, peaks))
        sides = [f"{amount(our_s)} s", f"{amount(our_mb)} MB"]
        theirs = f"{amount(their_s)} s, {amount(their_mb)} MB"
        looks = f"{first_s * 1e3:.0f}, {zoomed_s * 1e3:.0f} ms"
        growth.append(FORM.format(f"{count:,} readings", *sides, "", theirs, "", looks).rstrip())
        path.unlink()
    yield "\n".join(["", *growth, ""])


def looked_at(path: Path, lasts_s: float) -> tuple[float, float]:
    """(first look at a channel's whole length, the slowest look at any part of it), seconds; nothing is remembered."""
    session = StoreReader(path).session("last")

    def look(from_s: float | None, to_s: float | None) -> float:
        def work() -> None:
            _, _, _, found = StoredSeries(path).buckets(session, "power", from_s, to_s, POINTS)
            assert 0 < len(found.t_s) <= POINTS

        return seconds(work)

    first_s = look(None, None)
    spans = [lasts_s / 1.5**n for n in range(60) if lasts_s / 1.5**n > 2]
    return first_s, max(min(look(at, at + span) for _ in range(3)) for span in spans for at in (0.0, lasts_s - span))
