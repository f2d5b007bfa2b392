"""What tuning a band showed: the peak of the grid current, the dip of the plate current, the level control.

Every key-down on the band counts, those for tuning too: the highest peak and the lowest dip of all of them. Extremes
are single readings, so that nothing averages away; their budget has the noise of one reading, and how far the course
may have gone between two. The level control's reading is its mean in the windows that are measured, beside it the
reading with which it first left its rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from benchlog.analysis.bands import scaled
from benchlog.analysis.keydowns import KeyDown
from benchlog.analysis.measure import measuring
from benchlog.analysis.onband import OnBand
from benchlog.analysis.power import mean_of
from benchlog.analysis.results import Result, Tuned, TuningStep
from benchlog.analysis.turns import Turn, first_move
from benchlog.analysis.uncertainty import UNKNOWN, combine, rectangular
from benchlog.analysis.verdicts import Sense, result
from benchlog.model import Component, Measure, Measured, SessionKind
from benchlog.plan import Plan
from benchlog.quantities import linear

REST_S = 10.0  # before a key-down, that tell where the level control rests
FALLING_S = 2.0  # after a key-up, in which a slow one still comes back
EDGE_S = 0.5  # before a key-down, by which the power meter may be late
NEEDLE = 0.005  # of full scale: less of a move can be seen on no needle. Common practice, no source


def tuned(heard: OnBand, key_downs: Sequence[KeyDown], kind: SessionKind, plan: Plan) -> tuple[Tuned, ...]:
    """What the record says of how a band was tuned; nothing of a heat run, which nobody tunes.

    Where a sweep's plan has tuning steps for the band, what was not measured is told too.

    Args:
        key_downs: all of the session, in order of time, whatever their band.
    """
    if kind == "soak":
        return ()
    steps = kind == "sweep" and bool(plan.sweep.steps(heard.band))
    found = (
        _extreme(heard, key_downs, "grid-current-peak", "grid-current"),
        _extreme(heard, key_downs, "plate-current-dip", "plate-current"),
        *_level_control(heard, key_downs),
    )
    return tuple(one for one in found if steps or one.measured.value is not None)


def _extreme(heard: OnBand, key_downs: Sequence[KeyDown], what: TuningStep, measure: Measure) -> Tuned:
    own = [k for k in key_downs if k.band == heard.band.name]
    turns = [k.turns[measure] for k in own if measure in k.turns]
    if not turns:
        return _told(heard, what, measure)
    if what == "plate-current-dip":
        return _told(heard, what, measure, _read(heard, measure, min(turns, key=lambda turn: turn.value)))
    t_s, found = _read(heard, measure, max(turns, key=lambda turn: turn.value))
    one = measuring(heard.series, measure)
    if one is not None and any(one.between(k.start_s, k.stop_s).over_range() for k in own):
        beyond = Component(UNKNOWN, 0.0, "readings over range: it went higher")
        found = combine(found.value, [*found.budget, beyond])
    return _told(heard, what, measure, (t_s, found))


def _level_control(heard: OnBand, key_downs: Sequence[KeyDown]) -> Iterator[Tuned]:
    moved = _first_move(heard, key_downs)
    yield _told(heard, "level-control-moves", "alc", _read(heard, "alc", moved) if moved else None)
    windows = [k.window for k in heard.key_downs if k.window and "alc" in k.means and k.means["alc"].n]
    mean = mean_of(heard, "alc")
    yield _told(heard, "level-control", "alc", (sum(windows[0]) / 2, mean) if windows and mean else None)


def _first_move(heard: OnBand, key_downs: Sequence[KeyDown]) -> Turn | None:
    alc, channel = measuring(heard.series, "alc"), heard.bench.measuring("alc")
    if alc is None or channel is None:
        return None
    least = NEEDLE * abs(channel.scale) * channel.range_si
    up_s = 0.0
    for one in key_downs:
        if one.band == heard.band.name:
            _, rest = alc.between(max(up_s, one.start_s - REST_S), one.start_s - EDGE_S).good()
            turn = first_move(rest, *alc.between(one.start_s, one.stop_s).good(), least)
            if turn is not None:
                return turn
        up_s = one.stop_s + FALLING_S
    return None


def _read(heard: OnBand, measure: Measure, turn: Turn) -> tuple[float, Measured]:
    """When, and a single reading with all that is uncertain about it."""
    lines = heard.accuracy(measure).components(turn.value, at_hz=heard.band.expected_hz)
    if sd := heard.sd(measure):
        dof = sum(window.scatter.dof for window in heard.windows(measure))
        lines.append(Component(sd, dof, "scatter of a single reading, as in the windows measured", "A"))
    if math.isinf(turn.beyond):
        lines.append(Component(UNKNOWN, 0.0, "readings lacking beside it: it may have gone farther"))
    elif turn.beyond:
        lines.append(Component(rectangular(turn.beyond), source="how far it went between two readings"))
    return turn.t_s, combine(turn.value, lines)


def _told(heard: OnBand, what: TuningStep, measure: Measure, found: tuple[float, Measured] | None = None) -> Tuned:
    channel = heard.bench.measuring(measure)
    if channel is None:
        return Tuned(what, None, None, None, Result.missing())
    if found is None:
        return Tuned(what, channel.name, channel.unit, None, Result.missing())
    at_s, measured = found
    in_unit = scaled(measured, 1 / linear(channel.unit)[0])  # currents and voltages have their zero where SI has it
    return Tuned(what, channel.name, channel.unit, at_s, result(in_unit, None, Sense.AT_MOST))
