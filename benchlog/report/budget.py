"""What each U of the record is made of: its uncertainty budget (JCGM 100:2008, 7.2 and the tables of its annex H)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchlog.analysis.results import BandResult, Record, Result
from benchlog.analysis.uncertainty import combine
from benchlog.model import Component
from benchlog.report import words
from benchlog.report.numbers import fitting, rounded, significant, with_uncertainty

NEGLIGIBLE = 1e-4  # of the combined u: a hundred-millionth of the variance
AID = (
    "Type A: from the scatter of readings; type B: from what is known otherwise, as an instrument's accuracy. u is "
    "each line's standard uncertainty in the result, ν its degrees of freedom, share its part of the variance; a "
    "negative share takes away, because the same error also enters with the opposite sign. U = k u at 95 %."
)


@dataclass(frozen=True, slots=True)
class Line:
    """One source of uncertainty, as text."""

    source: str
    evaluated: str  # A or B
    u: str
    dof: str
    share: str


@dataclass(frozen=True, slots=True)
class Budget:
    """One result: what it is, its value with U, the lines of its budget, and what they come to."""

    title: str
    value: str
    lines: Sequence[Line]
    combined: str  # u of all lines together, with its unit
    dof: str  # effective degrees of freedom
    coverage: str  # "U = 1.97 x 1.6 W = 3.1 W", or why there is none


@dataclass(frozen=True, slots=True)
class Group:
    """The budgets of one band, or of the dial."""

    title: str
    budgets: Sequence[Budget]


def groups(record: Record, band: str | None = None) -> list[Group]:
    """All budgets of the record, or of one band alone; empty where nothing has an uncertainty."""
    found = [Group(one.band, list(_of_band(one))) for one in record.bands if band in (None, one.band)]
    if record.dial is not None and band is None:
        common = budget_of("Common to all bands", record.dial.common_hz, "Hz")
        own = (budget_of(f"{name}'s own", result, "Hz") for name, result in record.dial.own_hz.items())
        found.append(Group("Dial", [one for one in (common, *own) if one is not None]))
    return [group for group in found if group.budgets]


def _of_band(band: BandResult) -> Iterator[Budget]:
    for name, quantity in (words.QUANTITIES | words.FURTHER).items():
        budget = budget_of(words.capital(quantity.name), band.results[name], quantity.unit)
        if budget is None:
            continue
        if name == "power_w":
            budget = _worded(budget, words.power_text(band))
        elif name == "frequency_error_hz" and band.frequency_error_ppm.value is not None:
            budget = _worded(budget, f"{budget.value}, {with_uncertainty(band.frequency_error_ppm, words.PPM.unit)}")
        yield budget
    if band.warm_up is not None:
        for name, result, unit in words.warm_up_parts(band.warm_up):
            if (budget := budget_of(f"Warm-up: {name}", result, unit)) is not None:
                yield budget
    for one in band.tuning:
        if (budget := budget_of(words.capital(words.TUNING[one.what]), one.measured, one.unit or "")) is not None:
            yield budget


def budget_of(title: str, result: Result, unit: str) -> Budget | None:
    """One result's budget; None where it has no value or nothing is known of its uncertainty's parts."""
    if result.value is None or not result.budget:
        return None
    factor, shown = fitting(result.value, unit)
    u_c = combined_u(result.budget) * factor
    lines = [
        Line(
            words.capital(line.source),
            line.evaluated,
            _part(line.u * factor, u_c, shown),
            _dof(line.dof),
            _share(share),
        )
        for line, share in zip(result.budget, shares(result.budget), strict=True)
    ]
    dof, coverage = "0", "U is unknown"
    if result.expanded is not None and result.k is not None and result.dof is not None:
        dof = _dof(result.dof)
        coverage = f"U = {result.k:.2f} × {_u(u_c, shown)} = {_u(result.expanded * factor, shown)}"
    return Budget(title, with_uncertainty(result, unit), lines, _u(u_c, shown), dof, coverage)


def combined_u(budget: Sequence[Component]) -> float:
    """As analysis combines the lines."""
    return combine(0.0, budget).u


def shares(budget: Sequence[Component]) -> list[float | None]:
    """Each line's part of the variance; they sum to 1. None where the variance is zero or unknown.

    Of lines that share one error, each counts with its covariance to their sum, u_i x sum(u): so the parts still sum
    to the whole, and a line that works against the others is negative.
    """
    variance = combined_u(budget) ** 2
    if not 0 < variance < math.inf:
        return [None] * len(budget)
    return [line.u * _together(line, budget) / variance for line in budget]


def _together(line: Component, budget: Sequence[Component]) -> float:
    return sum(other.u for other in budget if other.shared == line.shared) if line.shared else line.u


def _u(u: float, unit: str) -> str:
    """A standard uncertainty to two digits, its sign left to the share."""
    return f"{rounded(0.0, abs(u))[1]} {unit}".strip() if math.isfinite(u) else "unknown"


def _part(u: float, of: float, unit: str) -> str:
    """One line's contribution; so small a part that nobody could want its digits is called so."""
    return "negligible" if 0 < abs(u) < NEGLIGIBLE * of < math.inf else _u(u, unit)


def _dof(dof: float) -> str:
    if math.isinf(dof) or dof > 1e6:
        return "∞"
    return significant(dof, 2 if dof < 10 else 3) if dof < 1000 else f"{dof:,.0f}"


def _share(share: float | None) -> str:
    if share is None:
        return "–"
    percent = round(100 * share, 1) + 0.0  # no "-0.0"
    return "< 0.1 %" if share > 0 and percent == 0 else f"{percent:.1f} %"


def _worded(budget: Budget, value: str) -> Budget:
    return Budget(budget.title, value, budget.lines, budget.combined, budget.dof, budget.coverage)
