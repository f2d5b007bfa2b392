"""``python -m benchlog.page.worker``: works out records for a page, in a process of its own.

The analysis of a long session and the drawing of figures must not share an interpreter with a run that is on: the guard
of a key line wants to hear of the run every 0.3 s. Takes one line of JSON on standard input for each question,
{"store", "session", "want": "record" | "document"}, and answers with one line: {"took_s", "altered", "record"}, and for
a document {"html", "figures": [{"name", "title", "alt", "svg"}]}; or {"error", "where", "cure", "status"}. Ends with
standard input.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from benchlog.errors import BenchlogError
from benchlog.page.feed import finite
from benchlog.runs.records import Kept, record_of

NICE = 10
_BARS = {
    "power": "power_w",
    "droop": "droop_percent",
    "frequency": "frequency_error_hz",
    "drift": "drift_hz_per_h",
}


def main() -> int:
    """Until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the run; this ends when its input does
    os.nice(NICE)
    said = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a library prints is no answer
    for line in sys.stdin:
        said.write(json.dumps(_answer(json.loads(line)), allow_nan=False) + "\n")
        said.flush()
    return 0


def _answer(asked: dict[str, Any]) -> dict[str, Any]:
    began = time.perf_counter()
    try:
        kept = record_of(Path(asked["store"]), asked["session"])
        found: dict[str, Any] = {"record": finite(kept.analysis.record.as_json()), "altered": kept.altered}
        if asked["want"] == "document":
            found |= {"html": _document(kept), "figures": list(_figures(kept))}
    except BenchlogError as exc:
        return {"error": exc.what, "where": exc.where, "cure": exc.cure, "status": exc.exit_status}
    except Exception as exc:  # noqa: BLE001 - a record that cannot be made must not end the page
        return {"error": f"a fault in benchlog itself: {exc!r}", "where": "", "cure": "Please report it.", "status": 3}
    return found | {"took_s": round(time.perf_counter() - began, 3)}


def _document(kept: Kept) -> str:
    from benchlog.report import html
    from benchlog.report.ending import ending

    said = None if kept.session.ended_ns is None else kept.session.ending or ""
    revision = kept.analysis.record.session.revision
    told = ending(said, revision, differs=bool(kept.differing), altered=kept.altered)
    return html.render(kept.analysis, kept.bench, kept.plan, kept.events, ending=told)


def _figures(kept: Kept) -> Iterator[dict[str, str]]:
    from benchlog.report import byband, closeups, figures

    found, bench, plan = kept.analysis, kept.bench, kept.plan
    named = [
        ("power", figures.power_in_time(found, bench, plan)),
        ("frequency", figures.frequency_in_time(found, plan)),
    ]
    named += [(f"{name}-bands", byband.bars(found.record, quantity)) for name, quantity in _BARS.items()]
    named += [(f"close-up-{n}", picture) for n, picture in enumerate(closeups.close_ups(found, bench, plan), 1)]
    named += [(f"stability-{n}", picture) for n, picture in enumerate(byband.stabilities(found.record), 1)]
    named += [(f"channel-{n}", picture) for n, picture in enumerate(figures.others_in_time(found), 1)]
    for name, picture in named:
        if picture is not None:
            yield {"name": name, "title": picture.title, "alt": picture.alt, "svg": _alone(picture.wide)}


def _alone(svg: str) -> str:
    """A figure that was made to sit in the record, as a file of its own: with the record's colours."""
    css = (files("benchlog.report") / "record.css").read_text(encoding="utf-8")
    light = re.search(r"^:root \{.*?^\}", css, re.MULTILINE | re.DOTALL)
    dark = re.search(r"^@media screen and \(prefers-color-scheme: dark\) \{.*?^\}", css, re.MULTILINE | re.DOTALL)
    colours = "\n".join(found[0] for found in (light, dark) if found)
    style = f"<style>{colours}\nsvg {{ background: var(--paper); }}</style>"
    head, rest = svg.split(">", 1)
    return f"{head}>{style}{rest}"


if __name__ == "__main__":
    sys.exit(main())
