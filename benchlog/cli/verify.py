"""Is it what was measured? ``verify``."""

from __future__ import annotations

import json
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Literal

import click

from benchlog.cli.options import SessionRef, json_option, store_option
from benchlog.clock import rfc3339
from benchlog.errors import BadStore, BenchlogError, UsageError
from benchlog.report import words
from benchlog.store.reader import StoreReader
from benchlog.store.rescue import Rescued, rescue, told
from benchlog.store.verify import UNREADABLE, Checked, Trouble, Verified, verify

SCHEMA = "benchlog-verification/1"
MOST_LINES = 6  # of what is wrong with the file: one bad page has many consequences
MOST_RECORD = 50 * 1024 * 1024  # bytes; a record is some hundred thousand


class _Ref(SessionRef):
    words = ("last", "all")


@click.command("verify")
@click.argument("session", type=_Ref(), required=False)
@store_option
@json_option
@click.option(
    "--record", "record_path", type=click.Path(path_type=Path),
    help="Does this record (.html or .json) belong to the store's readings, and say what they say?",
)  # fmt: skip
@click.option(
    "--rescue", "rescue_path", metavar="NEWFILE", type=click.Path(path_type=Path),
    help="Save what can be saved of a damaged store into a new one, and say what could not.",
)  # fmt: skip
@click.option("--unproven", is_flag=True, help="With --rescue: also what can be read though no digest vouches for it.")
def verify_command(
    session: str | int | None,
    store_path: Path,
    as_json: bool,
    record_path: Path | None,
    rescue_path: Path | None,
    unproven: bool,
) -> int:
    """Recompute the digest of SESSION (a number, "last" or "all"), and say what was altered.

    Looks at the file itself too, and changes nothing there. Exit status 0 where everything is as it was when the
    session ended, 1 where it is not, or where nothing was kept to hold it against (a session without an end).

    What this shows: that nothing was altered since the digest was written down. Whoever owns the store can alter
    readings and digest together; a record handed over before, or a copy elsewhere, tells.
    """
    if rescue_path is not None:
        if session is not None or record_path is not None:
            raise UsageError("a rescue takes the whole store", where="--rescue", cure="Give it alone, with --store.")
        return _rescue(store_path, rescue_path, unproven, as_json)
    if unproven:
        raise UsageError("--unproven says what a rescue takes", where="--unproven", cure="Give it with --rescue.")
    said = None if record_path is None else _read(record_path)
    found = _look(store_path, session, said)
    told = None if said is None else _held_against(said, found, store_path)
    good = found.intact and (told is None or (told["belongs"] and told["says"] == "the same"))
    if as_json:
        click.echo(json.dumps(_as_json(store_path, found, told, 0 if good else 1), indent=2))
    else:
        for line in _lines(found):
            click.echo(line)
        if told is not None:
            click.echo(f"{record_path}: {told['text']}")
    return 0 if good else 1


def _lines(found: Verified) -> list[str]:
    lines = ["The file is whole." if not found.file else "The file is NOT as it should be:"]
    lines += [f"  {one.text}" for one in found.file[:MOST_LINES]]
    lines += ["  and more"] if len(found.file) > MOST_LINES else []
    for one in found.sessions:
        about = f"Session {one.id}"
        if one.kind:
            about += f" ({one.kind}, {one.transmitter}, {words.stamp(one.started_ns)} UTC)"
        count = words.count(one.readings, "reading")
        if one.verdict == "intact":
            lines.append(f"{about}: intact, {count}, digest {one.digest}")
        elif one.verdict == "unsealed":
            lines.append(f"{about}: has no end (it runs, or was cut off), so no digest to hold its {count} against")
        else:
            lines.append(f"{about}: NOT what it was when it ended")
            lines += [f"  {_trouble(one, trouble)}" for trouble in one.troubles]
    if not found.sessions and not found.file:
        lines.append("No session in this store yet.")
    return lines


def _trouble(one: Checked, trouble: Trouble) -> str:
    where = f"{trouble.channel}: " if trouble.channel else ""
    if trouble.from_ns is None or trouble.to_ns is None:
        return f"{where}{trouble.text}"
    return f"{where}{trouble.text}, between {_moment(one, trouble.from_ns)} and {_moment(one, trouble.to_ns)}"


def _moment(one: Checked, t_ns: int) -> str:
    try:
        return rfc3339(one.started_ns + t_ns, 1)
    except (ValueError, OverflowError):  # a damaged row may name any moment
        return f"{t_ns} ns"


def _as_json(store: Path, found: Verified, told: dict[str, Any] | None, status: int) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "store": str(store),
        "file": [one.text for one in found.file],
        "sessions": [
            {
                "id": one.id,
                "verdict": one.verdict,
                "digest": one.digest,
                "sealed_digest": one.sealed_digest,
                "readings": one.readings,
                "sealed_readings": one.sealed_readings,
                "troubles": [
                    {
                        "kind": trouble.kind,
                        "channel": trouble.channel or None,
                        "from": None if trouble.from_ns is None else _moment(one, trouble.from_ns),
                        "to": None if trouble.to_ns is None else _moment(one, trouble.to_ns),
                        "text": trouble.text,
                    }
                    for trouble in one.troubles
                ],
            }
            for one in found.sessions
        ],
        "record": told,
        "exit_status": status,
    }


class _Said:
    """What a record handed over says of itself."""

    def __init__(self, form: Literal["html", "json"], text: str, session: int, digest: str) -> None:
        self.form, self.text, self.session, self.digest = form, text, session, digest


class _Facts(HTMLParser):
    """The list at the head of a record: what stands beside Session and Digest."""

    def __init__(self) -> None:
        super().__init__()
        self.facts: dict[str, str] = {}
        self._in, self._name = "", ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._in = tag

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "dt":
            self._name = data
        elif self._in == "dd":
            self.facts.setdefault(self._name, data)


def _read(path: Path) -> _Said:
    """Raises UsageError where it is no record."""
    bad = "Give a record that benchlog wrote: --html or --json. On paper, compare the digest with your eyes."
    try:
        if path.stat().st_size > MOST_RECORD:
            raise UsageError("too long for a record", where=str(path), cure=bad)
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "not text"
        raise UsageError(f"cannot be read: {why}", where=str(path), cure=bad) from None
    try:
        if text.lstrip().startswith("{"):
            session = json.loads(text)["session"]
            return _Said("json", text, int(session["id"]), str(session["digest"]))
        facts = _Facts()
        facts.feed(text)
        return _Said("html", text, int(facts.facts["Session"].split(",")[0]), facts.facts["Digest"])
    except (ValueError, LookupError, TypeError, RecursionError):
        raise UsageError("no record of benchlog's", where=str(path), cure=bad) from None


def _look(store: Path, session: Any, said: _Said | None) -> Verified:
    """The session asked for; else the one that the record names, or, where that has another digest, all."""
    if said is None or session is not None:
        return verify(store, session or "last")
    try:
        found = verify(store, said.session)
    except BadStore:
        raise
    except UsageError:
        return verify(store, "all")
    return found if any(one.digest == said.digest for one in found.sessions) else verify(store, "all")


def _held_against(said: _Said, found: Verified, store: Path) -> dict[str, Any]:
    """Whether the record's digest is that of a session's readings, and whether it says what they say."""
    mine = next((one for one in found.sessions if one.digest == said.digest), None)
    told: dict[str, Any] = {"session": said.session, "digest": said.digest, "belongs": mine is not None}
    if mine is None:
        sealed = next((one for one in found.sessions if one.sealed_digest == said.digest), None)
        if sealed is not None:
            text = f"belongs to session {sealed.id} as it was when it ended; its readings are others now"
        else:
            looked = ", ".join(str(one.id) for one in found.sessions) or "none"
            text = f"does not belong to these readings: no session's (looked at: {looked}) have its digest"
        return told | {"says": None, "text": text}
    differing = _differing(said, store, mine.id)
    if not differing:
        text = f"belongs to session {mine.id}'s readings, and says what they say"
        return told | {"says": "the same", "text": text}
    text = f"has the digest of session {mine.id}'s readings, but is not what benchlog makes of them now: "
    text += "; ".join(differing) + ". Another version of benchlog wrote it, or somebody altered it."
    return told | {"says": "something else", "text": text}


def _differing(said: _Said, store: Path, session: int) -> list[str]:
    """Where the record is not what the readings give, in a few words."""
    from benchlog.cli.record import MOST_DIFFERENCES

    try:
        found = list(_differences(said, StoreReader.open(store), session))
    except (BenchlogError, *UNREADABLE) as exc:
        return [f"it cannot be worked out anew ({exc})"]
    return found[:MOST_DIFFERENCES] + (["and more"] if len(found) > MOST_DIFFERENCES else [])


def _differences(said: _Said, reader: StoreReader, session: int) -> Iterator[str]:
    from benchlog.report import html, record_json
    from benchlog.runs.records import analyse_stored, differences

    if said.form == "json":
        then = json.loads(said.text)
        number = (then["session"].get("revision") or {}).get("number")
        now = json.loads(record_json.dumps(analyse_stored(reader, session, number).analysis.record))
        gone = "is no longer there"
        yield from (one.replace(gone, "is not in what the readings give") for one in differences(then, now))
        yield from (one.replace(gone, "lacks") for one in differences(now, then) if one.endswith(gone))
        return
    revisions = [one.number for one in reader.revisions(session)]
    for number in reversed(revisions or [0]):
        if html.document(analyse_stored(reader, session, number)) == said.text:
            return
    yield "its text differs"


def _rescue(store: Path, new: Path, unproven: bool, as_json: bool) -> int:
    found = rescue(store, new, unproven=unproven)
    status = 0 if found.whole else 1
    if as_json:
        click.echo(json.dumps(_rescued_json(store, new, found, unproven, status), indent=2))
        return status
    for one in found.sessions:
        about = f"Session {one.id}" + (f" ({one.about})" if one.about else "")
        count = words.count(one.saved, "reading")
        lines = [text for channel in one.channels if (text := told(channel, unproven))] + one.troubles
        if one.whole and not lines:
            click.echo(f"{about}: whole, {count}")
        else:
            click.echo(f"{about}: {count} saved" if one.in_store else f"{about}: NOT saved")
            for line in lines:
                click.echo(f"  {line}")
    for line in found.troubles:
        click.echo(f"In the file: {line}")
    if not unproven and any(channel.unproven for one in found.sessions for channel in one.channels):
        click.echo("What nothing vouches for was left out; --unproven takes it in, as far as it can be read.")
    click.echo(f"Saved in {new}. The store it was read from is as it was.")
    return status


def _rescued_json(store: Path, new: Path, found: Rescued, unproven: bool, status: int) -> dict[str, Any]:
    return {
        "schema": "benchlog-rescue/1",
        "store": str(store),
        "new": str(new),
        "sessions": [
            {
                "id": one.id,
                "saved": one.in_store,
                "whole": one.whole,
                "channels": [
                    {
                        "channel": channel.name,
                        "saved": channel.saved,
                        "lost": channel.lost(unproven),
                        "unproven": channel.unproven,
                        "sealed": channel.sealed,
                    }
                    for channel in one.channels
                ],
                "troubles": one.troubles,
            }
            for one in found.sessions
        ],
        "troubles": found.troubles,
        "exit_status": status,
    }
