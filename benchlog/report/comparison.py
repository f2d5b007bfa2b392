"""Two sessions beside each other, as people and scripts read it: summary, text for a terminal, JSON, HTML."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from benchlog import __version__
from benchlog.analysis.compare import KINDS, BandCompared, Compared, Comparison
from benchlog.analysis.results import Result, SessionFacts
from benchlog.clock import rfc3339
from benchlog.report import words
from benchlog.report.numbers import duration, rounded, significant, with_uncertainty
from benchlog.report.words import FURTHER, QUANTITIES, Quantity

SCHEMA = "benchlog-comparison/1"
NAMED: dict[str, Quantity] = {name: (QUANTITIES | FURTHER)[name] for name in KINDS}

READING_AID = (
    "± is the expanded uncertainty U of the difference at 95 %, from both sessions' budgets. Real: the difference is "
    "larger than its U; one in twenty differences is so by chance where nothing has changed. None seen: it is not, and "
    "only a difference larger than U would have been called real. Real says that the set measured differently, not "
    "why: tuning, mains and temperature are part of it."
)
CANCELLING_AID = (
    "An instrument's error that both sessions share cancels as far as it is the same at both values. That supposes "
    "that it has stayed what it was: what an instrument has drifted in between, or errs otherwise at the one value "
    "than at the other, is not in U."
)
_VERDICT_WORDS = {"real": "real", "none-seen": "none seen", "not-comparable": "not comparable"}


@dataclass(frozen=True, slots=True)
class Both:
    """A comparison, with what its forms tell of the two sessions."""

    comparison: Comparison
    a: SessionFacts
    b: SessionFacts
    serials: tuple[str, str] = ("", "")
    cautions: Sequence[str] = field(default_factory=tuple)  # what the reader must know before the numbers

    @property
    def apart(self) -> str:
        """``41 days later``."""
        seconds = (self.b.started_ns - self.a.started_ns) / 1e9
        days = round(abs(seconds) / 86400)
        span = words.count(days, "day") if days else duration(abs(seconds))
        return f"{span} {'later' if seconds >= 0 else 'earlier'}"


def title(both: Both) -> str:
    """``Loan set 3: session 5 against session 3``."""
    return f"{both.b.transmitter}: session {both.b.id} against session {both.a.id}"


def summary(comparison: Comparison) -> list[str]:
    """What a reader wants to know first, as sentences; the first one stands alone."""
    if not comparison.all:
        return ["Neither session measured anything on any band."]
    said = [f"Really {change}: {_changed(comparison, change)}." for change in ("worse", "better")]
    said = [sentence for sentence in said if not sentence.endswith(": .")]
    found = [" ".join(said) if said else "Nothing is really better or worse."]
    for band in comparison.bands:
        found += _sentences(band)
    if doubtful := comparison.open_questions:
        bands = words.listed(dict.fromkeys(band for band, _ in doubtful))
        found.append(f"Not everything that the first session measured on {bands} can be compared: see below.")
    return found


def _changed(comparison: Comparison, change: str) -> str:
    """``droop on 20 m and 40 m; power on 10 m``."""
    where: dict[str, list[str]] = {}
    for band, one in comparison.all:
        if one.change == change:
            where.setdefault(one.quantity, []).append(band)
    return "; ".join(f"{NAMED[quantity].name} on {words.listed(bands)}" for quantity, bands in where.items())


def _sentences(band: BandCompared) -> Iterator[str]:
    """What is real, verdicts that changed, power that cannot be compared; then all that shows no difference."""
    quiet = []
    for one in band.quantities:
        if one.verdict_changed:
            yield f"{_sentence(band.band, one)} Its verdict was {_verdict(one.a)} and is {_verdict(one.b)} now."
        elif one.outcome == "none-seen":
            quiet.append(one)
        elif one.outcome == "real" or one.quantity == "power_w":
            yield _sentence(band.band, one)
    if quiet:
        yield f"{band.band}: no difference seen in {words.unseen(map(_named, quiet))}."


def _named(one: Compared) -> tuple[str, str]:
    return NAMED[one.quantity].name, _u(one)


def _sentence(band: str, one: Compared) -> str:
    quantity = NAMED[one.quantity]
    if one.outcome == "not-comparable":
        return f"{band}: {quantity.name} cannot be compared: {one.why}."
    if one.outcome == "none-seen":
        return f"{band}: no difference seen in {words.unseen([_named(one)])}."
    judged = f", and {one.change}" if one.change in ("better", "worse") else ""
    assert one.difference is not None  # as it is real
    assert one.difference.value is not None
    size = _sized(one.difference, quantity.unit)
    more = one.difference.value > 0
    if one.quantity == "power_w":
        return f"{band} makes {size} {'more' if more else 'less'} than before: real{judged}."
    was, now = (with_uncertainty(result, quantity.unit) for result in (one.a, one.b))
    moved = f"{band}: {quantity.name} is {'up' if more else 'down'} by {size}"
    return f"{moved}, from {was} to {now}: real{judged}."


def _sized(difference: Result, unit: str) -> str:
    """``9.2 ± 1.1 W``, without the sign that words tell."""
    assert difference.value is not None
    if difference.expanded is None:
        return f"{significant(abs(difference.value))} {unit}".strip()
    value, expanded = rounded(abs(difference.value), difference.expanded)
    return f"{value} ± {expanded} {unit}".strip()


def _u(one: Compared) -> str:
    expanded = one.difference.expanded if one.difference else None
    text = "an unknown amount" if expanded is None else rounded(0.0, expanded)[1]
    return f"{text} {NAMED[one.quantity].unit}".strip()


def _verdict(result: Result) -> str:
    return words.VERDICT[result.verdict]


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity of one band, as text."""

    band: str  # empty where it is the one above's
    quantity: str
    a: str
    b: str
    difference: str
    outcome: str
    css: str  # real-worse, real-better, real, none-seen, not-comparable
    note: str  # why it cannot be compared, or what became of its verdict


def rows(comparison: Comparison) -> list[Row]:
    """All of it, band by band."""
    out: list[Row] = []
    for band in comparison.bands:
        for i, one in enumerate(band.quantities):
            quantity = NAMED[one.quantity]
            outcome = _VERDICT_WORDS[one.outcome]
            judged = one.change in ("better", "worse")
            out.append(
                Row(
                    band="" if i else band.band,
                    quantity=quantity.name,
                    a=with_uncertainty(one.a, quantity.unit),
                    b=with_uncertainty(one.b, quantity.unit),
                    difference=_signed(one.difference, quantity.unit) if one.difference else "–",
                    outcome=f"{outcome}, {one.change}" if judged else outcome,
                    css=f"real-{one.change}" if judged else one.outcome,
                    note=_note(one),
                )
            )
    return out


def _signed(difference: Result, unit: str) -> str:
    text = with_uncertainty(difference, unit)
    plain = text.startswith("-") or not text.strip().split(" ")[0].strip("0.")  # below zero, or zero
    return text if plain else f"+{text}"


def _note(one: Compared) -> str:
    said = [one.why] if one.why else []
    if one.verdict_changed:
        said.append(f"{_verdict(one.a)} then, {_verdict(one.b)} now")
    elif one.limit_changed:
        unit = NAMED[one.quantity].unit
        limits = ["none" if r.limit is None else f"{significant(r.limit, 6)} {unit}".strip() for r in (one.a, one.b)]
        said.append(f"verdicts not comparable: limit {limits[0]} then, {limits[1]} now")
    return "; ".join(said)


def text(both: Both) -> RenderableType:
    """For a terminal of any width from about 70 columns up."""
    said = summary(both.comparison)
    parts: list[RenderableType] = [Text(title(both), style="bold"), *(Text(line) for line in _sessions(both)), Text()]
    parts += [Text(caution, style="bold") for caution in both.cautions] + ([Text()] if both.cautions else [])
    parts += [Text(sentence, style="bold" if i == 0 else "") for i, sentence in enumerate(said)]
    found = rows(both.comparison)
    if found:
        parts += [Text(), _table(found), Text(), Text(READING_AID)]
    if both.comparison.channels:
        parts += [Text(), Text("Errors of instruments that both sessions share", style="bold")]
        parts += [Text(line) for line in channel_lines(both.comparison)] + [Text(CANCELLING_AID)]
    return Group(*parts)


def _sessions(both: Both) -> list[str]:
    first, second = (f"{s.id}, {s.kind}, on {s.bench}: {words.stamp(s.started_ns)} UTC" for s in (both.a, both.b))
    return [f"First:  session {first}.", f"Second: session {second}, {both.apart}."]


def _table(found: Sequence[Row]) -> Table:
    table = Table(box=box.HORIZONTALS, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for heading in ("Band", "Quantity", "First", "Second", "Difference", ""):
        table.add_column(heading, overflow="fold")
    for i, row in enumerate(found):
        if row.band and i:
            table.add_section()
        outcome = Text(row.outcome, style="bold" if row.css == "real-worse" else "")
        if row.note:
            outcome.append(f"\n{row.note}", style="not bold")
        table.add_row(Text(row.band, style="bold"), row.quantity, row.a, row.b, row.difference, outcome)
    return table


def channel_lines(comparison: Comparison) -> list[str]:
    """Which errors were let cancel, and why; which not."""
    return [
        f"{c.channel}{f' of {c.instrument}' if c.instrument else ''}: "
        f"{'let cancel' if c.same else 'nothing cancels'}; {c.why}."
        for c in comparison.channels
    ]


def dumps(both: Both, status: int) -> str:
    """``benchlog-comparison/1``, indented, a newline at the end. ``status`` is the command's exit status."""
    comparison = both.comparison
    tree = {
        "schema": SCHEMA,
        "a": _facts(both.a, both.serials[0]),
        "b": _facts(both.b, both.serials[1]),
        "summary": summary(comparison),
        "cautions": list(both.cautions),
        "bands": [
            {
                "band": band.band,
                "expected_hz": _ab(band.a and band.a.expected_hz, band.b and band.b.expected_hz),
                "key_downs": _ab(band.a and band.a.key_downs, band.b and band.b.key_downs),
                "power_kind": _ab(band.a and band.a.power_kind, band.b and band.b.power_kind),
                "quantities": {one.quantity: _as_json(one) for one in band.quantities},
            }
            for band in comparison.bands
        ],
        "instruments": [
            {"channel": c.channel, "instrument": c.instrument, "cancels": c.same, "why": c.why}
            for c in comparison.channels
        ],
        "exit_status": status,
    }
    return json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _ab(a: Any, b: Any) -> dict[str, Any]:
    return {"a": a, "b": b}


def _facts(session: SessionFacts, serial: str) -> dict[str, Any]:
    return {
        "id": session.id,
        "kind": session.kind,
        "transmitter": session.transmitter,
        "serial": serial,
        "bench": session.bench,
        "started": rfc3339(session.started_ns),
        "digest": session.digest,
    }


def _as_json(one: Compared) -> dict[str, Any]:
    found = one.difference.as_json() if one.difference else None
    return {
        "outcome": one.outcome,
        "why": one.why or None,
        "change": one.change,
        "difference": found and {key: found[key] for key in ("value", "expanded", "k", "dof", "budget")},
        "a": _side(one.a),
        "b": _side(one.b),
        "verdict_changed": one.verdict_changed,
        "limit_changed": one.limit_changed,
    }


def _side(result: Result) -> dict[str, Any]:
    return {key: value for key, value in result.as_json().items() if key != "budget"}


def html(both: Both) -> str:
    """One page that needs nothing else, made like the record's."""
    from benchlog.report import compared_figures
    from benchlog.report.html import environment

    template = environment().get_template("comparison.html.j2")
    said = summary(both.comparison)
    return template.render(
        title=title(both),
        both=both,
        summary=[unbroken(sentence, [band.band for band in both.comparison.bands]) for sentence in said],
        rows=rows(both.comparison),
        pictures=list(compared_figures.differences(both.comparison)),
        channels=channel_lines(both.comparison),
        reading_aid=READING_AID,
        cancelling_aid=CANCELLING_AID,
        caution=words.CAUTION,
        version=__version__,
    )


def unbroken(sentence: str, bands: Iterable[str]) -> str:
    """Without a line's end inside a band's name or a date, or between a value and its U: "15 / m" reads badly."""
    for text in (" ± ", *bands):
        sentence = sentence.replace(text, text.replace(" ", "\N{NO-BREAK SPACE}"))
    return re.sub(r"(\d{4})-(\d\d)-(\d\d)", "\\1\N{NON-BREAKING HYPHEN}\\2\N{NON-BREAKING HYPHEN}\\3", sentence)
