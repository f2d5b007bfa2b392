"""Power loss: a work is recorded once, then cut at random points, and what was not synced by then is lost.

A point is between two things the process gave the disk. What was synced before it is there, byte for byte. Of each
write since, every sector (512 bytes; or every 4,096) is there or is not, each by itself, in any order; so are names
that were given, changed or taken away in a folder since the folder was synced. In a third of the losses nothing of that
is there, in another all of it.
That is harder than most disks are. Assumed: a sector is written whole, and a write never touches bytes beside its own
(SQLite's "powersafe overwrite", https://sqlite.org/psow.html).
"""

from __future__ import annotations

import pickle
import random
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from benchlog.store import connection
from tests.crash.children import Ear, copied, started
from tests.crash.judge import judge
from tests.crash.recorder import Op, Recorder
from tests.crash.work import Said, Work

WEAKER = ("NORMAL", "OFF")  # than the store's own setting


@dataclass
class Lost:
    """What one power loss showed."""

    work: str
    seed: int
    at: int  # things done before it
    said: Said
    wrong: list[str] = field(default_factory=list)

    @property
    def lost(self) -> bool:
        """Something that was acknowledged."""
        return any("lost" in what or "acknowledged" in what for what in self.wrong)

    @property
    def damaged(self) -> bool:
        """Not only is something lost: the file itself is no whole store any more."""
        signs = ("integrity_check", "damaged", "malformed", "not an SQLite file")
        return any(sign in what for what in self.wrong for sign in signs)


@dataclass
class Recording:
    """A work's way to the disk, from the folder as it was before."""

    work: Work
    seed: int
    before: Path
    folder: str
    log: list[Op]

    def losses(self, times: int, place: Path) -> Iterator[Lost]:
        """Power lost at so many random points; ``place`` is a folder to see each in."""
        chance = random.Random(f"{self.work.name} {self.seed}")
        disk, done, said = Disk(self.before, self.folder), 0, Said()
        for at in sorted(chance.randint(1, len(self.log)) for _ in range(times)):
            for op in self.log[done:at]:
                if op.what == "said":
                    what, value = op.data
                    said.setdefault(what, []).append(value)
                else:
                    disk.take(op)
            done = at
            disk.lose_power(place, chance)
            found = Lost(self.work.name, self.seed, at, {what: list(values) for what, values in said.items()})
            found.wrong = judge(self.work, place, self.seed, found.said, look=bool(at % 2))
            yield found
            shutil.rmtree(place)


def record(work: Work, seed: int, before: Path, folder: Path, synchronous: str = "") -> Recording:
    """Do a work in a process of its own. ``synchronous``: another than the store's own, to see that it matters."""
    with copied(before, folder):
        with started(work, folder, seed, partial(_recorded, synchronous=synchronous)) as child:
            said = child.hear_all()
        assert "done" in said, said
        log = pickle.loads((folder / LOG).read_bytes())
    return Recording(work, seed, before, str(folder), log)


LOG = "log.pickle"


def _recorded(folder: Path, synchronous: str) -> Ear:
    """In the new process: everything is noted from here on, and handed over at the end."""
    if synchronous:
        connection.SYNCHRONOUS = f"PRAGMA synchronous = {synchronous}"
    recorder = Recorder(folder)

    def hear(what: str, value: object) -> None:
        recorder.said((what, value))
        if what == "done":
            (folder / LOG).write_bytes(pickle.dumps(recorder.log))

    return hear


class _File:
    """What is surely in it, and what was written since."""

    def __init__(self, content: bytes = b"") -> None:
        self.sure = bytearray(content)
        self.since: list[Op] = []

    def sync(self) -> None:
        for op in self.since:
            _apply(self.sure, op.what, op.at, op.data)
        self.since.clear()

    def after(self, chance: random.Random, kept: float) -> bytes:
        """With each sector of each write since there or not."""
        content = bytearray(self.sure)
        sector = chance.choice((512, 4096))
        for op in self.since:
            if op.what == "truncate":
                if chance.random() < kept:
                    _apply(content, "truncate", op.at, None)
                continue
            start, end = op.at, op.at + len(op.data)
            while start < end:
                until = min(end, (start // sector + 1) * sector)
                if chance.random() < kept:
                    _apply(content, "write", start, op.data[start - op.at : until - op.at])
                start = until
        return bytes(content)


def _apply(content: bytearray, what: str, at: int, data: bytes | None) -> None:
    if what == "truncate":
        del content[at:]
    else:
        assert data is not None
        content.extend(bytes(max(0, at - len(content))))
        content[at : at + len(data)] = data


class Disk:
    """Files and names: what is sure to outlast a power loss, and what is not yet."""

    def __init__(self, before: Path, folder: str) -> None:
        self._folder = Path(folder)
        inside = {folder: None}
        inside |= {str(self._folder / path.relative_to(before)): path for path in before.rglob("*")}
        self._now: dict[str, _File | None] = {  # None: a folder
            name: _File(path.read_bytes()) if path is not None and path.is_file() else None
            for name, path in inside.items()
        }
        self._sure = dict(self._now)
        self._since: list[tuple[str, dict[str, _File | None], str | None]] = []  # folder, name given, name taken away

    def take(self, op: Op) -> None:
        """One thing done."""
        if op.what in ("write", "truncate"):
            self._file(op.path).since.append(op)
        elif op.what == "sync":
            self._file(op.path).sync()
        elif op.what == "folder-sync":
            for one in [one for one in self._since if one[0] == op.path]:
                _rename(self._sure, one[1], one[2])
                self._since.remove(one)
        else:
            given: dict[str, _File | None] = {
                "create": lambda: {op.path: _File()},
                "folder": lambda: {op.path: None},
                "rename": lambda: {str(op.data): self._now[op.path]},
                "delete": dict,
            }[op.what]()
            taken = op.path if op.what in ("rename", "delete") else None
            _rename(self._now, given, taken)
            self._since.append((str(Path(op.path).parent), given, taken))

    def lose_power(self, place: Path, chance: random.Random) -> None:
        """Write to ``place`` what the disk may hold then."""
        kept = chance.choice((0.0, 1.0, chance.random()))
        names = dict(self._sure)
        for _, given, taken in self._since:
            if chance.random() < kept:
                _rename(names, given, taken)
        place.mkdir()
        for name in sorted(names):  # a folder before what is in it
            path, file = place / Path(name).relative_to(self._folder), names[name]
            if not path.parent.is_dir() or name == str(self._folder):
                continue  # its folder is gone
            if file is None:
                path.mkdir()
            else:
                path.write_bytes(file.after(chance, kept))

    def _file(self, name: str) -> _File:
        found = self._now[name]
        assert found is not None
        return found


def _rename(names: dict[str, _File | None], given: dict[str, _File | None], taken: str | None) -> None:
    if taken is not None:
        names.pop(taken, None)
    names.update(given)
