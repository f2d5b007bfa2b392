"""What the record says in words, from results made by hand."""

from __future__ import annotations

import dataclasses
from datetime import date

from benchlog.analysis.results import Finding, InstrumentState, Result, Revision
from benchlog.report import words
from tests.report import samples
from tests.report.byhand import band, record, result


def test_the_worst_verdict_is_the_bands() -> None:
    assert words.judge(band("a")).verdict == "pass"
    assert words.judge(band("a", droop_percent="undecided")).verdict == "undecided"
    judged = words.judge(band("a", droop_percent="undecided", power_w="fail", drift_hz_per_h="not-measured"))
    assert judged == words.Judged("fail", ("power_w",))


def test_a_band_passes_only_when_all_that_was_asked_was_measured_but_for_drift() -> None:
    assert words.judge(band("a", frequency_error_hz="not-measured")).verdict == "not-measured"
    assert words.judge(band("a", drift_hz_per_h="not-measured")).verdict == "pass"
    assert words.judge(band("a", drift_hz_per_h="fail")).verdict == "fail"


def test_what_the_plan_does_not_limit_decides_nothing() -> None:
    unlimited = dataclasses.replace(band("a"), droop_percent=result("not-measured", None))
    assert words.judge(unlimited).verdict == "pass"


def test_a_finding_tells_its_time_and_the_date_only_on_another_day() -> None:
    started = samples.STARTED_NS
    day = 86_400 * 10**9
    assert words.finding_when(Finding("gap", ""), started) == ""
    assert words.finding_when(Finding("gap", "", from_ns=0, to_ns=20 * 10**9), started) == "09:03:09 to 09:03:29 UTC"
    assert words.finding_when(Finding("gap", "", from_ns=0), started) == "09:03:09 UTC"
    assert words.finding_when(Finding("gap", "", from_ns=day, to_ns=2 * day), started) == (
        "2026-11-26 09:03:09 to 2026-11-27 09:03:09 UTC"
    )


def test_cautions_name_the_dangers_and_what_software_is_not() -> None:
    for text in (words.CAUTION, " ".join(words.CAUTIONS)):
        for word in ("ethal", "charge", "RF burns", "interlock", "local codes", "qualified people"):
            assert word in text


def test_what_takes_long_is_missed_without_deciding_but_decides_when_it_fails() -> None:
    asked = dataclasses.replace(band("a"), run_droop_percent=result("not-measured"))
    assert words.judge(asked).verdict == "pass"
    failed = dataclasses.replace(band("a"), run_droop_percent=result("fail"), swr=result("undecided"))
    assert words.judge(failed) == words.Judged("fail", ("run_droop_percent",))


def test_power_says_what_kind_it_is_unless_it_is_the_plain_mean() -> None:
    assert words.power_text(band("a")) == "110.0 ± 5.0 W"
    assert words.power_text(dataclasses.replace(band("a"), power_kind="pep")) == "PEP 110.0 ± 5.0 W"
    assert words.power_text(dataclasses.replace(band("a"), power_kind="carrier")) == "carrier 110.0 ± 5.0 W"
    unheard = dataclasses.replace(band("a", power_w="not-measured"), power_kind="pep")
    assert words.power_text(unheard) == "not measured"


def test_a_number_without_a_unit_has_no_blank_after_it() -> None:
    swr = Result(1.42, 0.05, 2.0, 60.0, 2.0, "pass")
    assert words.with_uncertainty(swr, "") == "1.420 ± 0.050"
    assert words.limit_text(swr, words.FURTHER["swr"]) == "most 2"
    assert words.with_uncertainty(dataclasses.replace(swr, expanded=None), "") == "1.42 (U unknown)"


def test_calibrations_and_revisions_in_words() -> None:
    def calibration(calibrated: date | None, due: date | None, overdue: bool | None) -> str:
        return words.calibration(InstrumentState("x", calibrated, due, overdue))

    assert calibration(None, None, None) == "not stated"
    assert calibration(date(2026, 3, 1), None, None) == "2026-03-01, no due date"
    assert calibration(date(2026, 3, 1), date(2027, 3, 1), False) == "2026-03-01, due 2027-03-01"
    assert calibration(None, date(2025, 3, 1), True) == "OVERDUE: was due 2025-03-01"

    def revised(number: int, newest: int, because: str = "") -> str:
        facts = dataclasses.replace(
            samples.five_bands().facts, revision=Revision(number, samples.STARTED_NS, "1", because, newest)
        )
        return words.revision_sentence(dataclasses.replace(record(band("a")), session=facts))

    assert words.revision_sentence(record(band("a"))) == ""
    assert revised(0, 0) == ""
    assert revised(0, 2) == "This is the record as it was first made; revision 2 stands in its place."
    assert revised(2, 2, "New certificate.") == "This is revision 2 of the record (New certificate)."
    assert revised(1, 2) == "This is revision 1 of the record; revision 2 stands in its place."
