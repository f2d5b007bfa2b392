"""What a long run left: every planned slot counted, readings' lateness over time, the record held against the truth."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchlog.analysis.keydowns import KeyDown
from benchlog.runs.records import analyse_in
from benchlog.simulate.physics import Course, KeyChange, Noise
from benchlog.simulate.scenario import LOAN_SET_3
from tests.endurance.trial import BAND, Ran
from tests.trials.judge import Kept

_READINGS = """SELECT t_ns, took_us, every_ns FROM reading JOIN channel ON channel.id = channel
    WHERE note = 0 AND instrument != 'thermometer' ORDER BY t_ns"""
QUIET = Noise(power=0, frequency_hz=0, plate_v=0, plate_current=0, stage_c=0)  # the mains really wanders
MISSED_MOST = 0.002  # share of slots; more, and the machine was too slow for a bench that fast
POINTS = 40  # at which a window's truth is taken
WITHIN = 2.0  # U: an honest 95 % interval leaves the truth out in one run of twenty, twice as wide in one of 10,000


@dataclass(frozen=True)
class Lateness:
    """Of the exchanges in one quarter of the run, real milliseconds behind their slot."""

    median_ms: float
    p99_ms: float


def lost_slots(ran: Ran) -> dict[str, int]:
    """Planned slots without their one row, by channel; empty where all are there."""
    return Kept.of(ran.store).lost(0, last=False)


def rows(ran: Ran) -> tuple[int, int]:
    """How many there are, and how many of them say that their slot was missed."""
    asked = "SELECT count(*), sum(state = 'missed') FROM reading JOIN note ON note.id = note"
    with closing(sqlite3.connect(ran.store)) as db:
        (count,) = db.execute("SELECT count(*) FROM reading").fetchone()
        missed = db.execute(asked).fetchone()[1]
    return int(count), int(missed or 0)


def lateness(ran: Ran) -> list[Lateness]:
    """By quarters; an instrument that talks by itself has no slots to be late for."""
    with closing(sqlite3.connect(ran.store)) as db:
        rows = np.array(db.execute(_READINGS).fetchall(), dtype=np.int64)
    t_ns, took_us, every_ns = rows.T
    late_ms = (t_ns - took_us * 500) % every_ns / ran.factor / 1e6
    quarter = np.minimum(4 * (t_ns - t_ns[0]) // (t_ns[-1] - t_ns[0] + 1), 3)
    parts = [late_ms[quarter == number] for number in range(4)]
    return [Lateness(*map(float, np.percentile(part, [50, 99]))) for part in parts if len(part)]


def truth(ran: Ran, key_downs: tuple[KeyDown, ...]) -> dict[str, float]:
    """Power, frequency error and worst droop of the band as the simulated transmitter truly had them.

    By its own physics without the noise of what is measured, from the key box's record of edges.
    """
    course = Course(replace(LOAN_SET_3, noise=QUIET), ran.seed)
    for edge in ran.edges:
        course.put(KeyChange((edge.t_ns - ran.bench_began_ns) * ran.factor / 1e9, BAND, float(edge.down)))
    offset_s = (Kept.of(ran.store).anchor_ns - ran.bench_began_ns) * ran.factor / 1e9
    watts, hertz, droops = [], [], []
    for one in key_downs:
        if not one.counts or one.window is None:
            continue
        at_s = np.linspace(*one.window, POINTS) + offset_s
        seen = [course.at(float(t)) for t in at_s]
        watts.append(np.mean([moment.forward_w for moment in seen]))
        hertz.append(np.mean([moment.frequency_hz or np.nan for moment in seen]))
        droops.append(100 * (1 - seen[-1].forward_w / seen[0].forward_w))
    return {
        "power_w": float(np.mean(watts)),
        "frequency_error_hz": float(np.mean(hertz)) - LOAN_SET_3.band(BAND).dial_hz,
        "droop_percent": max(droops),
    }


@dataclass(frozen=True)
class Told:
    """The record beside the truth."""

    band: dict[str, Any]
    truth: dict[str, float]
    findings: list[str]  # but for gaps: the machine's slots are missed, and so it is told
    keyed: int  # by the key box

    def wrong(self) -> list[str]:
        """What the record says that is not so."""
        found = []
        if self.band["key_downs"] != self.keyed:
            found.append(f"{self.band['key_downs']} key-downs, but the key box saw {self.keyed}")
        for name, true in self.truth.items():
            said = self.band[name]
            if said["expanded"] is None or abs(said["value"] - true) > WITHIN * said["expanded"]:
                found.append(f"{name} is {said['value']:.6g} +/- {said['expanded'] or 0:.2g}, in truth {true:.6g}")
        return found + [f"told, and not so: {text}" for text in self.findings]


def told(ran: Ran) -> Told:
    """The record of the run. Raises IndexError where its band is not in it."""
    analysed = analyse_in(ran.store, "last")
    record = analysed.analysis.record.as_json()
    (band,) = [one for one in record["bands"] if one["band"] == BAND]
    findings = [one["text"] for one in record["findings"] if one["kind"] != "gap"]
    return Told(band, truth(ran, analysed.analysis.key_downs), findings, sum(edge.down for edge in ran.edges))
