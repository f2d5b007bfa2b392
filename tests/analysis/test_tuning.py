"""What tuning shows: peak of the grid current, dip of the plate current, level control; against planted truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchlog.analysis.turns import Turn, dip, first_move, peak
from benchlog.model import State
from benchlog.plan import Plan
from tests.analysis.synthetic import FIVE, Keying, Synthetic, band, bench, level
from tests.benches import channel_toml, instrument_toml, plan_of

NO_POWER = (np.empty(0), np.empty(0))


def resonance(t_s: np.ndarray, at_s: float, width_s: float) -> np.ndarray:
    """1 at resonance, 0 far off: a single tuned circuit's, turned evenly through."""
    return 1 / (1 + ((t_s - at_s) / width_s) ** 2)


def turned(at_s: float, width_s: float, every_s: float = 0.2, lasts_s: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """(t_s, plate current in A) of a tap in which the plate circuit is turned through a dip of 80 mA from 160 mA."""
    t_s = np.arange(0.0, lasts_s, every_s)
    return t_s, 0.16 - 0.08 * resonance(t_s, at_s, width_s)


# Near the tap's middle, so that both its sides are seen by readings enough; as narrow as three readings.
DIPS = {"at_s": st.floats(0.8, 1.2), "width_s": st.floats(0.3, 0.8)}


@given(**DIPS)
def test_what_lies_between_two_readings_reaches_to_the_true_dip(at_s: float, width_s: float) -> None:
    found = dip(*turned(at_s, width_s), *NO_POWER)
    assert found is not None
    assert found.value - found.beyond <= 0.08 + 1e-12 <= found.value + 1e-9
    assert abs(found.t_s - at_s) <= 0.2


@given(**DIPS, where=st.integers(0, 9), wild=st.floats(-1.0, 1.0))
def test_one_wild_reading_makes_no_dip_of_its_own(at_s: float, width_s: float, where: int, wild: float) -> None:
    """Anywhere, of any size: it costs the dip the reading in its place, or goes on as the course does beside it."""
    t_s, plate = turned(at_s, width_s)
    rest = np.delete(plate, where)
    plate[where] = wild
    found = dip(t_s, plate, *NO_POWER)
    if found is not None:  # near a tap's end it may take the dip's side away
        assert found.value >= rest.min() - np.abs(np.diff(rest)).max()
    quiet = np.full(20, 0.1)
    quiet[2 * where] = wild
    assert dip(np.arange(20.0), quiet, *NO_POWER) is None
    steady = peak(np.arange(20.0), quiet)
    assert steady is not None
    assert steady.value == 0.1


def test_beside_a_wild_reading_a_good_one_still_counts() -> None:
    t_s, plate = turned(0.75, 1.0)
    plate[1] = 0.0
    found = dip(t_s, plate, *NO_POWER)
    assert found is not None
    assert found.value == pytest.approx(0.08, abs=0.001)


@given(**DIPS, order=st.permutations(range(10)), gaps=st.lists(st.integers(0, 10), max_size=4))
def test_order_and_missing_readings_are_indifferent(
    at_s: float, width_s: float, order: list[int], gaps: list[int]
) -> None:
    t_s, plate = turned(at_s, width_s)
    shuffled = dip(t_s[order], plate[order], *NO_POWER)
    assert shuffled == dip(t_s, plate, *NO_POWER)
    assert peak(t_s[order], -plate[order]) == peak(t_s, -plate)
    with_gaps = dip(np.insert(t_s, gaps, 0.05), np.insert(plate, gaps, np.nan), *NO_POWER)
    assert with_gaps == shuffled


@given(**DIPS, factor=st.sampled_from([1e-3, 0.5, 1e3]))
def test_the_unit_is_indifferent(at_s: float, width_s: float, factor: float) -> None:
    t_s, plate = turned(at_s, width_s)
    one, other = dip(t_s, plate, *NO_POWER), dip(t_s, factor * plate, *NO_POWER)
    assert one is not None
    assert other is not None
    assert other.t_s == one.t_s
    assert (other.value, other.beyond) == pytest.approx((factor * one.value, factor * one.beyond))


@given(
    falls=st.lists(st.floats(0.0, 0.1), min_size=5, max_size=60),
    noise=st.floats(0.0, 0.003),
    seed=st.integers(0, 1000),
    rises=st.booleans(),
)
def test_there_is_no_dip_where_plate_current_only_falls_or_only_rises(
    falls: list[float], noise: float, seed: int, rises: bool
) -> None:
    """With white noise of up to 0.3 % of the current, as a meter has."""
    course = np.cumsum(falls) if rises else 1.0 + sum(falls) - np.cumsum(falls)
    assume(course[0] > 1e-6)
    course *= 1 + noise * np.clip(np.random.default_rng(seed).standard_normal(len(course)), -4, 4)
    assert dip(np.arange(len(course)), course, *NO_POWER) is None


@pytest.mark.parametrize(
    "course",
    [
        [0.02, 0.09, 0.14, 0.16, 0.16, 0.15, 0.15, 0.15, 0.15, 0.15],  # the rise at key-down
        [0.16, 0.16, 0.15, 0.15, 0.15, 0.15, 0.15, 0.12, 0.05, 0.01],  # the fall at key-up
        [0.00, 0.08, 0.16, 0.16, 0.16, 0.16, 0.16, 0.09, 0.02, 0.00],  # both
        [0.15, 0.15],
        [],
    ],
)
def test_neither_the_rise_nor_the_fall_is_a_dip(course: list[float]) -> None:
    assert dip(np.arange(float(len(course))), np.array(course), *NO_POWER) is None


def test_the_true_dip_is_found_between_a_rise_and_a_fall() -> None:
    course = np.array([0.03, 0.10, 0.16, 0.14, 0.11, 0.10, 0.11, 0.13, 0.14, 0.09, 0.02, 0.00])
    found = dip(np.arange(12.0), course, *NO_POWER)
    assert found is not None
    assert (found.t_s, found.value) == (5.0, 0.10)


def test_less_drive_is_no_dip_and_hides_none() -> None:
    """Plate current falls to 50 mA where the drive is turned down, power with it; the tuned dip is at 80 mA."""
    t_s = np.arange(0.0, 8.0, 0.2)
    drive = np.where((t_s > 5.0) & (t_s < 6.5), 0.4, 1.0)
    tank = resonance(t_s, 2.0, 0.5)
    plate, power = (0.16 - 0.08 * tank) * drive, 50 * np.maximum(tank, 0.3) * drive
    found = dip(t_s, plate, t_s, power)
    assert found is not None
    assert found.value == pytest.approx(0.08)
    lower = dip(t_s, plate, *NO_POWER)
    assert lower is not None
    assert lower.value < 0.07, "without the power meter nothing tells the two apart"


def test_a_steady_current_has_no_dip_however_long_it_is_watched() -> None:
    rng = np.random.default_rng(1)
    steady = 0.25 * (1 + 0.02 * rng.standard_normal(2000))
    coarse = np.round(0.25 * (1 + 0.004 * rng.standard_normal(2000)), 2)
    sagging = 0.25 * np.exp(-np.arange(2000) / 8000) * (1 + 0.003 * rng.standard_normal(2000))
    flickering = np.where(np.repeat(rng.random(1000) < 0.1, 2), 0.24, 0.25)  # two at a time, by a step of 4 %
    for course in (steady, coarse, sagging, flickering):
        assert dip(np.arange(2000.0), course, *NO_POWER) is None


def test_a_level_control_moves_when_two_readings_in_a_row_leave_its_rest() -> None:
    t_s, rest = np.arange(8.0), np.array([0.01, -0.01, 0.0, 0.01, 0.0, -0.01])
    course = np.array([0.0, 0.01, -2.0, 0.0, -0.3, -0.5, -0.6, -0.5])  # the -2.0 is wild
    assert first_move(rest, t_s, course) == Turn(4.0, -0.3)
    assert first_move(rest, t_s, course[:4]) is None
    assert first_move(rest, t_s, course, least=0.55) is None, "less than a needle shows"
    assert first_move(rest[:4], t_s, course) is None, "four readings are no rest"


STEPS = 'tuning = ["drive at minimum", "dip the plate current"]\n'
WITH_STEPS = plan_of(FIVE.source.text.replace("[sweep]\n", f"[sweep]\n{STEPS}"))


def meters(driver: str) -> str:
    return instrument_toml(
        "meters",
        channel_toml("grid", "grid-current", "mA", every="200 ms", range="20 mA", of_range="1 %", resolution="0.01 mA"),
        channel_toml("anode", "plate-current", "mA", every="200 ms", range="400 mA", of_reading="1 %"),
        channel_toml("level", "alc", "V", every="200 ms", range="10 V", of_range="0.1 %"),
        driver=driver,
    )


def tuned_session() -> Synthetic:
    """40 m: a tap with a grid peak of 4 mA at 11 s, one with a plate dip of 80 mA at 16 s, then 20 s at 250 mA."""
    keyings = [
        Keying(10, 2, lambda x: 20 + 20 * resonance(x, 1.0, 0.5), level(7.1e6)),
        Keying(15, 2, lambda x: 20 + 20 * resonance(x, 1.0, 0.5), level(7.1e6)),
        Keying(25, 20, level(140.0), level(7.1e6)),
        Keying(60, 20, level(140.0), level(14.2e6)),
    ]
    made = Synthetic(keyings)

    def down(t: np.ndarray) -> np.ndarray:
        return np.any([k.inside(t) for k in keyings], axis=0)

    def grid(t: np.ndarray) -> np.ndarray:
        return np.where(keyings[0].inside(t), 4.0 * resonance(t, 11.0, 0.8), np.where(down(t), 0.4, 0.0))

    def anode(t: np.ndarray) -> np.ndarray:
        dipping = 160 - 80 * resonance(t, 16.0, 0.5)
        return np.where(keyings[1].inside(t), dipping, np.where(down(t), 250.0, 0.0))

    return (
        made.add("grid", 0.2, grid, noise=0.01)
        .add("anode", 0.2, anode, noise=0.3)
        .add("level", 0.2, lambda t: -0.75 * grid(t), noise=0.005)
    )


def seen(session: Synthetic, name: str = "40 m", the_plan: Plan = WITH_STEPS, **how: object) -> dict[str, dict]:
    the_bench = how.pop("the_bench", None) or bench(more=meters("any"))
    found = band(session.analysed(the_plan, the_bench, **how), name)
    return {one["what"]: one for one in found.as_json()["tuning"]}


@pytest.fixture(scope="module")
def tuning() -> dict[str, dict]:
    return seen(tuned_session())


@pytest.mark.parametrize(
    ("what", "channel", "unit", "truth", "at_s"),
    [
        ("grid-current-peak", "grid", "mA", 4.0, 11.0),
        ("plate-current-dip", "anode", "mA", 80.0, 16.0),
        ("level-control", "level", "V", -0.3, 35.75),
    ],
)
def test_the_record_holds_what_was_planted(tuning, what, channel, unit, truth, at_s):
    """In the channel's own unit, with its time; the grid's accuracy of 0.2 mA is the most of its U."""
    found = tuning[what]
    assert (found["channel"], found["unit"]) == (channel, unit)
    assert found["at_s"] == pytest.approx(at_s, abs=0.2)
    measured = found["measured"]
    assert abs(measured["value"] - truth) <= measured["expanded"] < 0.1 * abs(truth)
    assert f"accuracy of {channel}" in [line["source"].lower() for line in measured["budget"]]


def test_a_single_readings_budget_is_as_worked_out_by_hand(tuning):
    """0.2 mA / sqrt(3) of accuracy and 0.01 mA / sqrt(12) of resolution, averaged away by nothing."""
    lines = {line["source"]: line for line in tuning["grid-current-peak"]["measured"]["budget"]}
    assert lines["accuracy of grid"]["u"] == pytest.approx(0.2 / 3**0.5)
    assert lines["resolution of grid"]["u"] == pytest.approx(0.01 / 12**0.5, rel=1e-3)
    assert lines["scatter of a single reading, as in the windows measured"]["u"] == pytest.approx(0.01, rel=0.25)
    assert lines["how far it went between two readings"]["u"] < 0.2


def test_the_level_control_is_said_to_move_when_it_does(tuning):
    """As the first tap begins: its grid current of 1.6 mA moves it by 1.2 V at once."""
    moved = tuning["level-control-moves"]
    assert moved["at_s"] == pytest.approx(10.0, abs=0.45)
    assert moved["measured"]["value"] < -1.0


def test_a_band_that_was_keyed_but_not_tuned_says_what_was_not_seen():
    found = seen(tuned_session(), "20 m")
    assert found["plate-current-dip"]["measured"]["verdict"] == "not-measured"
    assert found["plate-current-dip"]["channel"] == "anode"
    assert found["grid-current-peak"]["measured"]["value"] == pytest.approx(0.4, abs=0.05)


def test_what_the_bench_cannot_measure_is_told_where_the_plan_has_steps():
    session = tuned_session()
    for name in ("grid", "anode", "level"):
        del session.series[name]
    found = seen(session, the_bench=bench())
    assert [(one["channel"], one["measured"]["verdict"]) for one in found.values()] == [(None, "not-measured")] * 4
    assert seen(session, the_bench=bench(), the_plan=FIVE) == {}, "nobody asked for it"


def test_a_heat_run_is_not_tuned():
    assert seen(tuned_session(), kind="soak") == {}


def test_a_peak_beyond_the_meters_range_has_no_known_uncertainty():
    found = seen(tuned_session().spoil("grid", 10.8, 11.3, State.OVER_RANGE))["grid-current-peak"]["measured"]
    assert found["value"] < 4.0
    assert found["expanded"] is None


def test_a_wild_reading_while_tuning_is_not_in_the_record():
    session = tuned_session().put("grid", 11.4, 11.55, 15.0).put("anode", 16.4, 16.55, 10.0)
    found = seen(session)
    assert found["grid-current-peak"]["measured"]["value"] == pytest.approx(4.0, abs=0.1)
    assert found["plate-current-dip"]["measured"]["value"] == pytest.approx(80.0, abs=3)


@pytest.mark.parametrize(("from_s", "to_s"), [(10.75, 11.6), (11.1, 11.7)])
def test_a_peak_beside_a_hole_in_the_readings_has_no_known_uncertainty(from_s, to_s):
    """Four slots without a reading: the true peak of 4 mA was in the hole, or may have been."""
    found = seen(tuned_session().spoil("grid", from_s, to_s, State.MISSED))["grid-current-peak"]["measured"]
    assert found["value"] < 4.1
    assert found["expanded"] is None


def test_where_a_tap_begins_at_its_highest_the_ramp_may_have_been_higher():
    """The first reading may be of the ramp and does not count; the course came to the second one by a step like its
    next."""
    t_s = np.arange(0.0, 2.0, 0.2)
    found = peak(t_s, 2.4 - 1.0 * t_s)
    assert found == Turn(0.2, pytest.approx(2.2), pytest.approx(0.2))


def test_of_a_needle_that_a_person_reads_one_reading_is_enough():
    session = tuned_session()
    session.spoil("grid", 0, 11.0, State.MISSED).spoil("grid", 11.2, 99, State.MISSED)
    assert seen(session)["grid-current-peak"]["measured"]["value"] is None
    typed = bench(more=meters("typed"))
    assert seen(session, the_bench=typed)["grid-current-peak"]["measured"]["value"] == pytest.approx(4.0, abs=0.1)


def test_what_a_person_reads_has_no_gaps_between():
    """Also where the bench file gives the needle an address, for its owner to find it by."""
    session = tuned_session()
    session.drop("grid", 11.2, 60)
    typed = bench(more=meters("typed"))
    told = [f for f in session.analysed(the_bench=typed).record.findings if f.channel == "grid"]
    assert [f.kind for f in told] == []
