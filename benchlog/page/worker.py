"""``python -m benchlog.page.worker``: works out records for a page, in a process of its own.

The analysis of a long session and the drawing of figures must not share an interpreter with a run that is on: the guard
of a key line wants to hear of the run every 0.3 s. Takes one line of JSON on standard input for each question,
{"store", "session", "want": "record" | "document" | "pdf-a4" | "pdf-letter"}, and answers with one line: {"took_s",
"altered", "record"}, for a document also {"html", "figures": [{"name", "title", "alt", "svg"}]}, for PDF {"pdf"} in
Base64; or {"error", "where", "cure", "status", "absent"}, the last true where what it takes is not installed. Ends with
standard input.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import signal
import sys
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

from benchlog import precedence
from benchlog.errors import BenchlogError, NotInstalled
from benchlog.report.pdf import Paper
from benchlog.report.record_json import finite
from benchlog.runs.records import Analysed, analyse_in

NICE = 10
PAPERS: dict[str, Paper] = {"pdf-a4": "a4", "pdf-letter": "letter"}


def main() -> int:
    """Until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the run; this ends when its input does
    precedence.stand_back()
    with contextlib.suppress(PermissionError):
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
        analysed = analyse_in(Path(asked["store"]), asked["session"])
        found: dict[str, Any] = {"record": finite(analysed.analysis.record.as_json()), "altered": analysed.altered}
        found |= _made(analysed, asked["want"])
    except BenchlogError as exc:
        absent = isinstance(exc, NotInstalled)
        return {"error": exc.what, "where": exc.where, "cure": exc.cure, "status": exc.exit_status, "absent": absent}
    except Exception as exc:  # noqa: BLE001 - a record that cannot be made must not end the page
        what = f"a fault in benchlog itself: {exc!r}"
        return {"error": what, "where": "", "cure": "Please report it.", "status": 3, "absent": False}
    return found | {"took_s": round(time.perf_counter() - began, 3)}


def _made(analysed: Analysed, want: str) -> dict[str, Any]:
    """What is wanted beside the record itself."""
    if want == "record":
        return {}
    from benchlog.report import html, pictures

    drawn = pictures.drawn(analysed.analysis, analysed.bench, analysed.plan)
    document = html.document(analysed, drawn)
    if want in PAPERS:
        from benchlog.report import pdf

        return {"pdf": base64.b64encode(pdf.render(document, PAPERS[want])).decode()}
    figures = [
        {"name": name, "title": one.title, "alt": one.alt, "svg": _alone(one.wide)} for name, one in drawn.named()
    ]
    return {"html": document, "figures": figures}


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
