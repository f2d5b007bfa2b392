"""Bench and plan files as the tests write them, read as the program reads them. All names and numbers are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.bench import Bench, bench_from
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


def bench_of(text: str, tables: Texts | None = None) -> Bench:
    return bench_from(TomlFile(Path("bench.toml"), text), any_driver, tables)


def plan_of(text: str) -> Plan:
    return plan_from(TomlFile(Path("plan.toml"), text))


def analysed(
    facts: SessionFacts, bench: Bench, plan: Plan, raw: Mapping[str, RawSeries], events: Sequence[Event] = ()
) -> Analysis:
    """What the record of a session is made of, from its raw readings."""
    from benchlog.analysis.analyse import analyse
    from benchlog.analysis.corrections import correct_all

    return analyse(facts, bench, plan, correct_all(bench, raw, events), events)


def north(
    *,
    limits: str = "",
    wattmeter: str = "",
    counter: str = "",
    power: str = 'of_range = "5 %"',
    frequency: str = 'of_reading = "1 ppm"',
) -> str:
    """A wattmeter and a counter, read twice a second; the words are further keys of their tables."""
    return f"""
[bench]
name = "North bench"

[limits]
{limits}

[[instrument]]
name = "wattmeter"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"
{wattmeter}

[[instrument.channel]]
name = "power"
measures = "forward-power"
unit = "W"
ask = "MEAS:POW?"
every = "500 ms"
range = "250 W"
{power}

[[instrument]]
name = "counter"
driver = "scpi"
address = "TCPIP::127.0.0.1::5026::SOCKET"
{counter}

[[instrument.channel]]
name = "frequency"
measures = "frequency"
unit = "Hz"
ask = "MEAS:FREQ?"
every = "500 ms"
{frequency}
"""
