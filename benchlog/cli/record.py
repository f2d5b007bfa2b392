"""The record on standard output, and the exit status it means."""

from __future__ import annotations

import click

from benchlog import __version__
from benchlog.errors import UsageError
from benchlog.report import record_json
from benchlog.report.ending import ALTERED, ending
from benchlog.report.words import judge
from benchlog.runs.records import Analysed


def print_record(analysed: Analysed, *, as_json: bool) -> int:
    """As text, or as the contract's JSON. Returns the exit status."""
    if as_json:
        click.echo(record_json.dumps(analysed.analysis.record))
    else:
        from rich.console import Console

        from benchlog.report import text

        Console(highlight=False, soft_wrap=False).print(
            text.render(analysed.analysis, analysed.plan, ending=ending(analysed))
        )
    return _told(analysed)


def print_budgets(analysed: Analysed, band: str | None) -> int:
    """The uncertainty budgets, of one band alone where one is named. Returns the exit status.

    Raises UsageError: the plan has no such band.
    """
    from rich.console import Console

    from benchlog.report import text

    names = [one.name for one in analysed.plan.bands]
    if band is not None and band not in names:
        raise UsageError(f'the plan has no band "{band}"', where="--band", cure=f"Its bands are: {', '.join(names)}.")
    Console(highlight=False, soft_wrap=False).print(text.render_budgets(analysed.analysis, analysed.plan, band))
    return _told(analysed)


def _told(analysed: Analysed) -> int:
    if analysed.altered:
        where = f"`benchlog verify {analysed.session.id}` tells where."
        click.echo(f"benchlog: {ALTERED} {where}", err=True)
    for line in differing(analysed):
        click.echo(f"benchlog: {line}", err=True)
    return exit_status(analysed)


MOST_DIFFERENCES = 5


def differing(analysed: Analysed) -> list[str]:
    """What a record says otherwise than when it was made, in a few lines; nothing where it says the same."""
    found = analysed.differing
    if not found or analysed.revision is None:
        return []
    head = f"benchlog {analysed.revision.program} recorded this revision otherwise than {__version__} works it out now:"
    more = len(found) - MOST_DIFFERENCES
    return [head, *found[:MOST_DIFFERENCES], *([f"and {more} more places"] if more > 0 else [])]


def exit_status(analysed: Analysed) -> int:
    """0 where something was measured and every verdict passed, else 1."""
    record = analysed.analysis.record
    passed = bool(record.bands) and all(judge(band).verdict == "pass" for band in record.bands)
    if record.dial is not None:
        passed = passed and record.dial.common_hz.verdict == "pass"
    return 0 if passed and not analysed.altered else 1
