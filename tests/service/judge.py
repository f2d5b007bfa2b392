"""What a trial of the unit must show."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

UP_WITHIN_S = 1.0
MUST = {
    "write its state",
    "write its runtime folder",
    "connect on loopback",
    "fork",
    "open a pseudo-terminal",
    "choose its scheduling",  # as which, its limit says
    "choose its core",
    "stand back",
}
ENDS = ("killed", "hung", "asked to end")


def lines(seen: dict[str, Any]) -> Iterator[str]:
    """The table."""
    if "exposure" in seen:
        yield f"{'exposure by systemd':<32} {seen['exposure']} of 10"
    for name, let in seen.get("tried", {}).items():
        yield f"{name:<32} {'let' if let else 'refused'}"
    if "ready_s" in seen:
        yield f"{'ready after':<32} {seen['ready_s']:.1f} s"
    if granted := seen.get("real_time"):
        what = f"{granted['first']} of {granted['threads']} threads, the limit is {granted['limit']}"
        yield f"{'real time':<32} {what}"
    for end in ENDS:
        if f"{end}, up s" in seen:
            up_s = seen[f"{end}, up s"]
            yield f"{f'daemon {end}: key up after':<32} {'never' if up_s is None else f'{up_s:.3f} s'}"
        if f"{end}, daemon again s" in seen:
            yield f"{'  another daemon after':<32} {seen[f'{end}, daemon again s']:.1f} s"
    if "result" in seen:
        yield f"{'its end, by systemd':<32} {seen['result']}"
    for number, how in enumerate(seen.get("sessions", ()), 1):
        yield f"{f'session {number}':<32} {how}"


def faults(seen: dict[str, Any]) -> list[str]:
    """What did not hold; nothing, for a unit that is right."""
    if "broke" in seen:
        return [seen["broke"]]
    found = [f"it cannot {name}" for name, let in seen["tried"].items() if name in MUST and not let]
    found += [f"it can {name}" for name, let in seen["tried"].items() if name not in MUST and let]
    for end in ENDS:
        up_s = seen[f"{end}, up s"]
        if up_s is None or up_s > UP_WITHIN_S:
            found.append(f"daemon {end}: the key was not up within {UP_WITHIN_S:g} s")
    granted = seen["real_time"]
    if granted["limit"] != "0" and not granted["first"]:
        found.append("the unit's limit allows real time, and no thread has it")
    if "running, session 1" not in seen["status"]:
        found.append(f"its own user is not told how it stands: {seen['status']}")
    if seen["result"] != "success":
        found.append(f"systemd says of its end: {seen['result']}")
    found += [f"systemd, while the guard may have to key up: {what}" for what in seen["killed by systemd"]]
    if seen["left over"]:
        found.append(f"left over: {seen['left over']}")
    return found
