from __future__ import annotations

import dataclasses
import io
import re

import pytest
from rich.cells import cell_len
from rich.console import Console

from benchlog.report import text
from tests.report import samples


def printed(session: samples.Session, width: int, **options: object) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, **options)
    console.print(text.render(samples.analysed(session), session.plan, ending="Stopped by hand."))
    return out.getvalue()


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("sample", [samples.five_bands, samples.troubled, samples.one_band, samples.silence])
def test_no_line_is_too_long_and_no_number_cut(sample, width: int) -> None:
    session = sample()
    shown = printed(session, width)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    assert "…" not in shown
    record = samples.analysed(session).record
    for band in record.bands:
        for name, quantity in text.QUANTITIES.items():
            assert text.with_uncertainty(band.results[name], quantity.unit) in shown
            assert text.words.limit_text(band.results[name], quantity) in shown
        assert text.megahertz(band.expected_hz) in shown


@pytest.mark.parametrize("width", [30, 50])
def test_a_narrow_terminal_gets_a_list_with_every_number_whole(width: int) -> None:
    session = samples.troubled()
    shown = printed(session, width)
    assert all(cell_len(line) <= width for line in shown.splitlines())
    words = set(re.split(r"[\s,]+", shown))
    for band in samples.analysed(session).record.bands:
        for name, quantity in text.QUANTITIES.items():
            assert set(text.with_uncertainty(band.results[name], quantity.unit).split()) <= words


def test_everything_a_reader_needs_is_there() -> None:
    session = samples.troubled()
    record = samples.analysed(session).record
    flat = " ".join(printed(session, 80).split())
    assert "Loan set 3, serial 0042" in flat
    assert "Session 7, sweep, on North bench: 2026-11-25 09:03:09 UTC, for 6 min 10 s." in flat
    assert "Stopped by hand." in flat
    assert record.findings
    for finding in record.findings:
        assert " ".join(finding.text.split()) in flat
    assert f"{record.readings['missed']} missed" in flat
    assert record.session.digest in flat
    assert "software is no interlock" in flat
    assert re.search(r"2\d{3}\.?\d* ± .* within ±300 Hz fail", flat)


def test_names_are_not_read_as_markup() -> None:
    session = samples.one_band()
    facts = dataclasses.replace(session.facts, transmitter="[red]Set[/red] [link=file:x]", bench="[/]")
    shown = printed(dataclasses.replace(session, facts=facts), 80)
    assert "[red]Set[/red] [link=file:x]" in shown
    assert "on [/]:" in shown


def test_a_file_gets_plain_text() -> None:
    assert "\x1b" not in printed(samples.five_bands(), 80)
    assert "\x1b[1m" in printed(samples.five_bands(), 80, force_terminal=True, color_system="standard")
