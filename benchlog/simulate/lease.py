"""How everybody knows that an address is a simulated bench's own.

A running simulated bench keeps one file in the user's runtime folder, which names its addresses and its time
factor, and holds a lock on that file for as long as it lives. The kernel lets go of the lock when the process
ends, however it ends, so a file without a lock is stale: it counts for nothing, and is removed by whoever meets it.

There is no other way to a time factor: no option, no key of any file. A real bench cannot be given one.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import platformdirs

from benchlog.errors import UsageError


@dataclass(frozen=True, slots=True)
class Lease:
    """What a running simulated bench says of itself."""

    addresses: tuple[str, ...]
    factor: float
    pid: int
    seed: int


@contextlib.contextmanager
def held(lease: Lease) -> Iterator[Path]:
    """Announce a bench for as long as the context lasts. Yields the lease file.

    Raises OSError, where the runtime folder is not this user's own or cannot be written.
    """
    import fcntl

    folder = _folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if folder.stat().st_uid != os.getuid():
        raise PermissionError(f"{folder} belongs to another user")
    # Locked and whole before it gets the name that readers look for: they never meet it half made.
    descriptor, draft = tempfile.mkstemp(prefix="draft-", dir=folder)  # mode 0600
    path = folder / f"simulated-{os.getpid()}-{Path(draft).name.removeprefix('draft-')}.json"
    with open(descriptor, "w", encoding="utf-8") as file:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        json.dump(asdict(lease), file)
        file.flush()
        Path(draft).rename(path)
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)


def live() -> list[Lease]:
    """Every simulated bench this user has running; what dead ones left behind is removed."""
    try:
        import fcntl
    except ImportError:  # no pseudo-terminals either: nobody can run a simulated bench here
        return []

    try:
        folder = _folder()
    except OSError:  # the stand-in for a runtime folder is another user's: nobody's word to go by
        return []
    leases = []
    for path in sorted(folder.glob("simulated-*.json")):
        with contextlib.suppress(FileNotFoundError, PermissionError), path.open(encoding="utf-8") as file:
            if os.fstat(file.fileno()).st_uid != os.getuid():
                continue
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                leases.append(_read(path, file.read()))
            else:
                path.unlink(missing_ok=True)
    return leases


def factor_for(addresses: Sequence[str]) -> float:
    """The time factor for a session on these addresses (instruments and key line; empty ones are nobody's).

    1.0 where none of them is a simulated bench's; the bench's own factor where all of them are.

    Raises:
        UsageError: simulated and other addresses together, or two simulated benches that run at different speeds.
    """
    owner = {address: lease for lease in live() for address in lease.addresses}
    asked = [address for address in addresses if address]
    simulated = [address for address in asked if address in owner]
    if not simulated:
        return 1.0
    if others := [address for address in asked if address not in owner]:
        raise UsageError(
            f"a simulated bench's address ({simulated[0]}) stands beside one that is not its own ({others[0]})",
            where="bench file",
            cure="A simulated bench keeps its own time: use its bench file as it is, or one without its addresses.",
        )
    factors = {owner[address].factor for address in simulated}
    if len(factors) > 1:
        raise UsageError(
            f"two simulated benches that run at different speeds ({', '.join(f'{f:g}' for f in sorted(factors))})",
            where="bench file",
            cure="Use the addresses of one of them.",
        )
    return factors.pop()


def _folder() -> Path:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # where the system has no runtime folder, the library's stand-in will do
        return platformdirs.user_runtime_path("benchlog")


def _read(path: Path, text: str) -> Lease:
    try:
        told = json.loads(text)
        return Lease(tuple(told["addresses"]), float(told["factor"]), int(told["pid"]), int(told["seed"]))
    except (ValueError, KeyError, TypeError):
        raise UsageError(
            "a running simulated bench says something this version does not understand",
            where=str(path),
            cure="End that bench, or use the benchlog it belongs to.",
        ) from None
