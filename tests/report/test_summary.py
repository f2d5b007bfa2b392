"""The plain-language summary: verdict joined with cause, the first sentence alone, no more than a reader takes in."""

from __future__ import annotations

import dataclasses
import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.analysis.results import BandResult, Finding, FindingKind, InstrumentState, Result, Verdict
from benchlog.analysis.uncertainty import combine
from benchlog.analysis.verdicts import Sense
from benchlog.analysis.verdicts import result as judged
from benchlog.model import Component
from benchlog.report import words
from benchlog.report.summary import MOST, summary
from tests.report import samples
from tests.report.byhand import band, record

GAIN = Component(1.0, source="accuracy of power", shared="power accuracy")
SCATTER = Component(1.0, 20.0, "scatter of 95 readings", "A")


def power(value: float, *, limit: float = 100.0, gain: float = 0.0, scatter: float = 0.0) -> Result:
    """A power with its budget, judged as analysis does."""
    budget = [dataclasses.replace(GAIN, u=gain), dataclasses.replace(SCATTER, u=scatter)]
    return judged(combine(value, budget), limit, Sense.AT_LEAST)


def found(kind: FindingKind, text: str, name: str = "10 m", **more: object) -> Finding:
    return Finding(kind, text, band=name, **more)


def told(*bands: BandResult, findings: tuple[Finding, ...] = ()) -> list[str]:
    return summary(dataclasses.replace(record(*bands), findings=findings))


def test_every_band_that_does_not_pass_is_told() -> None:
    said = told(
        band("80 m"),
        band("40 m", power_w="fail", droop_percent="fail"),
        dataclasses.replace(band("20 m"), power_w=power(101, gain=5, scatter=0.1)),
        band("15 m", frequency_error_hz="not-measured"),
        band("10 m", 0, **dict.fromkeys(words.QUANTITIES, "not-measured")),
    )
    assert said == [
        "1 of 5 bands passes; 40 m fails; 20 m is undecided; 15 m and 10 m were not judged.",
        "40 m makes 110.0 ± 5.0 W against 100 W and droops by 110.0 ± 5.0 % against 100 %: fails.",
        "20 m makes 101.0 ± 9.8 W against 100 W: undecided (58 % likely to meet it). A U below 1 W would decide it, "
        "which more readings do not give: 100 % of its variance is accuracy of power.",
        "No key-down was counted on 10 m.",
        "On 15 m, frequency error could not be measured.",
        "Drift was not judged on 10 m: it takes at least 10 minutes on one band.",
    ]


def test_a_good_session_is_one_sentence() -> None:
    assert told(band("80 m"), band("40 m")) == ["All 2 bands pass."]
    assert told(band("80 m")) == ["80 m passes."]


def test_the_headline_stands_alone_for_any_number_of_bands() -> None:
    weak = band("80 m", power_w="fail")
    assert told(weak)[0] == "80 m makes 110.0 ± 5.0 W against 100 W: fails."
    assert told(weak, band("40 m", power_w="fail"))[0] == "None of 2 bands passes; 80 m and 40 m fail."
    assert told(weak, band("40 m"), band("20 m"))[0] == "2 of 3 bands pass; 80 m fails."


def test_no_key_down_is_never_a_pass() -> None:
    nothing = band("80 m", 0, **dict.fromkeys(words.QUANTITIES, "not-measured"))
    assert told(nothing) == ["No key-down was counted on any band of the plan, so nothing was judged."]


def test_a_cause_stands_beside_its_verdict_without_the_bands_name_and_without_its_small_print() -> None:
    weak = dataclasses.replace(band("10 m"), power_w=power(74.1, limit=80, gain=1.5))
    sag = found("supply-sag", "10 m: of 9.8 ± 0.5 % droop, 4.1 ± 0.6 % follows the plate supply; common practice")
    low = found("low-power", "10 m makes 74.1 ± 2.9 W against 80 W", limit=80.0)
    assert told(weak, band("20 m"), findings=(low, sag))[1:] == [
        "10 m makes 74.1 ± 2.9 W against 80 W: fails. Of 9.8 ± 0.5 % droop, 4.1 ± 0.6 % follows the plate supply."
    ]
    crystal = found("band-crystal", "10 m is off by 398 ± 10 Hz from what all bands share: look at its crystal")
    assert told(weak, band("20 m"), findings=(crystal,))[1].endswith(
        "fails. It is off by 398 ± 10 Hz from what all bands share: look at its crystal."
    )


def test_the_output_stage_is_not_told_twice() -> None:
    weak = dataclasses.replace(band("10 m"), power_w=power(74.1, limit=80, gain=1.5))
    span = {"from_ns": 5, "to_ns": 9}
    both = (
        found("supply-sag", "10 m: 4 % follows the supply, 5 % is the output stage", **span),
        found("output-stage", "10 m: 5 % is the output stage", **span),
    )
    assert told(weak, findings=both) == [
        "10 m makes 74.1 ± 2.9 W against 80 W: fails. 4 % follows the supply, 5 % is the output stage."
    ]
    elsewhere = (both[0], dataclasses.replace(both[1], from_ns=20, to_ns=30))
    assert told(weak, findings=elsewhere)[0].endswith("5 % is the output stage. 5 % is the output stage.")


def test_causes_of_what_decided_the_verdict_come_first() -> None:
    stage = found("output-stage", "10 m: the output stage is tired")
    step = found("step", "10 m: the frequency jumps")
    drifts, weak = band("10 m", drift_hz_per_h="fail"), band("10 m", power_w="fail")
    assert told(drifts, findings=(stage, step))[0].endswith("fails. The frequency jumps. The output stage is tired.")
    assert told(weak, findings=(step, stage))[0].endswith("fails. The output stage is tired. The frequency jumps.")


def test_on_an_undecided_band_a_cause_comes_before_what_would_decide_it() -> None:
    open_ = dataclasses.replace(band("10 m"), power_w=power(103, gain=2))
    said = told(open_, findings=(found("mismatch", "10 m: the match gets worse"),))[0]
    assert said.index("The match gets worse.") < said.index("would decide it")


def test_what_is_found_on_a_band_that_passes_is_told_by_itself() -> None:
    step = found("step", "10 m: the frequency jumps by +45 ± 2 Hz")
    assert told(band("10 m"), findings=(step,)) == ["10 m passes.", "10 m: the frequency jumps by +45 ± 2 Hz."]
    warm = found("drift", "10 m: the frequency follows the envelope's temperature", channel="envelope")
    assert told(band("10 m"), findings=(warm,))[1] == warm.text + "."


@pytest.mark.parametrize("kind", ["gap", "stuck", "over-range"])
def test_findings_about_the_readings_alone_are_counted(kind: FindingKind) -> None:
    assert told(band("10 m"), findings=(found(kind, "x"),)) == ["10 m passes.", "And 1 finding below."]
    step = found("step", "10 m: a jump")
    assert told(band("10 m"), findings=(step, found(kind, "x"), found(kind, "y")))[-1] == "And 2 more findings below."


def test_a_verdicts_own_finding_is_not_counted_again() -> None:
    weak = dataclasses.replace(band("10 m"), power_w=power(74.1, limit=80, gain=1.5))
    assert len(told(weak, findings=(found("low-power", "10 m makes 74 W", limit=80.0),))) == 1


def test_what_would_decide_it_is_a_better_meter_or_more_readings() -> None:
    def decides(**u: float) -> str:
        return told(dataclasses.replace(band("10 m"), power_w=power(103, **u)))[0]

    assert (
        "A U below 3 W would decide it, which more readings do not give: 99 % of its variance is accuracy of power"
        in (decides(gain=2.0, scatter=0.2))
    )
    assert "A U below 3 W would decide it, by more or longer key-downs: 80 % of its variance is scatter of 95" in (
        decides(gain=1.0, scatter=2.0)
    )
    # Just at the edge: the meter alone leaves U = 1.96 x 1.53 = 2.999 W or 3.001 W.
    assert "by more or longer" in decides(gain=2.999 / 1.96, scatter=1.0)
    assert "do not give" in decides(gain=3.001 / 1.96, scatter=1.0)


def test_missing_readings_and_an_unknown_uncertainty_say_what_they_need() -> None:
    lacking = judged(combine(124.0, [GAIN]), 100.0, Sense.AT_LEAST, in_doubt=True)
    assert told(dataclasses.replace(band("20 m"), power_w=lacking)) == [
        "20 m makes 124.0 ± 2.0 W against 100 W: undecided. Readings are lacking there: only measuring it again "
        "without that would decide it."
    ]
    alone = judged(combine(124.0, [dataclasses.replace(SCATTER, u=float("inf"), dof=0.0)]), 100.0, Sense.AT_LEAST)
    assert told(dataclasses.replace(band("20 m"), power_w=alone)) == [
        "20 m makes 124 W (U unknown) against 100 W: undecided. One reading has no scatter to judge by: more readings "
        "would tell its uncertainty."
    ]


def test_the_kind_of_power_is_named() -> None:
    pep = dataclasses.replace(band("20 m"), power_w=power(60, gain=1), power_kind="pep")
    assert told(pep)[0] == "20 m makes 60.0 ± 2.0 W PEP against 100 W: fails."


def test_overdue_calibrations_are_told() -> None:
    states = (
        InstrumentState("wattmeter", date(2025, 1, 1), date(2026, 1, 1), True),
        InstrumentState("counter", date(2025, 1, 1), date(2027, 1, 1), False),
        InstrumentState("voltmeter", None, date(2026, 2, 1), True),
    )
    said = summary(dataclasses.replace(record(band("10 m")), instruments=states))
    assert said == [
        "10 m passes.",
        "Calibration was overdue for wattmeter (due 2026-01-01) and voltmeter (due 2026-02-01) when the session began.",
    ]


def sentences(said: list[str]) -> int:
    return sum(text.count(". ") + 1 for text in said)


VERDICTS: list[Verdict] = ["pass", "fail", "undecided", "not-measured"]
KINDS: list[FindingKind] = ["step", "supply-sag", "output-stage", "mismatch", "gap", "low-power", "dial", "drift"]


@given(
    st.lists(st.tuples(*[st.sampled_from(VERDICTS)] * 4), min_size=1, max_size=20),
    st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 19)), max_size=40),
)
def test_it_stays_short_tells_every_verdict_first_and_loses_nothing(verdicts: list, kinds: list) -> None:
    bands = [band(f"band {i}", **dict(zip(words.QUANTITIES, v, strict=True))) for i, v in enumerate(verdicts)]
    findings = [found(kind, f"finding {i}", f"band {at}") for i, (kind, at) in enumerate(kinds)]
    said = summary(dataclasses.replace(record(*bands), findings=tuple(findings)))
    assert 1 <= sentences(said) <= MOST + 1
    assert said[0].endswith(".")
    if len(bands) > 1:
        for one in bands:
            if (verdict := words.judge(one).verdict) == "fail":
                assert one.band in said[0], verdict
    shown = sum(f"inding {i}." in " ".join(said) for i in range(len(findings)))
    counted = re.search(r"([\d,]+) (?:more )?findings? below", said[-1])
    unseen = int(counted[1]) if counted else 0
    # A verdict's sentence may speak for a "low-power", a supply's finding for the output stage's.
    spoken_for = sum(finding.kind in ("low-power", "output-stage") for finding in findings)
    assert len(findings) - spoken_for <= shown + unseen <= len(findings)
    assert unseen >= sum(finding.kind == "gap" for finding in findings)


def test_the_rich_samples_summary_reads_well() -> None:
    said = summary(samples.enriched(samples.analysed(samples.rich())).record)
    assert said[0] == "1 of 4 bands passes; 20 m and 10 m fail; 15 m is undecided."
    assert said[1].startswith("20 m loses 7.60 ± 0.89 % of its power over the run against 5 %: fails.")
    assert "The frequency jumps by +45.1 ± 2.2 Hz." in said[1]
    assert "11.6 ± 1.3 % follows the plate supply (738 V to 694 V), 0.6 ± 1.2 % is the output stage." in said[2]
