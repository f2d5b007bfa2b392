"""The page in a tab of a real Chromium, with all it asked for, took from the stream and complained of."""

from __future__ import annotations

import re
from typing import Any

from playwright.sync_api import Browser, Page, expect

from benchlog.runs.happenings import Latest, Tick
from benchlog.runs.session import Session
from tests.chromium import PATIENCE_MS
from tests.page.looking import Served

PHONE, LAPTOP, MONITOR = (
    {"width": 390, "height": 844},
    {"width": 1280, "height": 800},
    {"width": 1920, "height": 1080},
)
SIZES = {"phone": PHONE, "laptop": LAPTOP, "bench": MONITOR}
# plotly brings a style sheet for maps, which the page's policy does not let in, and which nothing here needs.
_REFUSED = re.compile(
    r"Applying inline style violates the following Content Security Policy directive 'style-src 'self''"
)
# What each event of the stream was, as the page was told it; and every tone and word it makes.
_SPY = """
window.told = []; window.tones = []; window.gains = []; window.spoken = [];
const listen = EventSource.prototype.addEventListener;
EventSource.prototype.addEventListener = function (kind, told) {
  return listen.call(this, kind, (event) => { window.told.push([kind, event.lastEventId]); told(event); });
};
const aim = AudioParam.prototype.setTargetAtTime;
AudioParam.prototype.setTargetAtTime = function (value, ...rest) {
  (this.maxValue > 20000 && this.maxValue < 1e6 ? window.tones : window.gains).push(value);
  return aim.call(this, value, ...rest);
};
if (window.speechSynthesis) speechSynthesis.speak = (said) => window.spoken.push(said.text);
"""


class Look:
    """One tab. ``close`` fails where the page asked anybody else for anything, or complained."""

    def __init__(self, browser: Browser, port: int, token: str = "", **how: Any) -> None:
        self.context = browser.new_context(**({"viewport": LAPTOP} | how))
        self.context.set_default_timeout(PATIENCE_MS)
        self.context.add_init_script(_SPY)
        self.port = port
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page = self.open(token)

    def open(self, token: str) -> Page:
        page = self.context.new_page()
        page.on("request", lambda one: self.requests.append(one.url))
        page.on("console", lambda one: self.complaints.append(one.text) if one.type in ("error", "warning") else None)
        page.on("pageerror", lambda one: self.complaints.append(str(one)))
        page.goto(f"http://127.0.0.1:{self.port}/" + (f"#token={token}" if token else ""))
        expect(page.locator("#link")).to_have_text("Connected")
        return page

    def view(self, name: str) -> None:
        self.page.evaluate(f"location.hash = '{name}'")
        expect(self.page.locator(f"#{name}")).to_be_visible()

    def told(self) -> list[tuple[str, int]]:
        """Kind and number of every event the page was handed, in order."""
        return [(kind, int(name.partition("-")[2])) for kind, name in self.page.evaluate("window.told")]

    def forgive(self, *patterns: str) -> None:
        """Complaints of the browser itself that the test meant to cause."""
        self.complaints = [one for one in self.complaints if not any(re.search(p, one) for p in patterns)]

    def close(self) -> None:
        self.context.close()
        ours = (f"http://127.0.0.1:{self.port}/", "data:")
        assert [url for url in self.requests if not url.startswith(ours)] == []
        complaints = [one for one in self.complaints if not _REFUSED.search(one)]
        assert not complaints, complaints


def tick(one: Served, t_s: float, down_since_s: float | None = None, **values: float) -> None:
    """One of the run's, ``plate_voltage=850.0`` and so on by what channels measure; it reaches viewers at once."""
    from benchlog.model import State

    found: dict[str, Latest] = {}
    for _, channel in one.session.bench.channels():
        if channel.measures and (value := values.get(channel.measures.replace("-", "_"))) is not None:
            found[channel.name] = Latest(channel, t_s, value, State.GOOD, "")
    one.feed._ticked_at = 0.0  # however soon after the one before
    one.feed.tell(Tick(t_s, down_since_s, None, found, 0.1))


def results(session: Session, band: str, verdict: str = "pass") -> list[dict[str, Any]]:
    """A band's results as the record has them."""

    def result(value: float, limit: float) -> dict[str, Any]:
        return {"value": value, "expanded": 2.0, "k": 2.0, "dof": None, "limit": limit, "verdict": verdict}

    quantities = {"power_w": result(142.0, 100.0), "droop_percent": result(1.2, 10.0)}
    measured = {"value": 6.04, "expanded": 0.31, "k": 2.0, "dof": None, "limit": None, "verdict": "pass"}
    peak = {"what": "grid-current-peak", "channel": "grid current", "unit": "mA", "at_s": 4.0, "measured": measured}
    absent = peak | {"what": "level-control", "channel": None, "measured": measured | {"value": None}}
    tuning = {"tuning": [peak, absent]}
    return [{"band": band, **quantities, "frequency_error_hz": result(56.0, 300.0), **tuning}]
