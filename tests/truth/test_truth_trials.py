"""The short form of ``scripts/truth-trials``: some sessions, every criterion, and whether the judge can be trusted.

The sessions are the same at every run (one seed), so a run fails or passes by the code alone. A share misses its
criterion here only when its Clopper-Pearson interval of error 1e-4 lies wholly outside: that is the chance that a
change which keeps a criterion is told it does not. What only the thousand sessions of the long form have enough of is
not asked here (``LONG_FORM``).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.truth.cases import Case
from tests.truth.draw import FAULTS
from tests.truth.found import False_
from tests.truth.judge import A_COVERS, ESTIMATORS, Share, missed, poisson_low, rows
from tests.truth.trial import Asked, Outcome, make, make_all

SESSIONS = 60
ERROR = 1e-4
LONG_FORM = {"run_droop_tau_s", "supply_percent", "stage_percent"}


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    return make_all(Asked(seed=1), range(SESSIONS))


def misses(outcome: Outcome) -> list[str]:
    estimators = [name for name in ESTIMATORS if name not in LONG_FORM]
    return missed(outcome, error=ERROR, by_point=False, estimators=estimators, told=FAULTS)


def test_every_criterion_is_kept(outcome: Outcome) -> None:
    assert misses(outcome) == []


def test_all_sessions_were_made_and_most_had_something_to_judge(outcome: Outcome) -> None:
    assert outcome.sessions == SESSIONS
    assert 0.3 * SESSIONS < outcome.clean < 0.6 * SESSIONS
    assert sum(case.judged and case.measured for case in outcome.cases) > 20 * SESSIONS


def test_a_session_is_the_same_each_time_it_is_made() -> None:
    assert make(Asked(seed=3), 7) == make(Asked(seed=3), 7)
    assert make(Asked(seed=3), 7).cases != make(Asked(seed=4), 7).cases


# The judge, on the same outcome with one thing wrong: each must be told.


@pytest.mark.parametrize("estimator", ["power_w", "frequency_error_hz"])
def test_intervals_half_as_wide_are_told(outcome: Outcome, estimator: str) -> None:
    def narrowed(case: Case) -> Case:
        if case.estimator != estimator or case.expanded is None:
            return case
        return replace(case, u=case.u / 2, expanded=case.expanded / 2)

    told = misses(replace(outcome, cases=[narrowed(case) for case in outcome.cases]))
    assert any(one.startswith(estimator) and "intervals hold" in one for one in told)


def test_intervals_twice_as_wide_are_told_where_there_are_enough(outcome: Outcome) -> None:
    widened = [replace(case, u=2 * case.u, expanded=2 * (case.expanded or 0)) for case in outcome.cases]
    told = misses(replace(outcome, cases=4 * [case for case in widened if case.estimator == "power_w"]))
    assert any(one.startswith("power_w (all, type A)") for one in told)


def test_a_result_that_is_never_measured_is_told(outcome: Outcome) -> None:
    cases = [replace(case, value=None) if case.estimator == "power_w" else case for case in outcome.cases]
    assert any(one.startswith("power_w: nothing to judge") for one in misses(replace(outcome, cases=cases)))


def test_faults_that_are_not_told_are(outcome: Outcome) -> None:
    faults = [replace(fault, told=fault.kind != "low-power") for fault in outcome.faults]
    told = misses(replace(outcome, faults=faults))
    assert any(one.startswith("low-power: recall") for one in told)
    none = [fault for fault in outcome.faults if fault.kind != "low-power"]
    assert any(one.startswith("low-power: nothing to judge") for one in misses(replace(outcome, faults=none)))


def test_findings_of_nothing_are_told(outcome: Outcome) -> None:
    false = [False_(number, True, "step", "") for number in range(6)]
    assert any(one.startswith("false findings") for one in misses(replace(outcome, false=false)))


def test_wrong_verdicts_at_the_limit_are_told(outcome: Outcome) -> None:
    verdicts = [replace(one, verdict="pass" if not one.meets else one.verdict) for one in outcome.verdicts]
    assert any("false pass" in one for one in misses(replace(outcome, verdicts=verdicts)))


def test_a_key_down_that_is_not_found_is_told(outcome: Outcome) -> None:
    assert any("key-downs found" in one for one in misses(replace(outcome, lost_key_downs=["session 1, 80 m"])))


def test_by_its_point_a_share_of_many_is_held_to_the_bounds_themselves(outcome: Outcome) -> None:
    one = next(row for row in rows(outcome.cases) if row.name == "power_w" and row.dominated == "A")
    many = replace(one, covered=Share(929, 1000))
    assert many.bounds == A_COVERS
    assert many.miss(0.05, by_point=True)
    assert not many.miss(0.05, by_point=False)
    assert not replace(one, covered=Share(931, 1000)).miss(0.05, by_point=True)
    assert not replace(one, covered=Share(92, 100)).miss(0.05, by_point=True)


def test_clopper_pearson_and_garwood_intervals() -> None:
    """0 of n: upper end 1 - (error/2)**(1/n), the closed form; 10 counts: 4.795 to 18.39 (Garwood's table)."""
    assert Share(0, 10).interval()[1] == pytest.approx(1 - 0.025 ** (1 / 10))
    assert Share(10, 10).interval()[0] == pytest.approx(0.025 ** (1 / 10))
    assert poisson_low(10, 0.05) == pytest.approx(4.795, abs=5e-4)
    assert poisson_low(0, 0.05) == 0.0
