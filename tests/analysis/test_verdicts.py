"""Guarded acceptance: every side, ties, unknowns."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.verdicts import Sense, conformity, result, verdict
from benchlog.model import Measured

numbers = st.floats(-1e6, 1e6)
guards = st.floats(0, 1e6)


@pytest.mark.parametrize(
    ("value", "guard", "limit", "sense", "said"),
    [
        (60.3, 0.3, 60.0, Sense.AT_LEAST, "pass"),  # a tie in decimals that binary floats miss
        (60.29, 0.3, 60.0, Sense.AT_LEAST, "undecided"),
        (59.7, 0.3, 60.0, Sense.AT_LEAST, "undecided"),  # the interval's end meets the limit
        (59.69, 0.3, 60.0, Sense.AT_LEAST, "fail"),
        (6.9, 0.1, 7.0, Sense.AT_MOST, "pass"),
        (7.2, 0.1, 7.0, Sense.AT_MOST, "fail"),
        (-30.0, 1.0, 300.0, Sense.WITHIN, "pass"),
        (299.9, 0.1, 300.0, Sense.WITHIN, "pass"),
        (-299.9, 0.2, 300.0, Sense.WITHIN, "undecided"),
        (-400.0, 50.0, 300.0, Sense.WITHIN, "fail"),
        (0.0, 500.0, 300.0, Sense.WITHIN, "undecided"),
        (100.0, None, 60.0, Sense.AT_LEAST, "undecided"),
        (100.0, math.inf, 60.0, Sense.AT_LEAST, "undecided"),
        (math.nan, 1.0, 60.0, Sense.AT_LEAST, "undecided"),
        (100.0, None, None, Sense.AT_LEAST, "pass"),
    ],
)
def test_points(value, guard, limit, sense, said):
    assert verdict(value, guard, limit, sense) == said


@given(numbers, guards, numbers)
def test_at_least_and_at_most_are_mirrors(value, guard, limit):
    assert verdict(value, guard, limit, Sense.AT_LEAST) == verdict(-value, guard, -limit, Sense.AT_MOST)


@given(numbers, guards, st.floats(0, 1e6))
def test_within_is_both_sides(value, guard, limit):
    sides = {verdict(value, guard, limit, Sense.AT_MOST), verdict(value, guard, -limit, Sense.AT_LEAST)}
    expected = "fail" if "fail" in sides else "undecided" if "undecided" in sides else "pass"
    assert verdict(value, guard, limit, Sense.WITHIN) == expected
    assert verdict(-value, guard, limit, Sense.WITHIN) == expected


@given(numbers, guards, guards, numbers, st.sampled_from(Sense))
def test_knowing_less_never_decides(value, guard, more, limit, sense):
    wide = verdict(value, guard + more, abs(limit) if sense is Sense.WITHIN else limit, sense)
    if wide != "undecided":
        assert verdict(value, guard, abs(limit) if sense is Sense.WITHIN else limit, sense) == wide


def test_result_carries_the_guard_it_was_judged_by():
    found = result(Measured(100.0, 2.0, 10), 95.0, Sense.AT_LEAST)
    assert found.k == pytest.approx(2.228, abs=1e-3)
    assert found.expanded == pytest.approx(2 * found.k)
    assert (found.value, found.dof, found.limit, found.verdict) == (100.0, 10, 95.0, "pass")


def test_unknown_uncertainty_is_said_and_decides_nothing():
    found = result(Measured(100.0, math.inf, 0.0), 60.0, Sense.AT_LEAST)
    assert (found.value, found.expanded, found.k, found.dof, found.verdict) == (100.0, None, None, None, "undecided")


def test_nothing_measured():
    assert result(None, 60.0, Sense.AT_LEAST).verdict == "not-measured"
    assert result(None, None, Sense.AT_LEAST).verdict == "not-measured"


def test_doubt_is_undecided_either_way_but_needs_a_limit():
    for value in (100.0, 10.0):
        assert result(Measured(value, 0.1), 60.0, Sense.AT_LEAST, in_doubt=True).verdict == "undecided"
    assert result(Measured(100.0, 0.1), None, Sense.AT_LEAST, in_doubt=True).verdict == "pass"


# How probable conformity is.


@given(numbers, st.floats(0.01, 1e3), st.floats(1, 1e7), st.floats(0, 1e6))
def test_conformity_is_a_probability_and_its_sides_are_complements(value, u, dof, limit):
    measured = Measured(value, u, dof)
    least, most, within = (conformity(measured, limit, sense) for sense in Sense)
    assert 0 <= within <= most <= 1
    assert least + most == pytest.approx(1)
    assert within == pytest.approx(conformity(Measured(-value, u, dof), limit, Sense.WITHIN), abs=1e-12)


@given(numbers, st.floats(0.01, 1e3), st.floats(1, 1e7), st.floats(0, 1e6), st.sampled_from(Sense))
def test_a_verdict_and_its_conformity_agree(value, u, dof, limit, sense):
    """95 % lie in the interval: what passes conforms with 97.5 % against one limit, 95 % against two."""
    found = result(Measured(value, u, dof), limit, sense)
    if found.verdict == "pass":
        assert found.conformity >= (0.95 if sense is Sense.WITHIN else 0.975) - 1e-9
    if found.verdict == "fail":
        assert found.conformity <= 0.025 + 1e-9


def test_conformity_without_scatter_is_certain_and_ties_conform():
    assert conformity(Measured(60.0, 0.0), 60.0, Sense.AT_LEAST) == 1.0
    assert conformity(Measured(59.9, 0.0), 60.0, Sense.AT_LEAST) == 0.0
    assert conformity(Measured(-300.0, 0.0), 300.0, Sense.WITHIN) == 1.0


@pytest.mark.parametrize(
    ("measured", "limit"),
    [(Measured(100.0, 1.0), None), (Measured(100.0, math.inf, 0.0), 60.0), (Measured(math.nan, 1.0), 60.0)],
)
def test_conformity_is_not_told_without_limit_or_uncertainty(measured, limit):
    assert conformity(measured, limit, Sense.AT_LEAST) is None
    assert result(measured, limit, Sense.AT_LEAST).conformity is None


def test_doubt_tells_no_conformity():
    assert result(Measured(100.0, 1.0), 60.0, Sense.AT_LEAST, in_doubt=True).conformity is None


def test_the_records_form_has_conformity_between_verdict_and_budget():
    keys = list(result(Measured(100.0, 1.0), 60.0, Sense.AT_LEAST).as_json())
    assert keys[keys.index("verdict") :] == ["verdict", "conformity", "budget"]
