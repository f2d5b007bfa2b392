"""Which limit is nearest, and how near."""

from __future__ import annotations

from typing import Any

import pytest

from benchlog.bench import Bench
from benchlog.model import State
from benchlog.page.nearest import nearest_limit
from benchlog.runs.happenings import Latest, Tick
from tests.benches import bench_of, channel_toml, instrument_toml

CHANNELS = {"forward-power": "W", "reflected-power": "W", "plate-voltage": "V", "plate-current": "A",
            "bias-voltage": "V", "temperature": "degC", "grid-current": "A"}  # fmt: skip


def bench(limits: str) -> Bench:
    channels = (channel_toml(measure, measure, unit, range=f"300 {unit}") for measure, unit in CHANNELS.items())
    return bench_of(f'[bench]\nname = "b"\n[limits]\n{limits}\n{instrument_toml("i", *channels)}')


def near(
    limits: str, *, down_s: float | None = 5.0, heat: float | None = None, **values: float
) -> dict[str, Any] | None:
    read = bench(limits)
    latest = {
        one.name: Latest(one, 1.0, values[name], State.GOOD, "")
        for _, one in read.channels()
        if (name := one.name.replace("-", "_")) in values
    }
    return nearest_limit(read, Tick(10.0, None if down_s is None else 10.0 - down_s, None, latest, heat))


@pytest.mark.parametrize(
    ("limits", "values", "limit", "used"),
    [
        ('temperature = ["", "90 degC"]', {"temperature": 45.0}, "temperature", 0.5),
        ('plate-voltage = ["600 V", "1000 V"]', {"plate_voltage": 850.0}, "plate-voltage", 0.25),
        ('plate-voltage = ["600 V", "1000 V"]', {"plate_voltage": 600.0}, "plate-voltage", 1.0),
        ('bias-voltage = ["", "-90 V"]', {"bias_voltage": -100.0}, "bias-voltage", 0.9),
        ('bias-voltage = ["", "-90 V"]', {"bias_voltage": -80.0}, "bias-voltage", 1.125),
        ('bias-voltage = ["-120 V", ""]', {"bias_voltage": -108.0}, "bias-voltage", 0.9),
        ('plate-voltage = ["600 V", ""]', {"plate_voltage": 800.0}, "plate-voltage", 0.75),
        ("swr = 3.0", {"forward_power": 100.0, "reflected_power": 100 / 9}, "swr", 0.5),
        ('plate-dissipation = "100 W"', {"plate_voltage": 800.0, "plate_current": 0.2, "forward_power": 110.0},
         "plate-dissipation", 0.5),
        ('key_down = "10 s"', {}, "key_down", 0.5),
    ],
)  # fmt: skip
def test_how_near_each_kind_of_limit_is(limits: str, values: dict[str, float], limit: str, used: float) -> None:
    found = near(limits, **values)
    assert found is not None
    assert (found["limit"], found["used"]) == (limit, pytest.approx(used, abs=1e-4))


def test_the_nearest_is_told() -> None:
    limits = 'temperature = ["", "90 degC"]\nplate-current = ["", "350 mA"]'
    found = near(limits, temperature=80.0, plate_current=0.1, heat=0.5)
    assert found is not None
    assert (found["limit"], found["channel"], found["bound"], found["unit"]) == (
        "temperature",
        "temperature",
        90,
        "degC",
    )
    found = near(limits, temperature=20.0, plate_current=0.1, heat=0.5)
    assert found is not None
    assert (found["limit"], found["used"]) == ("load-heat", 0.5)


def test_with_the_key_up_low_ends_of_what_is_keyed_say_nothing() -> None:
    limits = 'plate-current = ["100 mA", "350 mA"]'
    assert near(limits, down_s=None, plate_current=0.0)["used"] == 0.0  # type: ignore[index]
    assert near(limits, plate_current=0.0)["used"] > 1  # type: ignore[index]


def test_nothing_limited_is_nothing_near() -> None:
    assert near("", temperature=300.0) is None
