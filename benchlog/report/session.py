"""What figures and sentences ask of an analysed session."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.analysis.analyse import Analysis
from benchlog.analysis.corrections import Corrected
from benchlog.analysis.keydowns import KeyDown
from benchlog.model import State
from benchlog.report import words
from benchlog.series import STATES


def measuring(analysis: Analysis, measure: str) -> Corrected | None:
    """The channel that measures something, where it has a good reading."""
    found = next((s for s in analysis.series.values() if s.measures == measure), None)
    return found if found is not None and np.isfinite(found.value).any() else None


def counting(analysis: Analysis) -> list[KeyDown]:
    """The key-downs that results come from, in order of time."""
    return [k for k in analysis.key_downs if k.counts]


def keyed(analysis: Analysis, series: Corrected) -> NDArray[np.bool_]:
    """(n,) whether the key was down at each of the channel's slots."""
    keyed = np.zeros(len(series.t_s), bool)
    for key_down in analysis.key_downs:
        keyed[slice(*np.searchsorted(series.t_s, (key_down.start_s, key_down.stop_s)))] = True
    return keyed


def nothing_to_count(analysis: Analysis, series: Corrected) -> int:
    """How many of a counter's replies with the key up were no value: it has no signal then, as a rule, and says so.

    A garbled reply counts among them, for the states of readings do not tell the two apart.
    """
    if series.measures != "frequency":
        return 0
    said_none = series.state == STATES.index(State.INVALID)
    return int(np.count_nonzero(said_none & ~keyed(analysis, series)))


def readings_sentence(analysis: Analysis) -> str:
    """What became of the planned readings, and of how many of them nothing could come."""
    said = words.readings_sentence(analysis.record)
    silent = sum(nothing_to_count(analysis, series) for series in analysis.series.values())
    which = "The invalid" if silent == analysis.record.readings.get("invalid") else f"Of the invalid, {silent:,}"
    return f"{said} {which} are of a counter with the key up, when it may have no signal." if silent else said


def by_band(analysis: Analysis) -> dict[str, list[tuple[float, float]]]:
    """Where in the session each band was keyed; key-downs that are near each other on its scale made one."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for key_down in analysis.key_downs:
        if key_down.band is not None:
            spans.setdefault(key_down.band, []).append((key_down.start_s, key_down.stop_s))
    return {name: merged(found, span_s(analysis) / 12) for name, found in spans.items()}


def span_s(analysis: Analysis) -> float:
    """How long the session was, as its readings tell."""
    ends = [float(s.t_s[-1]) for s in analysis.series.values() if len(s.t_s)]
    return max([*ends, *(k.stop_s for k in analysis.key_downs)], default=1.0) or 1.0


def merged(spans: Iterable[tuple[float, float]], closer_than: float) -> list[tuple[float, float]]:
    """Spans (from, to) in order, those nearer to each other than ``closer_than`` made one."""
    out: list[tuple[float, float]] = []
    for start, stop in sorted(spans):
        if out and start - out[-1][1] < closer_than:
            out[-1] = (out[-1][0], max(out[-1][1], stop))
        else:
            out.append((start, stop))
    return out


def in_bands(analysis: Analysis) -> str:
    """``on 80 m and 40 m``."""
    names: Sequence[str] = list(by_band(analysis))
    return f"on {words.listed(names)}" if names else "on no band of the plan"
