"""The record opened from disk in a real browser: no request, no error, no sideways scrolling, and A4 pages."""

from __future__ import annotations

import re
import socket

import pytest

from tests.chromium import clashes, contrast
from tests.report import samples
from tests.report.pages import page_of


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize(
    "sample", [samples.five_bands, samples.troubled, samples.one_band, samples.silence, samples.rich]
)
def test_nothing_is_asked_for_nothing_fails_nothing_sticks_out(visit, sample, width: int) -> None:
    seen = visit(page_of(sample), viewport={"width": width, "height": 900})
    page = seen.page
    asked = [url for url in seen.requests if not url.startswith("data:")]
    assert asked == [page.url]
    assert seen.complaints == []
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    cut = page.evaluate(
        """() => [...document.querySelectorAll('main *:not(svg *)')]
             .filter(e => e.checkVisibility() && e.closest('thead') === null
               && e.getBoundingClientRect().width && e.getBoundingClientRect().right > innerWidth + 0.5)
             .map(e => e.tagName)"""
    )
    assert cut == []
    assert page.get_by_role("heading", level=1).inner_text().startswith("Loan set 3")
    for name in ("Summary", "Results by band", "Findings", "Conditions and instruments", "Cautions"):
        assert page.get_by_role("heading", name=name, level=2).count() == 1


@pytest.mark.parametrize("width", [390, 1280])
def test_the_bands_are_a_table_to_a_screen_reader_also_on_a_phone(visit, width: int) -> None:
    page = visit(page_of(samples.troubled), viewport={"width": width, "height": 900}).page
    table = page.get_by_role("table").filter(has_text="Band verdict")
    assert table.get_by_role("columnheader").all_inner_texts()[:2] == ["Band", "Power"]
    assert table.get_by_role("rowheader").count() == 5
    row = table.get_by_role("row").filter(has_text="20 m")
    assert "fail" in row.get_by_role("cell").nth(2).inner_text()
    assert page.get_by_role("img", name=re.compile("^Forward power against time")).count() == 1  # one of two shown


def test_the_files_policy_stops_what_should_never_be_in_it(visit) -> None:
    """Were a mistake ever to let markup through, the browser would still neither run it nor fetch for it."""
    with socket.create_server(("127.0.0.1", 0)) as outside:
        image = f'<img src="http://127.0.0.1:{outside.getsockname()[1]}/x.png" alt="">'
        smuggled = f'{image}<script>document.title = "taken"</script></main>'
        page = visit(page_of(samples.one_band).replace("</main>", smuggled)).page  # returns once all is loaded, or not
        assert page.locator("main img").count() == 1
        assert page.locator("script").count() == 1
        assert page.title() == "Loan set 3: record of session 7"
        outside.setblocking(False)
        with pytest.raises(BlockingIOError):
            outside.accept()


def test_the_appendix_has_the_files_word_for_word(visit) -> None:
    session = samples.five_bands()
    blocks = visit(page_of(samples.five_bands)).page.locator("pre")
    assert blocks.nth(0).text_content() == session.plan.source.text
    assert blocks.nth(1).text_content() == session.bench.source.text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_and_figures_stand_out_from_the_paper(visit, scheme: str) -> None:
    """WCAG 2 contrast: 4.5 for text, 3 for lines that carry meaning."""
    page = visit(page_of(samples.troubled), color_scheme=scheme).page
    colours = page.evaluate(
        """() => { const style = getComputedStyle(document.documentElement);
             return Object.fromEntries(['paper','ink','muted','fail','data','fit','limit','missing','keyed','window']
               .map(name => [name, style.getPropertyValue('--' + name).trim()])) }"""
    )
    for name in ("ink", "muted", "fail"):
        assert contrast(colours[name], colours["paper"]) >= 4.5, name
    for name in ("data", "fit", "limit", "missing"):
        for ground in ("paper", "keyed", "window"):
            assert contrast(colours[name], colours[ground]) >= 3, (name, ground)
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (max(map(int, re.findall(r"\d+", paper))) < 64) == (scheme == "dark")
    text_fill = page.evaluate("getComputedStyle(document.querySelector('figure svg text')).fill")
    ink = [int(colours["ink"][i : i + 2], 16) for i in (1, 3, 5)]
    assert [int(part) for part in re.findall(r"\d+", text_fill)] == ink


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("sample", [samples.troubled, samples.rich])
def test_texts_in_figures_do_not_run_into_each_other_or_out(visit, sample, width: int) -> None:
    page = visit(page_of(sample), viewport={"width": width, "height": 900}).page
    assert clashes(page) == []


def test_it_prints_in_light_whatever_the_screen_on_the_paper_there_is(visit) -> None:
    page = visit(page_of(samples.one_band), color_scheme="dark").page
    for paper, size in (("A4", (595, 842)), ("Letter", (612, 792))):
        pdf = page.pdf(format=paper, prefer_css_page_size=True)  # the file names no size, so the printer's rules
        assert 3 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 12
        found = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
        assert [float(x) for x in found.groups()] == pytest.approx(size, abs=1.5)
    page.emulate_media(media="print", color_scheme="dark")
    budgets = page.locator("table.budget").first
    assert budgets.is_visible(), "on paper nothing stays folded away"
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    assert contrast(ink, "#ffffff") >= 7


def test_budgets_are_folded_away_until_they_are_asked_for(visit) -> None:
    page = visit(page_of(samples.rich)).page
    budgets = page.locator("table.budget").first
    assert not budgets.is_visible()
    page.get_by_text("What each ± is made of").click()
    assert budgets.is_visible()
