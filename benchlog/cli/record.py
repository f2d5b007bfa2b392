"""The record on standard output, and the exit status it means."""

from __future__ import annotations

import click

from benchlog.report import record_json
from benchlog.report.words import judge
from benchlog.runs.records import Kept


def print_record(kept: Kept, *, as_json: bool) -> int:
    """As text, or as the contract's JSON. Returns the exit status."""
    if as_json:
        click.echo(record_json.dumps(kept.analysis.record))
    else:
        from rich.console import Console

        from benchlog.report import text

        Console(highlight=False, soft_wrap=False).print(text.render(kept.analysis, kept.plan, ending=ending(kept)))
    if kept.altered:
        click.echo("benchlog: the readings are not those the session ended with: their digest differs.", err=True)
    return exit_status(kept)


def ending(kept: Kept) -> str:
    """How the session ended, as a sentence."""
    if kept.session.ended_ns is None:
        return "Not ended: it is still running, or was cut off."
    text = kept.session.ending or "ended"
    return f"{text[0].upper()}{text[1:]}."


def exit_status(kept: Kept) -> int:
    """0 where something was measured and every verdict passed, else 1."""
    record = kept.analysis.record
    passed = bool(record.bands) and all(judge(band).verdict == "pass" for band in record.bands)
    if record.dial is not None:
        passed = passed and record.dial.common_hz.verdict == "pass"
    return 0 if passed and not kept.altered else 1
