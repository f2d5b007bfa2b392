"""A run's happenings as numbered messages: each viewer gets each of them once, or is told that it has missed some."""

from __future__ import annotations

import json
import math
import tempfile
import threading
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.keydowns import KeyDown
from benchlog.model import Event
from benchlog.page.feed import MOST_LISTED, TICK_S, Feed
from benchlog.report.record_json import finite
from benchlog.runs.happenings import Begun, KeyedDown, KeyedUp, Recognised, Resting, Trouble, Wanted
from benchlog.runs.session import Session
from tests.page.looking import a_session, a_tick

SESSION = a_session(Path(tempfile.gettempdir()) / "never-made.benchlog")


def begun(most: int = 4000, kept_s: float = 600.0) -> tuple[Feed, Session]:
    feed = Feed(most=most, kept_s=kept_s)
    feed.begin(SESSION)
    feed.tell(Begun(7, "somewhere"))
    return feed, SESSION


@given(steps=st.lists(st.tuples(st.integers(0, 12), st.integers(1, 9)), max_size=30), most=st.integers(1, 10))
def test_a_viewer_that_comes_and_goes_has_every_message_once_or_knows_of_a_gap(
    steps: list[tuple[int, int]], most: int
) -> None:
    """Each step puts some messages, then the viewer, knowing only the last id it had, takes some."""
    feed = Feed(most=most)
    had, seen = feed.event_id(0), []
    for put, take in steps:
        first = feed.last + 1
        for _ in range(put):
            feed.alarm("x")
        number = feed.number_of(had)
        assert number is not None
        found = feed.after(number, take)
        if found is None:
            assert feed.last - number > most, "a gap is told only where the ring has lost something"
            number, _ = feed.snapshot()
            assert number == feed.last
            seen = []
        else:
            assert [one.number for one in found] == list(range(number + 1, number + 1 + len(found)))
            assert len(found) == min(take, feed.last - number)
            seen += found
            number = found[-1].number if found else number
        had = feed.event_id(number)
        assert feed.last == first - 1 + put
    assert len({one.number for one in seen}) == len(seen)


@given(text=st.text())
def test_no_words_are_an_id_but_ours(text: str) -> None:
    feed = Feed()
    feed.alarm("x")
    number = feed.number_of(text)
    assert number is None or text == feed.event_id(number)
    assert feed.number_of(Feed().event_id(0)) is None, "another start's"
    assert feed.number_of(feed.event_id(2)) is None, "one that has not been"


def test_old_messages_go_by_time_too() -> None:
    feed = Feed(kept_s=0.0)
    feed.alarm("old")
    threading.Event().wait(0.01)
    feed.alarm("new")
    assert feed.after(0) is None
    found = feed.after(1)
    assert found is not None
    assert [one.data["text"] for one in found] == ["new"]


def test_the_picture_is_what_the_messages_add_up_to() -> None:
    feed, session = begun()
    band = session.plan.bands[0]
    feed.tell(Wanted(band, 0, 2, 0.0))
    feed.tell(KeyedDown(3.0))
    feed.tell(Recognised(band, band.expected_hz + 21))
    _, picture = feed.snapshot()
    run = picture["run"]
    assert run["wanted"] == {"band": band.name, "done": 0, "of": 2, "rest_until_s": 0.0}
    assert run["key"] == {"down": True, "since_s": 3.0, "band": band.name, "long_enough": False}
    feed.tell(KeyedUp(KeyDown(3.0, 5.0, band.name, counts=False, window=None)))
    feed.tell(Resting(1e6, 1))
    feed.tell(Trouble(Event(0, "link", "the counter is lost", instrument="counter")))
    feed.results(7, [{"band": band.name}], [{"kind": "gap"}], final=False)
    feed.results(8, [{"band": "of another session"}], [], final=False)
    _, picture = feed.snapshot()
    run = picture["run"]
    assert run["key"]["down"] is False
    assert [one["text"] for one in run["key_downs"]] == [f"{band.name}: key up after 2 s: tuning."]
    assert run["resting"] == {"until_s": 1e6, "done": 1}
    assert [one["text"] for one in run["troubles"]] == ["the counter is lost"]
    assert run["results"] == [{"band": band.name}]
    assert run["findings"] == [{"kind": "gap"}]
    assert run["ended"] is None
    feed.alarm("KEY UP")
    _, picture = feed.snapshot()
    assert [one["text"] for one in picture["run"]["alarms"]] == ["KEY UP"]
    feed.end("every band measured", how="ended")
    _, picture = feed.snapshot()
    assert picture["run"]["ended"]["text"] == "every band measured"
    assert feed.ended(7)
    json.dumps(finite(picture), allow_nan=False)


def test_lists_in_the_picture_are_bounded() -> None:
    feed, _ = begun()
    for n in range(MOST_LISTED + 50):
        feed.tell(Trouble(Event(n, "note", str(n))))
    _, picture = feed.snapshot()
    told = [one["text"] for one in picture["run"]["troubles"]]
    assert told == [str(n) for n in range(50, MOST_LISTED + 50)]


def test_ticks_are_thinned_and_what_happened_never_overtakes_them() -> None:
    feed, session = begun()
    for n in range(10):
        feed.tell(a_tick(session, float(n)))
    feed.tell(KeyedDown(9.5))
    found = feed.after(1)
    assert found is not None
    ticks = [one.data["t_s"] for one in found if one.kind == "tick"]
    assert ticks == [0.0, 9.0], f"the first, and the newest once something else is to be told, within {TICK_S} s"
    assert found[-1].kind == "keyed-down"


def test_numbers_that_json_does_not_know_are_null() -> None:
    feed, session = begun()
    feed.tell(a_tick(session, 1.0, math.nan))
    feed.results(7, [{"value": math.inf, "more": [math.nan, 1.0]}], [], final=False)
    found = feed.after(1)
    assert found is not None
    assert [json.loads(one.text) for one in found][1]["bands"] == [{"value": None, "more": [None, 1.0]}]


def test_typed_readings_from_many_threads_are_all_in_the_picture() -> None:
    feed, session = begun()
    channel = next(c for i, c in session.bench.channels() if i.driver == "typed")

    def type_in(who: int) -> None:
        for n in range(20):
            feed.typed({"channel": channel.name, "entry": f"{who}.{n}"}, channel, n, 4.5)

    threads = [threading.Thread(target=type_in, args=(who,)) for who in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    _, picture = feed.snapshot()
    assert len({one["entry"] for one in picture["run"]["typed"]}) == 160
    assert picture["run"]["latest"][channel.name]["value"] == channel.in_si(4.5)
    numbers = [one.number for one in feed.after(1, 1000) or []]
    assert numbers == list(range(2, 162))


@given(waiting=st.lists(st.sampled_from(["tick", "alarm"]), max_size=40))
def test_a_wakened_viewer_is_wakened_for_every_message(waiting: list[str]) -> None:
    feed, session = begun()
    wakes = []
    feed.waken(lambda: wakes.append(feed.last))
    for n, what in enumerate(waiting):
        if what == "alarm":
            feed.alarm("x")
        else:
            feed.tell(a_tick(session, float(n)))
    assert wakes == list(range(2, feed.last + 1))
