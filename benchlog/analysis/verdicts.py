"""Values against limits, by guarded acceptance with guard band U (JCGM 106:2012, 8.3.2; ILAC-G8:09/2019, 4.2.2).

pass: the whole interval value +/- U meets the limit. fail: none of it does. undecided: between, or U unknown.
Ties pass: a value on the limit meets it.

Beside the verdict stands how probable it is that the true value meets the limit (JCGM 106:2012, clause 7): what a
reader needs who must act on an "undecided". A "pass" by guard band U has at least 97.5 % (one limit).
"""

from __future__ import annotations

import math
from enum import Enum
from fractions import Fraction

from benchlog.analysis.results import Result, Verdict
from benchlog.analysis.uncertainty import expanded
from benchlog.model import Measured


class Sense(Enum):
    """What it takes to meet a limit L."""

    AT_LEAST = "x >= L"
    AT_MOST = "x <= L"
    WITHIN = "|x| <= L"


def verdict(value: float, guard: float | None, limit: float | None, sense: Sense) -> Verdict:
    """The verdict on ``value`` +/- ``guard``; ``guard`` None: unknown. Without a limit there is nothing to miss."""
    if limit is None:
        return "pass"
    if guard is None or not math.isfinite(guard) or not math.isfinite(value):
        return "undecided"
    at, u, bound = _decimal(value), _decimal(guard), _decimal(limit)
    low, high = at - u, at + u
    if sense is Sense.AT_LEAST:
        whole, none = low >= bound, high < bound
    elif sense is Sense.AT_MOST:
        whole, none = high <= bound, low > bound
    else:
        whole, none = low >= -bound and high <= bound, low > bound or high < -bound
    return "pass" if whole else "fail" if none else "undecided"


def result(measured: Measured | None, limit: float | None, sense: Sense, *, in_doubt: bool = False) -> Result:
    """A ``Result`` of the record.

    ``in_doubt``: readings are lacking in a way that U does not tell (over range, a key-down without a value), so
    against a limit the verdict is "undecided" whatever the number.
    """
    if measured is None:
        return Result.missing(limit)
    interval = expanded(measured)
    if interval is None:
        said = verdict(measured.value, None, limit, sense)
        return Result(measured.value, None, None, None, limit, said, measured.budget)
    guard, k = interval
    said = verdict(measured.value, None if in_doubt else guard, limit, sense)
    likely = None if in_doubt else conformity(measured, limit, sense)
    return Result(measured.value, guard, k, measured.dof, limit, said, measured.budget, likely)


def conformity(measured: Measured, limit: float | None, sense: Sense) -> float | None:
    """Probability that the true value meets ``limit`` (in the value's unit), given what was measured; 0 to 1.

    The true value is taken to lie about the measured one as Student's t with the effective degrees of freedom does,
    scaled by u; normal where they are unlimited. None without a limit or without an uncertainty.
    Source: JCGM 106:2012, 7.2 to 7.4 (nothing known of the value beforehand); JCGM 101:2008, 6.4.9 for the t.
    """
    if limit is None or not (math.isfinite(measured.value) and math.isfinite(measured.u) and measured.dof > 0):
        return None
    if measured.u == 0:
        return 1.0 if verdict(measured.value, 0.0, limit, sense) == "pass" else 0.0
    to_limit = (limit - measured.value) / measured.u
    if sense is Sense.AT_MOST:
        return _below(to_limit, measured.dof)
    if sense is Sense.AT_LEAST:
        return _below(-to_limit, measured.dof)
    # Between -limit and limit, as a difference of two tails on the side where they are small.
    near, far = (limit - abs(measured.value)) / measured.u, (-limit - abs(measured.value)) / measured.u
    return max(_below(near, measured.dof) - _below(far, measured.dof), 0.0)


def _below(t: float, dof: float) -> float:
    """The distribution function of Student's t; of the normal where 1e6 degrees and more make no difference."""
    from scipy import special

    return float(special.ndtr(t) if dof > 1e6 else special.stdtr(dof, t))


def _decimal(value: float) -> Fraction:
    """The number as it prints: 60.3 - 0.3 meets 60 here, as it does for whoever reads the record."""
    return Fraction(repr(float(value)))
