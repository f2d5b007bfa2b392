"""What is on the bench: ``check`` and ``drivers``."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchlog.acquire.probe import Probed, probe
from benchlog.acquire.registry import find, installed
from benchlog.bench import Bench, calibration_advice
from benchlog.cli.options import bench_option, json_option, plan_option, read_files
from benchlog.clock import Clock
from benchlog.keying.limits import advice, too_long
from benchlog.model import Reading
from benchlog.plan import Plan
from benchlog.report.numbers import megahertz
from benchlog.report.words import count
from benchlog.runs.conduct import NEEDED
from benchlog.simulate.lease import factor_for


@click.command("check")
@bench_option
@plan_option
@json_option
def check_command(bench_path: Path, plan_path: Path, as_json: bool) -> int:
    """Check both files, ask every instrument who it is, and show one reading of each channel.

    Exit status 3 where an instrument does not answer, or a channel has no reading to show.
    """
    bench, plan = read_files(bench_path, plan_path)
    clock = Clock(factor_for(bench.addresses))
    probed = probe(bench, find, clock)
    warnings = _warnings(bench, plan, clock.factor)
    if as_json:
        click.echo(json.dumps(_as_json(bench, plan, probed, warnings), indent=2))
    else:
        _print(bench, plan, probed, warnings)
    return 3 if any(found.fault or any(_silent(r) for r in found.readings) for found in probed) else 0


def _silent(reading: Reading) -> bool:
    """No reading came, as against one that says "no signal": a counter at rest has nothing to count."""
    return reading.value is None and not reading.said


def _warnings(bench: Bench, plan: Plan, factor: float) -> list[str]:
    said = [
        f"no channel measures {measure}: {why}, so there can be neither sweep nor watch"
        for measure, why in NEEDED.items()
        if bench.measuring(measure) is None
    ]
    said += advice(bench)
    said += [f"{plan.source.path.name}: {fault}" for fault in too_long(bench, plan, factor)]
    return said + calibration_advice(bench, datetime.now(UTC).date())


def _as_json(bench: Bench, plan: Plan, probed: Any, warnings: list[str]) -> dict[str, Any]:
    return {
        "bench": bench.name,
        "transmitter": plan.transmitter.name,
        "bands": [{"band": band.name, "expected_hz": band.expected_hz} for band in plan.bands],
        "instruments": [
            {
                "instrument": found.instrument.name,
                "address": found.instrument.address,
                "identity": found.identity or None,
                "fault": found.fault or None,
                "channels": [
                    {
                        "channel": reading.channel,
                        "value": reading.value,
                        "unit": _unit(found, reading),
                        "state": reading.state.value,
                        "reason": reading.reason or None,
                    }
                    for reading in found.readings
                ],
            }
            for found in probed
        ],
        "warnings": warnings,
    }


def _unit(found: Probed, reading: Reading) -> str:
    return next(channel.unit for channel in found.instrument.channel if channel.name == reading.channel)


def _print(bench: Bench, plan: Plan, probed: Any, warnings: list[str]) -> None:
    console = Console(highlight=False)
    bands = ", ".join(f"{band.name} {megahertz(band.expected_hz)}" for band in plan.bands)
    console.print(Text(f'"{bench.name}" for {plan.transmitter.name}: {count(len(plan.bands), "band")} ({bands})'))
    table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=True, padding=(0, 1))
    for heading in ("Instrument", "Who answers", "Channel", "Reads"):
        table.add_column(heading, overflow="fold")
    for found in probed:
        who = found.identity or found.fault or "there; cannot say who it is"
        table.add_row(
            Text(found.instrument.name, style="bold"),
            Text(who, style="bold" if found.fault else ""),
            Text("\n".join(reading.channel for reading in found.readings)),
            Text("\n".join(_reads(found, reading) for reading in found.readings)),
        )
    for instrument in bench.instruments:
        if not any(found.instrument is instrument for found in probed):
            names = "\n".join(channel.name for channel in instrument.channel)
            typed = "\n".join("by hand" for _ in instrument.channel)
            table.add_row(
                Text(instrument.name, style="bold"), Text("a person: benchlog enter"), Text(names), Text(typed)
            )
    console.print(table)
    for found in probed:
        if found.fault:
            at = found.instrument.address
            console.print(Text(f"! {found.instrument.name}, at {at}: {_cure(found.fault.lower())}", style="bold"))
    for warning in warnings:
        console.print(Text(f"! {warning}", style="bold"))


# A word of a fault, and what to look at first. Common practice, no source.
_CURES = (
    ("permission denied", "this user may not open it; on Debian, join the group dialout and log in again"),
    ("another program", "close the other program that has the port open"),
    (
        "no such file",
        "no such device: is it plugged in? `ls /dev/tty*` before and after tells its name",
    ),
    ("refused", "the computer is there, but nothing listens at that port: is the port right, its network access on?"),
    ("not known", "the address is misspelt, or names a host that nobody knows"),
    ("resol", "the address is misspelt, or names a host that nobody knows"),
    ("could not parse", "the address is misspelt; a SCPI one is like TCPIP::192.0.2.7::5025::SOCKET"),
    ("identi", "another instrument answers there than the bench file's `identity` asks for"),
)


def _cure(fault: str) -> str:
    return next((cure for word, cure in _CURES if word in fault), "is it on, cabled, and set to these line settings?")


def _reads(found: Probed, reading: Reading) -> str:
    if reading.value is not None:
        return f"{reading.value:g} {_unit(found, reading)}"
    return reading.reason if reading.said else "nothing"


@click.command("drivers")
@json_option
def drivers_command(as_json: bool) -> int:
    """List the instrument drivers that are installed, with why one cannot be used."""
    found = installed()
    if as_json:
        click.echo(json.dumps([asdict(driver) for driver in found], indent=2))
        return 0
    table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=True, padding=(0, 1))
    for heading in ("Driver", "From", "What it is"):
        table.add_column(heading, overflow="fold")
    for driver in found:
        table.add_row(
            Text(driver.name, style="bold"),
            Text(f"{driver.distribution} {driver.version}"),
            Text(driver.summary.replace("``", "") if not driver.reason else f"cannot be used: {driver.reason}"),
        )
    Console(highlight=False).print(table)
    return 0
