"""One thread a bus, sleeping to absolute deadlines.

APScheduler and its like run jobs; a polling plan must also account for the slots it could not keep, where an interval
scheduler drops them after a stall without a word. Buses are due one shortly after the other, so that no two want the
interpreter at once.
"""

from __future__ import annotations

import heapq
import re
import threading
from collections.abc import Sequence

from benchlog import precedence
from benchlog.acquire.slots import Question
from benchlog.acquire.station import Sink, Station
from benchlog.bench import Bench, DriverLookup
from benchlog.clock import Clock

RAN_OVER = "the bus was busy: an earlier question or connection took too long"
ENDED = "the session ended first"
TURN_NS = 100_000
"""Session time between two buses: about what one takes until its question is out. Sixteen are out within 2 ms."""


class Bus(threading.Thread):
    """Polls the stations of one bus until told when to stop; then every slot before that time has its row.

    Args:
        turn_ns: how much later than on the plan's grid its slots are due.
    """

    def __init__(self, name: str, stations: Sequence[Station], clock: Clock, turn_ns: int = 0) -> None:
        super().__init__(name=f"bus {name}", daemon=True)
        self._stations, self._clock, self.turn_ns = stations, clock, turn_ns
        self._told_to_stop = threading.Event()
        self._until_ns: int | None = None
        self.from_ns = clock.t_ns()
        self.connected = threading.Event()  # every station was tried once

    def stop(self, until_ns: int) -> None:
        """Account for the slots before ``until_ns``, and end. ``join`` waits for it."""
        self._until_ns = until_ns
        self._told_to_stop.set()

    def run(self) -> None:
        """The thread's work."""
        try:
            if self._clock.factor == 1.0:  # a simulated bench in a hurry must not be starved by who asks it
                precedence.bus_goes_first()
            for station in self._stations:
                station.connect()
            self.connected.set()
            self._poll()
        finally:
            for station in self._stations:
                station.close()

    def _poll(self) -> None:
        plan = self._plan()
        while plan:
            due_ns, number, slot, station, question = plan[0]
            stopping = self._clock.wait_until(due_ns, self._told_to_stop)
            if stopping and self._until_ns is not None and due_ns >= self._until_ns:
                heapq.heappop(plan)
                continue
            following_ns = self.turn_ns + question.due_ns(slot + 1)
            if not stopping:
                station.ready()
            if stopping:
                station.miss(question, due_ns, ENDED)
            elif self._clock.t_ns() >= following_ns:
                station.miss(question, due_ns, station.absence or RAN_OVER)
            else:
                station.poll(question, due_ns)
            heapq.heapreplace(plan, (following_ns, number, slot + 1, station, question))

    def _plan(self) -> list[tuple[int, int, int, Station, Question]]:
        """(due, order in the bench file, slot, ...): the order breaks ties, so that it never varies."""
        pairs = [(station, question) for station in self._stations for question in station.questions]
        plan = []
        for number, (station, question) in enumerate(pairs):
            slot = question.first_slot(self.from_ns - self.turn_ns)
            plan.append((self.turn_ns + question.due_ns(slot), number, slot, station, question))
        heapq.heapify(plan)
        return plan


def buses(bench: Bench, drivers: DriverLookup, *, clock: Clock, sink: Sink) -> list[Bus]:
    """The bench's buses, not yet started. Instruments a person reads have none. Raises LookupError: no such driver."""
    shared: dict[str, list[Station]] = {}
    for instrument in bench.instruments:
        driver = drivers(instrument.driver)
        if isinstance(driver, str):  # a Bench holds no unknown driver
            raise LookupError(driver)
        if driver.polled:
            station = Station(instrument, driver, bench.options[instrument.name], clock=clock, sink=sink)
            shared.setdefault(bus_of(instrument.address), []).append(station)
    return [Bus(name, stations, clock, n * TURN_NS) for n, (name, stations) in enumerate(shared.items())]


def bus_of(address: str) -> str:
    """What an address shares with others: a GPIB board is one bus, any other link is its own."""
    board = re.match(r"(GPIB\d*)::", address, re.IGNORECASE)
    return board[1].upper() if board else address
