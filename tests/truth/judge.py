"""The criteria, and what a trial's outcome makes of them. Shares with Clopper-Pearson intervals throughout.

Two ways to hold a share against its bounds. A row with ``ENOUGH`` cases and more of the long form must itself lie
between them. With fewer, and everywhere in the short form, a criterion is missed only when the interval of the share
lies wholly outside, which for an estimator that keeps the criterion happens with at most the error rate asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from tests.truth.cases import OPTIONAL, Case
from tests.truth.draw import FAULTS
from tests.truth.trial import Outcome

A_COVERS = (0.93, 0.97)
B_COVERS = (0.95, 1.0)
MIXED_COVERS = (0.93, 1.0)  # neither dominates: between the two
RECALL = 0.99
FALSE_PER_CLEAN = 0.01
WRONG_AT_LIMIT = 0.025
IN_TIME = 0.95
TIMES = ("settled_after_s", "step time")
ENOUGH = 500  # cases; the share of so many scatters by 1 %
ROW_ERROR = 1e-3  # of one condition's row: there are a hundred of them
BANDS = {"A": A_COVERS, "B": B_COVERS, "mixed": MIXED_COVERS}
ESTIMATORS = (
    "power_w",
    "droop_percent",
    "droop_tau_s",
    "run_droop_percent",
    "run_droop_tau_s",
    "frequency_error_hz",
    "frequency_error_ppm",
    "drift_hz_per_h",
    "key_down_drift_hz",
    "warm_up.by_hz",
    "warm_up.tau_s",
    "warm_up.final_hz",
    "swr",
    "delivered_w",
    "efficiency_percent",
    "dissipation_w",
    "dial.common_hz",
    "dial.own_hz",
    "supply_percent",
    "stage_percent",
    "returned_percent",
    "step_hz",
)
CONDITIONS = ("noise", "shape", "kind", "coarse")


@dataclass(frozen=True)
class Share:
    """k of n, with its binomial interval."""

    k: int
    n: int

    @property
    def value(self) -> float:
        """k / n."""
        return self.k / self.n if self.n else math.nan

    def interval(self, error: float = 0.05) -> tuple[float, float]:
        """Clopper-Pearson: each end is passed with probability error / 2 at most (Biometrika 26 (1934) 404-413)."""
        from scipy.stats import beta

        k, n = self.k, self.n
        low = float(beta.ppf(error / 2, k, n - k + 1)) if k else 0.0
        high = float(beta.ppf(1 - error / 2, k + 1, n - k)) if k < n else 1.0
        return low, high

    def __str__(self) -> str:
        low, high = self.interval()
        return f"{100 * self.value:5.1f} % [{100 * low:.1f}, {100 * high:.1f}]"


@dataclass(frozen=True)
class Row:
    """One estimator under one condition."""

    name: str
    condition: str
    dominated: str
    covered: Share
    bias_u: float
    bias_se: float
    rms_u: float

    @property
    def bounds(self) -> tuple[float, float]:
        """Between which the share must lie."""
        return BANDS[self.dominated]

    def miss(self, error: float, *, by_point: bool) -> str:
        """Why the criterion is missed; empty when it is kept or there is too little to tell."""
        low, high = self.bounds
        least, most = self.covered.interval(error)
        outside = most < low or least > high
        if by_point and self.covered.n >= ENOUGH:
            outside = not low <= self.covered.value <= high
        if not outside:
            return ""
        return (
            f"{self.name} ({self.condition}, type {self.dominated}): {self.covered} of {self.covered.n} intervals hold "
            f"the truth, against {100 * low:g} to {100 * high:g} %; bias {self.bias_u:+.2f} u, rms {self.rms_u:.2f} u"
        )


def row(name: str, condition: str, dominated: str, cases: Sequence[Case]) -> Row:
    """Of cases that were measured."""
    z = [case.z for case in cases]
    n = len(z)
    mean = math.fsum(z) / n
    rms = math.sqrt(math.fsum(one * one for one in z) / n)
    spread = math.sqrt(max(rms**2 - mean**2, 0.0) / n)
    return Row(name, condition, dominated, Share(sum(case.holds for case in cases), n), mean, spread, rms)


def rows(cases: Iterable[Case], *, by_condition: bool = True) -> Iterator[Row]:
    """All rows that have a case: by estimator and what dominates it; then each condition by itself."""
    kept = [case for case in cases if case.judged and case.measured]
    for name in ESTIMATORS:
        for dominated in BANDS:
            own = [case for case in kept if case.estimator == name and case.dominated == dominated]
            if own:
                yield row(name, "all", dominated, own)
            for condition in CONDITIONS if by_condition and own else ():
                for value in sorted({case.tags.get(condition, "") for case in own} - {""}):
                    yield row(name, value, dominated, [c for c in own if c.tags.get(condition) == value])


def missed(
    outcome: Outcome,
    *,
    error: float,
    by_point: bool,
    estimators: Iterable[str] = ESTIMATORS,
    told: Iterable[str] = FAULTS,
) -> list[str]:
    """Every criterion that is missed, with its figures; a criterion with nothing to judge is one."""
    out = [
        one
        for r in rows(outcome.cases)
        if (one := r.miss(_error(r, error), by_point=by_point and r.condition == "all"))
    ]
    out += [*_nothing(outcome, estimators), *_recall(outcome, error, by_point, told)]
    out += [*_false(outcome, error, by_point), *_wrong(outcome, error)]
    out += _timed(outcome, error)
    found = Share(outcome.key_downs - len(outcome.lost_key_downs), outcome.key_downs)
    if outcome.lost_key_downs:
        out.append(f"key-downs found: {found}, not: {'; '.join(outcome.lost_key_downs[:5])}")
    return out


def _error(r: Row, error: float) -> float:
    return error if r.condition == "all" else min(error, ROW_ERROR)


def _nothing(outcome: Outcome, estimators: Iterable[str]) -> Iterator[str]:
    for name in estimators:
        own = [case for case in outcome.cases if case.estimator == name and case.judged]
        lacking = Share(sum(not case.measured for case in own), len(own))
        if lacking.n == lacking.k:
            yield f"{name}: nothing to judge ({lacking.n} truths, none measured)"
        elif lacking.value > 0.05 and not name.startswith(OPTIONAL):
            yield f"{name}: {lacking} of {lacking.n} not measured, though there is a truth"


def timed(outcome: Outcome, what: str) -> Share:
    """How many of one kind of times are right."""
    own = [one for one in outcome.timed if one.what == what]
    return Share(sum(one.right for one in own), len(own))


def _timed(outcome: Outcome, error: float) -> Iterator[str]:
    for what in TIMES:
        share = timed(outcome, what)
        if not share.n:
            yield f"{what}: nothing to judge"
        elif share.interval(error)[1] < IN_TIME:
            wrong = [f"{o.session} {o.band} {o.told}" for o in outcome.timed if o.what == what and not o.right]
            yield f"{what}: {share} of {share.n} right, against {100 * IN_TIME:g} %: {'; '.join(wrong[:5])}"


def _recall(outcome: Outcome, error: float, by_point: bool, told: Iterable[str]) -> Iterator[str]:
    for kind in told:
        share = recall(outcome, kind)
        if not share.n:
            yield f"{kind}: nothing to judge (none planted at 3 U and more)"
            continue
        few = share.interval(error)[1] < RECALL
        if by_point and share.n >= 1 / (1 - RECALL):
            few = share.value < RECALL
        if few:
            untold = [f"{f.session} {f.band} {f.size_u:.1f} U" for f in outcome.faults if f.kind == kind and not f.told]
            yield f"{kind}: recall {share} of {share.n}, against {100 * RECALL:g} %; untold: {', '.join(untold[:5])}"


def recall(outcome: Outcome, kind: str) -> Share:
    """Of planted faults of one kind."""
    own = [fault for fault in outcome.faults if fault.kind == kind]
    return Share(sum(fault.told for fault in own), len(own))


def _false(outcome: Outcome, error: float, by_point: bool) -> Iterator[str]:
    false = [one for one in outcome.false if one.clean]
    if not outcome.clean:
        yield "false findings: nothing to judge (no clean session)"
        return
    rate = len(false) / outcome.clean
    over = rate > FALSE_PER_CLEAN if by_point else poisson_low(len(false), error) > FALSE_PER_CLEAN * outcome.clean
    if over:
        kinds = ", ".join(f"{n} {kind}" for kind, n in by_kind(false).items())
        yield f"false findings: {rate:.4f} in a clean session ({kinds}), against {FALSE_PER_CLEAN:g}"


def by_kind(false: Iterable[object]) -> dict[str, int]:
    """How many of each kind."""
    kinds: dict[str, int] = {}
    for one in false:
        kind = str(one.kind)  # type: ignore[attr-defined]
        kinds[kind] = kinds.get(kind, 0) + 1
    return kinds


def poisson_low(k: int, error: float) -> float:
    """Lower end for a Poisson mean of which k were seen (Garwood, Biometrika 28 (1936) 437-442)."""
    from scipy.stats import chi2

    return float(chi2.ppf(error / 2, 2 * k)) / 2 if k else 0.0


def _wrong(outcome: Outcome, error: float) -> Iterator[str]:
    for name in sorted({one.result for one in outcome.verdicts}):
        for what, share in wrong_verdicts(outcome, name, near=True).items():
            if share.n and share.interval(min(error, ROW_ERROR))[0] > WRONG_AT_LIMIT:
                yield f"{name}: {what} {share} of {share.n} at the limit, against {100 * WRONG_AT_LIMIT:g} %"


def wrong_verdicts(outcome: Outcome, name: str, *, near: bool) -> dict[str, Share]:
    """False "pass" of truths that miss the limit, false "fail" of those that meet it."""
    own = [one for one in outcome.verdicts if one.result == name and (one.near or not near)]
    tests: dict[str, Callable[[bool], bool]] = {"pass": lambda meets: not meets, "fail": lambda meets: meets}
    return {
        f"false {said}": Share(sum(one.verdict == said for one in own if of(one.meets)), sum(of(o.meets) for o in own))
        for said, of in tests.items()
    }
