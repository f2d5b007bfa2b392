"""A sink that keeps what it is given, and shows it by kind."""

from __future__ import annotations

from benchlog.model import Event, Reading, State


class Kept:
    """Several buses may fill it while somebody looks."""

    def __init__(self) -> None:
        self.items: list[Reading | Event] = []

    def put(self, item: Reading | Event, /) -> None:
        self.items.append(item)

    def readings(self, channel: str = "") -> list[Reading]:
        return [i for i in list(self.items) if isinstance(i, Reading) and channel in ("", i.channel)]

    def good(self, channel: str) -> list[Reading]:
        return [reading for reading in self.readings(channel) if reading.state is State.GOOD]

    def events(self, kind: str = "") -> list[Event]:
        return [i for i in list(self.items) if isinstance(i, Event) and kind in ("", i.kind)]
