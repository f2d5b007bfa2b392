"""The polling plan's arithmetic."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchlog.acquire.slots import Question, questions
from benchlog.bench import Channel, Instrument

PERIOD = st.integers(min_value=1_000_000, max_value=10**11)
TIME = st.integers(min_value=0, max_value=10**15)


@given(PERIOD, TIME)
def test_first_slot_is_the_earliest_not_before(every_ns: int, t_ns: int) -> None:
    question = Question("Q?", every_ns, ())
    slot = question.first_slot(t_ns)
    assert question.due_ns(slot) >= t_ns > question.due_ns(slot - 1)


def test_channels_with_one_ask_share_one_question() -> None:
    def channel(name: str, ask: str, every: str = "200 ms") -> Channel:
        return Channel.model_validate({"name": name, "unit": "W", "ask": ask, "every": every})

    instrument = Instrument(
        name="meter",
        driver="scpi",
        channel=(
            channel("forward", "MEAS:POW?"),
            channel("reflected", "MEAS:POW?"),
            channel("supply", "MEAS:VOLT?"),
            channel("forward, seldom", "MEAS:POW?", "10 s"),
        ),
    )
    found = [(q.ask, q.every_ns, [c.name for c in q.channels]) for q in questions(instrument)]
    assert found == [
        ("MEAS:POW?", 200_000_000, ["forward", "reflected"]),
        ("MEAS:VOLT?", 200_000_000, ["supply"]),
        ("MEAS:POW?", 10_000_000_000, ["forward, seldom"]),
    ]
