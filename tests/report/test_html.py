"""The HTML file as text: nothing from outside, nothing believed, the same bytes each time."""

from __future__ import annotations

import dataclasses
import hashlib
import re
import subprocess
import sys
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from benchlog.model import Event, State
from benchlog.report import budget, html, words
from benchlog.report.summary import summary
from benchlog.series import STATES
from tests.benches import bench_of, plan_of
from tests.report import samples
from tests.report.pages import Page, analysis_of, page_of, rendered

SAMPLES = [samples.five_bands, samples.troubled, samples.one_band, samples.silence, samples.rich]


@pytest.mark.parametrize("sample", SAMPLES)
def test_the_file_stands_alone(sample) -> None:
    text = page_of(sample)
    page = Page(text)
    assert not page.open
    assert "script" not in {tag for tag, _ in page.tags}
    for tag, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "xlink:href", "srcset", "data", "action"):
            target = attributes.get(name)
            assert target is None or target.startswith("#") or (tag == "link" and target == "data:,")
    outside = set(re.findall(r"https?://[^\s\"'<)]+", text))
    assert outside <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # names, never fetched
    assert not re.search(r"url\((?!#)", text)
    assert "@import" not in text


@pytest.mark.parametrize("sample", SAMPLES)
def test_ids_are_unique_and_every_reference_has_its_target(sample) -> None:
    text = page_of(sample)
    ids = [attributes["id"] for _, attributes in Page(text).tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    referred = set(re.findall(r'(?:href="#|url\(#|aria-labelledby=")([^")]+)', text))
    assert referred <= set(ids)
    assert referred


def test_the_same_session_gives_the_same_bytes() -> None:
    assert rendered(samples.troubled()) == page_of(samples.troubled)


def test_another_process_gives_the_same_bytes() -> None:
    """Hash seed, time zone and the count of figures drawn before differ there."""
    code = (
        "import hashlib; from tests.report import pages, samples;"
        "print(hashlib.sha256(pages.page_of(samples.one_band).encode()).hexdigest())"
    )
    run = [sys.executable, "-W", "error", "-c", code]
    env = {"PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    there = subprocess.run(run, cwd=Path(__file__).parents[2], env=env, capture_output=True, text=True, check=True)
    assert there.stdout.strip() == hashlib.sha256(page_of(samples.one_band).encode()).hexdigest()


HOSTILE = '<script>alert("1")</script>&amp;$x^2$'


def hostile() -> samples.Session:
    """Every name a file or an instrument can put into the record."""
    name = HOSTILE.replace('"', '\\"')
    text = samples.BENCH.replace("{power_accuracy}", "5 %").replace('name = "', f'name = "{name} ')
    plan_text = (
        f'[transmitter]\nname = "{name}"\nserial = "{name}"\n'
        f'[[band]]\nname = "{name}"\ndial = "10.120 MHz"\nmin_power = "90 W"\nmax_frequency_error = "5 Hz"\n'
    )
    bench, plan = bench_of(text), plan_of(plan_text)
    plain = samples.session(
        samples.bench(), plan, [samples.Keyed(5, 20, 10.12e6 + 25, 66, 64)], lasts_s=40, kind="import"
    )
    raw = {
        f"{HOSTILE} {channel}": dataclasses.replace(series, channel=f"{HOSTILE} {channel}")
        for channel, series in plain.raw.items()
    }
    facts = dataclasses.replace(plain.facts, transmitter=HOSTILE, bench=HOSTILE, digest="5a</style>" + HOSTILE)
    events = [
        Event(10**9, kind, HOSTILE, instrument=f"{HOSTILE} wattmeter", channel=HOSTILE)
        for kind in ("identity", "note", "link", "wrong-instrument")
    ]
    return samples.Session(facts, bench, plan, raw, events)


def test_what_files_and_instruments_say_is_text_and_nothing_else() -> None:
    session = hostile()
    text = rendered(session, ending=HOSTILE)
    page = Page(text)
    tags = {tag for tag, _ in page.tags}
    assert "script" not in tags
    assert text.count("</style>") == len([tag for tag, _ in page.tags if tag == "style"])
    # Figures tell their names to who cannot see them, and on a phone a table's cells their column's.
    assert not any(
        HOSTILE in (value or "")
        for tag, attributes in page.tags
        for name, value in attributes.items()
        if (tag, name) not in (("svg", "aria-label"), ("td", "data-label"))
    )
    assert page.words.count(HOSTILE) > 15  # shown, everywhere it belongs, as it is
    assert sum(HOSTILE in (attributes.get("aria-label") or "") for _, attributes in page.tags) >= 5
    drawn = [Page(svg).words for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL)]
    assert sum(HOSTILE in words_ for words_ in drawn) >= 3  # one piece each: the dollar signs are no formula
    assert re.findall(r'content: "Session[^}]*', text) == [
        'content: "Session 7, raw readings 5aecae1ca2…"; font: 8pt sans-serif; color: #5f5b55; '
    ]


@pytest.mark.parametrize("sample", SAMPLES)
def test_everything_a_stranger_needs_is_there(sample) -> None:
    session = sample()
    record = analysis_of(sample).record
    text = page_of(sample)
    page = Page(text)
    said = page.words
    for part in (
        record.session.transmitter,
        "serial 0042",
        record.session.bench,
        record.session.digest,
        "Stopped by hand.",
    ):
        assert part in said
    for sentence in (*summary(record), *words.CAUTIONS, words.CAUTION, words.readings_sentence(record)):
        assert sentence in said.replace("−", "-")
    for finding in record.findings:
        assert finding.text.replace("-", "−") in said.replace("-", "−")
    for event in session.events:
        assert event.text in said
    for source in (session.plan.source, session.bench.source):
        assert source.sha256 in said
        assert source.text in unescaped_pre(text)
    headings = [tag for tag, _ in page.tags if re.fullmatch(r"h\d", tag)]
    assert headings.count("h1") == 1
    assert headings[0] == "h1"
    assert all(attributes.get("aria-label") for tag, attributes in page.tags if tag == "svg")
    assert all(attributes.get("scope") in ("row", "col", "rowgroup") for tag, attributes in page.tags if tag == "th")


def unescaped_pre(text: str) -> str:
    class Pre(HTMLParser):
        inside, found = False, ""

        def handle_starttag(self, tag: str, attrs: object) -> None:
            self.inside = tag == "pre"

        def handle_data(self, data: str) -> None:
            self.found += data if self.inside else ""

        def handle_endtag(self, tag: str) -> None:
            self.inside = False

    parser = Pre()
    parser.feed(text)
    return parser.found


def test_readings_are_counted_per_channel_with_what_is_missing() -> None:
    session = samples.troubled()
    said = Page(page_of(samples.troubled)).words
    bad = {name: int((raw.state != 0).sum()) for name, raw in session.raw.items()}
    assert bad["plate"] == 250
    for instrument, channel in session.bench.channels():
        planned = len(session.raw[channel.name])
        row = f"{planned:,} {planned - bad[channel.name]:,} {bad[channel.name]:,}"
        assert re.search(rf"{instrument.name}, {channel.name} [^|]{{0,60}}{row}", said), channel.name


def test_a_counter_that_is_no_value_with_the_key_up_may_have_no_signal_or_garble_its_replies() -> None:
    """An invalid reading tells neither; the events tell of garbled ones."""
    session = samples.five_bands()
    counter = session.raw["frequency"]
    state = np.where(counter.t_ns < 15e9, STATES.index(State.INVALID), counter.state).astype(np.uint8)
    garbled = Event(5 * 10**9, "reply", 'not a number: "1,4.2"', instrument="counter")
    session = dataclasses.replace(
        session,
        raw={**session.raw, "frequency": dataclasses.replace(counter, state=state)},
        events=[*session.events, garbled],
    )
    said = Page(rendered(session)).words
    assert "are of a counter with the key up, when it may have no signal." in said
    assert "a counter may have no signal to count; where replies were garbled, “What happened” says so." in said
    assert 'counter: not a number: "1,4.2"' in said
    assert "no fault" not in said


def test_a_missing_accuracy_is_told_because_u_is_then_too_small() -> None:
    assert "No accuracy is stated for" not in Page(page_of(samples.five_bands)).words
    session = samples.five_bands()
    without = dataclasses.replace(session, bench=samples.bench("0 %"))
    assert "No accuracy is stated for power." in Page(rendered(without)).words


def test_three_days_stay_a_small_file() -> None:
    session = samples.long_watch()
    assert sum(len(raw) for raw in session.raw.values()) > 200_000
    text = page_of(samples.long_watch)
    assert len(text) < 600_000
    assert "the first 100 of 143" in Page(text).words


def test_figures_draw_what_was_measured() -> None:
    """The power figure's line goes through the key-down's power; found again from the SVG's own coordinates."""
    session = samples.one_band()
    text = page_of(samples.one_band)
    close_up = re.search(r'<svg[^>]*aria-label="Power during one key-down on 30 m[^>]*>.*?</svg>', text, re.DOTALL)
    assert close_up
    fit = samples.analysed(session).key_downs[0].droop
    assert f"30 m: {html.significant(fit.start_w)} W to {html.significant(fit.end_w)} W" in close_up[0]
    curve = re.search(r'<path d="([^"]*)"[^>]*stroke: var\(--fit\)', close_up[0])
    points = [tuple(map(float, p)) for p in re.findall(r"[ML] ([\d.]+) ([\d.]+)", curve[1])]
    ticks = dict(y_ticks(close_up[0], 64))
    (w1, y1), (w2, y2) = min(ticks.items()), max(ticks.items())
    watts = [w1 + (y - y1) * (w2 - w1) / (y2 - y1) for _, y in points]
    assert watts[0] == pytest.approx(fit.start_w, abs=0.05)
    assert watts[-1] == pytest.approx(fit.end_w, abs=0.05)


def y_ticks(svg: str, left: int) -> list[tuple[float, float]]:
    """(watts, y in px) of each label left of the axis at ``left``: its tick's ``use`` stands before it."""
    tick = rf'<use xlink:href="#[^"]*" x="{left}(?:\.\d+)?" y="([\d.]+)"[^>]*/>'
    pattern = tick + r"\s*</g>\s*</g>\s*<g>\s*<text[^>]*>([\d.]+)</text>"
    return [(float(watts), float(y)) for y, watts in re.findall(pattern, svg)]


def figure(text: str, alt: str) -> str:
    """The first SVG whose words for those who cannot see it begin so."""
    found = re.search(rf'<svg[^>]*aria-label="{re.escape(alt)}[^>]*>.*?</svg>', text, re.DOTALL)
    assert found, alt
    return found[0]


def test_what_was_found_beyond_the_table_stands_by_band() -> None:
    page = Page(page_of(samples.rich))
    said = page.words.replace("−", "-")
    assert "Droop over the run – 7.60 ± 0.89 % most 5 % fail – –" in said
    assert re.search(r"Delivered power [\d.]+ ± 0\.89 W [\d.]+ ± 0\.89 W", said)
    assert "Warm-up: time constant – 500 ± 27 s – –" in said
    assert "Over 16 s – 7.4 ppb 6.9 to 13; 0.11 Hz – –" in said
    assert "More about each band" not in Page(page_of(samples.silence)).words


def test_every_budget_is_there_folded_away_on_a_screen() -> None:
    text = page_of(samples.rich)
    tags = [tag for tag, _ in Page(text).tags]
    assert tags.count("details") == 1
    assert ("details", {}) in Page(text).tags, "closed until somebody opens it"
    said = Page(text).words
    for group in budget.groups(analysis_of(samples.rich).record):
        for one in group.budgets:
            assert f"{one.title}: {one.value}" in said.replace("−", "-")
            assert one.coverage in said


def test_instruments_tell_who_they_are_and_whether_their_calibration_held() -> None:
    said = Page(page_of(samples.rich)).words
    assert "wattmeter any Example,Wattmeter,11,1.0 2026-03-01, due 2027-03-01" in said
    assert "counter any Example,Counter,12,2.1 not stated" in said
    assert "ammeter any no identity recorded 2025-08-20, OVERDUE: was due 2026-08-20" in said


def test_the_figures_tell_and_draw_the_run_the_warm_up_and_the_step() -> None:
    text = page_of(samples.rich)
    power = figure(text, "Forward power against time")
    assert re.search(r"Over the run 20 m goes from 12\d\.\d W to 11\d\.\d W\.", power)
    frequency = figure(text, "Frequency error in hertz against time")
    assert "20 m: a warm-up curve is drawn." in frequency
    assert "settled 25 min after 25 min 2 s; step +45.1 Hz after 29 min 46 s" in frequency
    assert ">step +45.1 Hz</text>" in frequency
    without = figure(page_of(samples.five_bands), "Frequency error in hertz against time")
    assert "step" not in without


def test_the_runs_curve_is_the_records_own() -> None:
    """Its ends, read off the figure's coordinates, fall by the percentage that the table states."""
    svg = figure(page_of(samples.rich), "Forward power against time")
    dashed = re.findall(r'<path d="([^"]*)"[^>]*stroke-dasharray: 14\.4[^"]*stroke: var\(--fit\)', svg)
    assert len(dashed) == 1
    points = [tuple(map(float, p)) for p in re.findall(r"[ML] ([\d.]+) ([\d.]+)", dashed[0])]
    (w1, y1), (w2, y2) = min(ticks := y_ticks(svg, 58)), max(ticks)
    first, last = (w1 + (y - y1) * (w2 - w1) / (y2 - y1) for _, y in (points[0], points[-1]))
    assert 100 * (first - last) / first == pytest.approx(7.6, abs=0.05)


def test_the_plate_voltage_stands_below_a_droop_that_follows_it_and_nowhere_else() -> None:
    text = page_of(samples.rich)
    assert re.search(
        r"Below it the plate voltage, 7\d\d V to 69\d V\.", figure(text, "Power during one key-down on 10 m")
    )
    assert "plate, V" in figure(text, "Power during one key-down on 10 m")
    assert "plate" not in figure(text, "Power during one key-down on 20 m")


def test_the_plate_voltages_curve_is_the_findings() -> None:
    """A fall that bends so little that the droop's own rule would draw it bent, and the finding's has it straight."""

    def truth(name: str, t_s: np.ndarray, keyed: Sequence[samples.Keyed], rng: np.random.Generator) -> np.ndarray:
        value = samples._truth(name, t_s, keyed, rng)
        if name != "plate":
            return value
        kept = 1 - 0.06 * (1 - np.exp(-np.clip(t_s - 20, 0, None) / 12))
        return np.where((t_s >= 20) & (t_s < 40), 7.4 * kept, 8.1) + 0.03 * rng.standard_normal(len(t_s))

    keyed = [samples.Keyed(20, 20, 28.3e6, 82, 70)]
    session = samples.session(samples.bench(), samples.plan(samples.FIVE[-1:]), keyed, lasts_s=60, truth=truth)
    found = next(one for one in samples.analysed(session).record.findings if one.kind == "supply-sag")
    start, end = re.search(r"\((\d+) V to (\d+) V\)", found.text).groups()
    drawn = figure(rendered(session), "Power during one key-down")
    assert f"Below it the plate voltage, {start} V to {end} V." in drawn


def test_stability_is_drawn_where_there_is_enough_of_it() -> None:
    text = page_of(samples.rich)
    drawn = figure(text, "Overlapping Allan deviation on 20 m")
    assert "42 ppb over 0.5 s, 7.4 ppb over 16 s." in drawn
    assert text.count('aria-label="Overlapping Allan deviation') == 1


def test_a_long_band_name_is_clipped_where_bands_stand_side_by_side() -> None:
    name = "20 m, upper end, with the tuner"
    bands = [(name, "14.300 MHz", "100 W"), ("10 m", "28.300 MHz", "80 W")]
    keyed = [samples.Keyed(20, 20, 14.3e6, 125, 123), samples.Keyed(80, 20, 28.3e6, 95, 94)]
    drawn = figure(
        rendered(samples.session(samples.bench(), samples.plan(bands), keyed, lasts_s=120)), "Power of each band"
    )
    assert ">20 m, upper end…</text>" in drawn
    assert f">{name}</text>" not in drawn


def test_every_quantity_has_its_intervals_against_the_limits() -> None:
    text = page_of(samples.rich)
    for name, limit in (("Power", "least 80 W"), ("Droop", "most 10 %"), ("Frequency error", "within ±300 Hz")):
        assert limit in figure(text, f"{name} of each band with its uncertainty, against the limit")
    drift = figure(text, "Drift of each band with its uncertainty")
    assert "40 m not measured; 20 m " in drift
    assert "within ±200 Hz/h" in drift
    assert "Drift of each band" not in page_of(samples.five_bands), "nobody measured it"
