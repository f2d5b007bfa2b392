"""Any sequence of troubles: every value that stands answers its question, and was made after it was asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.simulate.wire import CutInTwo, Drip, Garbage, HangUp, Late, Silent, Trouble, Twice, Unfinished
from tests.real import resyncing
from tests.real.resyncing import QUESTIONS, Rig

T = 0.03  # the time-out here

TROUBLES: st.SearchStrategy[Trouble | None] = st.one_of(
    st.none(),
    st.builds(Late, st.sampled_from([0.2 * T, 0.9 * T, 1.1 * T, 1.8 * T, 3.5 * T])),
    st.builds(Twice, st.sampled_from([0.0, 0.005, 0.1])),
    st.builds(CutInTwo, st.sampled_from([0.0, 0.5 * T, 1.2 * T])),
    st.just(Unfinished()),
    st.just(Silent()),
    st.just(HangUp()),
    st.just(Drip(0.2 * T)),
    st.builds(Garbage, st.sampled_from([b"?\n", b"+1", b"\xff\n\n", b"+1000?19\n"])),
)
STEP = st.tuples(TROUBLES, st.lists(st.sampled_from(QUESTIONS), min_size=1, max_size=4))

RIGS: dict[str, Callable[[], AbstractContextManager[Rig]]] = {
    "tcp-scpi": resyncing.tcp_scpi,
    "pty-serial-text": resyncing.pty_serial_text,
    "pty-scpi": resyncing.pty_scpi,
}


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with resyncing.nothing_left(), RIGS[request.param]() as rig:
        yield rig


# One rig for all examples: what one left behind is the next one's trouble, as on a bench that runs for days.
@settings(max_examples=6, derandomize=True, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEP, min_size=1, max_size=5))
def test_every_value_that_stands_is_right(rig: Rig, steps: list[tuple[Trouble | None, list[str]]]) -> None:
    if rig.driver is None:
        rig.opened(timeout_s=T, quiet="60 ms", late="500 ms")
    for trouble, questions in steps:
        rig.wire.trouble = trouble
        rig.run(questions)
    rig.wire.trouble = None
    rig.run(["A?"])  # a last chance to take something back
    rig.check_kept()
    rig.kept.clear()
    rig.in_doubt = False


def test_a_long_bad_day_ends_well(rig: Rig) -> None:
    """After every kind of trouble in turn, the instrument is read again as if nothing had been."""
    rig.opened(timeout_s=T, quiet="60 ms", late="500 ms")
    for trouble in (
        Late(1.5 * T),
        Twice(),
        Twice(0.005),
        Unfinished(),
        Silent(),
        Drip(0.3 * T),
        HangUp(),
        Garbage(b"0"),
    ):
        rig.wire.trouble = trouble
        rig.run(["A?", "B?", "C?"])
        rig.wire.trouble = None
        rig.run(["A?"])  # as above: what is heard unasked takes the answer before it back
        rig.reopen()
        rig.run_until_answered(["C?", "A?"])
        rig.check_kept()
