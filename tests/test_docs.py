"""The README and the example files say what the program does; where they drift apart, the build fails."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchlog.acquire.registry import find, installed
from benchlog.analysis.results import BandResult, InstrumentState, Result
from benchlog.bench import KEY_OPTIONS, load_bench
from benchlog.cli import _COMMANDS, cli
from benchlog.clock import Clock
from benchlog.files import Table
from benchlog.model import Component, State
from benchlog.page.api import Parts, make_api
from benchlog.page.assets import Assets
from benchlog.page.clerk import Clerk
from benchlog.page.guards import Law
from benchlog.page.house import Attended
from benchlog.page.needles import Needles
from benchlog.page.stored import StoredSeries
from benchlog.page.stream import Hub
from benchlog.plan import load_plan
from benchlog.store.writer import SessionWriter

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()


def rows_of(heading: str) -> list[list[str]]:
    """The cells of the table whose head row begins so."""
    lines = README.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| {heading} |"))
    found = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        found.append([cell.strip() for cell in line.strip("|").split(" | ")])
    return found


def code_in(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_job_comes_first() -> None:
    first = README.split("\n\n")[1]
    assert "transmitter" in first
    assert "record" in first
    assert README.index("kills") < README.index("## Two commands"), "cautions come before commands"


def test_every_command_is_in_the_readme_and_no_other() -> None:
    named = {code_in(row[0])[0].split()[1] for row in rows_of("command")}
    assert named == set(_COMMANDS)


def test_the_group_tells_of_each_command_what_the_command_tells_itself() -> None:
    for name in _COMMANDS:
        command = cli.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None
        assert command.name == name
        assert command.help


def test_every_driver_and_each_of_its_options_is_in_the_readme() -> None:
    described = {code_in(row[0])[0]: " ".join(row) for row in rows_of("driver")}
    assert set(described) == {driver.name for driver in installed()}
    everything = " ".join(described.values())
    for name in described:
        driver: Any = find(name)
        options: type[Table] = driver.Options
        for option in options.model_fields:
            assert f"`{option}`" in everything, f"{name}: {option}"


def test_every_key_line_and_each_of_its_options_is_in_the_readme() -> None:
    described = {code_in(row[0])[0]: code_in(" ".join(row[1:])) for row in rows_of("`[key]` driver")}
    assert set(described) == set(KEY_OPTIONS)
    for name, options in KEY_OPTIONS.items():
        assert set(options.model_fields) <= set(described[name]), name


def test_the_stores_tables_are_as_documented(tmp_path: Path) -> None:
    bench, plan = load_bench(ROOT / "config/bench.toml", find), load_plan(ROOT / "config/plan.toml")
    store = tmp_path / "s.benchlog"
    SessionWriter.begin(store, kind="watch", bench=bench, plan=plan, clock=Clock()).end("done")
    with closing(sqlite3.connect(store)) as db:
        tables = [
            name
            for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type IN ('table', 'view')")
            if not name.startswith(("sqlite_", "_"))
        ]
        columns = {name: [row[1] for row in db.execute(f"PRAGMA table_xinfo({name})")] for name in tables}
    documented = {code_in(row[0])[0]: [c for c in code_in(row[1]) if c != "NULL"] for row in rows_of("table")}
    assert documented == columns


def test_the_records_fields_are_as_documented() -> None:
    rows = {row[0].strip("`"): row[1] for row in rows_of("key")}
    missing = Result.missing(None)
    band = BandResult("b", 1.0, 0, missing, missing, missing, missing, missing, None).as_json()
    assert [c for c in code_in(rows["bands[]"]) if c != "M"] == list(band)
    assert [c for c in code_in(rows["M"]) if c not in ("null",)] == list(missing.as_json())
    line = replace(missing, budget=(Component(1.0),)).as_json()["budget"][0]
    assert [c for c in code_in(rows["budget[]"]) if c != "null"] == list(line)
    assert [c for c in code_in(rows["instruments[]"]) if c != "null"] == list(InstrumentState("i").as_json())
    assert code_in(rows["readings"]) == [state.value.replace("-", "_") for state in State]


def test_every_route_of_the_page_is_in_the_readme_and_no_other(tmp_path: Path) -> None:
    house = Attended("bench", "transmitter", tmp_path / "none")
    law, hub = Law("token", 1), Hub(house.feed)
    clerk = Clerk(house.store, house.feed)
    try:
        api = make_api(Parts(house, law, hub, clerk, StoredSeries(house.store), Needles(house), Assets())).openapi()
    finally:
        clerk.close()
    routes = {f"{method.upper()} {path}" for path, methods in api["paths"].items() for method in methods}
    assert {code_in(row[0])[0] for row in rows_of("route")} == routes


def test_the_example_files_have_no_faults() -> None:
    load_bench(ROOT / "config/bench.toml", find)
    load_plan(ROOT / "config/plan.toml")


def test_no_licence_is_claimed() -> None:
    assert not list(ROOT.glob("LICEN[CS]E*"))
    assert "owner's choice" in README
