"""What a reader wants to know first: a few plain sentences that join each verdict with its cause."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from benchlog.analysis.results import BandResult, Finding, Record, Result
from benchlog.report import words
from benchlog.report.budget import combined_u, shares
from benchlog.report.numbers import significant, with_uncertainty
from benchlog.report.words import FURTHER, QUANTITIES, Quantity, judge, listed

MOST = 12  # sentences; what is left is counted
CAUSES_TOLD = 3  # for each band

# Kinds of findings that say why, the likeliest to be wanted first. Those that only repeat a verdict are not among them.
_CAUSES = ("supply-sag", "output-stage", "mismatch", "band-crystal", "step", "drift")
_OF_FREQUENCY = ("band-crystal", "step", "drift")  # the others are causes of what power does
_OF_ALL_BANDS = ("dial", "wrong-instrument", "limit")
_REPEATING = {"low-power": "power_w", "droop": "droop_percent", "frequency-error": "frequency_error_hz"}

_FOUND = {
    "power_w": "makes {value} against {limit}",
    "droop_percent": "droops by {value} against {limit}",
    "frequency_error_hz": "is off by {value} against ±{limit}",
    "drift_hz_per_h": "drifts by {value} against ±{limit}",
    "run_droop_percent": "loses {value} of its power over the run against {limit}",
}


@dataclass(frozen=True, slots=True)
class More:
    """A sentence that explains, and the findings it tells."""

    sentence: str
    tells: Sequence[Finding] = ()


@dataclass(frozen=True, slots=True)
class Bullet:
    """Sentences that belong together: what must be said, and what explains it where there is room."""

    sentences: Sequence[str]
    tells: Sequence[Finding] = ()
    more: Sequence[More] = ()


def summary(record: Record) -> list[str]:
    """One text for each thing to say, of one or more sentences; the first sentence stands alone.

    At most about ``MOST`` sentences: verdicts come first, explanations get what room is left, each band its first one
    before any its second. What did not fit, and findings that concern the readings alone, are counted at the end.
    """
    if any(band.key_downs for band in record.bands):
        bullets = [*_bands(record), *_rest(record)]
    else:
        bullets = [Bullet(["No key-down was counted on any band of the plan, so nothing was judged."]), *_rest(record)]
    kept = _fitting(bullets)
    more = _room(kept, MOST - sum(len(bullet.sentences) for bullet in kept))
    lines = []
    told: set[int] = set()
    for bullet, chosen in zip(kept, more, strict=True):
        lines.append(" ".join([*bullet.sentences, *(one.sentence for one in chosen)]))
        told |= {id(finding) for tells in (bullet.tells, *(one.tells for one in chosen)) for finding in tells}
    dropped = sum(not bullet.tells for bullet in bullets if bullet not in kept)
    untold = sum(id(finding) not in told for finding in record.findings)
    left = [
        words.count(n, f"{'more ' if told else ''}{what}")
        for n, what in ((dropped, "result"), (untold, "finding"))
        if n
    ]
    if left:
        lines.append(f"And {listed(left)} below.")
    return lines


def _fitting(bullets: Sequence[Bullet]) -> list[Bullet]:
    """The bullets there is room for, in order; the first always."""
    kept: list[Bullet] = []
    room = MOST
    for bullet in bullets:
        if not kept or len(bullet.sentences) <= room:
            kept.append(bullet)
            room -= len(bullet.sentences)
    return kept


def _room(bullets: Sequence[Bullet], room: int) -> list[list[More]]:
    """What each bullet explains, within ``room`` sentences in all."""
    chosen: list[list[More]] = [[] for _ in bullets]
    for turn in range(max((len(bullet.more) for bullet in bullets), default=0)):
        for bullet, mine in zip(bullets, chosen, strict=True):
            if turn < len(bullet.more) and room > 0:
                mine.append(bullet.more[turn])
                room -= 1
    return chosen


def _bands(record: Record) -> Iterator[Bullet]:
    """The headline, then each band that does not pass."""
    judged = {band.band: judge(band) for band in record.bands}
    bands = {band.band: band for band in record.bands}
    if len(judged) > 1:
        yield Bullet([_headline({name: j.verdict for name, j in judged.items()})])
    elif passed := [name for name, j in judged.items() if j.verdict == "pass"]:
        yield Bullet([f"{passed[0]} passes."])
    for verdict in ("fail", "undecided"):
        for name in [name for name, j in judged.items() if j.verdict == verdict]:
            causes = _because(_causes(record.findings, name, judged[name].because), name, alone=False)
            if verdict == "undecided":
                because = (n for n in judged[name].because)
                decide = (_would_decide(bands[name].results[n], (QUANTITIES | FURTHER)[n]) for n in because)
                causes = [*causes[:1], *(More(sentence) for sentence in decide if sentence), *causes[1:]]
            repeated = _repeated(record.findings, name, judged[name].because)
            yield Bullet(_judgements(bands[name]), repeated, causes)
    unheard = [name for name, j in judged.items() if j.verdict == "not-measured" and not bands[name].key_downs]
    if unheard:
        yield Bullet([f"No key-down was counted on {listed(unheard)}."])
    for name, j in judged.items():
        if j.verdict == "not-measured" and name not in unheard:
            what = listed((QUANTITIES | FURTHER)[n].name for n in j.because)
            yield Bullet([f"On {name}, {what} could not be measured."])


def _rest(record: Record) -> Iterator[Bullet]:
    """What concerns the run, the dial, the instruments, the bands that pass, and the record's own history."""
    for finding in record.findings:
        if finding.kind in _OF_ALL_BANDS:
            yield Bullet([_own_words(finding)], [finding])
    if overdue := words.overdue_sentence(record):
        yield Bullet([overdue])
    if revision := words.revision_sentence(record):
        yield Bullet([revision])
    for band in record.bands:
        causes = _because(_causes(record.findings, band.band), band.band)
        if causes and judge(band).verdict not in ("fail", "undecided"):
            yield Bullet([causes[0].sentence], causes[0].tells, causes[1:])
    yield from _not_judged(record)


def _headline(verdicts: Mapping[str, str]) -> str:
    """``3 of 5 bands pass; 10 m fails; 20 m is undecided.``"""
    passed = [name for name, verdict in verdicts.items() if verdict == "pass"]
    if len(passed) == len(verdicts):
        return f"All {len(verdicts)} bands pass."
    share = f"{len(passed) or 'None'} of {len(verdicts)} bands {'pass' if len(passed) > 1 else 'passes'}"
    others = []
    for verdict, one, several in (
        ("fail", "fails", "fail"),
        ("undecided", "is undecided", "are undecided"),
        ("not-measured", "was not judged", "were not judged"),
    ):
        names = [name for name, found in verdicts.items() if found == verdict]
        if names:
            others.append(f"{listed(names)} {one if len(names) == 1 else several}")
    return "; ".join([share, *others]) + "."


def _judgements(band: BandResult) -> list[str]:
    """What a band fails on, then what is undecided on it."""
    results = {name: band.results[name] for name in QUANTITIES | FURTHER if band.results[name].limit is not None}
    failed = [_against(band, name) for name, result in results.items() if result.verdict == "fail"]
    said = [f"{band.band} {listed(failed)}: fails."] if failed else []
    for name, result in results.items():
        if result.verdict == "undecided":
            said.append(f"{'It' if said else band.band} {_against(band, name)}: undecided{_likely(result)}.")
    return said


def _against(band: BandResult, name: str) -> str:
    quantity, result = (QUANTITIES | FURTHER)[name], band.results[name]
    value = with_uncertainty(result, quantity.unit)
    if name == "power_w":
        value = f"{value} {words.POWER_KIND[band.power_kind]}".strip()
    limit = f"{significant(result.limit or 0.0, 6)} {quantity.unit}".strip()
    if name in _FOUND:
        return _FOUND[name].format(value=value, limit=limit)
    return f"has {value} of {quantity.name} against {limit}"


def _likely(result: Result) -> str:
    """How likely it is that the limit is met, where that can be said."""
    if result.conformity is None:
        return ""
    percent = 100 * result.conformity
    shown = "more than 99" if percent > 99 else "less than 1" if percent < 1 else f"{percent:.0f}"
    return f" ({shown} % likely to meet it)"


def _would_decide(result: Result, quantity: Quantity) -> str:
    """Better readings or a better instrument? Held against the room there is between the value and its limit."""
    if result.value is None or result.limit is None:
        return ""
    if result.expanded is None:
        return "One reading has no scatter to judge by: more readings would tell its uncertainty."
    if result.conformity is None:
        return "Readings are lacking there: only measuring it again without that would decide it."
    at = abs(result.value) if quantity.limit.startswith("within") else result.value
    room = abs(result.limit - at)
    systematic = [line for line in result.budget if line.evaluated == "B"]
    parts = [share or 0.0 for share in shares(result.budget)]
    if not parts:
        return ""
    most = max(range(len(parts)), key=lambda i: parts[i])
    mainly = f"{100 * parts[most]:.0f} % of its variance is {result.budget[most].source}"
    needed = f"A U below {significant(room, 2)} {quantity.unit}".rstrip()
    # With no scatter left k is 1.96; what remains is beyond any number of readings.
    if 1.96 * combined_u(systematic) > room or math.isclose(room, 0.0):
        return f"{needed} would decide it, which more readings do not give: {mainly}."
    return f"{needed} would decide it, by more or longer key-downs: {mainly}."


def _causes(findings: Iterable[Finding], band: str, because: Sequence[str] = ()) -> list[Finding]:
    """What was found to be behind a band's results, at most ``CAUSES_TOLD``; of what decided its verdict first."""
    own = [finding for finding in findings if finding.band == band and _says_why(finding)]
    wanted = {"frequency" in name or "drift" in name for name in because}

    def rank(finding: Finding) -> tuple[bool, int]:
        return (finding.kind in _OF_FREQUENCY) not in wanted, _CAUSES.index(finding.kind)

    return sorted(own, key=rank)[:CAUSES_TOLD]


def _because(causes: Sequence[Finding], band: str, *, alone: bool = True) -> list[More]:
    """Causes as sentences. A supply's finding tells the output stage's part too, and needs no second sentence."""
    found = []
    sagging = {(c.from_ns, c.to_ns) for c in causes if c.kind == "supply-sag"}
    for cause in causes:
        if cause.kind == "output-stage" and (cause.from_ns, cause.to_ns) in sagging:
            continue
        same = [c for c in causes if c.kind == "output-stage" and (c.from_ns, c.to_ns) == (cause.from_ns, cause.to_ns)]
        found.append(More(_own_words(cause, band, alone=alone), [cause, *(same if cause.kind == "supply-sag" else [])]))
    return found


def _says_why(finding: Finding) -> bool:
    """A drift that only repeats the verdict has the plan's limit and no channel; one that follows something has one."""
    if finding.kind == "drift":
        return finding.limit is None
    return finding.kind in _CAUSES


def _repeated(findings: Iterable[Finding], band: str, because: Sequence[str]) -> list[Finding]:
    """Findings that say again what the verdict says."""
    repeating = {"drift": "drift_hz_per_h"} | _REPEATING
    return [
        finding
        for finding in findings
        if finding.band == band and repeating.get(finding.kind) in because and not _says_why(finding)
    ]


def _own_words(finding: Finding, band: str = "", *, alone: bool = True) -> str:
    """A finding's text as a sentence: of a cause only what comes before its first semicolon.

    Beside the band's verdict it needs the band's name no more.
    """
    text = finding.text.partition("; ")[0] if finding.kind in _CAUSES else finding.text
    if not alone:
        text = text.removeprefix(f"{band}: ").removeprefix(f"{band}, ")
        text = f"It {text.removeprefix(f'{band} ')}" if text.startswith(f"{band} ") else text
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _not_judged(record: Record) -> Iterator[Bullet]:
    no_drift = [b for b in record.bands if b.drift_hz_per_h.limit is not None and b.drift_hz_per_h.value is None]
    if no_drift and any(band.key_downs for band in record.bands):
        where = "any band" if len(no_drift) == len(record.bands) else listed(b.band for b in no_drift)
        yield Bullet([f"Drift was not judged on {where}: it takes at least 10 minutes on one band."])
