"""An old session analysed with a better bench file: ``revise``."""

from __future__ import annotations

from pathlib import Path

import click

from benchlog.cli.options import SessionRef, bench_option, json_option, store_option
from benchlog.cli.record import print_record
from benchlog.report import record_json
from benchlog.runs.revise import revise


@click.command("revise")
@click.argument("session", type=SessionRef())
@bench_option
@store_option
@click.option("--because", default="", metavar="TEXT", help="Why, in a sentence: it stands in the record.")
@json_option
def revise_command(session: str | int, bench_path: Path, store_path: Path, because: str, as_json: bool) -> int:
    """Analyse SESSION (a number, or "last") again with another bench file, and print the new record.

    For a correction or a calibration that came later. The raw readings stay as they are, and so do the records before:
    `report SESSION --revision 0` shows the first. The bench file must have the session's channels and units.
    """
    return print_record(revise(store_path, session, bench_path, because.strip(), record_json.dumps), as_json=as_json)
