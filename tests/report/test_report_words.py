"""What the record says in words, from results made by hand."""

from __future__ import annotations

import dataclasses

from benchlog.analysis.results import BandResult, Finding, Record, Result, Verdict
from benchlog.report import words
from tests.report import samples


def result(verdict: Verdict, limit: float | None = 100.0) -> Result:
    return Result.missing(limit) if verdict == "not-measured" else Result(110.0, 5.0, 2.0, 60.0, limit, verdict)


def band(name: str, key_downs: int = 1, **verdicts: Verdict) -> BandResult:
    results = {q: result(verdicts.get(q, "pass")) for q in words.QUANTITIES}
    return BandResult(name, 14.3e6, key_downs, frequency_error_ppm=result("pass"), settled_after_s=None, **results)


def record(*bands: BandResult) -> Record:
    return Record(samples.five_bands().facts, bands, None, ())


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


def test_the_summary_tells_every_band_that_does_not_pass() -> None:
    said = words.summary(
        record(
            band("80 m"),
            band("40 m", power_w="fail", droop_percent="fail"),
            band("20 m", frequency_error_hz="undecided"),
            band("15 m", frequency_error_hz="not-measured"),
            band("10 m", 0, **dict.fromkeys(words.QUANTITIES, "not-measured")),
        )
    )
    assert said == [
        "1 of 5 bands passes.",
        "40 m fails on power (110.0 ± 5.0 W, least 100 W); droop (110.0 ± 5.0 %, most 100 %).",
        "20 m is undecided on frequency error (110.0 ± 5.0 Hz, within ±100 Hz).",
        "No key-down was counted on 10 m.",
        "On 15 m, frequency error could not be measured.",
        "Drift was not judged on 10 m: it takes at least 10 minutes on one band.",
    ]


def test_the_summary_of_a_good_session_is_one_sentence() -> None:
    assert words.summary(record(band("80 m"), band("40 m"))) == ["All 2 bands pass."]
    assert words.summary(record(band("80 m"))) == ["80 m passes."]


def test_the_headline_is_a_sentence_for_any_number_of_bands() -> None:
    weak = band("80 m", power_w="fail")
    assert words.summary(record(weak))[0] == "80 m fails on power (110.0 ± 5.0 W, least 100 W)."
    assert words.summary(record(weak, band("40 m", power_w="fail")))[0] == "None of 2 bands passes."
    assert words.summary(record(weak, band("40 m"), band("20 m")))[0] == "2 of 3 bands pass."


def test_no_key_down_is_never_a_pass() -> None:
    nothing = band("80 m", 0, **dict.fromkeys(words.QUANTITIES, "not-measured"))
    assert words.summary(record(nothing)) == ["No key-down was counted on any band of the plan, so nothing was judged."]


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


def test_a_verdict_that_its_numbers_do_not_explain_is_explained() -> None:
    lacking = dataclasses.replace(band("20 m"), power_w=Result(124.0, 14.0, 2.0, 60.0, 100.0, "undecided"))
    close = dataclasses.replace(band("20 m"), power_w=Result(104.0, 14.0, 2.0, 60.0, 100.0, "undecided"))
    assert words.summary(record(lacking))[0] == (
        "20 m is undecided on power (124 ± 14 W, least 100 W, but readings are lacking)."
    )
    assert words.summary(record(close))[0] == "20 m is undecided on power (104 ± 14 W, least 100 W)."
