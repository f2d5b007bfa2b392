from __future__ import annotations

import dataclasses
import io
import re

import pytest
from rich.cells import cell_len
from rich.console import Console

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import Result, Stability
from benchlog.report import further, text
from tests.report import samples


def printed(session: samples.Session, width: int, analysis: Analysis | None = None, **options: object) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, **options)
    console.print(text.render(analysis or samples.analysed(session), session.plan, ending="Stopped by hand."))
    return out.getvalue()


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("sample", [samples.five_bands, samples.troubled, samples.one_band, samples.silence])
def test_no_line_is_too_long_and_no_number_cut(sample, width: int) -> None:
    session = sample()
    shown = printed(session, width)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    assert "…" not in shown
    record = samples.analysed(session).record
    for band in record.bands:
        for name, quantity in text.QUANTITIES.items():
            assert text.with_uncertainty(band.results[name], quantity.unit) in shown
            assert text.words.limit_text(band.results[name], quantity) in shown
        assert text.megahertz(band.expected_hz) in shown


@pytest.mark.parametrize("width", [30, 50])
def test_a_narrow_terminal_gets_a_list_with_every_number_whole(width: int) -> None:
    session = samples.troubled()
    shown = printed(session, width)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    words = set(re.split(r"[\s,]+", shown))
    for band in samples.analysed(session).record.bands:
        for name, quantity in text.QUANTITIES.items():
            assert set(text.with_uncertainty(band.results[name], quantity.unit).split()) <= words


def test_everything_a_reader_needs_is_there() -> None:
    session = samples.troubled()
    record = samples.analysed(session).record
    flat = " ".join(printed(session, 80).split())
    assert "Loan set 3, serial 0042" in flat
    assert "Session 7, sweep, on North bench: 2026-11-25 09:03:09 UTC, for 6 min 10 s." in flat
    assert "Stopped by hand." in flat
    assert record.findings
    for finding in record.findings:
        assert " ".join(finding.text.split()) in flat
    assert f"{record.readings['missed']} missed" in flat
    assert record.session.digest in flat
    assert "software is no interlock" in flat
    assert re.search(r"2\d{3}\.?\d* ± .* within ±300 Hz fail", flat)


def test_names_are_not_read_as_markup() -> None:
    session = samples.one_band()
    facts = dataclasses.replace(session.facts, transmitter="[red]Set[/red] [link=file:x]", bench="[/]")
    shown = printed(dataclasses.replace(session, facts=facts), 80)
    assert "[red]Set[/red] [link=file:x]" in shown
    assert "on [/]:" in shown


def test_a_file_gets_plain_text() -> None:
    assert "\x1b" not in printed(samples.five_bands(), 80)
    assert "\x1b[1m" in printed(samples.five_bands(), 80, force_terminal=True, color_system="standard")


@pytest.mark.parametrize("width", [30, 70, 120])
def test_what_was_found_beyond_the_table_follows_it_whole(width: int) -> None:
    session = samples.rich()
    analysis = samples.enriched(samples.analysed(session))
    shown = printed(session, width, analysis)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    flat = " ".join(shown.split())
    for one in further.more(analysis.record):
        for fact in one.facts:
            assert f"{fact.name}: {fact.line}" in flat
        assert f"Stability: {'; '.join(at.line for at in one.stability)}" in flat
    assert "Droop over the run: 7.60 ± 0.89 %, most 5 %: fail" in flat
    assert "Warm-up: time constant: 500 ± 27 s" in flat
    assert "Frequency settled: 25 min 2 s into the session" in flat
    assert "42 ppb (39 to 42) over 0.5 s" in flat


def test_stability_is_told_in_the_unit_that_suits_it_with_what_it_is_in_hertz() -> None:
    """0.04 ppm of 14.3 MHz are 0.6 Hz."""
    band = samples.analysed(samples.one_band()).record.bands[0]
    small = dataclasses.replace(band, expected_hz=14.3e6, stability=(Stability(0.5, 4.2e-8, 3.9e-8, 4.6e-8, 90),))
    large = dataclasses.replace(small, stability=(Stability(0.5, 4.2e-6, 3.9e-6, 4.6e-6, 90),))
    assert [(at.line, at.hz) for at in further.steadiness(small)] == [("42 ppb (39 to 46) over 0.5 s", "0.6 Hz")]
    assert [(at.line, at.hz) for at in further.steadiness(large)] == [("4.2 ppm (3.9 to 4.6) over 0.5 s", "60 Hz")]


def test_where_there_is_no_more_to_tell_nothing_is_said_of_it() -> None:
    assert "More about each band" not in printed(samples.silence(), 80)


def test_the_kind_of_power_is_named() -> None:
    session = samples.one_band()
    analysis = samples.analysed(session)
    band = dataclasses.replace(analysis.record.bands[0], power_kind="pep")
    pep = dataclasses.replace(analysis, record=dataclasses.replace(analysis.record, bands=(band,)))
    assert re.search(r"PEP 6\d ± 14 W", printed(session, 80, pep))
    assert "PEP" not in printed(session, 80)


def test_instruments_and_their_calibrations_are_listed() -> None:
    session = samples.rich()
    flat = " ".join(printed(session, 80, samples.enriched(samples.analysed(session))).split())
    assert "wattmeter (Example,Wattmeter,11,1.0): calibration 2026-03-01, due 2027-03-01" in flat
    assert "counter (Example,Counter,12,2.1): calibration not stated" in flat
    assert "ammeter: calibration 2025-08-20, OVERDUE: was due 2026-08-20" in flat


@pytest.mark.parametrize(
    ("value", "expanded", "said"),
    [(1.08, 0.9, "1.08, at most 1.98"), (1.5, 0.2, "1.50 ± 0.20"), (1.1, 0.1, "1.10 ± 0.10")],
)
def test_no_standing_wave_ratio_is_said_to_be_below_one(value: float, expanded: float, said: str) -> None:
    band = samples.analysed(samples.one_band()).record.bands[0]
    swr = Result(value, expanded, 2.0, 50.0, None, "pass")
    record = dataclasses.replace(
        samples.analysed(samples.one_band()).record, bands=(dataclasses.replace(band, swr=swr),)
    )
    told = {fact.name: fact.value.strip() for fact in further.more(record)[0].facts}
    assert told["Standing wave ratio"] == said
