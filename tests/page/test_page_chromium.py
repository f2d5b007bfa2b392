"""The page in a real browser: what is seen, typed, pressed and lost, and that it can be used by everybody."""

from __future__ import annotations

import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, expect, sync_playwright

from benchlog.model import Event
from benchlog.runs.happenings import Trouble
from tests.page.bench import a_bench
from tests.page.looking import Served, a_tick, ask, served
from tests.page.test_key_up import shown
from tests.report.test_report_chromium import SWITCHES, contrast

PHONE, LAPTOP = {"width": 390, "height": 844}, {"width": 1366, "height": 768}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("no Chromium here: install the package chromium, this test needs a real browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=SWITCHES)
        yield browser
        browser.close()


class Look:
    """The page in one tab, with all it asked for and complained of."""

    def __init__(self, browser: Browser, port: int, token: str, **how: object) -> None:
        self.context = browser.new_context(**how)  # type: ignore[arg-type]
        self.page: Page = self.context.new_page()
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda one: self.requests.append(one.url))
        self.page.on(
            "console", lambda one: self.complaints.append(one.text) if one.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda one: self.complaints.append(str(one)))
        self.page.goto(f"http://127.0.0.1:{port}/#token={token}")
        expect(self.page.locator("#link")).to_have_text("Connected", timeout=20_000)

    def note(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def ours(self, port: int) -> bool:
        return all(url.startswith((f"http://127.0.0.1:{port}/", "data:", "blob:")) for url in self.requests)


@pytest.fixture
def played(tmp_path: Path) -> Iterator[Served]:
    with served(tmp_path / "s.benchlog") as one:
        one.begin()
        yield one


@pytest.fixture
def look(chromium: Browser) -> Iterator[object]:
    looks: list[Look] = []

    def go(one: Served, **how: object) -> Look:
        looks.append(Look(chromium, one.port, one.token, **how))
        return looks[-1]

    yield go
    for one in looks:
        one.context.close()


def test_a_sweep_seen_from_its_start_to_its_record(chromium: Browser, tmp_path: Path) -> None:
    with a_bench(tmp_path / "bench", script="sweep") as bench, shown(bench, tmp_path, "sweep") as run:
        look = Look(chromium, run.port, run.token, viewport=LAPTOP)
        page = look.page
        assert "token" not in page.url
        expect(page.locator("#strip")).to_have_attribute("data-key", "down", timeout=30_000)
        expect(page.locator("#key")).to_have_text("KEY DOWN")
        expect(page.locator("#keyfor")).to_have_text(re.compile(r"^\d+ s of 20 s$"))
        expect(page.locator("#bands tbody tr").first).to_contain_text("pass", timeout=60_000)
        expect(page.locator("#recent .main-svg").first).to_be_visible(timeout=20_000)
        expect(page.locator("#key")).to_have_text("Ended", timeout=90_000)
        fifteen = page.locator("#bands tbody tr").filter(has_text="15 m")
        expect(fifteen).to_contain_text("✗ fail", timeout=20_000)
        record = run.get("/api/sessions/1/record")["record"]
        for band, row in zip(record["bands"], page.locator("#bands tbody tr").all(), strict=True):
            assert f"{band['power_w']['value']:.1f} W" in row.inner_text()
        href = page.get_by_role("link", name="Open the record").get_attribute("href")
        assert ask(run.port, str(href)).status == 200
        assert look.complaints == []
        assert look.ours(run.port)
        run.running.stop(signal.SIGINT)
        expect(page.locator("#lost")).to_contain_text("Connection lost", timeout=10_000)
        look.context.close()


def test_a_broken_stream_is_said_and_comes_back_by_itself_with_all_that_was_told(played: Served, look) -> None:
    seen = look(played, viewport=LAPTOP)
    page = seen.page
    played.feed.tell(a_tick(played.session, 1.5, 88.0))
    expect(page.locator("#power")).to_have_text("88")
    seen.context.set_offline(True)
    expect(page.locator("#lost")).to_contain_text("What you see is old", timeout=10_000)
    assert "stale" in str(page.locator("body").get_attribute("class"))
    for n in range(5):
        played.feed.tell(Trouble(Event(n, "link", f"fault {n}")))
    seen.context.set_offline(False)
    expect(page.locator("#link")).to_have_text("Connected", timeout=20_000)
    expect(page.locator("#lost")).to_be_hidden()
    played.feed.tell(Trouble(Event(9, "link", "fault 5")))
    expect(page.locator("#findings li").first).to_contain_text("fault 5")
    told = page.locator("#findings li").all_inner_texts()
    assert [re.search(r"fault \d", one)[0] for one in told] == [f"fault {n}" for n in range(5, -1, -1)]  # type: ignore[index]


def test_typed_readings_stand_beside_their_corrections_and_key_up_says_whose_it_is(
    chromium: Browser, tmp_path: Path
) -> None:
    with a_bench(tmp_path / "bench") as bench, shown(bench, tmp_path, "watch") as run:
        look = Look(chromium, run.port, run.token, viewport=PHONE)
        page = look.page
        page.get_by_role("button", name="Key up").click()
        expect(page.locator("#done")).to_contain_text("only their hand can key up")
        expect(page.get_by_role("alert").filter(has_text="KEY UP")).to_be_visible()
        expect(page.locator("#holds")).to_be_hidden()
        look.complaints.clear()  # the browser itself notes the 409
        page.get_by_role("button", name="Seen").click()
        page.get_by_role("link", name="Type in").click()
        field = page.get_by_label("grid current", exact=True)
        field.fill("four")
        field.press("Enter")
        expect(page.locator("#field0says")).to_contain_text("is no number")
        field.fill("45")
        field.press("Enter")
        page.get_by_role("button", name="Correct grid current 45 mA").click()
        field.fill("4,5")
        field.press("Enter")
        expect(page.locator("#typed del")).to_have_text("grid current 45 mA")
        expect(page.locator("#typed")).to_contain_text("wrong, corrected to 4.5 mA")
        expect(page.locator("#typed li")).to_have_count(2)
        assert look.complaints == []
        look.context.close()


@pytest.mark.parametrize("size", [PHONE, LAPTOP, {"width": 1920, "height": 1080}], ids=["phone", "laptop", "bench"])
def test_every_view_fits_and_every_target_can_be_hit(played: Served, look, size: dict[str, int]) -> None:
    page = look(played, viewport=size).page
    played.feed.tell(a_tick(played.session, 1.5, 1488.0))
    for view in ("now", "tune", "type", "records"):
        page.evaluate(f"location.hash = '{view}'")
        expect(page.locator(f"#{view}")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], view
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, nav a, #sessions a, label:has(input), form input')]
                 .filter(n => n.checkVisibility()).map(n => [n.outerHTML.slice(0, 60), n.getBoundingClientRect()])
                 .filter(([, r]) => r.height < 43.9 || r.width < 43.9).map(([t]) => t)"""
        )
        assert small == [], view
        nameless = page.evaluate(
            """() => [...document.querySelectorAll('button, select, input, a, [role=img], section, table')]
                 .filter(n => n.checkVisibility()).filter(n => !(n.getAttribute('aria-label') || n.labels?.length
                   || document.getElementById(n.getAttribute('aria-labelledby') || '-')?.textContent
                   || n.textContent.trim()))
                 .map(n => n.outerHTML.slice(0, 80))"""
        )
        assert nameless == [], view
    expect(page.get_by_role("button", name="Key up")).to_be_in_viewport()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_in_both_looks(played: Served, look, scheme: str) -> None:
    page = look(played, color_scheme=scheme).page
    for _ in range(2):  # as the system has it, and then switched
        colours = page.evaluate(
            """() => { const style = getComputedStyle(document.documentElement);
                 return Object.fromEntries(['paper','ink','muted','soft','data','fail','onfail','edge']
                   .map(name => [name, style.getPropertyValue('--' + name).trim()])) }"""
        )
        for name in ("ink", "muted", "fail"):
            assert contrast(colours[name], colours["paper"]) >= 4.5, name
        assert contrast(colours["ink"], colours["soft"]) >= 4.5
        assert contrast(colours["onfail"], colours["fail"]) >= 4.5
        for name in ("data", "edge"):
            assert contrast(colours[name], colours["paper"]) >= 3, name
        page.locator("#theme").click()


def test_the_keyboard_goes_through_in_order_and_is_seen(played: Served, look) -> None:
    page = look(played, viewport=LAPTOP).page
    names = []
    for _ in range(8):
        page.keyboard.press("Tab")
        names.append(page.evaluate("document.activeElement.id || document.activeElement.textContent"))
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none", names
    assert names == ["To the readings", "Now", "Tune", "Type in", "Records", "theme", "trendof", "keyup"]
