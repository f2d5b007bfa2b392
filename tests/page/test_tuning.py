"""The tuning aid in a real browser: what is held, the tone, the spoken results and the steps, for eyes elsewhere."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.uncertainty import Scatter, WindowMean
from benchlog.runs.happenings import KeyedDown, KeyedUp, Wanted
from tests.page.browser import Look, tick
from tests.page.looking import Served

DOWN_S = 10.0


@pytest.fixture
def aid(played: Served, look: Callable[..., Look]) -> Look:
    """The tuning view on forward power, the key down."""
    played.feed.tell(Wanted(played.session.plan.bands[0], 0, 2, 0.0))
    seen = look(played)
    seen.view("tune")
    seen.page.locator("#aidof").select_option("power")
    played.feed.tell(KeyedDown(DOWN_S))
    expect(seen.page.locator("#key")).to_have_text("KEY DOWN")
    return seen


def passing(played: Served, *watts: float, from_s: float = DOWN_S + 1.0, down: bool = True) -> None:
    """Readings half a second apart."""
    for n, value in enumerate(watts):
        tick(played, from_s + n / 2, DOWN_S if down else None, forward_power=value)


def test_the_peak_is_held_and_how_far_from_it_the_value_is(played: Served, aid: Look) -> None:
    held = aid.page.locator("#aidheld")
    expect(held).to_have_text("No peak held yet")
    passing(played, 60.0, 80.0, 100.0, 95.0, 90.0, 90.0)
    expect(held).to_have_text("Held peak 100 W; 10 W below (−10.0 %)")
    expect(aid.page.locator("#aid")).to_have_text("90")
    passing(played, 100.2, 100.2, 100.2, from_s=DOWN_S + 4)
    expect(held).to_have_text("Held peak 100 W; at the peak")
    aid.page.get_by_role("button", name="Hold the dip").click()
    expect(held).to_have_text("No dip held yet")
    passing(played, 90.0, 70.0, 84.0, 84.0, 84.0, from_s=DOWN_S + 6)
    expect(held).to_have_text("Held dip 70 W; 14 W above (+20.0 %)")
    aid.page.get_by_role("button", name="Start afresh").click()
    expect(held).to_have_text("No dip held yet")


def test_the_ramps_of_a_key_down_are_no_dip(played: Served, aid: Look) -> None:
    """Power rises from nothing and falls to nothing; neither is what the hand tunes for."""
    aid.page.get_by_role("button", name="Hold the dip").click()
    tick(played, DOWN_S + 0.2, DOWN_S, forward_power=3.0)
    passing(played, 90.0, 80.0, 85.0, 85.0, 2.0)
    played.feed.tell(KeyedUp(KeyDown(DOWN_S, DOWN_S + 3.1, None, counts=False, window=None)))
    passing(played, 0.0, 0.0, 0.0, from_s=DOWN_S + 4, down=False)
    expect(aid.page.locator("#aidheld")).to_have_text("Held dip 80 W")


def test_the_tones_pitch_follows_the_value_and_it_is_silent_with_the_key_up(played: Served, aid: Look) -> None:
    page = aid.page
    passing(played, 50.0)
    expect(page.locator("#aid")).to_have_text("50")
    assert page.evaluate("tones.length") == 0, "off until it is asked for"
    page.get_by_role("button", name="Tone").click()
    page.evaluate("tones.length = gains.length = 0")
    rising = [55.0, 60.0, 66.0, 72.0, 60.0]  # beyond what the bar reached to: it grows, and the pitch must not fall
    passing(played, *rising, from_s=DOWN_S + 2)
    expect(page.locator("#aid")).to_have_text("60")
    tones = page.evaluate("tones")
    assert len(tones) == len(rising)
    assert tones[:4] == sorted(set(tones[:4])), "higher with each higher value"
    assert tones[4] == pytest.approx(tones[1]), "and the same for the same"
    assert tones[3] / tones[0] > 1.5, "by much more than an ear needs"
    assert set(page.evaluate("gains")) == {0.15}
    page.evaluate("tones.length = gains.length = 0")
    played.feed.tell(KeyedUp(KeyDown(DOWN_S, DOWN_S + 5, None, counts=False, window=None)))
    passing(played, 60.0, from_s=DOWN_S + 6, down=False)
    expect(page.locator("#key")).to_have_text("Key up")
    assert (set(page.evaluate("gains")), page.evaluate("tones")) == ({0}, [])
    page.get_by_role("button", name="Tone").click()
    expect(page.locator("#tone")).to_have_attribute("aria-pressed", "false")


def test_the_tone_stops_where_the_connection_is_lost(played: Served, aid: Look) -> None:
    aid.page.get_by_role("button", name="Tone").click()
    passing(played, 50.0, 55.0)
    expect(aid.page.locator("#aid")).to_have_text("55")
    assert aid.page.evaluate("gains.at(-1)") == 0.15
    aid.context.set_offline(True)
    expect(aid.page.locator("#lost")).to_contain_text("What you see is old")
    assert aid.page.evaluate("gains.at(-1)") == 0, "a tone that stands still says that all is well"
    aid.forgive("Failed to load resource", "ERR_")


def test_results_are_spoken_where_that_is_asked_for(played: Served, aid: Look) -> None:
    band = played.session.plan.bands[0]

    def key_up(counts: bool) -> None:
        measured = {"forward-power": 142.4, "frequency": band.expected_hz - 56.0}
        noise = Scatter(n=50, sd=0.1, n_eff=50.0, dof=49.0, variance=0.01)
        means = {name: WindowMean(50, mean, noise, 0) for name, mean in measured.items()}
        played.feed.tell(KeyedUp(KeyDown(DOWN_S, DOWN_S + 20, band.name, counts=counts, window=None, means=means)))

    key_up(counts=True)
    expect(aid.page.locator("#key")).to_have_text("Key up")
    assert aid.page.evaluate("spoken") == [], "off until it is asked for"
    aid.page.get_by_role("button", name="Speak results").click()
    key_up(counts=False)
    key_up(counts=True)
    expect(aid.page.locator("#said")).to_contain_text("key up after 20 s")
    aid.page.wait_for_function("spoken.length > 0")
    assert aid.page.evaluate("spoken") == ["30 metres. 142 watts. minus 56 hertz"], "short, and not of tuning"


def test_the_plans_steps_are_ticked_band_by_band(played: Served, aid: Look) -> None:
    page, plan = aid.page, played.session.plan
    first, second = plan.bands[:2]
    common, of_its_own = plan.sweep.tuning[0], second.tuning[0]
    boxes = page.locator("#steps input")
    expect(boxes).to_have_count(len(plan.sweep.tuning) + len(first.tuning))
    page.get_by_label(common).check()
    played.feed.tell(Wanted(second, 1, 2, 0.0))
    expect(page.locator("#stepshead")).to_contain_text(second.name)
    expect(boxes).to_have_count(len(plan.sweep.tuning) + len(second.tuning))
    expect(page.get_by_label(of_its_own)).not_to_be_checked()
    expect(page.get_by_label(common)).not_to_be_checked()
    played.feed.tell(Wanted(first, 0, 2, 0.0))
    expect(page.get_by_label(common)).to_be_checked()
    expect(page.get_by_label(of_its_own)).to_have_count(0)
