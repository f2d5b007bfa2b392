"""The key from the page, by real presses in a real browser, and what the key box's own clock says of them.

Up in one press; down only pressed and held. For tuning the key is down while it is held and no longer, however the hand
or the page goes away.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from benchlog.simulate.keybox import Edge
from benchlog.simulate.process import BenchProcess
from tests.cli.keyed import WITHIN_S, keyed_bench, until_up
from tests.page.bench import Shown, a_bench, shown
from tests.page.browser import PHONE, Look

PATIENCE_S = 60.0


def until_down(bench: BenchProcess, before: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while len(bench.edges()) <= before:
        assert time.monotonic() < deadline, "the key never went down"
        time.sleep(0.02)
    assert bench.edges()[-1].down


class Bench:
    """A keyed sweep at life's own pace, and its page on a telephone."""

    def __init__(self, bench: BenchProcess, run: Shown, seen: Look) -> None:
        self.bench, self.run, self.seen = bench, run, seen

    @property
    def page(self) -> Page:
        return self.seen.page

    def edges(self) -> list[Edge]:
        return self.bench.edges()

    def button(self, name: str) -> Locator:
        return self.page.get_by_role("button", name=name)

    def press(self, name: str) -> int:
        """The pointer goes down on a button, and stays; returns how many edges there were."""
        before = len(self.edges())
        expect(self.page.locator("#key")).to_have_text("Key up")
        self.button(name).hover()
        self.page.mouse.down()
        return before


@pytest.fixture(scope="module")
def keyed(chromium: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("keyed")
    with (
        a_bench(folder / "bench", key_box="drop", time_factor=1.0) as bench,
        shown(bench, folder, "sweep", "--key", "--yes") as run,
    ):
        run.running.wait_for("Band 1 of 5")
        seen = Look(chromium, run.port, run.token, viewport=PHONE)
        yield Bench(bench, run, seen)
        seen.close()


def test_a_press_that_is_let_go_too_early_keys_nothing(keyed: Bench) -> None:
    before = keyed.press("Hold to tune")
    time.sleep(0.7)
    keyed.page.mouse.up()
    expect(keyed.page.locator("#done")).to_have_text("Let go too early. Nothing was done.")
    keyed.button("Hold 1.5 s to measure").focus()
    keyed.page.keyboard.press("Space")
    time.sleep(1.2)
    assert len(keyed.edges()) == before


@pytest.mark.parametrize("how", ["let go", "slid off", "looked elsewhere"])
def test_the_key_is_down_for_tuning_while_it_is_held_and_no_longer(keyed: Bench, how: str) -> None:
    before = keyed.press("Hold to tune")
    until_down(keyed.bench, before)
    expect(keyed.page.locator("#strip")).to_have_attribute("data-key", "down")
    since_ns = time.monotonic_ns()
    if how == "let go":
        keyed.page.mouse.up()
    elif how == "slid off":
        keyed.page.mouse.move(200, 300)
    else:
        keyed.page.evaluate("window.dispatchEvent(new Event('blur'))")
    assert until_up(keyed.bench, since_ns) < WITHIN_S
    keyed.page.mouse.up()
    expect(keyed.page.locator("#done")).to_have_text("The key goes up; the sweep goes on.")
    assert len(keyed.edges()) == before + 2, "and stays up"


def test_it_goes_up_when_the_page_is_closed(keyed: Bench) -> None:
    with keyed.seen.context.expect_page():
        other = keyed.seen.open(keyed.run.token)
    before = len(keyed.edges())
    button = other.get_by_role("button", name="Hold to tune")
    button.focus()
    other.keyboard.down("Space")
    until_down(keyed.bench, before)
    since_ns = time.monotonic_ns()
    other.close(run_before_unload=True)
    assert until_up(keyed.bench, since_ns) < WITHIN_S


def test_one_press_keys_up_within_a_second(keyed: Bench) -> None:
    """A measured key-down, which goes on when the hand lets go; then the button, once."""
    before = keyed.press("Hold 1.5 s to measure")
    until_down(keyed.bench, before)
    keyed.page.mouse.up()
    expect(keyed.page.locator("#keyfor")).to_have_text(re.compile(r"^[1-9]\d* s of 20 s$"))
    assert len(keyed.edges()) == before + 1, "it is down still"
    since_ns = time.monotonic_ns()
    keyed.button("Key up").click()
    assert until_up(keyed.bench, since_ns) < WITHIN_S
    expect(keyed.page.locator("#done")).to_have_text("The key goes up; the sweep goes on.")


def test_a_heat_run_is_told_that_its_next_band_is_set(tmp_path: Path, look: Callable[..., Look]) -> None:
    """Nothing is keyed until then; the button keys up and ends it."""

    with keyed_bench(tmp_path / "bench", lasts="9 s", line='"rts"\nfrom_page = true') as bench:
        plan = bench.plan_file.read_text().replace('band = "80 m"', 'band = ["80 m", "40 m"]')
        plan = plan.replace('key_down = "20 s"\nrest = "10 s"\nlasts', 'key_down = "8 s"\nrest = "2 s"\nlasts')
        bench.plan_file.write_text(plan)
        with shown(bench, tmp_path, "soak", "--yes") as run:
            seen = look(run, viewport=PHONE)
            page = seen.page
            button = page.get_by_role("button", name="Hold: 40 m is set")
            asked = "Set 40 m, then say so: at the terminal or below."
            expect(page.locator("#next")).to_have_text(asked)
            before = len(bench.edges())
            assert before == 2
            button.hover()
            page.mouse.down()
            time.sleep(0.5)
            page.mouse.up()
            expect(page.locator("#done")).to_have_text("Let go too early. Nothing was done.")
            bench.tell("band 40 m")
            page.mouse.down()
            expect(page.locator("#done")).to_have_text("The run goes on: it keys after its rest.")
            page.mouse.up()
            expect(button).to_be_hidden()
            until_down(bench, before)
            since_ns = time.monotonic_ns()
            page.get_by_role("button", name="Key up").click()
            assert until_up(bench, since_ns) < WITHIN_S
            expect(page.locator("#next")).to_have_text("Ended: keyed up from the page: 1 key-down.")
            assert len(bench.edges()) == before + 2
            seen.close()
