"""Comparison and history as text, JSON and HTML: what they say, and that the pages stand alone."""

from __future__ import annotations

import dataclasses
import io
import json
import re
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from rich.console import Console

from benchlog.analysis.compare import compare
from benchlog.analysis.sameness import Taken
from benchlog.report import comparison, history
from benchlog.report.comparison import Both
from benchlog.report.history import DAY_NS
from tests.chromium import clashes
from tests.report import samples
from tests.report.conftest import Visit
from tests.report.pages import Page

NASTY = "$x^2$ <script> & 'co' on 40 m"


def taken(days: float, watts: float, off_hz: float = -30.0, *, name: str = "20 m", droops: float = 1.0) -> Taken:
    """Three bands; one of them as told. ``days`` after the first."""
    bands = [("80 m", "3.650 MHz", "100 W"), (name, "14.300 MHz", "100 W"), ("10 m", "28.300 MHz", "80 W")]
    made = ((3.65e6 - 30, 140, 1.0), (14.3e6 + off_hz, watts, droops), (28.3e6 - 30, 95, 1.0))
    keyed = [
        samples.Keyed(20 + 60 * i, 20, hz, w * 1.01, w * (1.01 - 0.01 * lost)) for i, (hz, w, lost) in enumerate(made)
    ]
    found = samples.session(samples.bench(), samples.plan(bands), keyed, lasts_s=190, events=samples.IDENTITIES)
    facts = dataclasses.replace(
        found.facts, id=1 + round(days), started_ns=found.facts.started_ns + round(days * DAY_NS), ended_ns=None
    )
    return Taken(samples.analysed(dataclasses.replace(found, facts=facts)), found.bench, found.events)


@cache
def repaired(name: str = "20 m") -> Both:
    a, b = taken(0, 91, 500, name=name), taken(41, 120, -30, name=name, droops=9)
    facts = (one.analysis.record.session for one in (a, b))
    return Both(compare(a, b), *facts, ("0042", "0042"), ["The moon was <full>."])


@cache
def years(name: str = "20 m") -> history.History:
    watts = {0: 130, 120: 127, 260: 123, 400: 119, 560: 114, 700: 90}
    return history.history(
        "0042", [taken(days, w, name=name) for days, w in watts.items()], (), ["Session 9 is <gone>."]
    )


PAGES = {
    "comparison": lambda: comparison.html(repaired()),
    "history": lambda: history.html(years()),
    "nasty comparison": lambda: comparison.html(repaired(NASTY)),
    "nasty history": lambda: history.html(years(NASTY)),
    "one session": lambda: history.html(history.history("", [taken(0, 120)])),
}


@cache
def page_of(kind: str) -> str:
    return PAGES[kind]()


def printed(renderable: Any, width: int = 160) -> str:
    out = io.StringIO()
    Console(file=out, width=width, highlight=False).print(renderable)
    return out.getvalue()


# What they say.


def test_the_summary_says_what_changed_and_then_by_how_much() -> None:
    said = comparison.summary(repaired().comparison)
    assert said[0] == "Really worse: droop on 20 m. Really better: power on 20 m; frequency error on 20 m."
    told = " ".join(said)
    assert re.search(r"20 m makes 2[0-4]\.\d\d ± 0\.\d\d W more than before: real, and better\.", told)
    assert re.search(r"20 m: frequency error is down by 530\.\d+ ± 0\.\d+ Hz, from .*: real, and better\.", told)
    assert "Its verdict was fail and is pass now." in told
    assert re.search(
        r"80 m: no difference seen in power \(anything above 0\.\d\d W would have been\), droop \(above [\d.]+ %\)",
        told,
    )


def test_nothing_changed_is_said_in_one_sentence_first() -> None:
    a, b = taken(0, 120), taken(41, 120)
    assert comparison.summary(compare(a, b))[0] == "Nothing is really better or worse."


def test_text_and_json_tell_the_same() -> None:
    text = printed(comparison.text(repaired()), 500)
    tree = json.loads(comparison.dumps(repaired(), 1))
    for sentence in tree["summary"]:
        assert sentence in text
    power = next(b for b in tree["bands"] if b["band"] == "20 m")["quantities"]["power_w"]
    assert f"+{power['difference']['value']:.1f}"[:4] in text
    assert [one["cancels"] for one in tree["instruments"]] == [True, True]
    assert "The moon was <full>." in text
    assert tree["a"]["id"] == 1
    assert set(power["difference"]) == {"value", "expanded", "k", "dof", "budget"}


@pytest.mark.parametrize("width", [70, 100, 160])
def test_no_number_is_cut_in_a_narrow_terminal(width: int) -> None:
    for renderable in (comparison.text(repaired(NASTY)), history.text(years(NASTY))):
        text = printed(renderable, width)
        assert "…" not in text
        assert max(len(line) for line in text.splitlines()) <= width


def test_a_history_tells_its_trend_and_its_newest_session() -> None:
    said = history.summary(years())
    assert said[0] == "6 sessions from 2026-11-25 to 2028-10-25, 3 bands heard."
    assert said[1] == "The newest session, 701: pass on 80 m and 10 m; undecided on 20 m."
    assert any(
        re.match(r"20 m: power falls by \d+(\.\d+)? ± \d+(\.\d+)? W a year \(6 sessions over 700 days\)", s)
        for s in said
    )
    assert any(s.startswith("80 m: no trend seen in power (anything above 0.") for s in said)


def test_the_history_as_json_has_every_session_of_a_band_in_order() -> None:
    tree = json.loads(history.dumps(years()))
    band = next(b for b in tree["bands"] if b["band"] == "20 m")
    assert [one["session"] for one in band["sessions"]] == [1, 121, 261, 401, 561, 701]
    watts = [one["power_w"]["value"] for one in band["sessions"]]
    assert watts == sorted(watts, reverse=True)
    assert band["trends"]["power_w"]["seen"] is True
    assert band["trends"]["power_w"]["sessions"] == 6


def test_a_session_unlike_the_newest_is_left_out_of_the_trend_and_said() -> None:
    sessions = [taken(days, 120) for days in (10, 120, 260, 400)]
    odd = taken(0, 120)
    record = odd.analysis.record
    moved = tuple(dataclasses.replace(band, expected_hz=band.expected_hz + 1000) for band in record.bands)
    analysis = dataclasses.replace(odd.analysis, record=dataclasses.replace(record, bands=moved))
    found = history.history("", [*sessions, Taken(analysis, odd.bench, odd.events)])
    line = next(iter(found.bands[0].lines))
    assert line.sessions == 4
    assert [session for session, _ in line.left_out] == [1]
    assert any("session 1 is left out (expected at" in sentence for sentence in history.left_out(found))


# The pages.


@pytest.mark.parametrize("kind", PAGES)
def test_the_page_stands_alone_and_nests(kind: str) -> None:
    page = Page(page_of(kind))
    assert page.open == []
    assert not {"script", "img", "iframe", "object", "form"} & {tag for tag, _ in page.tags}
    for tag, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("href", "src", "xlink:href"):
                assert (value or "").startswith(("#", "data:")), (tag, value)
    policy = next(a for tag, a in page.tags if tag == "meta" and "http-equiv" in a)
    assert policy["content"] == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))


def test_a_long_band_name_is_clipped_in_every_figure() -> None:
    name = "20 m, upper end, with the tuner"
    for text, clipped in (
        (comparison.html(repaired(name)), "20 m, upper end…"),
        (history.html(years(name)), "20 m, upper end, with the tun…"),
    ):
        assert f">{clipped}</text>" in text
        assert f">{name}</text>" not in text


@pytest.mark.parametrize("kind", ["nasty comparison", "nasty history"])
def test_a_bands_name_is_shown_as_it_is_also_in_figures(kind: str) -> None:
    drawn = re.findall(r"<text[^>]*>([^<]*)</text>", page_of(kind))
    assert any(text.startswith("$x^2$ &lt;") for text in drawn), drawn


@pytest.mark.parametrize("render", [lambda: comparison.html(repaired()), lambda: history.html(years())])
def test_the_same_data_give_the_same_bytes(render: Any) -> None:
    assert render() == render()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("kind", PAGES)
def test_nothing_sticks_out_or_clashes_in_a_browser(
    visit: Callable[..., Visit], kind: str, width: int, scheme: str
) -> None:
    seen = visit(page_of(kind), viewport={"width": width, "height": 900}, color_scheme=scheme)
    page = seen.page
    assert [url for url in seen.requests if not url.startswith("data:")] == [page.url]
    assert seen.complaints == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert clashes(page) == []
    assert page.get_by_role("heading", level=1).inner_text().startswith("Loan set 3")
    assert page.get_by_role("heading", name="Summary", level=2).count() == 1
    assert page.get_by_role("img").count() >= 2
    if width == 1280 and scheme == "dark":
        assert b"/MediaBox" in page.pdf(prefer_css_page_size=True)
