"""Runs: ``sweep`` and ``watch`` with a person at the key, ``soak`` with the guard at it."""

from __future__ import annotations

import _thread
import contextlib
import math
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from benchlog.acquire.registry import find
from benchlog.bench import Bench
from benchlog.cli.options import (
    PageOptions,
    bench_option,
    json_option,
    page_options,
    plan_option,
    read_files,
    store_option,
)
from benchlog.cli.record import print_record
from benchlog.cli.screen import Screen
from benchlog.clock import Clock
from benchlog.errors import BenchlogError, UsageError
from benchlog.keying.limits import refuse_too_long
from benchlog.model import SessionKind
from benchlog.plan import Plan
from benchlog.report.numbers import duration
from benchlog.report.words import CAUTION
from benchlog.runs.conduct import Conducted, conduct, look_round
from benchlog.runs.happenings import Happening, Tick
from benchlog.runs.records import analyse_in
from benchlog.runs.session import Session
from benchlog.runs.soak import planned
from benchlog.simulate.lease import factor_for

if TYPE_CHECKING:  # a run without a page does without the web server
    from benchlog.page.house import Attended

yes_option = click.option("--yes", is_flag=True, help="Do not ask before the transmitter is keyed.")


@click.command("sweep")
@bench_option
@plan_option
@store_option
@json_option
@click.option("--key", "keys", is_flag=True, help="Key through the bench's key line, each time you press Enter.")
@yes_option
@page_options
def sweep_command(
    bench_path: Path,
    plan_path: Path,
    store_path: Path,
    as_json: bool,
    keys: bool,
    yes: bool,
    page: PageOptions | None,
) -> int:
    """Go through the plan's bands, one key-down each.

    You are told the band, the dial and what to mind; tune, and key down when ready. The key-down is detected by
    its power and recognised by its frequency, so no hand is needed at the computer. Ctrl-C ends the session and
    keeps everything. The record is printed at the end.
    """
    bench, plan = read_files(bench_path, plan_path)
    if keys:
        _ask_before_keying(
            "sweep", bench, plan, f"{duration(plan.sweep.key_down)} at a time, whenever you ask", yes=yes
        )
    return attend("sweep", bench, plan, store_path, as_json=as_json, keys=keys, page=page)


@click.command("watch")
@bench_option
@plan_option
@store_option
@json_option
@page_options
def watch_command(bench_path: Path, plan_path: Path, store_path: Path, as_json: bool, page: PageOptions | None) -> int:
    """Log whatever is keyed, in any order, until Ctrl-C.

    Each key-down is recognised by its frequency, measured and told. The record is printed at the end.
    """
    bench, plan = read_files(bench_path, plan_path)
    return attend("watch", bench, plan, store_path, as_json=as_json, page=page)


@click.command("soak")
@bench_option
@plan_option
@store_option
@json_option
@yes_option
@page_options
def soak_command(
    bench_path: Path, plan_path: Path, store_path: Path, as_json: bool, yes: bool, page: PageOptions | None
) -> int:
    """Key the transmitter in cycles of key-down and rest, for hours: the plan's [soak].

    A guard, a process of its own, holds the key line of the bench file. It keys up at the end of each key-down, when
    the load is hot, when this program stops talking to it, and when it ends itself. A limit crossed ends the run with
    exit status 4. Software is no interlock: an independent hardware time-out belongs behind the key line.
    """
    bench, plan = read_files(bench_path, plan_path)
    run = planned(plan)
    span = f"{duration(run.key_down)} at a time, for {duration(run.lasts)}"
    _ask_before_keying("soak", bench, plan, span, yes=yes)
    return attend("soak", bench, plan, store_path, as_json=as_json, page=page)


def _ask_before_keying(kind: Literal["sweep", "soak"], bench: Bench, plan: Plan, span: str, *, yes: bool) -> None:
    """Raises UsageError where there is no key line, it would not go down for so long, or nobody is to be asked."""
    if bench.key is None:
        where, cure = str(bench.source.path), "Add it, or key by hand: `benchlog sweep`, `benchlog watch`."
        raise UsageError("the bench file names no key line ([key])", where=where, cure=cure)
    refuse_too_long(kind, bench, plan, factor_for(bench.addresses))
    if yes:
        return
    click.echo(f"This keys the transmitter on {bench.key.address}: {span}.\n{CAUTION}", err=True)
    if not sys.stdin.isatty():
        raise UsageError("nobody is there to be asked", where="--yes", cure="Say --yes to key without being asked.")
    click.confirm("Is it connected to a load of known rating, and may it be keyed?", abort=True, err=True)


def attend(
    kind: SessionKind,
    bench: Bench,
    plan: Plan,
    store: Path,
    *,
    as_json: bool,
    keys: bool = False,
    at_most_s: float = math.inf,
    page: PageOptions | None = None,
) -> int:
    """One session from its first reading to its printed record. Returns the exit status.

    ``at_most_s``, in session time, is for where nobody is there to end it. A page stays up after the run, so that the
    record can be read there, until it is ended; a signal that ended the run ends it too.
    """
    with stopped_by_signals() as stop, _shown(bench, plan, store, page) as shown:
        clock = Clock(factor_for(bench.addresses))
        key_down_s = plan.soak.key_down if kind == "soak" and plan.soak else plan.sweep.key_down
        with Screen(plan, key_down_s=key_down_s, prompt=_prompt(kind, plan, keys)) as screen:
            _look_round(screen, bench, clock)
            session = Session(kind, bench, plan, store=store, clock=clock, drivers=find, keys=keys)
            several = kind == "soak" and plan.soak is not None and len(plan.soak.bands) > 1
            if keys or several:
                threading.Thread(target=_hear_the_operator, args=(session,), daemon=True).start()
            if bench.key is not None and kind != "soak" and not keys:
                text = f"! {kind} keys nothing, whatever key line the bench file names: you key, it listens."
                screen.say(text, "bold")

            def tell(happening: Happening) -> None:
                screen.show(happening)
                if isinstance(happening, Tick) and happening.t_s > at_most_s:
                    stop.set()

            done = shown.conduct(session, stop, tell) if shown else conduct(session, stop, tell)
            if done.stopped is not None:
                screen.alarm(f"STOPPED FOR SAFETY: {done.stopped}")
        status = _print(store, done, as_json=as_json)
        if shown is not None and (session.why or not stop.is_set()):
            click.echo(f"The page stays at {shown.address}\nCtrl-C ends it.", err=True)
            stop.clear()
            stop.wait()
        return status


def _look_round(screen: Screen, bench: Bench, clock: Clock) -> None:
    for found in look_round(bench, find, clock):
        name = found.instrument.name
        if found.fault:
            screen.say(f"! {name}: {found.fault}; it is tried again all along", "bold")
        else:
            screen.say(f"{name}: {found.identity or 'there; cannot say who it is'}")


def _print(store: Path, done: Conducted, *, as_json: bool) -> int:
    if done.stopped is None:
        return print_record(analyse_in(store, done.session_id), as_json=as_json)
    try:
        print_record(analyse_in(store, done.session_id), as_json=as_json)
    except BenchlogError as exc:  # that it was stopped for safety matters more than that the record cannot be shown now
        click.echo(f"benchlog: {exc}", err=True)
    return done.stopped.exit_status


@dataclass(frozen=True)
class _Shown:
    """A run that is seen on a page."""

    house: Attended
    address: str

    def conduct(self, session: Session, stop: threading.Event, tell: Callable[[Happening], None]) -> Conducted:
        """As ``runs.conduct``, with the page hearing of everything, its end however it ends included."""
        feed = self.house.feed

        def told(happening: Happening) -> None:
            feed.tell(happening)
            tell(happening)

        self.house.begin(session, stop)
        try:
            done = conduct(session, stop, told)
        except BaseException as exc:
            self.house.over("failed", exc.what if isinstance(exc, BenchlogError) else repr(exc))
            raise
        self.house.over("ended" if done.stopped is None else "stopped", session.ending)
        return done


@contextlib.contextmanager
def _shown(bench: Bench, plan: Plan, store: Path, page: PageOptions | None) -> Iterator[_Shown | None]:
    if page is None:
        yield None
        return
    from benchlog.page.house import Attended
    from benchlog.page.server import Page

    house = Attended(bench.name, plan.transmitter.name, store)
    with Page(page.port, page.listen) as server:
        server.serve(house)
        click.echo(f"The page: {server.address}", err=True)
        yield _Shown(house, server.address)


def _prompt(kind: SessionKind, plan: Plan, keys: bool) -> str:
    """What to do once a band is set."""
    if kind == "soak":
        return "Press Enter when it is set: the key goes down after the rest."
    span, half = duration(plan.sweep.key_down), duration(plan.sweep.key_down / 2)
    if keys:
        return f"Enter keys down for {span} to measure; t and Enter, for a few seconds to tune."
    return f"Key down for {span} when ready; shorter than {half} counts as tuning."


def _hear_the_operator(session: Session) -> None:
    """Lines typed while the session runs; its own thread, because a line is waited for."""
    for line in sys.stdin:
        session.asked.put("tuning" if line.strip().lower() == "t" else "measuring")


@contextlib.contextmanager
def stopped_by_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C, SIGTERM and a closed terminal set; what was set before comes back afterwards.

    A handler runs in the middle of whatever the main thread does, also of ``stop.wait`` with the event's lock in hand:
    there ``set`` would wait for ever. So another thread does it, a bare one, for ``threading`` has locks of its own.
    """
    stop = threading.Event()
    before = {}
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        before[number] = signal.signal(number, lambda *_: _thread.start_new_thread(stop.set, ()))
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
