"""One clock: never steps, tells when the host's did."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.clock import Clock, rfc3339, utc


class Host:
    """A host whose date can be set."""

    def __init__(self) -> None:
        self.monotonic, self.epoch = 5 * 10**9, 1_700_000_000 * 10**9

    def passes(self, seconds: float) -> None:
        self.monotonic += round(seconds * 1e9)
        self.epoch += round(seconds * 1e9)

    def clock(self, factor: float = 1.0) -> Clock:
        return Clock(factor, monotonic_ns=lambda: self.monotonic, utc_ns=lambda: self.epoch)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 0.5])
def test_a_stepped_host_clock_changes_no_stamp_and_is_told_once(step_s: float) -> None:
    host = Host()
    clock = host.clock()
    host.passes(10)
    assert clock.step_s() is None
    host.epoch += round(step_s * 1e9)
    host.passes(1)
    assert clock.t_ns() == 11 * 10**9, "order and spacing go on"
    assert clock.step_s() == pytest.approx(step_s)
    host.passes(1)
    assert clock.step_s() is None


def test_slow_steering_of_the_date_is_no_step() -> None:
    host = Host()
    clock = host.clock()
    for _ in range(60):
        host.passes(60)
        host.epoch += 30_000_000  # 500 ppm, the most NTP slews
        assert clock.step_s() is None


def test_a_simulated_bench_may_be_faster_than_life() -> None:
    host = Host()
    clock = host.clock(factor=6.0)
    host.passes(10)
    assert clock.t_ns() == 60 * 10**9
    assert clock.real_s(3.0) == 0.5
    assert clock.step_s() is None, "faster than the host is not a step of the host"


def test_another_process_reads_the_same_time() -> None:
    clock = Clock(2.0)
    other = Clock.resumed(clock.anchor_ns, clock.started_ns, clock.factor)
    before, seen, after = clock.t_ns(), other.t_ns(), clock.t_ns()
    assert before <= seen <= after


def test_waiting_ends_at_the_time_or_when_told_to_stop() -> None:
    clock, stop = Clock(factor=100.0), threading.Event()
    assert clock.wait_until(clock.t_ns() + 10**9, stop) is False
    assert clock.wait_until(0, stop) is False, "the past is now"
    threading.Timer(0.01, stop.set).start()
    assert clock.wait_until(clock.t_ns() + 3600 * 10**9, stop) is True


@given(st.integers(-(2**62), 2**62))
def test_dates_are_exact(epoch_ns: int) -> None:
    text = rfc3339(epoch_ns, 9)
    whole = datetime.fromisoformat(text[:19] + "+00:00")
    assert (whole - datetime(1970, 1, 1, tzinfo=UTC)).days * 86400 + (
        whole - datetime(1970, 1, 1, tzinfo=UTC)
    ).seconds == epoch_ns // 10**9
    assert int(text[20:29]) == epoch_ns % 10**9
    assert utc(epoch_ns).microsecond == epoch_ns % 10**9 // 1000


def test_the_digits_asked_for() -> None:
    assert rfc3339(250_000_000) == "1970-01-01T00:00:00.250Z"
    assert rfc3339(250_000_000, 0) == "1970-01-01T00:00:00Z"
