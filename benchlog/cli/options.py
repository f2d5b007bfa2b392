"""Options and arguments that several commands share, so that they read the same everywhere."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from benchlog.bench import Bench, load_bench
from benchlog.errors import BadFile, UsageError
from benchlog.plan import Plan, load_plan, refuse_misfits

F = TypeVar("F", bound=Callable[..., Any])


def _file_option(name: str, default: str, what: str) -> Callable[[F], F]:
    return click.option(
        f"--{name}", f"{name}_path", type=click.Path(path_type=Path), default=default, show_default=True,
        envvar=f"BENCHLOG_{name.upper()}", show_envvar=True, help=what,
    )  # fmt: skip


bench_option = _file_option("bench", "bench.toml", "The bench file: instruments, load, limits.")
plan_option = _file_option("plan", "plan.toml", "The plan file: transmitter, bands, what each must reach.")
store_option = _file_option("store", "bench.benchlog", "The store: one SQLite file with all sessions.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON on standard output.")


listen_option = click.option(
    "--listen", metavar="ADDRESS", default="",
    help="Serve the page on this address of the computer as well; there it needs the token for everything.",
)  # fmt: skip


PAGE_PORT = 21851  # the daemon's is the one before


@dataclass(frozen=True, slots=True)
class PageOptions:
    """Where a run's page is to be."""

    port: int
    listen: str


def page_options(command: F) -> F:
    """``--page``, ``--port``, ``--listen``; the command takes ``page: PageOptions | None``."""

    @click.option("--page", "with_page", is_flag=True, help="Serve a live page of the run; its address is printed.")
    @click.option(
        "--port", type=click.IntRange(0, 65535), default=PAGE_PORT, show_default=True,
        help="The page's port; any free one for 0.",
    )  # fmt: skip
    @listen_option
    @functools.wraps(command)
    def wrapped(with_page: bool, port: int, listen: str, **words: Any) -> Any:
        if listen and not with_page:
            raise UsageError("there is no page to listen for", where="--listen", cure="Say --page too.")
        return command(page=PageOptions(port, listen) if with_page else None, **words)

    return cast(F, wrapped)


class SessionRef(click.ParamType[str | int]):
    """A session's number, or ``last``."""

    name = "session"
    words: tuple[str, ...] = ("last",)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str | int:
        """The number, or one of ``words``."""
        if isinstance(value, int):
            return value
        if value in self.words:
            return str(value)
        if not str(value).isdecimal():
            words = " or ".join(f'"{word}"' for word in self.words)
            self.fail(f"{value!r} is not a session: give its number (see `benchlog sessions`) or {words}", param, ctx)
        return int(value)


session_argument = click.argument("session", type=SessionRef(), default="last")


def read_files(bench_path: Path, plan_path: Path) -> tuple[Bench, Plan]:
    """Both files; where both have faults, the faults of both are told."""
    from benchlog.acquire.registry import find

    bad: list[BadFile] = []
    bench = plan = None
    try:
        bench = load_bench(bench_path, find)
    except BadFile as exc:
        bad.append(exc)
    try:
        plan = load_plan(plan_path)
    except BadFile as exc:
        bad.append(exc)
    if bench is None or plan is None:
        if len(bad) == 2:
            click.echo(f"benchlog: {bad[0]}", err=True)
        raise bad[-1]
    refuse_misfits(bench, plan)
    return bench, plan
