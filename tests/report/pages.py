"""The invented sessions as HTML, each rendered once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from html.parser import HTMLParser

from benchlog.analysis.analyse import Analysis
from benchlog.report import html
from tests.report import samples


def rendered(session: samples.Session, ending: str = "Stopped by hand.", analysis: Analysis | None = None) -> str:
    return html.render(
        analysis or samples.analysed(session), session.bench, session.plan, session.events, ending=ending
    )


@cache
def analysis_of(sample: Callable[[], samples.Session]) -> Analysis:
    """As its page shows it: ``rich`` with all that a record can hold."""
    found = samples.analysed(sample())
    return samples.enriched(found) if sample is samples.rich else found


@cache
def page_of(sample: Callable[[], samples.Session]) -> str:
    """Rendered once for all tests that only read it."""
    return rendered(sample(), analysis=analysis_of(sample))


class Page(HTMLParser):
    """What a browser would find: tags with attributes, text, ids, and whether tags nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "pre"} & set(self.open):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())
