"""How a session ended and which analysis of it a record is, for the terminal, the document and the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchlog import __version__
from benchlog.analysis.analyse import Analysis
from benchlog.analysis.results import Revision
from benchlog.bench import Bench
from benchlog.model import Event
from benchlog.plan import Plan
from benchlog.report import words

ALTERED = "The readings are not those the session ended with: their digest differs from the one kept then."


class Ended(Protocol):
    """What is asked of a stored session."""

    @property
    def ended_ns(self) -> int | None:
        """None while it runs, or where it was cut off."""

    @property
    def ending(self) -> str:
        """What its end was told with."""


class Analysed(Protocol):
    """What is asked of a session and its analysis, as ``runs`` keep them: reports know no runs."""

    @property
    def session(self) -> Ended:
        """As it is stored."""

    @property
    def bench(self) -> Bench:
        """The bench file it was analysed with."""

    @property
    def plan(self) -> Plan:
        """Its own."""

    @property
    def events(self) -> Sequence[Event]:
        """All of it."""

    @property
    def analysis(self) -> Analysis:
        """What came of it."""

    @property
    def altered(self) -> bool:
        """The readings are not those the session ended with."""

    @property
    def differing(self) -> list[str]:
        """Where this program works it out otherwise than it was recorded."""


def ending(analysed: Analysed) -> str:
    """How it ended, whether it was altered since, which revision this is: a sentence each."""
    if analysed.session.ended_ns is None:
        told = "Not ended: it is still running, or was cut off."
    else:
        said = analysed.session.ending or "ended"
        told = f"{said[0].upper()}{said[1:]}."
    revision = analysed.analysis.record.session.revision
    revised = _revised(revision, differs=bool(analysed.differing)) if revision is not None else ""
    return " ".join(part for part in (told, ALTERED if analysed.altered else "", revised) if part)


def _revised(revision: Revision, *, differs: bool) -> str:
    """Which revision this is, when it was made, why, what it replaces and what replaced it."""
    made = f"{words.stamp(revision.made_ns)} UTC with benchlog {revision.program}"
    because = f" ({revision.because.rstrip('.')})" if revision.because else ""
    if revision.replaces is None:
        said = f"This is revision 0, kept on {made}{because}"
    else:
        said = f"This is revision {revision.number}, made on {made}{because}; it replaces revision {revision.replaces}"
    if revision.replaced_by is not None:
        said += f". It has been replaced: the newest is revision {revision.replaced_by}"
    if differs:
        said += f". Worked out by benchlog {__version__}, it is not what was recorded then"
    return f"{said}."
