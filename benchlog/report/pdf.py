"""The record's HTML laid out on paper: PDF through WeasyPrint, which the extra ``pdf`` brings.

The pages are those of the print style sheet (``record.css``); nothing is fetched. The same record gives the same bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import re
from importlib.resources import files
from typing import Any, Literal

from benchlog.errors import NotInstalled

Paper = Literal["a4", "letter"]

_PANGO = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"  # WeasyPrint's own list for Debian


def render(html: str, paper: Paper = "a4") -> bytes:
    """The document of ``html.render`` as PDF. Raises NotInstalled where what draws it is not there."""
    weasyprint = _weasyprint()
    document = weasyprint.HTML(string=_with_plain_colours(html), url_fetcher=_fetch_nothing)
    size = weasyprint.CSS(string=f"@page {{ size: {paper} }}")
    pdf = document.write_pdf(
        stylesheets=[size],
        pdf_tags=True,  # headings and tables stay headings and tables to a screen reader
        pdf_identifier=hashlib.sha256(html.encode()).digest()[:16],
    )
    return bytes(pdf)


def _weasyprint() -> Any:
    said = io.StringIO()  # it prints a paragraph of its own where a library is missing
    try:
        with contextlib.redirect_stdout(said):
            import weasyprint
    except ImportError:
        raise NotInstalled(
            "PDF needs WeasyPrint, which is not installed",
            where="PDF",
            cure="pip install 'benchlog[pdf]' (from a clone: pip install '.[pdf]'); or print the HTML.",
        ) from None
    except OSError as exc:
        raise NotInstalled(
            f"PDF needs the Pango libraries: {str(exc).splitlines()[0]}",
            where="PDF",
            cure=f"On Debian: apt-get install {_PANGO}; or print the HTML.",
        ) from None
    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it warns of each SVG property, and then draws it
    return weasyprint


def _fetch_nothing(url: str) -> Any:
    raise ValueError(f"a record asks for nothing from outside, and this one did: {url}")


def _with_plain_colours(html: str) -> str:
    """Figures with paper's colours for the page's variables, which WeasyPrint does not look up inside of SVG."""
    css = (files("benchlog.report") / "record.css").read_text(encoding="utf-8")
    light = css[css.index(":root {") : css.index("@media")]
    paper = css[css.index("@media print") :]
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]+);", light) + re.findall(r"--(\w+): (#[0-9a-f]+);", paper))
    return re.sub(
        r"<svg.*?</svg>",
        lambda svg: re.sub(r"var\(--(\w+)\)", lambda name: colours.get(name[1], name[0]), svg[0]),
        html,
        flags=re.DOTALL,
    )
