"""Differences between two sessions against planted truth: do the intervals hold it, and is "real" seldom false?"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.compare import KINDS, compare, minus
from benchlog.analysis.sameness import Errors, Taken, identity
from benchlog.analysis.uncertainty import combine
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component, Event, Measured
from tests.analysis.pairs import PLAN, SEEN_BY, Meter, Truth, pairs, said, taken
from tests.analysis.synthetic import Keying, Synthetic, level

JUDGED = ("power_w", "droop_percent", "frequency_error_hz", "key_down_drift_hz")
N = 200  # a short form of 2,000, which held 95.3 to 97.5 % and called 2.5 to 4.7 % of no differences real


@pytest.mark.parametrize("one_meter", [True, False])
@pytest.mark.parametrize("changed", [False, True])
def test_the_interval_holds_the_true_difference(one_meter: bool, changed: bool) -> None:
    """95 % of 200 has a standard deviation of 1.5 %: 91 % is missed by chance about once in two hundred."""
    held, real = Counter(), Counter()
    for quantity, truth, found in pairs(N, one_meter=one_meter, changed=changed, seed=11):
        if quantity in JUDGED:
            held[quantity] += abs(found.difference.value - truth) <= found.difference.expanded
            real[quantity] += found.outcome == "real"
    for quantity in JUDGED:
        assert held[quantity] >= 0.91 * N, quantity
        if not changed:
            assert real[quantity] <= 0.09 * N, quantity
    if changed and one_meter:
        assert real["power_w"] > 0.95 * N, "what one meter sees in both sessions is seen through its error"


def test_what_one_meter_shares_cancels_but_for_its_gain() -> None:
    """3 % of reading and 2 % of 250 W: of 10 W more, 0.3 W stay open; of two meters' limits everything does."""
    rng = np.random.default_rng(2)
    before, after = Truth(100, 0.0, 0.0), Truth(110, 0.0, 0.0)
    a, b = taken(before, Meter(0.5, 0), rng), taken(after, Meter(0.5, 0), rng)
    one = next(found for _, found in compare(a, b).all if found.quantity == "power_w")
    kept = next(line for line in one.difference.budget if line.evaluated == "B")
    assert kept.u == pytest.approx(0.03 * 10 / math.sqrt(3), rel=0.05)
    other = Taken(b.analysis, b.bench, said(2))
    two = next(found for _, found in compare(a, other).all if found.quantity == "power_w")
    limits = sorted(line.u for line in two.difference.budget if line.evaluated == "B")
    assert limits[1] == pytest.approx((0.03 * 110 + 5) / math.sqrt(3), rel=0.02)
    assert limits[0] == pytest.approx(-(0.03 * 100 + 5) / math.sqrt(3), rel=0.02)


def shown(value: float, *lines: Component):
    return result(combine(value, lines), None, Sense.WITHIN)


def two_sessions() -> list[Taken]:
    rng = np.random.default_rng(0)
    return [taken(Truth(100, 0.02, 0), Meter(0, 0), rng) for _ in range(2)]


SESSIONS = two_sessions()
size = st.floats(0.01, 100)


@given(a=size, b=size, shared=st.tuples(st.floats(-10, 10), st.floats(-10, 10)), scale=st.floats(0.001, 1000))
def test_a_difference_turns_with_its_order_and_scales_with_its_unit(a, b, shared, scale) -> None:
    errors = Errors(SESSIONS)
    ours = [shown(v, Component(0.1 * v, 20, "scatter", "A"), Component(u, shared="power accuracy"))
            for v, u in zip((a, b), shared, strict=True)]  # fmt: skip
    there, back = minus(ours[1], ours[0], errors), minus(ours[0], ours[1], errors)
    assert there.value == -back.value
    assert there.u == pytest.approx(back.u)
    assert there.u == pytest.approx(math.hypot(0.1 * a, 0.1 * b, shared[1] - shared[0]))
    scaled = [shown(one.value * scale, *(replace(line, u=line.u * scale) for line in one.budget)) for one in ours]
    assert minus(scaled[1], scaled[0], errors).u == pytest.approx(there.u * scale)


def test_an_error_no_channel_is_known_for_cancels_nothing() -> None:
    errors = Errors(SESSIONS)
    lines = Component(1.0, shared="somebody's error")
    assert not errors.same("somebody's error")
    assert minus(shown(2.0, lines), shown(1.0, lines), errors).u == pytest.approx(math.sqrt(2))
    assert errors.same("power accuracy")


def test_errors_that_one_session_shares_within_itself_stay_joined() -> None:
    """Two lines of one error in one result are one number, also where another session's is another."""
    errors = Errors([SESSIONS[0], Taken(SESSIONS[1].analysis, SEEN_BY, said(2))])
    both = (Component(3.0, shared="power accuracy"), Component(-3.0, shared="power accuracy"))
    assert minus(shown(1.0, *both), shown(1.0, *both), errors).u == 0.0


def test_scatter_never_cancels_between_sessions() -> None:
    """Not even where a budget joins two lines of it under a name that reads like a channel's."""
    errors = Errors(SESSIONS)
    noise = (
        Component(3.0, 9, evaluated="A", shared="power worst"),
        Component(1.0, 9, evaluated="A", shared="power worst"),
    )
    found = minus(shown(1.0, *noise), shown(1.0, *noise), errors)
    assert found.u == pytest.approx(4 * math.sqrt(2))


@pytest.mark.parametrize(
    ("events", "proven"),
    [
        ([Event(0, "identity", "Example,SIM-W250,W1,1", instrument="m")], True),
        ([Event(0, "identity", "METER 7", instrument="m")], True),
        ([Event(0, "identity", "Example,SIM-W250,0,1", instrument="m")], False),
        ([Event(0, "identity", "Example,SIM-W250, ,1", instrument="m")], False),
        ([Event(0, "identity", "cannot say who it is", instrument="m", data={"identity": ""})], False),
        ([Event(0, "identity", "Example,SIM-W250,W1,1", instrument="other")], False),
        ([Event(0, "identity", "A", instrument="m"), Event(9, "identity", "B", instrument="m")], False),
        ([Event(0, "identity", "A", instrument="m"), Event(9, "wrong-instrument", "B", instrument="m")], False),
        ([], False),
    ],
)
def test_who_an_instrument_was(events: list[Event], proven: bool) -> None:
    found = identity("m", events)
    assert found.proven is proven
    assert bool(found.why) is not proven


def watched(n: int, seed: int, droop: float = 0.04) -> Taken:
    """n key-downs of one set; the record has the worst one's droop."""
    keyings = [Keying(5 + 30 * i, 20, lambda x: 100 * (1 - droop * (x - 2) / 17.5), level(14.2e6)) for i in range(n)]
    return Taken(Synthetic(keyings, seed=seed).analysed(PLAN, SEEN_BY, "watch"), SEEN_BY, said(1))


def test_the_worst_of_many_key_downs_is_no_worse_than_the_only_one() -> None:
    """The largest of 20 noisy droops stands about two standard deviations out; that alone is not real."""
    real = 0
    for seed in range(20):
        one = compare(watched(1, 2 * seed), watched(20, 2 * seed + 1))
        droop = next(found for _, found in one.all if found.quantity == "droop_percent")
        real += droop.outcome == "real"
        (chance,) = [line for line in droop.difference.budget if line.source.startswith("the worst of 1 ")]
        assert chance.u > 0, "20 chances against 1 are allowed for"
    assert real <= 2


def test_a_session_unlike_the_other_in_length_is_not_compared_in_droop() -> None:
    def lasting(seconds: float) -> Taken:
        key_down = Keying(5, seconds, lambda x: 100 * (1 - 0.002 * x), level(14.2e6))
        return Taken(Synthetic([key_down]).analysed(PLAN, SEEN_BY, "watch"), SEEN_BY, said(1))

    short, similar, long = lasting(20), lasting(23), lasting(60)
    found = {one.quantity: one for _, one in compare(short, long).all}
    assert found["droop_percent"].outcome == "not-comparable"
    assert "window lasted 18 s then and 58 s now" in found["droop_percent"].why
    close = {one.quantity: one for _, one in compare(short, similar).all}["droop_percent"]
    assert close.outcome == "none-seen", "3 s more of the same fall are no change of the set"
    assert any(line.source.startswith("measured over") for line in close.difference.budget)


def test_lacking_knowledge_never_makes_a_difference_real() -> None:
    """An unknown U, NaN readings: not comparable, whatever the numbers are."""
    a, b = two_sessions()
    band = b.analysis.record.bands[0]
    unknown = result(Measured(200.0, math.inf, 0.0), 100.0, Sense.AT_LEAST)
    record = replace(b.analysis.record, bands=(replace(band, power_w=unknown),))
    blind = Taken(replace(b.analysis, record=record), b.bench, b.events)
    found = {one.quantity: one for _, one in compare(a, blind).all}
    assert found["power_w"].outcome == "not-comparable"
    assert "unknown" in found["power_w"].why
    assert found["power_w"].open_question
    assert {one.quantity for _, one in compare(a, b).open_questions} == set()


def test_a_power_of_another_kind_is_not_compared() -> None:
    a, b = two_sessions()
    peak = replace(b.analysis.record.bands[0], power_kind="pep")
    other = Taken(replace(b.analysis, record=replace(b.analysis.record, bands=(peak,))), b.bench, b.events)
    found = {one.quantity: one for _, one in compare(a, other).all}
    assert found["power_w"].why == "the power is mean in the first session, pep in the second"
    assert found["frequency_error_hz"].outcome != "not-comparable"


def test_every_quantity_of_the_record_is_compared_or_left_out_on_purpose() -> None:
    left_out = {"frequency_error_ppm", "droop_tau_s", "run_droop_tau_s"}
    assert set(KINDS) | left_out == set(SESSIONS[0].analysis.record.bands[0].results)
