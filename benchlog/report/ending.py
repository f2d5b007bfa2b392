"""How a session ended and which analysis of it a record is, for the terminal, the document and the page."""

from __future__ import annotations

from benchlog import __version__
from benchlog.analysis.results import Revision
from benchlog.report import words

ALTERED = "The readings are not those the session ended with: their digest differs from the one kept then."


def ending(said: str | None, revision: Revision | None, *, differs: bool, altered: bool = False) -> str:
    """A sentence each.

    Args:
        said: what the session's end was told with; None where it has none.
        revision: the one analysed; None where the session was never revised.
        differs: this program works it out otherwise than it was recorded.
        altered: the readings are not those the session ended with.
    """
    if said is None:
        told = "Not ended: it is still running, or was cut off."
    else:
        said = said or "ended"
        told = f"{said[0].upper()}{said[1:]}."
    return " ".join(part for part in (told, ALTERED if altered else "", _revised(revision, differs)) if part)


def _revised(revision: Revision | None, differs: bool) -> str:
    """Which revision this is, when it was made, why, what it replaces and what replaced it; empty where none was."""
    if revision is None:
        return ""
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
