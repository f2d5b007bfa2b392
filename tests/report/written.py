"""Invented sessions put into a store, as a user would: readings as CSV, and the import command."""

from __future__ import annotations

from pathlib import Path

from benchlog.clock import rfc3339
from tests.cli.conftest import benchlog
from tests.report import samples


def imported(folder: Path, session: samples.Session) -> Path:
    """The store, with the session in it as number 1."""
    lines = ["time,channel,value"]
    for name, raw in session.raw.items():
        for t_ns, value, state in zip(raw.t_ns, raw.value, raw.state, strict=True):
            if state == 0:
                lines.append(f"{rfc3339(samples.STARTED_NS + int(t_ns), 9)},{name},{float(value)!r}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n")
    bench = session.bench.source.text.replace('driver = "any"', 'driver = "scpi"')
    (folder / "bench.toml").write_text(bench)
    (folder / "plan.toml").write_text(session.plan.source.text)
    files = ("--bench", folder / "bench.toml", "--plan", folder / "plan.toml", "--store", folder / "s.benchlog")
    benchlog("import", folder / "readings.csv", *files, status=0)
    return folder / "s.benchlog"
