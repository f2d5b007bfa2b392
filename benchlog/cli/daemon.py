"""The daemon and its control: ``serve``, ``status``, ``stop``."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import click

from benchlog.cli.live import stopped_by_signals
from benchlog.cli.options import bench_option, json_option, listen_option, plan_option, read_files, store_option
from benchlog.daemon import client
from benchlog.daemon.place import PORT, Place, announced, find, taken
from benchlog.errors import BadFile
from benchlog.keying.limits import refuse_too_long
from benchlog.report.numbers import duration
from benchlog.report.told import live
from benchlog.report.words import CAUTION, count, listed
from benchlog.simulate.lease import factor_for
from benchlog.timetable import load_timetable, misfits

port_option = click.option(
    "--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, envvar="BENCHLOG_PORT",
    help="The daemon's port on loopback; serve takes any free one for 0.",
)  # fmt: skip


_KEYS = ("", ", which keys the transmitter with nobody there")


@click.command("serve")
@bench_option
@plan_option
@store_option
@click.option(
    "--timetable", "timetable_path", type=click.Path(path_type=Path), default="timetable.toml", show_default=True,
    envvar="BENCHLOG_TIMETABLE", help="The timetable file: what is started when, and whom it tells.",
)  # fmt: skip
@port_option
@listen_option
def serve_command(
    bench_path: Path, plan_path: Path, store_path: Path, timetable_path: Path, port: int, listen: str
) -> int:
    """Start runs by the timetable, unattended, until SIGTERM or Ctrl-C.

    One run at a time. What was due and could not be started is kept and told as a missed start. A heat run keys the
    transmitter with nobody there: only where the timetable says may_key = true, and through the same guard as
    `benchlog soak`. Software is no interlock: an independent hardware time-out belongs behind the key line.
    """
    bench, plan = read_files(bench_path, plan_path)
    timetable = load_timetable(timetable_path, bench)
    if faults := misfits(timetable, bench, plan):
        raise BadFile(timetable_path, faults)
    if any(start.run == "soak" for start in timetable.starts):
        refuse_too_long("soak", bench, plan, factor_for(bench.addresses))

    from benchlog.daemon import logs
    from benchlog.daemon.serving import TURN_S, Daemon, Files
    from benchlog.daemon.systemd import Manager
    from benchlog.page.server import Page

    logs.begin()
    manager = Manager()
    with stopped_by_signals() as stop, taken(store_path), Page(port, listen) as page:
        daemon = Daemon(Files(bench_path, plan_path, store_path), timetable, bench, plan, manager)
        clean = True
        try:
            daemon.open()
            place = Place(page.port, os.getpid(), page.token, str(store_path.resolve()), page.address)
            with announced(place):
                page.serve(daemon)
                daemon.ready()
                logs.log(f"the daemon serves {bench.name}", port=page.port, store=str(store_path))
                if keying := [start.name for start in timetable.starts if start.run == "soak" and start.may_key]:
                    logs.warn(f"keys the transmitter with nobody there: {listed(keying)}. {CAUTION}")
                while not stop.wait(TURN_S):
                    daemon.turn()
                logs.log("the daemon is asked to end")
                clean = daemon.close("the daemon was asked to end")
        finally:
            clean = daemon.close("the daemon fell over") and clean
    if not clean:
        logs.warn("the run did not end in time; its guard keys up when this process ends")
    logs.log("the daemon has ended")
    return 0 if clean else 3


@click.command("status")
@port_option
@json_option
def status_command(port: int, as_json: bool) -> int:
    """How the daemon is: the run that is on, what is next, what was missed."""
    said = client.status(port)
    if as_json:
        click.echo(json.dumps(said, indent=2))
        return 0
    click.echo(f'"{said["bench"]}" for {said["transmitter"]}, store {said["store"]}')
    click.echo(f"Page: {find(port).page}")
    if not said["alive"]:
        click.echo("! the daemon is not well: its timetable or its run hangs")
    if said["store_fault"]:
        click.echo(f"! {said['store_fault']}")
    for line in (*_run(said["run"]), *_around(said)):
        click.echo(line)
    return 0


def _run(run: dict[str, Any] | None) -> list[str]:
    if run is None:
        return ["No run is on."]
    session = f"session {run['session']}" if run["session"] else "no session yet"
    lasted = f", {duration(run['t_s'])} in" if run["t_s"] is not None else ""
    lines = [f"{run['kind']} ({run['entry']}): {run['phase']}, {session}{lasted}"]
    if run["key_down_since"]:
        band = f"{run['band']}  " if run["band"] else ""
        lines.append(f"  {band}KEY DOWN for {run['key_down_s']:.0f} s, since {run['key_down_since']}")
    elif run["t_s"] is not None:
        lines.append("  key up")
    for latest in run["latest"]:
        value = "--" if latest["value"] is None else live(latest["value"], latest["unit"])
        why = f" ({latest['reason']})" if latest["reason"] else ""
        lines.append(f"  {latest['channel']}: {value}{why}")
    if run["load_heat"] is not None:
        lines.append(f"  dummy load: {100 * run['load_heat']:.0f} % of the heat it may have")
    return lines


def _around(said: dict[str, Any]) -> list[str]:
    lines = []
    if said["last"]:
        lines.append(f"Last: {said['last']['entry']}: {said['last']['text']}")
    lines += [f"Next: {one['due']} {one['entry']} ({one['run']}){_KEYS[one['run'] == 'soak']}" for one in said["next"]]
    lines += [f"Missed: {one['due']} {one['entry']} ({one['run']}): {one['why']}" for one in said["missed"]]
    lines += [f"Calibration of {one['instrument']}: {_due(one['due'], one['days'])}" for one in said["calibration"]]
    return lines


def _due(day: str, days: int) -> str:
    return f"OVERDUE, was due {day}" if days < 0 else f"due {day}, in {count(days, 'day')}"


@click.command("stop")
@port_option
def stop_command(port: int) -> int:
    """End the daemon's run, the key up first; the daemon goes on with its timetable."""
    last = client.stop(port)
    if last is None:
        click.echo("No run is on.")
        return 0
    session = f"session {last['session']}" if last["session"] else "no session"
    click.echo(f"{last['entry']}, {session}: {last['text']}")
    return 0
