"""The page in a real browser: what is seen, typed and lost, and that it can be used by everybody."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Route, expect

from benchlog.analysis.keydowns import KeyDown
from benchlog.model import Event
from benchlog.runs.happenings import KeyedDown, KeyedUp, Recognised, Trouble, Wanted
from tests.chromium import contrast
from tests.page.bench import a_bench, shown
from tests.page.browser import MONITOR, PHONE, SIZES, Look, results, tick
from tests.page.looking import Served

Looks = Callable[..., Look]
# A letter that spans 5 minutes of arc is read by who sees 6/6: so Snellen's charts are made. Twice that is read at a
# glance (the double: common practice, no source). A monitor of 24 inches diagonal, 1920 pixels wide, is 531 mm wide.
FAR_MM, GLANCE_ARCMIN, PIXEL_MM = 3000, 10, 531 / 1920


def a_run(one: Served, down: bool = True) -> None:
    """As it may stand in the middle of a sweep."""
    first, second = one.session.plan.bands[:2]
    one.feed.tell(Wanted(first, 0, 2, 0.0))
    one.feed.tell(KeyedUp(KeyDown(3.0, 23.0, first.name, counts=True, window=None)))
    one.feed.results(
        one.session.id or 1, results(one.session, first.name, "fail"), [{"text": "it drifts"}], final=False
    )
    one.feed.tell(Trouble(Event(5, "link", "counter: no reply within 1 s")))
    one.feed.tell(Wanted(second, 1, 2, 0.0))
    if down:
        one.feed.tell(KeyedDown(30.0))
        one.feed.tell(Recognised(second, second.expected_hz + 21))
    tick(one, 31.5, 30.0 if down else None, forward_power=142.4, reflected_power=0.4, frequency=second.expected_hz + 21,
         plate_voltage=847.0, temperature=45.2)  # fmt: skip


@pytest.mark.parametrize("how", ["network", "refused", "closed"])
def test_a_broken_stream_is_said_and_comes_back_with_every_message_once(
    played: Served, look: Looks, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """The network goes; the server refuses for a while, and the browser gives up; the server ends the connection."""
    seen = look(played)
    page = seen.page
    tick(played, 1.5, forward_power=88.0)
    expect(page.locator("#power")).to_have_text("88")
    if how == "network":
        seen.context.set_offline(True)
    elif how == "refused":
        monkeypatch.setattr(played.page._hub, "stream", lambda _: None)  # 429: too many look already
    if how != "network":
        hub = played.page._hub
        assert hub is not None
        hub._closed = True  # every stream that is open ends
        hub._wake()
    if how == "refused":
        page.wait_for_event("response", lambda answer: answer.status == 429)
    if how != "closed":
        expect(page.locator("#lost")).to_contain_text("What you see is old")
        assert "stale" in str(page.locator("body").get_attribute("class"))
        expect(page.locator("#link")).to_have_text(re.compile("Lost \\d+ s ago"))
    for n in range(5):
        played.feed.tell(Trouble(Event(n, "link", f"fault {n}")))
    if how != "network":
        hub._closed = False
    seen.context.set_offline(False)
    monkeypatch.undo()
    played.feed.tell(Trouble(Event(9, "link", "fault 5")))
    expect(page.locator("#findings li").first).to_contain_text("fault 5")
    expect(page.locator("#lost")).to_be_hidden()
    told = page.locator("#findings li").all_inner_texts()
    assert [re.search(r"fault \d", one)[0] for one in told] == [f"fault {n}" for n in range(5, -1, -1)]  # type: ignore[index]
    kinds, numbers = zip(*seen.told(), strict=True)
    assert numbers == tuple(range(numbers[0], numbers[0] + len(numbers))), "none lost, none twice"
    assert kinds.count("snapshot") == 1, "it goes on from the last one; nothing is drawn anew"
    seen.forgive("Failed to load resource", "ERR_")


DRAWN_ANEW = "import('/static/typing.js').then((typing) => typing.entries())"
SLOWLY = """() => { const at_once = window.fetch;
  window.fetch = async (...words) => { await new Promise((go) => setTimeout(go, 300)); return at_once(...words); }; }"""


def test_typed_readings_stand_beside_their_corrections_and_key_up_says_whose_it_is(look: Looks, tmp_path: Path) -> None:
    with a_bench(tmp_path / "bench") as bench, shown(bench, tmp_path, "watch") as run:
        run.running.wait_for("Session 1 in")
        seen = look(run, viewport=PHONE)
        page = seen.page
        expect(page.locator("#key")).to_have_text("Key up")
        page.get_by_role("button", name="Key up").click()
        expect(page.locator("#done")).to_contain_text("only their hand can key up")
        expect(page.get_by_role("alert").filter(has_text="KEY UP")).to_be_visible()
        expect(page.locator("#holds")).to_be_hidden()
        seen.forgive("409")  # the browser itself notes it
        page.get_by_role("button", name="Seen").click()
        page.get_by_role("link", name="Type in").click()
        field = page.get_by_label("grid current", exact=True)
        field.fill("four")
        field.press("Enter")
        expect(page.locator("#field0says")).to_contain_text("is no number")
        field.fill("\u22121,250")
        field.press("Enter")
        expect(page.locator("#field0says")).to_have_text('"\u22121,250" can be read in two ways. Type -1250 or -1.25.')
        expect(field).to_have_value("\u22121,250")
        field.fill("45")
        field.press("Enter")
        expect(page.locator("#field0says")).to_contain_text("Kept: 45 mA")
        page.get_by_role("button", name="Correct grid current 45 mA").hover()
        page.mouse.down()
        page.evaluate(DRAWN_ANEW)  # as when the stream comes back
        page.mouse.up()
        expect(page.locator("#field0says")).to_contain_text("Corrects 45 mA")
        field.fill("4,5")
        field.press("Enter")
        expect(page.locator("#typed del")).to_have_text("grid current 45 mA")
        expect(page.locator("#typed")).to_contain_text("wrong, corrected to 4.5 mA")
        expect(page.locator("#typed li")).to_have_count(2)
        page.evaluate(SLOWLY)
        for value in ("5", "6"):  # the second while the first is on its way
            field.fill(value)
            field.press("Enter")
        expect(page.locator("#typed li")).to_have_count(4)
        expect(page.locator("#typed li").first).to_contain_text("grid current 6 mA")
        page.route(
            "**/api/readings",
            lambda route: route.fulfill(status=409, json={"error": "no run is on", "cure": "Begin one."}),
        )
        field.fill("7")
        field.press("Enter")
        expect(page.locator("#field0says")).to_have_text("Not kept: no run is on. Begin one.")
        expect(field).to_have_value("7")
        seen.forgive("409")
        seen.close()


def test_who_comes_without_the_token_may_look_and_is_told_why_nothing_else(played: Served, look: Looks) -> None:
    for token, said in (("", "This page only looks."), ("wrong", "Open the page with the address the command prints")):
        played.token = token
        seen = look(played)
        tick(played, 1.5, forward_power=88.0)
        expect(seen.page.locator("#power")).to_have_text("88")
        if token:
            seen.page.get_by_role("button", name="Key up").click()
        expect(seen.page.locator("#done")).to_contain_text(said)
        seen.forgive("401")


def test_who_comes_later_sees_what_was_told_before(played: Served, look: Looks) -> None:
    played.feed.tell(KeyedDown(30.0))
    played.session.clock = type("Clock", (), {"t_ns": lambda _: 33 * 10**9, "started_ns": 0, "factor": 1.0})()
    played.feed.alarm("KEY UP: asked for from the page.")
    page = look(played).page
    expect(page.locator("#alarm")).to_contain_text("KEY UP: asked for")
    expect(page.locator("#findings")).to_contain_text("Alarm: KEY UP: asked for from the page. At 0:33.")
    played.feed.tell(KeyedUp(KeyDown(30.0, 40.0, None, counts=True, window=None)))
    page = look(played).page
    expect(page.locator("#findings")).to_contain_text("Alarm: KEY UP")
    expect(page.locator("#alarm")).to_be_empty(), "that key-down is over"


def test_at_the_end_it_says_what_came_of_it(played: Served, look: Looks) -> None:
    a_run(played)
    page = look(played).page
    played.feed.end("stopped for safety: plate current 400 mA, above 350 mA", how="stopped")
    expect(page.locator("#key")).to_have_text("Ended")
    expect(page.locator("#next")).to_have_text("Stopped for safety: plate current 400 mA, above 350 mA.")
    expect(page.locator("#said")).to_have_text("Stopped for safety: plate current 400 mA, above 350 mA.")
    assert page.locator(".figures .big").evaluate("(one) => getComputedStyle(one).fontStyle") == "italic", (
        "no longer so"
    )


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_every_view_fits_and_every_target_can_be_hit(played: Served, look: Looks, size: dict[str, int]) -> None:
    """44 pixels: success criterion 2.5.5 of WCAG 2.2."""
    seen = look(played, viewport=size)
    page = seen.page
    a_run(played)
    tick(played, 32.5, 30.0, forward_power=1488.0)
    for view in ("now", "tune", "type", "records"):
        seen.view(view)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], view
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, nav a, #sessions a, label:has(input), form input')]
                 .filter(n => n.checkVisibility()).map(n => [n.outerHTML.slice(0, 60), n.getBoundingClientRect()])
                 .filter(([, r]) => r.height < 43.9 || r.width < 43.9).map(([t]) => t)"""
        )
        assert small == [], view
        cut = page.evaluate(
            """() => [...document.querySelectorAll('#strip *, .figures *, .line *, .small *, td, th, #hand *')]
                 .filter(n => n.checkVisibility() && n.scrollWidth > n.clientWidth + 1 && n.clientWidth)
                 .map(n => n.outerHTML.slice(0, 80))"""
        )
        assert cut == [], view
    expect(page.get_by_role("button", name="Key up")).to_be_in_viewport()


def test_what_matters_is_read_from_three_metres(played: Served, look: Looks) -> None:
    """On a bench monitor, with the key down: capital letters and figures are 0.7 of the font's size or more."""
    page = look(played, viewport=MONITOR).page
    a_run(played)
    expect(page.locator("#hz")).to_contain_text("021")
    expect(page.locator("#whole .main-svg").first).to_be_visible()
    needed = ["key", "keyfor", "band", "next", "power", "hz", "off", "heat", "near"]
    arcmin = page.evaluate(
        """([ids, mm, far]) => Object.fromEntries(ids.map((id) => { const node = document.getElementById(id);
             const box = node.getBoundingClientRect();
             if (!node.textContent || box.bottom > innerHeight) throw Error(id);
             return [id, 0.7 * parseFloat(getComputedStyle(node).fontSize) * mm / far * 180 / Math.PI * 60]; }))""",
        [needed, PIXEL_MM, FAR_MM],
    )
    assert {name: round(size, 1) for name, size in arcmin.items() if size < GLANCE_ARCMIN} == {}
    assert arcmin["power"] > 2 * GLANCE_ARCMIN
    assert page.evaluate("document.documentElement.scrollHeight") <= MONITOR["height"], "nothing to scroll for"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("down", [True, False], ids=["down", "up"])
def test_all_words_stand_out_in_both_looks(played: Served, look: Looks, scheme: str, down: bool) -> None:
    """Success criteria 1.4.3 and 1.4.11 of WCAG 2.2: 4.5 to 1 for text, 3 to 1 for large text and for controls."""
    seen = look(played, color_scheme=scheme)
    page = seen.page
    a_run(played, down=down)
    played.feed.alarm("KEY UP")
    for _ in range(2):  # as the system has it, and then switched
        found = []
        for view in ("now", "tune", "type", "records"):
            seen.view(view)
            found += page.evaluate(_TEXTS)
        assert len(found) > 60
        weak = [(text, ink, paper) for text, ink, paper, large in found if contrast(ink, paper) < (3 if large else 4.5)]
        assert weak == []
        colour = "(name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim()"
        paper, *edges = (page.evaluate(colour, name) for name in ("--paper", "--data", "--edge", "--fail"))
        assert all(contrast(edge, paper) >= 3 for edge in edges)
        page.locator("#theme").click()


# Every text that is seen: what it says, its colour and the colour behind it, and whether it is large.
_TEXTS = """() => {
  const two = (n) => Math.round(n).toString(16).padStart(2, '0');
  const hex = (colour) => '#' + colour.match(/[\\d.]+/g).slice(0, 3).map(two).join('');
  const clear = (colour) => /, 0\\)$/.test(colour) || colour === 'transparent';
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (walk.nextNode()) {
    const node = walk.currentNode.parentElement, text = walk.currentNode.textContent.trim();
    if (!text || !node.checkVisibility({ visibilityProperty: true })) continue;
    if (node.closest('.unseen, svg, .skip, option')) continue;
    let behind = node;
    while (behind && clear(getComputedStyle(behind).backgroundColor)) behind = behind.parentElement;
    const style = getComputedStyle(node), size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
    found.push([text, hex(style.color), hex(getComputedStyle(behind || document.body).backgroundColor), large]);
  }
  return found;
}"""


def test_every_part_has_a_role_and_a_name(played: Served, look: Looks) -> None:
    seen = look(played)
    page = seen.page
    a_run(played)
    for view in ("now", "tune", "type", "records"):
        seen.view(view)
        assert page.evaluate(_NAMELESS) == [], view
        assert page.get_by_role("heading", level=1).count() == 1
        for role in ("banner", "main", "contentinfo", "navigation"):
            expect(page.get_by_role(role)).to_have_count(1)  # type: ignore[arg-type]
        assert page.locator("nav [aria-current=page]").count() == 1
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map((one) => one.id)")
    assert len(ids) == len(set(ids))
    assert page.evaluate("document.documentElement.lang") == "en"
    assert page.title().startswith("KEY DOWN")
    seen.view("now")
    expect(page.get_by_role("region", name="Key")).to_contain_text("KEY DOWN")
    expect(page.get_by_role("table", name="Band by band")).to_contain_text("✗ fail")
    expect(page.get_by_role("img", name="Nearest limit")).to_be_visible()


# What has no name for a screen reader; and images, figures and tables beside them.
_NAMELESS = """() => [...document.querySelectorAll('button, select, input, a, [role=img], section, table, nav, footer')]
  .filter(n => n.checkVisibility()).filter(n => !(n.getAttribute('aria-label') || n.labels?.length
     || document.getElementById(n.getAttribute('aria-labelledby') || '-')?.textContent || n.textContent.trim()))
  .map(n => n.outerHTML.slice(0, 80))"""


def test_what_happens_is_said_to_who_cannot_see_and_running_figures_are_not(played: Served, look: Looks) -> None:
    page = look(played).page
    live = "[...document.querySelectorAll('[role=status], [role=alert], [aria-live]')].map((one) => one.id)"
    polite = ["alarm", "lost", "said", "field0says", "done"]
    expect(page.locator("#field0says")).to_be_attached()
    assert page.evaluate(live) == polite, "what changes all the time is none of them"
    a_run(played)
    expect(page.locator("#said")).to_have_text(f"{played.session.plan.bands[1].name} recognised.")
    played.feed.tell(Trouble(Event(5, "link", "the counter is lost")))
    expect(page.locator("#said")).to_have_text("Trouble: the counter is lost")
    played.feed.results(1, [], [{"text": "it drifts"}, {"text": "it stepped"}], final=False)
    expect(page.locator("#said")).to_have_text("Finding: it stepped")


def test_what_tuning_showed_stands_below_its_band(played: Served, look: Looks) -> None:
    page = look(played).page
    name = played.session.plan.bands[0].name
    played.feed.results(1, results(played.session, name), [], final=False)
    row = page.locator("#bands tbody tr", has=page.get_by_role("rowheader", name=name, exact=True))
    expect(row).to_contain_text("142.0")
    tuned = page.locator("#bands tbody tr.tuned")
    expect(tuned).to_have_text("Grid peak 6.04 ± 0.31 mA")
    expect(tuned).to_have_count(1), "none for a band that nothing was measured on"
    without = results(played.session, name)
    without[0]["tuning"][0]["measured"]["expanded"] = None
    played.feed.results(1, without, [], final=False)
    expect(tuned).to_have_text("Grid peak 6.04 mA (U unknown)")


TWICE = {"width": 683, "height": 384}  # a laptop of 1366 x 768 at 200 %
_LINES = """(nodes) => nodes.map((node) => {
  const range = document.createRange(); range.selectNodeContents(node);
  return new Set([...range.getClientRects()].map((one) => Math.round(one.top))).size; })"""


@pytest.mark.parametrize("size", [TWICE, PHONE], ids=["twice", "phone"])
def test_the_key_strip_leaves_room_and_no_word_is_broken_at_any_size(
    played: Served, look: Looks, size: dict[str, int]
) -> None:
    seen = look(played, viewport=size)
    page = seen.page
    a_run(played)
    expect(page.locator("#key")).to_have_text("KEY DOWN")
    expect(page.locator("#dial")).to_be_visible()
    strip, hand = (page.locator(one).bounding_box() for one in ("#strip", "#hand"))
    assert strip
    assert hand
    assert strip["height"] + hand["height"] < size["height"] / 2
    assert page.locator("#band, #bands thead th, #bands tbody th").evaluate_all(_LINES) == [1] * (1 + 5 + 2)
    verdicts = page.locator("#bands tbody tr:not(.tuned) td:last-child")
    expect(verdicts.first).to_contain_text("fail")
    assert verdicts.first.evaluate_all(_LINES) == [1]


def test_a_trend_that_another_view_came_over_has_the_width_of_its_place(played: Served, look: Looks) -> None:
    """First drawn where nothing is shown, a plot would keep the width that the library thinks of."""
    a_run(played)
    seen = look(played, viewport=PHONE)
    page = seen.page
    held: list[Route] = []
    page.route(re.compile("points=300"), lambda one: one.continue_() if held else held.append(one))
    with page.expect_request(re.compile("points=300")):
        page.reload()
    seen.view("tune")  # while what is to be drawn is on its way
    with page.expect_response(re.compile("points=300")):
        held[0].continue_()
    expect(page.locator("#extremes dt, #extremes dd").first).to_be_visible()
    page.wait_for_timeout(500)  # drawn, were it drawn here
    seen.view("now")
    page.wait_for_function(
        """() => ['recent', 'whole'].every((id) => { const node = document.getElementById(id);
        return Math.abs((node.querySelector('.main-svg')?.clientWidth ?? 0) - node.clientWidth) <= 1; })"""
    )
    assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]


_FOCUSED = (
    """(({ id, type, textContent }) => id || (type === 'checkbox' ? 'box' : textContent))(document.activeElement)"""
)


def test_the_keyboard_goes_through_in_order_and_is_seen(played: Served, look: Looks) -> None:
    seen = look(played)
    page = seen.page
    top = ["To the readings", "Now", "Tune", "Type in", "Records", "theme"]
    inside: dict[str, list[Any]] = {
        "now": ["trendof"],
        "tune": ["aidof", "dip", "again", "tone", "speak", *(["box"] * len(played.session.plan.sweep.tuning))],
        "type": ["field0", "Enter"],
    }
    for view, found in inside.items():
        seen.view(view)
        page.evaluate("document.activeElement.blur()")
        page.locator("body").evaluate(
            "(body) => { body.tabIndex = -1; body.focus(); body.removeAttribute('tabindex'); }"
        )
        names = []
        for _ in range(len(top) + len(found) + 1):
            page.keyboard.press("Tab")
            names.append(page.evaluate(_FOCUSED))
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none", names
        assert names == [*top, *found, "keyup"]
    page.keyboard.press("Escape")
    expect(page.locator("#done")).to_be_empty(), "no key of this run is the program's"
