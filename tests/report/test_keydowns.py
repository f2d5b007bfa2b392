"""The table of key-downs, and what a reader must not take for a fault."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from benchlog.analysis.results import Result, Stability
from benchlog.model import State
from benchlog.report import further, keydowns
from benchlog.report.budget import budget_of
from benchlog.report.numbers import with_uncertainty
from benchlog.report.session import nothing_to_count, readings_sentence
from benchlog.series import STATES
from tests.report import samples


def test_a_bands_only_key_down_has_the_bands_own_numbers() -> None:
    """What the band says comes from this one key-down, so value and U are the same."""
    session = samples.one_band()
    analysis = samples.analysed(session)
    (band,) = (one for one in analysis.record.bands if one.key_downs == 1)
    (line,) = (one for one in keydowns.lines(analysis, session.bench, session.plan) if one["counts"] == "yes")
    assert line["band"] == band.band
    assert line["power"] == with_uncertainty(band.power_w, "W")
    assert line["error"] == with_uncertainty(band.frequency_error_hz, "Hz")
    assert line["droop"] == with_uncertainty(band.droop_percent, "%")
    assert all("±" in line[name] for name in ("power", "error", "droop"))


def test_a_counter_without_a_signal_is_counted_only_while_the_key_is_up() -> None:
    analysis = samples.analysed(samples.five_bands())
    whole = analysis.series["frequency"]
    first = next(one for one in analysis.key_downs if one.counts)
    silent = whole.t_s < first.start_s + 2.0  # for two seconds more than there is nothing to count
    state = np.where(silent, STATES.index(State.INVALID), whole.state).astype(np.uint8)
    frequency = dataclasses.replace(whole, state=state)
    before = int((whole.t_s < first.start_s).sum())
    assert 0 < before < silent.sum()
    assert nothing_to_count(analysis, frequency) == before
    assert nothing_to_count(analysis, dataclasses.replace(frequency, measures="alc")) == 0
    heard = dataclasses.replace(analysis, series={**analysis.series, "frequency": frequency})
    assert f"Of the invalid, {before:,} are of a counter with the key up" in readings_sentence(heard)
    assert "counter" not in readings_sentence(analysis)


@pytest.mark.parametrize(("amperes", "text"), [(0.0796, "79.6 ± 3.3 mA"), (-0.25, "-250.0 ± 3.3 mA")])
def test_currents_below_an_ampere_are_told_in_milliamperes(amperes: float, text: str) -> None:
    assert with_uncertainty(Result(amperes, 0.0033, 2.0, 50.0, None, "pass"), "A") == text
    assert with_uncertainty(Result(1.25, 0.033, 2.0, 50.0, None, "pass"), "A") == "1.250 ± 0.033 A"
    assert with_uncertainty(Result(0.25, 0.033, 2.0, 50.0, None, "pass"), "V") == "0.250 ± 0.033 V"


def test_a_budget_is_in_the_unit_of_its_result() -> None:
    from benchlog.model import Component

    found = Result(0.0796, 0.0033, 2.0, 50.0, None, "pass", (Component(0.00165, source="accuracy"),))
    budget = budget_of("Dip", found, "A")
    assert budget is not None
    assert (budget.value, budget.lines[0].u, budget.combined) == ("79.6 ± 3.3 mA", "1.6 mA", "1.6 mA")
    assert re.fullmatch(r"U = 2\.00 × 1\.6 mA = 3\.3 mA", budget.coverage)


def test_averaging_times_that_are_nearly_the_same_share_a_row() -> None:
    """A band's readings come a per cent faster than another's; nobody wants two rows for that."""
    bands = [further.More(name, [], _steady(0.5, second)) for name, second in (("80 m", 0.99), ("40 m", 1.0))]
    (table,) = further.tables(bands)
    assert [name for name, _ in table.rows] == ["Over 0.5 s", "Over 0.99 s"]
    assert all(cell is not None for _, cells in table.rows for cell in cells)


def _steady(*taus_s: float) -> list[further.Steady]:
    found = [Stability(tau_s, 1e-7, 0.8e-7, 1.3e-7, 20) for tau_s in taus_s]
    return [further._steady(one, "ppb", 1e9, 14.2e6) for one in found]
