"""The main job on the built-in simulated bench."""

from __future__ import annotations

from pathlib import Path

import click

from benchlog.acquire.registry import find
from benchlog.bench import load_bench
from benchlog.cli.data import write_text
from benchlog.cli.live import attend
from benchlog.cli.options import PageOptions, json_option, page_options
from benchlog.errors import UsageError
from benchlog.plan import load_plan
from benchlog.runs.records import analyse_in
from benchlog.simulate.bench import INSTRUMENTS
from benchlog.simulate.process import BenchProcess
from benchlog.simulate.troubles import planned

STORE, RECORD = "demo.benchlog", "record.html"


@click.command("demo")
@click.option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), default="benchlog-demo", show_default=True,
    help="Where the files go: bench, plan, store and record.",
)  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed is another day at the bench.")
@click.option(
    "--time-factor", type=click.FloatRange(1, 20), default=6.0, show_default=True,
    help="How much faster than life the simulated bench runs.",
)  # fmt: skip
@click.option(
    "--trouble", "troubles", multiple=True, metavar="WHAT",
    help="Let an instrument misbehave: counter=garbage@60..90 (seconds into the sweep). May be repeated.",
)  # fmt: skip
@json_option
@page_options
def demo_command(
    folder: Path, seed: int, time_factor: float, troubles: tuple[str, ...], as_json: bool, page: PageOptions | None
) -> int:
    """Run a five-band sweep on the built-in simulated bench, to a record; about a minute.

    Six simulated instruments are served over real TCP sockets and real pseudo-terminals by a process of their own;
    a simulated operator tunes and keys an invented transmitter. Everything else is the program itself.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"cannot be made: {exc.strerror}", where=str(folder), cure="Name another folder.") from None
    for trouble in troubles:
        planned(trouble, INSTRUMENTS)  # a wrong word is told before anything starts
    with BenchProcess(folder, seed=seed, time_factor=time_factor, script="sweep", troubles=troubles) as simulated:
        bench, plan = load_bench(simulated.bench_file, find), load_plan(simulated.plan_file)
        simulated.start()
        # A band that went unheard would be waited for; the simulated operator goes home when his script ends.
        over_s = simulated.script_s + plan.sweep.rest
        status = attend("sweep", bench, plan, folder / STORE, as_json=as_json, at_most_s=over_s, page=page)
    analysed = analyse_in(folder / STORE, "last")
    from benchlog.report import html

    write_text(folder / RECORD, html.document(analysed))
    click.echo(f"\nThe record, to open in a browser: {folder / RECORD}", err=True)
    return status
