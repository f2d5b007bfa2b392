"""Ours against plain, in turns: a machine that is busy for a while is busy for both."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
COMMAND = str(Path(sys.executable).parent / "benchlog")
Pair = tuple[float, float]  # ours, plain


@dataclass(frozen=True)
class Target:
    """What a ratio is to be."""

    at_least: float | None = None
    at_most: float | None = None

    def __str__(self) -> str:
        return f">= {self.at_least:g}" if self.at_least is not None else f"<= {self.at_most:g}" if self.at_most else ""

    def met(self, ratio: float) -> bool:
        """A target of nothing is met by everything."""
        return (self.at_least is None or ratio >= self.at_least) and (self.at_most is None or ratio <= self.at_most)


NONE = Target()


@dataclass(frozen=True)
class Line:
    """One line of the table: medians of both sides in a unit, and the rounds' ratios."""

    what: str
    ours: float
    plain: float
    unit: str
    ratios: Sequence[float]
    target: Target = NONE

    @property
    def ratio(self) -> float:
        """The median."""
        return statistics.median(self.ratios)

    def __str__(self) -> str:
        low, _, high = statistics.quantiles(self.ratios, n=4) if len(self.ratios) > 1 else (0.0, 0.0, 0.0)
        spread = f"{low:.3g} to {high:.3g}" if len(self.ratios) > 1 else ""
        told = "" if self.target == NONE else "met" if self.target.met(self.ratio) else "MISSED"
        sides = (f"{amount(self.ours)} {self.unit}", f"{amount(self.plain)} {self.unit}")
        return FORM.format(self.what, *sides, f"{self.ratio:.3g}", spread, str(self.target), told).rstrip()


FORM = "{:<58} {:>15} {:>15} {:>7} {:>15} {:>8} {}"
HEAD = FORM.format("", "benchlog", "plain", "ratio", "half the rounds", "target", "")


def amount(x: float) -> str:
    """Three digits, and no more zeros than needed."""
    return f"{x:,.0f}" if abs(x) >= 100 else f"{x:.3g}"


def compared(what: str, unit: str, pairs: Sequence[Pair], target: Target = NONE, *, per: float = 1.0) -> Line:
    """Ours over plain, of times or sizes: less is better. ``per`` turns them into the unit."""
    ours, plain = (statistics.median(side) * per for side in zip(*pairs, strict=True))
    return Line(what, ours, plain, unit, [a / b for a, b in pairs], target)


def rates(what: str, unit: str, pairs: Sequence[Pair], count: float, target: Target) -> Line:
    """Of times for ``count`` of something, how often a second: more is better."""
    ours, plain = (count / statistics.median(side) for side in zip(*pairs, strict=True))
    return Line(what, ours, plain, unit, [b / a for a, b in pairs], target)


def in_turns(rounds: int, ours: Callable[[], float], plain: Callable[[], float]) -> list[Pair]:
    """What both say, round by round."""
    return [(ours(), plain()) for _ in range(rounds)]


def seconds(work: Callable[[], object]) -> float:
    """How long it takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


@dataclass(frozen=True)
class Cost:
    """Of a whole process."""

    wall_s: float
    peak_mb: float


# Linux hands a process's peak on to what it starts, by fork and exec alike, and the bench may have had gigabytes. So
# a program is started, timed and looked at by an interpreter that has nothing in it.
_STARTER = """
import os, sys, time
start = time.perf_counter()
away = (os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)
_, status, used = os.wait4(os.posix_spawnp(sys.argv[1], sys.argv[1:], os.environ, file_actions=[away]), 0)
print(time.perf_counter() - start, used.ru_maxrss, os.waitstatus_to_exitcode(status))
"""


def cost(*words: str | Path) -> Cost:
    """Run a program to its end, which must be a good one; a record with a failed verdict is one.

    Of its peak 9 MB may be the starter's.
    """
    starter = [sys.executable, "-I", "-c", _STARTER, *map(str, words)]
    told = subprocess.run(starter, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True).stdout.split()
    if told[2] not in ("0", "1"):
        raise RuntimeError(f"{words} ended with {told[2]}")
    return Cost(float(told[0]), int(told[1]) * 1.024e-3)
