"""Bench and plan files as the tests write them, read as the program reads them. All names and numbers are invented."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.bench import Bench, DriverLookup, bench_from
from benchlog.correction import Texts
from benchlog.driver import NoOptions
from benchlog.files import TomlFile
from benchlog.model import Event
from benchlog.plan import Plan, plan_from
from benchlog.series import RawSeries

if TYPE_CHECKING:  # the store's tests start many processes that analyse nothing
    from benchlog.analysis.analyse import Analysis
    from benchlog.analysis.results import SessionFacts


class AnyDriver:
    """Stands for every driver that a bench file names: nothing here is ever asked."""

    Options = NoOptions
    polled = False


def any_driver(_: str) -> Any:
    """A ``bench.DriverLookup``."""
    return AnyDriver


def bench_of(text: str, tables: Texts | None = None, drivers: DriverLookup = any_driver) -> Bench:
    return bench_from(TomlFile(Path("bench.toml"), text), drivers, tables)


def plan_of(text: str) -> Plan:
    return plan_from(TomlFile(Path("plan.toml"), text))


def analysed(
    facts: SessionFacts, bench: Bench, plan: Plan, raw: Mapping[str, RawSeries], events: Sequence[Event] = ()
) -> Analysis:
    """What the record of a session is made of, from its raw readings."""
    from benchlog.analysis.analyse import analyse
    from benchlog.analysis.corrections import correct_all

    return analyse(facts, bench, plan, correct_all(bench, raw, events), events)


def instrument_toml(name: str, *channels: str, more: str = "", **keys: str) -> str:
    """The tables of one instrument and its channels, each by ``channel_toml``; ``more`` is further lines of its own."""
    known = {"name": name, "driver": "any", "address": f"where {name} is"} | keys
    return "\n".join(["\n[[instrument]]", *_lines(known), more, *channels])


def channel_toml(name: str, measures: str, unit: str, *, more: str = "", **keys: str | float) -> str:
    """The table of one channel; ``measures`` may be empty, ``more`` is further lines."""
    known = {"name": name, "measures": measures, "unit": unit} | keys
    return "\n".join(["\n[[instrument.channel]]", *_lines(known), more, ""])


def _lines(keys: Mapping[str, str | float]) -> list[str]:
    return [f"{key} = {json.dumps(value)}" for key, value in keys.items() if value != ""]


def north(
    *,
    limits: str = "",
    wattmeter: str = "",
    counter: str = "",
    power: str = 'of_range = "5 %"',
    frequency: str = 'of_reading = "1 ppm"',
) -> str:
    """A wattmeter and a counter, read twice a second; the words are further keys of their tables."""
    watts = channel_toml("power", "forward-power", "W", ask="MEAS:POW?", every="500 ms", range="250 W", more=power)
    hertz = channel_toml("frequency", "frequency", "Hz", ask="MEAS:FREQ?", every="500 ms", more=frequency)
    at = "TCPIP::127.0.0.1::{}::SOCKET".format
    return (
        f'\n[bench]\nname = "North bench"\n\n[limits]\n{limits}\n'
        + instrument_toml("wattmeter", watts, driver="scpi", address=at(5025), more=wattmeter)
        + instrument_toml("counter", hertz, driver="scpi", address=at(5026), more=counter)
    )
