"""The front door: parse words, call the library, render, exit. One module per group of commands.

Exit status: 0 done and every verdict passed; 1 done, but something failed or is undecided; 2 usage or a bad
file; 3 the bench failed (an instrument, the store); 4 stopped for safety. Errors go to standard error: what
happened, where, what to do.
"""

from __future__ import annotations

import codecs
import difflib
import gc
import io
import os
import sys
import traceback
from importlib import import_module

import click

from benchlog import __version__
from benchlog.errors import BenchlogError

# Loaded when called: `benchlog --help` must not wait for numpy and its like.
_COMMANDS = {
    "demo": ("benchlog.cli.demo", "Run a five-band sweep on the built-in simulated bench."),
    "check": ("benchlog.cli.bench", "Check the files, ask every instrument who it is and what it reads."),
    "drivers": ("benchlog.cli.bench", "List the instrument drivers that are installed."),
    "sweep": ("benchlog.cli.live", "Go through the plan's bands, one key-down each."),
    "soak": ("benchlog.cli.live", "Key in cycles of key-down and rest, for hours: a heat run."),
    "watch": ("benchlog.cli.live", "Log whatever is keyed, in any order, until stopped."),
    "serve": ("benchlog.cli.daemon", "Start runs by the timetable, unattended: the daemon."),
    "status": ("benchlog.cli.daemon", "How the daemon is: the run that is on, what is next, what was missed."),
    "stop": ("benchlog.cli.daemon", "End the daemon's run, the key up first."),
    "enter": ("benchlog.cli.data", "Enter a reading by hand into the running session."),
    "sessions": ("benchlog.cli.data", "List the sessions in the store."),
    "report": ("benchlog.cli.data", "Print or write the record of a session."),
    "revise": ("benchlog.cli.revise", "Analyse an old session again with a better bench file."),
    "compare": ("benchlog.cli.compare", "Compare two sessions: what differs, and is it real?"),
    "history": ("benchlog.cli.compare", "All sessions of one transmitter over time."),
    "verify": ("benchlog.cli.verify", "Is it what was measured? Recompute digests, say what was altered."),
    "import": ("benchlog.cli.data", "Take readings from a CSV file as a new session."),
    "export": ("benchlog.cli.data", "Write a session's raw readings as CSV or Parquet."),
}


class _Lazy(click.Group):
    """Knows its commands by name and line of help, and loads one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module = import_module(_COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as exc:
            close = difflib.get_close_matches(args[0], _COMMANDS, n=1)
            hint = f" Did you mean '{close[0]}'?" if close else ""
            raise click.UsageError(f"{exc.message}{hint}", ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in _COMMANDS.items()])


@click.group(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Lethal voltages and RF burns: read the cautions in the README first. Software is no interlock.",
)
@click.version_option(__version__, prog_name="benchlog")
def cli() -> None:
    """Log a transmitter bench while the key is down, and write a record a stranger can trust."""


# What a record has beyond ASCII, for terminals and files that have not got it; anything else becomes "?".
_PLAIN = {"±": "+/-", "−": "-", "–": "-", "─": "-", "×": "x", "²": "2", "°": "deg ", "ν": "nu", "∞": "inf", "µ": "u"}


def _plainer(exc: UnicodeError) -> tuple[str, int]:
    """An error handler of ``codecs``."""
    if not isinstance(exc, UnicodeEncodeError):
        raise exc
    return "".join(_PLAIN.get(one, "?") for one in exc.object[exc.start : exc.end]), exc.end


def main() -> None:
    """The ``benchlog`` command."""
    codecs.register_error("plainer", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without our characters is no reason to show nothing
            stream.reconfigure(errors="plainer")
    # Our matrices are small: numpy's threads would spin beside each other, and beside processes of ours (``cores``).
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(10_000)  # of what is loaded nothing is rubbish: to look through it was a twentieth of a report
    try:
        status = cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as exc:
        exc.show()
        sys.exit(2)
    except BenchlogError as exc:
        click.echo(f"benchlog: {exc}", err=True)
        sys.exit(exc.exit_status)
    except BrokenPipeError:  # `benchlog report | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as exc:  # noqa: BLE001 - the last line of defence: no traceback reaches a user
        if os.environ.get("BENCHLOG_TRACEBACK"):
            traceback.print_exc()
        click.echo(
            f"benchlog: a fault in benchlog itself: {type(exc).__name__}: {exc}\n"
            "  What was committed to the store is kept. Set BENCHLOG_TRACEBACK=1 and run it again to see where, "
            "and please report it.",
            err=True,
        )
        sys.exit(3)
    sys.exit(status if isinstance(status, int) else 0)
