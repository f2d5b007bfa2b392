"""``benchlog compare`` and ``history`` as a user runs them, on stores imported from CSV files with planted truth."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.cli.comparing import BENCH, PLAN, WHO, Shelf, Shown, said
from tests.cli.conftest import benchlog

BEFORE = Shown({"20 m": 110.0, "10 m": 74.0}, {"10 m": 400.0})
REPAIRED = Shown({"20 m": 110.0, "10 m": 83.0}, {"10 m": 30.0})


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path)


def compared(shelf: Shelf, *words: object, status: int) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(said("compare", *words, "--store", shelf.store, "--json", status=status))
    assert tree["schema"] == "benchlog-comparison/1"
    assert tree["exit_status"] == status
    return tree


def of(tree: dict[str, Any], band: str, quantity: str = "power_w") -> dict[str, Any]:
    found: dict[str, Any] = next(b for b in tree["bands"] if b["band"] == band)["quantities"][quantity]
    return found


def cancels(tree: dict[str, Any]) -> dict[str, bool]:
    return {one["channel"]: one["cancels"] for one in tree["instruments"]}


# A repair.


def test_the_installed_command(shelf: Shelf) -> None:
    """A process of its own, with its own words and exit status; the others share one, to be quick."""
    shelf.take("2026-03-01", REPAIRED)
    shelf.take("2026-04-11", BEFORE)
    worse = benchlog("compare", 1, 2, "--store", shelf.store, status=1).stdout
    assert "Really worse: power on 10 m; frequency error on 10 m." in worse
    assert "2 sessions from 2026-03-01" in benchlog("history", "--store", shelf.store, status=0).stdout
    assert "no session 9" in benchlog("compare", 1, 9, "--store", shelf.store, status=2).stderr


def test_nine_watts_more_on_one_wattmeter_are_real(shelf: Shelf) -> None:
    """The meter's 5 % of 250 W is 14 W in each session, and the same 14 W in both."""
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED)
    tree = compared(shelf, 1, 2, status=0)
    power = of(tree, "10 m")
    assert power["a"]["expanded"] == pytest.approx(14.1, abs=0.1)
    assert (power["outcome"], power["change"]) == ("real", "better")
    assert power["difference"]["value"] == pytest.approx(9.0, abs=power["difference"]["expanded"])
    assert power["difference"]["expanded"] < 0.4
    assert of(tree, "20 m")["outcome"] == "none-seen"
    assert of(tree, "20 m")["change"] is None
    assert cancels(tree) == {"power": True, "frequency": True}
    text = said("compare", 1, 2, "--store", shelf.store, status=0)
    assert "Really better: power on 10 m; frequency error on 10 m." in text
    assert re.search(r"10 m makes (8\.[6-9]|9\.[0-4])\d ± 0\.\d\d W more than before: real, and better\.", text)
    assert re.search(r"20 m: no difference seen in power \(anything above 0\.\d\d W would have been\)", text)
    assert f"power of wattmeter: let cancel; it said {WHO['wattmeter']} both times" in text


def test_the_same_nine_watts_on_another_wattmeter_are_not(shelf: Shelf) -> None:
    """sqrt(2) times one meter's 14 W."""
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, who={**WHO, "wattmeter": "Example,SIM-W250,W0099,1.2"})
    tree = compared(shelf, 1, 2, status=0)
    power = of(tree, "10 m")
    assert power["outcome"] == "none-seen"
    assert power["difference"]["expanded"] == pytest.approx(20.0, abs=0.1)
    assert cancels(tree) == {"power": False, "frequency": True}
    assert of(tree, "10 m", "frequency_error_hz")["change"] == "better"
    why = tree["instruments"][0]["why"]
    assert "another instrument" in why
    assert "W0017" in why
    assert "W0099" in why


@pytest.mark.parametrize(
    ("who", "why"),
    [
        ({}, "did not say who it was"),
        ({"wattmeter": ""}, "did not say who it was"),
        ({"wattmeter": "Example,SIM-W250,0,1.2"}, "no serial number"),
    ],
)
def test_a_meter_that_is_not_known_cancels_only_on_ones_word(shelf: Shelf, who: dict[str, str], why: str) -> None:
    shelf.take("2026-03-01", BEFORE, who=who)
    shelf.take("2026-04-11", REPAIRED, who=who)
    tree = compared(shelf, 1, 2, status=0)
    assert cancels(tree)["power"] is False
    assert why in tree["instruments"][0]["why"]
    assert of(tree, "10 m")["outcome"] == "none-seen"
    tree = compared(shelf, 1, 2, "--same", "wattmeter", status=0)
    assert cancels(tree) == {"power": True, "frequency": False}
    assert tree["instruments"][0]["why"].startswith("you vouch for it")
    assert of(tree, "10 m")["outcome"] == "real"


def test_ones_word_counts_for_nothing_against_what_the_meters_said(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, who={**WHO, "wattmeter": "Example,SIM-W250,W0099,1.2"})
    assert cancels(compared(shelf, 1, 2, "--same", "wattmeter", status=0))["power"] is False


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('of_range = "5 %"', 'of_range = "4 %"', "of_range 0.05 then, 0.04 now"),
        ('of_range = "5 %"', 'of_range = "5 %"\nscale = 1.01', "scale 1.0 then, 1.01 now"),
        (
            'name = "wattmeter"',
            'name = "wattmeter"\ncalibrated = "2026-03-20"',
            "calibrated nothing then, 2026-03-20 now",
        ),
        ('range = "250 W"', 'range = "500 W"', "range 250 W then, 500 W now"),
    ],
)
def test_a_meter_read_otherwise_has_another_error(shelf: Shelf, old: str, new: str, says: str) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, bench=BENCH.replace(old, new))
    tree = compared(shelf, 1, 2, "--same", "wattmeter", status=0)
    assert cancels(tree) == {"power": False, "frequency": True}
    assert says in tree["instruments"][0]["why"]


def test_how_a_meter_is_reached_does_not_matter(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, bench=BENCH.replace("5025", "5035").replace('"500 ms"', '"1 s"', 1))
    assert cancels(compared(shelf, 1, 2, status=0)) == {"power": True, "frequency": True}


# Worse, and what cannot be said.


def test_a_band_that_got_worse_is_status_1_and_its_verdict_is_told(shelf: Shelf) -> None:
    shelf.take("2026-03-01", Shown({"20 m": 130.0, "10 m": 110.0}))
    shelf.take("2026-04-11", Shown({"20 m": 130.0, "10 m": 60.0}, droop=0.08))
    tree = compared(shelf, 1, 2, status=1)
    power = of(tree, "10 m")
    assert (power["change"], power["verdict_changed"]) == ("worse", True)
    assert (power["a"]["verdict"], power["b"]["verdict"]) == ("pass", "fail")
    assert of(tree, "20 m", "droop_percent")["change"] == "worse"
    text = said("compare", 1, 2, "--store", shelf.store, status=1)
    assert "Really worse: power on 20 m and 10 m; droop on 20 m and 10 m." in text
    assert "Its verdict was pass and is fail now." in text


def test_a_frequency_on_the_other_side_is_moved_and_not_worse(shelf: Shelf) -> None:
    shelf.take("2026-03-01", Shown({"20 m": 110.0}, {"20 m": 100.0}))
    shelf.take("2026-04-11", Shown({"20 m": 110.0}, {"20 m": -100.0}))
    found = of(compared(shelf, 1, 2, status=0), "20 m", "frequency_error_hz")
    assert (found["outcome"], found["change"]) == ("real", "neither")


def test_a_band_that_is_lacking_now_is_an_open_question(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", Shown({"20 m": 110.0}))
    power = of(compared(shelf, 1, 2, status=1), "10 m")
    assert (power["outcome"], power["why"]) == ("not-comparable", "the band was not heard in the second session")
    assert power["difference"] is None
    compared(shelf, 2, 1, status=0)  # what the first one lacks decides nothing


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('dial = "28.300 MHz"', 'dial = "28.310 MHz"', "expected at 28.300000 MHz then, at 28.310000 MHz now"),
        ('key_down = "20 s"', 'key_down = "20 s"\nsettle = "8 s"', None),
    ],
)
def test_a_plan_that_asks_something_else(shelf: Shelf, old: str, new: str, why: str | None) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, plan=PLAN.replace(old, new))
    tree = compared(shelf, 1, 2, status=1)
    if why:
        assert of(tree, "10 m")["why"] == why
        assert of(tree, "20 m")["outcome"] == "none-seen"
    else:
        assert of(tree, "10 m")["outcome"] == "real"
        assert "window lasted" in of(tree, "10 m", "droop_percent")["why"]


def test_another_limit_leaves_the_difference_and_takes_the_verdicts_apart(shelf: Shelf) -> None:
    shelf.take("2026-03-01", Shown({"20 m": 130.0}))
    shelf.take("2026-04-11", Shown({"20 m": 130.0}), plan=PLAN.replace('"100 W"', '"150 W"'))
    power = of(compared(shelf, 1, 2, status=0), "20 m")
    assert (power["outcome"], power["verdict_changed"], power["limit_changed"]) == ("none-seen", False, True)
    text = said("compare", 1, 2, "--store", shelf.store, status=0)
    assert "verdicts not comparable: limit 100 W then, 150 W now" in text


def test_readings_over_range_are_no_ground_to_compare_on(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED)
    with closing(sqlite3.connect(shelf.store)) as db, db:
        (note,) = db.execute("INSERT INTO note (state, reason, said) VALUES ('over-range', '', '') RETURNING id")
        (channel,) = db.execute("SELECT id FROM channel WHERE session = 2 AND name = 'power'").fetchone()
        db.execute(
            "UPDATE reading SET value = NULL, how = took_us | (? << 40) WHERE channel = ? AND t_ns = 10000000000",
            (note[0], channel),
        )
    tree = compared(shelf, 1, 2, status=1)
    assert of(tree, "20 m")["why"] == "readings of forward-power are over range or lacking in the second session"
    assert of(tree, "10 m")["outcome"] == "real"
    assert any("their digest differs" in caution for caution in tree["cautions"])


# Which sessions.


def test_one_session_is_not_compared_with_itself_not_even_in_a_copy(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    copy = shelf.folder / "copy.benchlog"
    shutil.copy(shelf.store, copy)
    for words in ((1, 1), (1, "last"), (1, 1, "--other-store", copy)):
        error = said("compare", *words, "--store", shelf.store, status=2)
        assert "both are the same session" in error
        assert "benchlog sessions" in error


def test_a_session_in_another_store(shelf: Shelf, tmp_path: Path) -> None:
    other = Shelf(tmp_path / "a year ago")
    other.folder.mkdir()
    shelf.take("2026-03-01", BEFORE)
    other.take("2026-04-11", REPAIRED)
    tree = compared(shelf, 1, 1, "--other-store", other.store, status=0)
    assert of(tree, "10 m")["outcome"] == "real"
    assert cancels(tree)["power"] is True


def test_sessions_that_are_not_there(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    assert "no session 9" in said("compare", 1, 9, "--store", shelf.store, status=2)
    assert "give its number" in said("compare", 1, "first", "--store", shelf.store, status=2)
    missing = said("compare", 1, 1, "--store", shelf.store, "--other-store", shelf.folder / "none", status=2)
    assert "none" in missing
    assert "Missing argument" in said("compare", 1, "--store", shelf.store, status=2)


@pytest.mark.parametrize("change", [('serial = "0042"', 'serial = "0043"'), ('"Loan set 3"', '"Loan set 4"')])
def test_two_transmitters_are_refused_unless_one_says_so(shelf: Shelf, change: tuple[str, str]) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED, plan=PLAN.replace(*change))
    error = said("compare", 1, 2, "--store", shelf.store, status=2)
    assert "two transmitters: session 1 is of Loan set 3, serial 0042" in error
    tree = compared(shelf, 1, 2, "--other-transmitter", status=0)
    assert any(caution.startswith("These are two transmitters") for caution in tree["cautions"])


def test_a_wrong_order_and_an_unknown_instrument_are_said(shelf: Shelf) -> None:
    shelf.take("2026-04-11", REPAIRED)
    shelf.take("2026-03-01", BEFORE)
    tree = compared(shelf, 1, 2, status=1)
    assert any("is the earlier one" in caution for caution in tree["cautions"])
    error = said("compare", 1, 2, "--same", "watmeter", "--store", shelf.store, status=2)
    assert 'no instrument "watmeter"' in error
    assert "wattmeter and counter" in error


def test_a_bench_without_stated_accuracy_is_told(shelf: Shelf) -> None:
    bench = BENCH.replace('of_range = "5 %"', "")
    shelf.take("2026-03-01", BEFORE, bench=bench)
    shelf.take("2026-04-11", REPAIRED, bench=bench)
    assert "No accuracy is stated for power" in " ".join(compared(shelf, 1, 2, status=0)["cautions"])


def test_a_certificates_uncertainty_is_a_stated_accuracy(shelf: Shelf) -> None:
    bench = BENCH.replace('of_reading = "1 ppm"', 'reference_uncertainty = "0.5 ppm"')
    shelf.take("2026-03-01", BEFORE, bench=bench)
    shelf.take("2026-04-11", REPAIRED, bench=bench)
    assert "No accuracy is stated" not in " ".join(compared(shelf, 1, 2, status=0)["cautions"])


# History.


FALLING = {"2025-01-10": 110.0, "2025-05-02": 106.3, "2025-09-20": 101.6, "2026-01-15": 97.7, "2026-06-01": 93.1}


def history(shelf: Shelf, *words: object) -> dict[str, Any]:
    tree: dict[str, Any] = json.loads(said("history", *words, "--store", shelf.store, "--json", status=0))
    assert tree["schema"] == "benchlog-history/1"
    return tree


def test_a_slow_decay_is_told_with_its_rate(shelf: Shelf) -> None:
    """12.2 W a year on one meter, whose 14 W are common to all and do not tilt the line."""
    for day, watts in FALLING.items():
        shelf.take(day, Shown({"20 m": watts, "10 m": 83.0}))
    tree = history(shelf, "Loan set 3")
    assert [one["id"] for one in tree["sessions"]] == [1, 2, 3, 4, 5]
    bands = {band["band"]: band for band in tree["bands"]}
    power = bands["20 m"]["trends"]["power_w"]
    assert power["per_year"] == pytest.approx(-12.2, abs=0.5)
    assert power["expanded"] < 2
    assert (power["seen"], power["sessions"]) == (True, 5)
    assert bands["10 m"]["trends"]["power_w"]["seen"] is False
    assert [one["power_w"]["verdict"] for one in bands["20 m"]["sessions"]][-1] == "undecided"
    text = said("history", "--store", shelf.store, status=0)
    assert re.search(r"20 m: power falls by 1[12]\.\d\d? ± \d\.\d+ W a year \(5 sessions over 507 days\)\.", text)
    assert "10 m: no trend seen in power" in text


def test_meters_that_do_not_say_who_they_are_leave_the_trend_open(shelf: Shelf) -> None:
    for day, watts in FALLING.items():
        shelf.take(day, Shown({"20 m": watts}), who={})
    power = history(shelf)["bands"][0]["trends"]["power_w"]
    assert power["expanded"] > 8
    vouched = history(shelf, "--same", "wattmeter")["bands"][0]["trends"]["power_w"]
    assert vouched["expanded"] < 2


def test_few_sessions_or_a_short_time_make_no_trend(shelf: Shelf) -> None:
    for day in ("2026-03-01", "2026-03-02", "2026-03-03", "2026-03-04"):
        shelf.take(day, BEFORE)
    assert history(shelf)["bands"][0]["trends"]["power_w"]["per_year"] is None
    text = said("history", "--store", shelf.store, status=0)
    assert "it takes at least 4 comparable sessions that span 30 days" in text


def test_which_transmitter(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-03-02", BEFORE, plan=PLAN.replace("0042", "0043"))
    shelf.take("2026-03-03", BEFORE, plan=PLAN.replace("Loan set 3", "Set of $our$ <own>"))
    unsaid = said("history", "--store", shelf.store, status=2)
    assert "sessions of 3 transmitters" in unsaid
    assert "Loan set 3, serial 0042; Loan set 3, serial 0043; Set of $our$ <own>, serial 0042" in unsaid
    assert "--serial" in said("history", "Loan set 3", "--store", shelf.store, status=2)
    assert [s["id"] for s in history(shelf, "Loan set 3", "--serial", "0043")["sessions"]] == [2]
    assert [s["id"] for s in history(shelf, "Set of $our$ <own>")["sessions"]] == [3]
    assert "no session of Loan set 9" in said("history", "Loan set 9", "--store", shelf.store, status=2)
    assert "no session" in said("history", "--serial", "9", "--store", shelf.store, status=2)


def test_html_is_written_for_both(shelf: Shelf) -> None:
    shelf.take("2026-03-01", BEFORE)
    shelf.take("2026-04-11", REPAIRED)
    page = shelf.folder / "c.html"
    assert str(page) in said("compare", 1, 2, "--store", shelf.store, "--html", page, status=0)
    assert "Really better: power on 10 m; frequency error on 10 m." in page.read_text().replace(
        "\N{NO-BREAK SPACE}", " "
    )
    page = shelf.folder / "h.html"
    assert str(page) in said("history", "--store", shelf.store, "--html", page, status=0)
    assert "Power over time" in page.read_text()
    error = said("history", "--store", shelf.store, "--html", shelf.folder, status=2)
    assert "cannot be written" in error
