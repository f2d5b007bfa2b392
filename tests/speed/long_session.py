"""A stored session of any length: ten channels at 10 Hz, a key-down of a minute every three, five bands in turn."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.acquire.registry import find
from benchlog.bench import bench_from
from benchlog.clock import Clock
from benchlog.files import TomlFile
from benchlog.model import Event
from benchlog.plan import plan_from
from benchlog.store import rows
from benchlog.store.connection import open_or_create
from benchlog.store.schema import migrate

RATE_HZ, CYCLE_S, DOWN_S = 10, 180.0, 60.0
CENTRES_HZ = (3.6e6, 7.1e6, 10.12e6, 14.1e6, 21.1e6)
MIN_POWER_W = 60.0
Array = NDArray[np.float64]

CHANNELS = {  # name: measures, unit
    "power": ("forward-power", "W"),
    "reflected": ("reflected-power", "W"),
    "frequency": ("frequency", "Hz"),
    "plate voltage": ("plate-voltage", "V"),
    "plate current": ("plate-current", "mA"),
    "grid current": ("grid-current", "mA"),
    "bias": ("bias-voltage", "V"),
    "heater": ("heater-voltage", "V"),
    "line": ("line-voltage", "V"),
    "case": ("temperature", "degC"),
}


def bench_toml() -> str:
    """Its bench file."""
    text = '[bench]\nname = "Long bench"\n[load]\ncontinuous = "200 W"\ncooling = "240 s"\n'
    for n, (name, (measures, unit)) in enumerate(CHANNELS.items()):
        text += (
            f'[[instrument]]\nname = "meter {n}"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::{5100 + n}::SOCKET"\n'
            f'[[instrument.channel]]\nname = "{name}"\nmeasures = "{measures}"\nunit = "{unit}"\nask = "READ?"\n'
            f'every = "{1 / RATE_HZ} s"\nof_reading = "{"1 ppm" if unit == "Hz" else "2 %"}"\n'
        )
    return text


def plan_toml() -> str:
    """Its plan file."""
    text = '[transmitter]\nname = "Long set"\n[sweep]\nkey_down = "60 s"\nrest = "120 s"\nsettle = "2 s"\n'
    for hz in CENTRES_HZ:
        text += (
            f'[[band]]\nname = "{hz / 1e6:g} MHz"\ndial = "{hz / 1e6:.3f} MHz"\nmode = "cw"\n'
            f'min_power = "{MIN_POWER_W:g} W"\nmax_droop = "10 %"\n'
            'max_frequency_error = "300 Hz"\nmax_drift = "200 Hz/h"\n'
        )
    return text


def make(path: Path, hours: float) -> int:
    """Such a session in a new store, laid out on the disk as a writer would have; how many readings it has.

    Rows go in as they would have come, in order of time; only the syncs between them are left out.
    """
    bench = bench_from(TomlFile(path.with_name("bench.toml"), bench_toml()), find)
    plan = plan_from(TomlFile(path.with_name("plan.toml"), plan_toml()))
    connection, clock = open_or_create(path), Clock()
    migrate(connection, path)
    connection.execute("PRAGMA synchronous = OFF")
    with rows.transaction(connection):
        session, ids = rows.add_session(connection, "watch", bench, plan, clock)
    total = 0
    for part in _parts([ids[name] for name in CHANNELS], hours):
        with rows.transaction(connection):
            connection.executemany(rows.INSERT, part)
        total += len(part)
    ended_ns = round(hours * 3600e9)
    with rows.transaction(connection):
        rows.add_events(connection, session, [Event(ended_ns, "session", "done")])
        rows.close_session(connection, session, clock.started_ns + ended_ns, "done")
    connection.close()
    return total


def _parts(ids: list[int], hours: float) -> Iterator[list[rows.Row]]:
    """Five minutes at a time."""
    rng = np.random.default_rng(7)
    slots, at_once = round(hours * 3600 * RATE_HZ), 300 * RATE_HZ
    for first in range(0, slots, at_once):
        k = np.arange(first, min(first + at_once, slots))
        t_ns = (k * (10**9 // RATE_HZ))[:, None] + rng.integers(200_000, 1_500_000, (len(k), len(ids)))
        value = signals(k / RATE_HZ, rng)
        took_us = rng.integers(400, 3_000, t_ns.shape)
        channel = np.broadcast_to(np.array(ids), t_ns.shape)
        yield list(
            zip(
                channel.ravel().tolist(),
                t_ns.ravel().tolist(),
                value.ravel().tolist(),
                took_us.ravel().tolist(),
                strict=True,
            )
        )


def signals(t_s: Array, rng: np.random.Generator) -> Array:
    """What the ten instruments show at each of (n,) times: (n, 10), as many digits as such instruments have."""
    into_s, cycle = t_s % CYCLE_S, (t_s // CYCLE_S).astype(int)
    down = into_s < DOWN_S
    noise = rng.normal(0, 1, (10, len(t_s)))
    warm = 1 - np.exp(-t_s / 1800)
    power = np.where(down, 95 - 4 * (1 - np.exp(-into_s / 15)) - 2 * warm, 0) + 0.3 * noise[0]
    centre = np.array(CENTRES_HZ)[cycle % len(CENTRES_HZ)]
    frequency = centre * (1 + 2e-6 * (1 - warm)) + 40 + 0.6 * noise[2]
    columns = (
        np.round(power, 2),
        np.round(power * 0.02 + 0.05 * noise[1], 2),
        np.round(frequency, 1),
        np.round(np.where(down, 742, 790) + 1.5 * noise[3], 1),
        np.round(np.where(down, 210, 35) + 0.8 * noise[4], 1),
        np.round(np.where(down, 8, 0) + 0.1 * noise[5], 2),
        np.round(-52 + 0.05 * noise[6], 2),
        np.round(6.3 + 0.01 * noise[7], 3),
        np.round(230 + 0.5 * noise[8], 1),
        np.round(25 + 30 * warm + 0.1 * noise[9], 1),
    )
    return np.stack(columns, axis=1)
