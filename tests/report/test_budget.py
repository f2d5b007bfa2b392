"""Budgets add up to the U they stand under, and are told whole on a narrow terminal."""

from __future__ import annotations

import dataclasses
import io
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from benchlog.analysis.results import Result
from benchlog.analysis.uncertainty import combine
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component
from benchlog.report import budget, text
from tests.report import samples

SAMPLES = [samples.five_bands, samples.troubled, samples.one_band]
components = st.lists(
    st.builds(
        Component,
        u=st.floats(-1e3, 1e3).filter(lambda u: abs(u) > 1e-3),
        dof=st.sampled_from([3.0, 50.0, math.inf]),
        source=st.just("a source"),
        evaluated=st.sampled_from(["A", "B"]),
        shared=st.sampled_from(["", "", "gain", "zero"]),
    ),
    min_size=1,
    max_size=8,
)


@given(components)
def test_the_lines_shares_add_up_to_the_whole(lines: list[Component]) -> None:
    u_c = combine(1.0, lines).u
    shares = budget.shares(lines)
    if u_c > 1e-6 * max(abs(line.u) for line in lines):
        assert sum(share for share in shares if share is not None) == pytest.approx(1, abs=1e-6)
    for line, share in zip(lines, shares, strict=True):
        assert share is None or line.shared or share >= 0


def test_what_takes_away_has_a_negative_share() -> None:
    """u = 5 - 3 + 0 (one error), 1 (another): variance 4 + 1; 5 x 2 / 5, -3 x 2 / 5, 1 / 5. Worked by hand."""
    lines = [Component(5, shared="gain"), Component(-3, shared="gain"), Component(1)]
    assert budget.combined_u(lines) == pytest.approx(math.sqrt(5))
    assert budget.shares(lines) == [pytest.approx(2), pytest.approx(-1.2), pytest.approx(0.2)]
    shown = budget.budget_of("x", result(combine(9.0, lines), None, Sense.AT_MOST), "W")
    assert shown is not None
    assert [line.share for line in shown.lines] == ["200.0 %", "-120.0 %", "20.0 %"]
    assert [line.u for line in shown.lines] == ["5.0 W", "3.0 W", "1.0 W"]


def test_an_unknown_uncertainty_says_so() -> None:
    lines = [Component(math.inf, 0.0, "scatter, which a single reading does not show", "A"), Component(0.5)]
    shown = budget.budget_of("Power", result(combine(9.0, lines), None, Sense.AT_MOST), "W")
    assert shown is not None
    assert (shown.lines[0].u, shown.lines[0].share, shown.combined, shown.coverage) == (
        "unknown",
        "–",
        "unknown",
        "U is unknown",
    )


def test_a_part_too_small_to_want_its_digits_is_called_so() -> None:
    lines = [Component(7.0, source="accuracy"), Component(1e-30, source="shape"), Component(0.0, source="nothing")]
    shown = budget.budget_of("Power", result(combine(9.0, lines), None, Sense.AT_MOST), "W")
    assert shown is not None
    assert [line.u for line in shown.lines] == ["7.0 W", "negligible", "0 W"]
    assert [line.share for line in shown.lines] == ["100.0 %", "< 0.1 %", "0.0 %"]


def test_a_result_without_a_value_has_no_budget() -> None:
    assert budget.budget_of("Power", Result.missing(100.0), "W") is None


@pytest.mark.parametrize("sample", SAMPLES)
def test_every_result_of_a_record_has_a_budget_that_makes_its_u(sample) -> None:
    """What is printed as k and u comes to the U of the record, to the digits printed."""
    record = samples.analysed(sample()).record
    groups = budget.groups(record)
    assert [group.title for group in groups][: len(record.bands)] == [b.band for b in record.bands if b.key_downs]
    for band in record.bands:
        for name, one in band.results.items():
            if one.expanded is not None and one.k is not None:
                assert one.budget, (band.band, name)
                assert one.k * budget.combined_u(one.budget) == pytest.approx(one.expanded, rel=1e-9)
    if record.dial is not None:
        assert groups[-1].title == "Dial"
        assert len(groups[-1].budgets) == 1 + len(record.dial.own_hz)


def printed(session: samples.Session, width: int, band: str | None = None, *, rich: bool = False) -> str:
    out = io.StringIO()
    analysis = samples.analysed(session)
    analysis = samples.enriched(analysis) if rich else analysis
    Console(file=out, width=width).print(text.render_budgets(analysis, session.plan, band))
    return out.getvalue()


@pytest.mark.parametrize("width", [30, 50, 70, 120])
def test_no_line_is_too_long_and_no_number_cut(width: int) -> None:
    session = samples.rich()
    shown = printed(session, width, rich=True)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    assert "…" not in shown
    for group in budget.groups(samples.enriched(samples.analysed(session)).record):
        for one in group.budgets:
            for line in one.lines:
                assert words_of(line.u, line.dof, line.share, line.source) <= words_of(shown)
            assert words_of(one.combined, one.value) <= words_of(shown)


def words_of(*texts: str) -> set[str]:
    """As they stand between blanks, without what ends a clause."""
    return {part.rstrip(",:.") for text in texts for part in text.split()}


def test_one_band_alone() -> None:
    session = samples.five_bands()
    shown = printed(session, 70, "20 m")
    assert "20 m" in shown
    assert "40 m" not in shown
    assert "Dial" not in shown
    assert re.search(r"Power: \d+ ± 14 W", shown)
    assert re.search(r"Accuracy of power +B +7\.2 W +∞ +100\.0 %", shown)
    assert re.search(r"U = 1\.96 × 7\.2 W = 14 W +7\.2 W +∞", shown)


def test_where_nothing_was_measured_there_is_nothing_to_add_up() -> None:
    assert "Nothing was measured, so there is no budget." in printed(samples.silence(), 70)
    unheard = dataclasses.replace(samples.one_band(), raw={})
    assert "Nothing was measured on 30 m" in printed(unheard, 70, "30 m")
