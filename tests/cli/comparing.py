"""Stores made with ``benchlog import`` from CSV files with planted truth. All names and numbers are invented."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from tests.benches import north
from tests.cli.inside import inside

BENCH = north()

PLAN = """
[transmitter]
name = "Loan set 3"
serial = "0042"

[[band]]
name = "20 m"
dial = "14.200 MHz"
min_power = "100 W"
max_droop = "10 %"
max_frequency_error = "300 Hz"

[[band]]
name = "10 m"
dial = "28.300 MHz"
min_power = "80 W"
max_droop = "10 %"
max_frequency_error = "300 Hz"

[sweep]
key_down = "20 s"
"""

WHO = {"wattmeter": "Example,SIM-W250,W0017,1.2", "counter": "Example,SIM-F30,F0042,2.0"}
HZ = {"20 m": 14.2e6, "10 m": 28.3e6}


@dataclass
class Shown:
    """What the set does and what the meters make of it: watts and hertz off as the meters show them, by band."""

    watts: Mapping[str, float]
    off_hz: Mapping[str, float] = field(default_factory=dict)
    droop: float = 0.0  # lost over the key-down
    noise_w: float = 0.3
    key_down_s: float = 20.0


@dataclass
class Shelf:
    """A folder with a store, a bench file and a plan file."""

    folder: Path

    @property
    def store(self) -> Path:
        return self.folder / "s.benchlog"

    def take(
        self, day: str, shown: Shown, *, who: Mapping[str, str] | None = None, bench: str = BENCH, plan: str = PLAN
    ) -> str:
        """One session, imported; ``who`` is what its instruments say they are, which no CSV tells. Its number."""
        (self.folder / "bench.toml").write_text(bench)
        (self.folder / "plan.toml").write_text(plan)
        (self.folder / "r.csv").write_text(rows(day, shown))
        bench_toml, plan_toml = self.folder / "bench.toml", self.folder / "plan.toml"
        words = ("--bench", bench_toml, "--plan", plan_toml, "--store", self.store)
        number = said("import", self.folder / "r.csv", *words).splitlines()[-1]
        with closing(sqlite3.connect(self.store)) as db, db:
            for instrument, text in (WHO if who is None else who).items():
                db.execute(
                    "INSERT INTO event (session, t_ns, kind, text, instrument, channel, data)"
                    " VALUES (?, 0, 'identity', ?, ?, '', ?)",
                    (number, text, instrument, json.dumps({"identity": text})),
                )
        return number


def said(*words: object, status: int = 0) -> str:
    """What `benchlog` says to these words: on standard output, or on standard error where a fault (2 and up) is due."""
    found = inside(*words, status=status)
    return found.stderr if status >= 2 else found.stdout


def rows(day: str, shown: Shown) -> str:
    """The CSV: each band once, half a minute apart."""
    start = datetime.fromisoformat(f"{day}T09:00:00+00:00")
    rng = np.random.default_rng(int(start.timestamp()) % 2**32)
    lines = ["time,channel,value"]
    for i, (band, watts) in enumerate(shown.watts.items()):
        for t in np.arange(0, shown.key_down_s + 5, 0.5):
            at = start + timedelta(seconds=float(t) + (shown.key_down_s + 20) * i)
            down = t < shown.key_down_s
            power = watts * (1 - shown.droop * t / shown.key_down_s) if down else 0.0
            lines.append(f"{at.isoformat()},power,{power + shown.noise_w * rng.standard_normal():.6f}")
            if down:
                hz = HZ[band] + shown.off_hz.get(band, 0.0) + rng.standard_normal()
                lines.append(f"{at.isoformat()},frequency,{hz:.3f}")
    return "\n".join(lines) + "\n"
