"""Sessions beside each other: ``compare`` two of them, ``history`` of all that one transmitter has."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
from rich.console import Console

from benchlog.analysis.compare import compare
from benchlog.analysis.sameness import Taken
from benchlog.cli.data import write_text
from benchlog.cli.options import SessionRef, json_option, store_option
from benchlog.errors import BenchlogError, UsageError
from benchlog.report import comparison, history
from benchlog.report.words import listed
from benchlog.runs.records import Analysed, analyse_in, analyse_stored
from benchlog.store.reader import StoredSession, StoreReader

_HTML = click.option("--html", "html_path", type=click.Path(path_type=Path), help="Write it as one HTML file.")
_SAME = click.option(
    "--same", "same", multiple=True, metavar="INSTRUMENT",
    help="An instrument that cannot say who it is, and that you know to be the same, unaltered. Repeatable.",
)  # fmt: skip


@click.command("compare")
@click.argument("first", metavar="A", type=SessionRef())
@click.argument("second", metavar="B", type=SessionRef())
@store_option
@click.option("--other-store", type=click.Path(path_type=Path), help="The store that B is in, where it is another one.")
@_SAME
@click.option("--other-transmitter", is_flag=True, help="Compare them although the plans name two transmitters.")
@json_option
@_HTML
def compare_command(
    first: str | int,
    second: str | int,
    store_path: Path,
    other_store: Path | None,
    same: tuple[str, ...],
    other_transmitter: bool,
    as_json: bool,
    html_path: Path | None,
) -> int:
    """Compare session B with session A: what differs, and is it real?

    Give the earlier one first. Exit status 0 where nothing is really worse; 1 where something is, or where what A had
    measured cannot be compared.
    """
    a, b = analyse_in(store_path, first), analyse_in(other_store or store_path, second)
    _refuse_one_session(a, b)
    cautions = [*_transmitters(a, b, allowed=other_transmitter), *_cautions(a, b)]
    _known_instruments(same, [a, b])
    found = compare(_taken(a), _taken(b), same)
    serials = (a.plan.transmitter.serial, b.plan.transmitter.serial)
    both = comparison.Both(found, a.analysis.record.session, b.analysis.record.session, serials, cautions)
    status = 1 if found.worse or found.open_questions or not found.all else 0
    if html_path is not None:
        write_text(html_path, comparison.html(both))
    if as_json:
        click.echo(comparison.dumps(both, status), nl=False)
    elif html_path is not None:
        click.echo(f"Comparison of session {a.session.id} and session {b.session.id} written to {html_path}")
    else:
        Console(highlight=False).print(comparison.text(both))
    return status


def _taken(analysed: Analysed) -> Taken:
    return Taken(analysed.analysis, analysed.bench, analysed.events)


def _refuse_one_session(a: Analysed, b: Analysed) -> None:
    """Also where B is in a copy of A's store."""
    if a.analysis.record.session.digest == b.analysis.record.session.digest:
        raise UsageError(
            f"both are the same session: {a.session.id} and {b.session.id} have the same readings",
            where="A B",
            cure="Name two sessions; `benchlog sessions` lists them.",
        )


def _transmitters(a: Analysed, b: Analysed, *, allowed: bool) -> list[str]:
    """Raises UsageError where they are two and that was not asked for."""
    one, other = (_named(analysed.session) for analysed in (a, b))
    if one == other:
        return []
    if a.session.transmitter == b.session.transmitter and not (a.session.serial and b.session.serial):
        return [f"Only one of the two sessions states a serial number: {one}, and {other}."]
    if not allowed:
        raise UsageError(
            f"two transmitters: session {a.session.id} is of {one}, session {b.session.id} of {other}",
            where="A B",
            cure="Name two sessions of one; or say --other-transmitter, and they are compared all the same.",
        )
    return [f"These are two transmitters: {one}, and {other}."]


def _named(session: StoredSession) -> str:
    return f"{session.transmitter}, serial {session.serial}" if session.serial else session.transmitter


def _cautions(a: Analysed, b: Analysed) -> list[str]:
    said = []
    if b.session.started_ns < a.session.started_ns:
        said.append("The second session is the earlier one: what is called worse may be what was mended.")
    for analysed in (a, b):
        said += _doubts(analysed)
    if a.session.kind != b.session.kind and "soak" in (a.session.kind, b.session.kind):
        said.append("One session is a heat run and the other is not: how hot the set was differs, too.")
    if unstated := b.bench.unstated:
        said.append(f"No accuracy is stated for {listed(unstated)}: the uncertainties hold nothing but scatter.")
    return said


def _doubts(analysed: Analysed) -> list[str]:
    """What makes one session less than it seems."""
    said = []
    if analysed.session.ended_ns is None:
        said.append(f"Session {analysed.session.id} has no end: it is still running, or was cut off.")
    if analysed.altered:
        said.append(f"The readings of session {analysed.session.id} are not those it ended with: their digest differs.")
    return said


def _known_instruments(same: Sequence[str], sessions: Sequence[Analysed]) -> None:
    known = dict.fromkeys(instrument.name for analysed in sessions for instrument in analysed.bench.instruments)
    for name in same:
        if name not in known:
            cure = f"The bench files have {listed(known)}."
            raise UsageError(f'no instrument "{name}" in these sessions', where="--same", cure=cure)


@click.command("history")
@click.argument("transmitter", required=False)
@click.option("--serial", help='Which one, where several have one name; "" for the one without.')
@store_option
@_SAME
@json_option
@_HTML
def history_command(
    transmitter: str | None,
    serial: str | None,
    store_path: Path,
    same: tuple[str, ...],
    as_json: bool,
    html_path: Path | None,
) -> int:
    """All sessions of TRANSMITTER over time: power, droop, frequency error, and where they are going.

    TRANSMITTER is the name in the plan; it may be left out where the store knows only one.
    """
    reader = StoreReader.open(store_path)
    sessions = _sessions_of(reader, transmitter, serial)
    kept, cautions = _analysed(reader, sessions)
    _known_instruments(same, kept)
    found = history.history(sessions[0].serial, [_taken(one) for one in kept], same, cautions)
    if html_path is not None:
        write_text(html_path, history.html(found))
    if as_json:
        click.echo(history.dumps(found), nl=False)
    elif html_path is not None:
        click.echo(f"History of {history.title(found)} written to {html_path}")
    else:
        Console(highlight=False).print(history.text(found))
    return 0


def _sessions_of(reader: StoreReader, transmitter: str | None, serial: str | None) -> list[StoredSession]:
    """Those of one transmitter. Raises UsageError where it is none, or several, with what there is."""
    sessions = reader.sessions()
    if not sessions:
        raise UsageError("no session in this store yet", where=str(reader.path), cure="Run one, or import readings.")
    chosen = [
        one for one in sessions if transmitter in (None, one.transmitter) and (serial is None or serial == one.serial)
    ]
    names = dict.fromkeys(_named(one) for one in chosen)
    if len(names) == 1:
        return chosen
    known = "; ".join(dict.fromkeys(_named(one) for one in sessions))
    if not names:
        asked = " with that serial number" if serial is not None else ""
        what = f"no session of {transmitter or 'a transmitter'}{asked}"
    else:
        what = (
            f"sessions of {len(names)} transmitters"
            if transmitter is None
            else f'{len(names)} are called "{transmitter}"'
        )
    cure = f"Name one, and add --serial where several have one name. In the store: {known}."
    raise UsageError(what, where=str(reader.path), cure=cure)


def _analysed(reader: StoreReader, sessions: Sequence[StoredSession]) -> tuple[list[Analysed], list[str]]:
    """Those that can be analysed, and what is wrong with the others. Raises the first fault where none can."""
    kept: list[Analysed] = []
    cautions: list[str] = []
    first: BenchlogError | None = None
    for session in sessions:
        try:
            one = analyse_stored(reader, session.id)
        except BenchlogError as exc:
            first = first or exc
            cautions.append(f"Session {session.id} cannot be analysed, and is left out: {exc.what}.")
            continue
        kept.append(one)
        cautions += _doubts(one)
    if not kept and first is not None:
        raise first
    return kept, cautions
