"""What a run is, and what came of it, as the page is told: plain names, SI units, session times in seconds."""

from __future__ import annotations

import math
from typing import Any

from benchlog.analysis.keydowns import KeyDown
from benchlog.bench import Bench, Channel, Instrument
from benchlog.clock import rfc3339
from benchlog.plan import Band, Plan
from benchlog.quantities import SI_UNIT
from benchlog.report.told import dial
from benchlog.runs.happenings import Latest, Tick
from benchlog.runs.session import Session

KEY_UP = {"down": False, "since_s": None, "band": None, "long_enough": False}


def opening(session: Session, session_id: int) -> dict[str, Any]:
    """A run at its begin; the feed keeps it up to date."""
    bench, plan = session.bench, session.plan
    return {
        "session": session_id,
        "kind": session.kind,
        "phase": "running",
        "bench": bench.name,
        "transmitter": {"name": plan.transmitter.name, "serial": plan.transmitter.serial},
        "started": rfc3339(session.clock.started_ns),
        "time_factor": session.clock.factor,
        "holds_key": holds_key(session),
        "key_from_page": may_key(session),
        "channels": [channel_of(bench, instrument, channel) for instrument, channel in bench.channels()],
        "bands": [band_of(band, bench) for band in plan.bands],
        "sweep": {
            "key_down_s": plan.sweep.key_down,
            "rest_s": plan.sweep.rest,
            "settle_s": plan.sweep.settle,
            "tuning": list(plan.sweep.tuning),
        },
        "soak": _soak(plan) if session.kind == "soak" else None,
        "longest_key_down_s": bench.limits.key_down,
        "load": {"continuous_w": bench.load.continuous, "cooling_s": bench.load.cooling} if bench.load else None,
        "key": KEY_UP,
        "wanted": None,
        "awaits_band": None,
        "resting": None,
        "key_downs": [],
        "results": [],
        "findings": [],
        "troubles": [],
        "alarms": [],
        "typed": [],
        "ended": None,
    }


def holds_key(session: Session) -> bool:
    """The program's guard holds the key; otherwise a person does."""
    return session.kind == "soak" or session.keys


def may_key(session: Session) -> bool:
    """The page may have a hand in keying: the bench file says so, and the run keys when it is asked to.

    In a heat run that is to say that the next band is set, whereupon it keys.
    """
    key, soak = session.bench.key, session.plan.soak
    asks = (
        session.keys if session.kind == "sweep" else session.kind == "soak" and soak is not None and len(soak.bands) > 1
    )
    return asks and key is not None and key.from_page


def channel_of(bench: Bench, instrument: Instrument, channel: Channel) -> dict[str, Any]:
    """``unit`` is of all values the page is told (SI), ``typed_unit`` of those that are typed in."""
    bounds = bench.limits.of(channel.measures) if channel.measures else None
    typed = instrument.typed
    return {
        "channel": channel.name,
        "instrument": instrument.name,
        "measures": channel.measures,
        "unit": SI_UNIT[channel.dimension],
        "every_s": None if typed else channel.every,
        "typed": typed,
        "typed_unit": channel.unit if typed else None,
        "limits": list(bounds) if bounds else None,
    }


def band_of(band: Band, bench: Bench) -> dict[str, Any]:
    """A band of the plan; ``least_shown_w`` is ``min_power_w`` as this bench's meter shows it."""
    tolerance = band.max_frequency_error
    return {
        "band": band.name,
        "dial": dial(band),
        "mode": band.mode,
        "expected_hz": band.expected_hz,
        "min_power_w": band.min_power,
        "least_shown_w": band.shown_power(bench.meter),
        "max_droop_percent": None if band.max_droop is None else round(100 * band.max_droop, 9),
        "max_frequency_error_hz": None if tolerance is None else tolerance.at(band.expected_hz),
        "tuning": list(band.tuning),
    }


def _soak(plan: Plan) -> dict[str, Any] | None:
    soak = plan.soak
    if soak is None:
        return None
    return {
        "bands": list(soak.bands),
        "key_down_s": soak.key_down,
        "rest_s": soak.rest,
        "lasts_s": soak.lasts,
    }


def latest(tick: Tick) -> dict[str, Any]:
    """The newest slot of each channel, by name."""
    return {name: _latest(one) for name, one in tick.latest.items()}


def _latest(one: Latest) -> dict[str, Any]:
    value = one.value if one.value is not None and math.isfinite(one.value) else None
    said: dict[str, Any] = {"t_s": round(one.t_s, 3), "value": value, "state": one.state.value}
    if one.reason:
        said["reason"] = one.reason
    return said


def key_down(found: KeyDown, plan: Plan) -> dict[str, Any]:
    """A key-down that is over; ``counts`` is false for tuning."""
    expected_hz = plan.band(found.band).expected_hz if found.band else None
    hz = found.frequency_hz
    return {
        "from_s": found.start_s,
        "to_s": found.stop_s,
        "lasted_s": found.lasted_s,
        "band": found.band,
        "counts": found.counts,
        "window": list(found.window) if found.window else None,
        "power_w": found.power_w,
        "frequency_hz": hz,
        "frequency_error_hz": None if hz is None or expected_hz is None else hz - expected_hz,
        "droop_percent": found.droop.percent.value if found.droop else None,
        "means": {measure: mean.mean for measure, mean in found.means.items() if mean.n},
    }


def standing(tick: Tick | None, started_ns: int) -> dict[str, Any]:
    """How a run stands, as ``GET /api/status`` tells it."""
    if tick is None:
        return {"t_s": None, "key_down_since": None, "key_down_s": None, "band": None, "latest": [], "load_heat": None}
    since_s = tick.down_since_s
    return {
        "t_s": round(tick.t_s, 3),
        "key_down_since": None if since_s is None else rfc3339(started_ns + round(since_s * 1e9)),
        "key_down_s": None if since_s is None else round(tick.t_s - since_s, 3),
        "band": tick.band.name if tick.band else None,
        "latest": [_in_status(one) for one in tick.latest.values()],
        "load_heat": tick.heat,
    }


def _in_status(one: Latest) -> dict[str, Any]:
    return {
        "channel": one.channel.name,
        "measures": one.channel.measures,
        "t_s": round(one.t_s, 3),
        "value": one.value if one.value is not None and math.isfinite(one.value) else None,
        "unit": SI_UNIT[one.channel.dimension],
        "state": one.state.value,
        "reason": one.reason or None,
    }
