"""The short form of `scripts/bench`: it measures what it says, whatever comes of it."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from tests.speed.table import COMMAND, HEAD, ROOT, Line, Target, compared, cost, rates

LINES = """
    benchlog --help / python -c 'pass'
    benchlog --help / python -c 'import numpy, matplotlib'
    benchlog report, 6 min / python -c 'pass'
    benchlog report, 6 min / python -c 'import numpy, matplotlib'
    peak memory of a running logger / import numpy
    questions through the driver, answered at once
    questions to readings, answered at once
    questions to readings, answered after 1 ms
    round of 16 instruments of 20 ms / its slowest one
    one after the other / the same round
    lateness of 16 channels at 10 Hz, median / interval jobs
    lateness of 16 channels at 10 Hz, p99 / interval jobs
    readings to committed rows / executemany
    bytes a reading, 18,000 of them / an int64 and a float64
    readings of 20,000 into numpy / fetchall
    record of 18,000 readings (0.05 h) / pandas
    its memory of 18,000 readings (0.05 h) / pandas
    page's first look at a channel / 50 ms
    page's series at its slowest zoom / 50 ms
"""


def test_the_bench_prints_every_line_and_nothing_that_cannot_be() -> None:
    run = subprocess.run(
        [sys.executable, "scripts/bench.py", "--short"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    printed = run.stdout.splitlines()
    assert HEAD in printed
    for wanted in LINES.strip().splitlines():
        (line,) = (line for line in printed if line.startswith(wanted.strip() + "  "))
        numbers = [float(n.replace(",", "")) for n in re.findall(r"[\d,.]+(?:e[+-]?\d+)?", line[len(wanted.strip()) :])]
        assert len(numbers) >= 3, line
        ours, plain, ratio = numbers[:3]
        assert ours > 0, line
        assert plain > 0, line
        # Which way round a ratio is, each line says; the median of ratios is not the ratio of medians.
        assert 0.2 < ratio / (ours / plain) < 5 or 0.2 < ratio / (plain / ours) < 5, line
    assert len([line for line in printed if "met" in line or "MISSED" in line]) >= 12


def test_a_target_is_met_by_the_median_of_the_rounds() -> None:
    line = compared("a / b", "ms", [(0.002, 0.001), (0.004, 0.001), (0.003, 0.001)], Target(at_most=3), per=1e3)
    assert (line.ours, line.plain, line.ratio) == (pytest.approx(3), pytest.approx(1), pytest.approx(3))
    assert str(line).endswith("met")
    assert str(Line("a", 1, 1, "", [3.1], Target(at_most=3))).endswith("MISSED")


def test_a_rate_is_the_better_the_less_time_it_took() -> None:
    line = rates("a", "/s", [(0.5, 1.0)], 100, Target(at_least=2))
    assert (line.ours, line.plain, line.ratio) == (200, 100, 2)
    assert str(line).endswith("met")
    assert str(rates("a", "/s", [(1.0, 1.0)], 100, Target(at_least=2))).endswith("MISSED")


def test_a_programs_peak_is_its_own_and_not_that_of_who_started_it() -> None:
    large = bytearray(200_000_000)
    large[::4096] = bytes(len(large[::4096]))
    assert cost(sys.executable, "-c", "pass").peak_mb < 50
    assert cost(sys.executable, "-c", "bytearray(10**8).replace(b'a', b'')").peak_mb > 100


def test_a_command_that_fails_is_no_measurement() -> None:
    with pytest.raises(RuntimeError, match="ended with 2"):
        cost(COMMAND, "report", "--no-such-option")
