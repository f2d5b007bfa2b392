"""Results of a record made by hand."""

from __future__ import annotations

from benchlog.analysis.results import BandResult, Record, Result, Verdict
from benchlog.report import words
from tests.report import samples


def result(verdict: Verdict, limit: float | None = 100.0) -> Result:
    return Result.missing(limit) if verdict == "not-measured" else Result(110.0, 5.0, 2.0, 60.0, limit, verdict)


def band(name: str, key_downs: int = 1, **verdicts: Verdict) -> BandResult:
    results = {q: result(verdicts.get(q, "pass")) for q in words.QUANTITIES}
    return BandResult(name, 14.3e6, key_downs, frequency_error_ppm=result("pass"), settled_after_s=None, **results)


def record(*bands: BandResult) -> Record:
    return Record(samples.five_bands().facts, bands, None, ())
