"""What is in the store, and ways in and out: ``sessions``, ``report``, ``enter``, ``import``, ``export``."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchlog import ahead
from benchlog.cli.options import (
    bench_option,
    json_option,
    plan_option,
    read_files,
    session_argument,
    store_option,
)
from benchlog.cli.record import exit_status, print_budgets, print_record
from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.report import words
from benchlog.report.numbers import duration
from benchlog.runs.records import analyse_in
from benchlog.store.enter import enter
from benchlog.store.exchange import export_csv, export_parquet, import_csv
from benchlog.store.reader import StoredSession, StoreReader
from benchlog.store.starts import missed
from benchlog.store.whole import whole_file

if TYPE_CHECKING:
    from benchlog.report.pdf import Paper


@click.command("sessions")
@store_option
@json_option
def sessions_command(store_path: Path, as_json: bool) -> int:
    """List the sessions in the store."""
    reader = StoreReader.open(store_path)
    sessions = reader.sessions()
    counts = {session.id: reader.counts(session.id) for session in sessions}
    if as_json:
        click.echo(json.dumps([_as_json(session, counts[session.id]) for session in sessions], indent=2))
        return 0
    if not sessions:
        click.echo("No session in this store yet.")
        _echo_missed(store_path)
        return 0
    table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=True, padding=(0, 1))
    for heading in ("No.", "Kind", "Transmitter", "Started (UTC)", "Lasted", "Readings", "Ended"):
        table.add_column(heading, overflow="fold", justify="right" if heading in ("No.", "Readings") else "left")
    for session in sessions:
        lasted = "" if session.ended_ns is None else duration((session.ended_ns - session.started_ns) / 1e9)
        table.add_row(
            str(session.id),
            session.kind,
            Text(session.transmitter),
            words.stamp(session.started_ns),
            lasted,
            f"{sum(counts[session.id].values()):,}",
            Text(_ended(session)),
        )
    Console(highlight=False).print(table)
    _echo_missed(store_path)
    return 0


def _echo_missed(store_path: Path) -> None:
    """What the timetable wanted and did not get."""
    for start in missed(store_path):
        click.echo(f"Missed: {start.entry} ({start.run}), due {words.stamp(start.due_ns)} UTC: {start.missed}")


def _ended(session: StoredSession) -> str:
    said = session.ending if session.ended_ns is not None else "not ended: running, or cut off"
    return said if session.revision is None else f"{said}; revision {session.revision}"


def _as_json(session: StoredSession, counts: dict[str, int]) -> dict[str, Any]:
    return {
        "id": session.id,
        "kind": session.kind,
        "transmitter": session.transmitter,
        "bench": session.bench,
        "started": rfc3339(session.started_ns),
        "ended": None if session.ended_ns is None else rfc3339(session.ended_ns),
        "ending": session.ending if session.ended_ns is not None else None,
        "readings": counts,
        "revision": session.revision,
    }


@click.command("report")
@session_argument
@store_option
@json_option
@click.option("--html", "html_path", type=click.Path(path_type=Path), help="Write the record as one HTML file.")
@click.option("--pdf", "pdf_path", type=click.Path(path_type=Path), help="Write the record as a PDF file.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="What the PDF is for; a4 unless said.")
@click.option("--revision", type=click.IntRange(min=0), help="Not the newest revision, but this one; 0 is the first.")
@click.option("--budget", is_flag=True, help="Print what each uncertainty is made of, instead of the record.")
@click.option("--band", metavar="NAME", help="With --budget: of one band of the plan alone.")
def report_command(
    session: str | int,
    store_path: Path,
    as_json: bool,
    html_path: Path | None,
    pdf_path: Path | None,
    paper: Paper | None,
    revision: int | None,
    budget: bool,
    band: str | None,
) -> int:
    """Print the record of SESSION (a number, or "last"), or write it as HTML or PDF.

    All three, and JSON, have the uncertainty budgets of all results; as a table they are printed with --budget.
    Exit status 0 where every verdict passed, 1 where one failed or is undecided.
    """
    documents = [path for path in (html_path, pdf_path) if path is not None]
    if paper is not None and pdf_path is None:
        raise UsageError("--paper says what a PDF is for", where="--paper", cure="Give it together with --pdf.")
    if band is not None and (not budget or as_json or documents):
        raise UsageError("--band picks the budgets to print", where="--band", cure="Give it together with --budget.")
    if documents:
        ahead.want("benchlog.report.html", "benchlog.report.pictures")
    analysed = analyse_in(store_path, session, revision)
    if documents:
        from benchlog.report import html

        page = html.document(analysed)
        if pdf_path is not None:
            from benchlog.report import pdf

            write_file(pdf_path, pdf.render(page, paper or "a4"))
        if html_path is not None:
            write_text(html_path, page)
        if not as_json:
            for path in documents:
                click.echo(f"Record of session {analysed.session.id} written to {path}")
            return exit_status(analysed)
    if budget and not as_json:
        return print_budgets(analysed, band)
    return print_record(analysed, as_json=as_json)


def write_text(path: Path, text: str) -> None:
    """Raises UsageError where the file cannot be written."""
    write_file(path, text.encode("utf-8"))


def write_file(path: Path, content: bytes) -> None:
    """Whole, or what was there before stays. Raises UsageError where the file cannot be written."""
    try:
        if path.exists() and not path.is_file():  # a terminal, a pipe
            path.write_bytes(content)
            return
        with whole_file(path) as draft:
            draft.write_bytes(content)
    except OSError as exc:
        raise UsageError(f"cannot be written: {exc.strerror}", where=str(path), cure="Name another file.") from None


_BOTH_WAYS = re.compile(r"[-+]?[1-9][0-9]{0,2},[0-9]{3}")  # the comma may part thousands, or be a decimal one


@click.command("enter", context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("value")
@store_option
def enter_command(channel: str, value: str, store_path: Path) -> int:
    """Enter a reading by hand into the running session: the needle nobody can poll.

    CHANNEL is one of a "typed" instrument of the bench file; VALUE is a number in the channel's unit.
    """
    said = value.strip().replace("\u2212", "-")
    try:
        number = float(said.replace(",", "."))  # as on the page
    except ValueError:
        raise UsageError(
            f'"{value}" is not a number',
            where="VALUE",
            cure="Give the number alone, in the channel's unit: 850 or -97.5",
        ) from None
    if _BOTH_WAYS.fullmatch(said):
        raise UsageError(
            f'"{value}" can be read in two ways', where="VALUE", cure=f"Give {said.replace(',', '')} or {number:g}."
        )
    reading = enter(store_path, channel, number)
    click.echo(f"{channel} = {reading.value:g}, {duration(reading.t_ns / 1e9)} into the session")
    return 0


@click.command("import")
@click.argument("csv_path", metavar="CSV", type=click.Path(path_type=Path))
@bench_option
@plan_option
@store_option
def import_command(csv_path: Path, bench_path: Path, plan_path: Path, store_path: Path) -> int:
    """Take readings from a CSV file as a new session; its number is printed last.

    The file has a header time,channel,value (state may follow), times as in RFC 3339, channels as in the bench file,
    values in the channels' units. A bad row is named by its line, and nothing is imported unless all is good.
    """
    bench, plan = read_files(bench_path, plan_path)
    click.echo(import_csv(csv_path, store_path, bench, plan))
    return 0


@click.command("export")
@session_argument
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
@store_option
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def export_command(session: str | int, path: Path, store_path: Path, force: bool) -> int:
    """Write the raw readings of SESSION to FILE: CSV or Parquet, by the name's ending.

    The CSV is what `import` takes; Parquet has everything the store has of a reading.
    """
    ways = {".csv": export_csv, ".parquet": export_parquet}
    way = ways.get(path.suffix.lower())
    if way is None:
        raise UsageError("the name says neither CSV nor Parquet", where=str(path), cure="End it in .csv or .parquet.")
    reader = StoreReader.open(store_path)
    found = reader.session(session)
    way(reader, found.id, path, force=force)
    click.echo(f"Session {found.id} written to {path}")
    return 0
