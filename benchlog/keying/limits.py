"""The bench file's limits, held against every reading as it passes. Pure: it is told the time, and keys nothing.

Besides the ``measures`` with a low and a high end there are the standing wave ratio and the plate dissipation, worked
out of several channels. Those are taken as crossed when the readings are of one exchange, or when they stay
crossed until each channel has been read anew: at a key's edge one channel already shows it and the other does not yet.

A limit is only as good as its channel: ``quiet`` counts one without a good reading as crossed. And where forward
power is measured, it is the witness to the key line: power with the key up, or none with the key down, is a
crossing too, once it has lasted: a meter may show the key's edge before the guard has reported it. For the same reason
the low ends of what is there only with the key down count only then, and only when they last.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from benchlog.bench import DIMENSION_OF, Bench, Channel
from benchlog.errors import BadFile, Fault
from benchlog.keying.pipes import MOST_S
from benchlog.model import Measure, Reading, State
from benchlog.plan import Plan
from benchlog.quantities import SI_UNIT, show

QUIET_S = 1.0  # or two of the channel's periods, where that is longer
LOW_S = 0.5  # how long what needs the key may be below its low end: longer than a report of the key's edge takes
SWR_FROM = 0.02  # of the forward meter's full scale; below, reflected power is mostly the meter's own error
_DISSIPATION: tuple[Measure, ...] = ("plate-voltage", "plate-current", "forward-power")
# With the key up these are zero, and their low ends mean nothing.
ONLY_KEYED = {"forward-power", "reflected-power", "drive-power", "frequency", "plate-current", "grid-current", "alc"}
_SWR: tuple[Measure, ...] = ("forward-power", "reflected-power")


@dataclass(frozen=True, slots=True)
class Crossing:
    """A limit that was crossed, and what crossed it."""

    limit: str  # the key of ``[limits]``; "key-line" where power and key disagree
    channel: str
    t_ns: int
    value: float | None  # SI; inf over range, None where there was no reading
    bound: float | None  # SI
    text: str


class Watchdog:
    """All limits of one bench, for one session. Times are the session's ``t_ns``.

    Args:
        factor: session seconds per real second: the grace of a second is a real one.
        from_ns: when listening began; a channel never heard counts as quiet from there.
        power_w: forward power in W below which the key is taken to be up, and above which down; None leaves the key
            line without a witness.
    """

    def __init__(
        self, bench: Bench, *, factor: float = 1.0, from_ns: int = 0, power_w: tuple[float, float] | None = None
    ) -> None:
        self._bench, self._from_ns, self._power_w = bench, from_ns, power_w
        self._grace_ns = round(QUIET_S * 1e9 * factor)
        self._channels = {channel.name: channel for _, channel in bench.channels()}
        self._derived = list(_derived(bench, self._patience_ns))
        names = {c.name for c in _limited(bench)} | {c.name for d in self._derived for c in d.channels}
        if power_w is not None and (power := bench.measuring("forward-power")):
            names.add(power.name)
        self._watched = [self._channels[name] for name in sorted(names)]
        self._good_ns: dict[str, int] = {}
        self._low_ns: dict[str, int] = {}  # since when a channel is below, or forward power at odds with the key
        self._down = False
        self._edge_ns = from_ns

    def keyed(self, down: bool, t_ns: int) -> None:
        """The key line's confirmed edge."""
        self._down, self._edge_ns = down, t_ns
        self._low_ns.clear()

    def check(self, reading: Reading) -> Crossing | None:
        """One reading as it passes; what it crosses, if anything."""
        channel = self._channels[reading.channel]
        value = _value(channel, reading)
        if value is None:
            return None
        if reading.state is State.GOOD:
            self._good_ns[channel.name] = reading.t_ns
        found = self._against_its_own(channel, value, reading)
        for derived in self._derived:
            found = derived.check(channel, value, reading) or found
        return found or self._against_the_key(channel, value, reading)

    def quiet(self, now_ns: int) -> Crossing | None:
        """A limited channel without a good reading for too long. Ask while the key is down, and before it goes down.

        A frequency counter has nothing to say without a signal: it counts only with the key down, from its edge on.
        """
        for channel in self._watched:
            if channel.measures == "frequency" and not self._down:
                continue
            since = self._good_ns.get(channel.name, self._from_ns)
            if self._down and channel.measures == "frequency":
                since = max(since, self._edge_ns)
            if now_ns - since > self._patience_ns(channel):
                text = f"{channel.name} has a limit and no good reading for {(now_ns - since) / 1e9:.1f} s"
                return Crossing(str(channel.measures), channel.name, now_ns, None, None, text)
        return None

    def _patience_ns(self, channel: Channel) -> int:
        return max(self._grace_ns, 2 * channel.every_ns)

    def _against_its_own(self, channel: Channel, value: float, reading: Reading) -> Crossing | None:
        bounds = self._bench.limits.of(channel.measures) if channel.measures else None
        if channel.measures is None or bounds is None:
            return None
        low, high = (None if end is not None and math.isclose(value, end, rel_tol=1e-9) else end for end in bounds)
        if high is not None and value > high:
            bound, side = high, "above"
        elif low is not None and value < low:
            bound, side = low, "below"
        else:
            self._low_ns.pop(channel.name, None)
            return None
        if side == "below" and channel.measures in ONLY_KEYED:
            lasts_ns = reading.t_ns - self._low_ns.setdefault(channel.name, max(reading.t_ns, self._edge_ns))
            if not self._down or lasts_ns < LOW_S * self._grace_ns / QUIET_S:
                return None
        unit = SI_UNIT[DIMENSION_OF[channel.measures]]
        text = f"{channel.name}: {_shown(value, unit)} is {side} the limit of {show(bound, unit)}"
        return Crossing(channel.measures, channel.name, reading.t_ns, value, bound, text)

    def _against_the_key(self, channel: Channel, value: float, reading: Reading) -> Crossing | None:
        if self._power_w is None or channel.measures != "forward-power":
            return None
        off_w, on_w = self._power_w
        if self._down and value < off_w:
            text = f"the key is down, but there is no power: {_shown(value, 'W')}"
        elif not self._down and value > on_w:
            text = f"THE KEY IS UP, BUT THERE IS POWER: {_shown(value, 'W')}"
        else:
            self._low_ns.pop("key-line", None)
            return None
        if reading.t_ns - self._low_ns.setdefault("key-line", max(reading.t_ns, self._edge_ns)) <= self._grace_ns:
            return None
        return Crossing("key-line", channel.name, reading.t_ns, value, off_w if self._down else on_w, text)


class _Derived:
    """One limit on what is worked out of several channels."""

    def __init__(
        self,
        limit: str,
        unit: str,
        bound: float,
        channels: Sequence[Channel],
        work_out: Callable[[Sequence[float]], float | None],
        patience_ns: Callable[[Channel], int],
    ) -> None:
        self.limit, self.unit, self.bound = limit, unit, bound
        self.channels, self._work_out = channels, work_out
        self._within_ns = max(patience_ns(channel) for channel in channels)
        self._latest: dict[str, tuple[int, float]] = {}
        self._suspect_ns: int | None = None

    def check(self, channel: Channel, value: float, reading: Reading) -> Crossing | None:
        if channel not in self.channels:
            return None
        self._latest[channel.name] = reading.t_ns, value
        if len(self._latest) < len(self.channels):
            return None
        times, values = zip(*(self._latest[one.name] for one in self.channels), strict=True)
        if max(times) - min(times) > self._within_ns:
            return None  # ``quiet`` sees to the one that is missing
        found = self._work_out(values)
        if found is None or found <= self.bound:
            self._suspect_ns = None
            return None
        if max(times) != min(times) and (self._suspect_ns is None or min(times) <= self._suspect_ns):
            self._suspect_ns = self._suspect_ns or max(times)
            return None
        what = self.limit.replace("-", " ") if self.unit else "standing wave ratio"
        text = f"{what}: {_shown(found, self.unit)} is above the limit of {_shown(self.bound, self.unit)}"
        return Crossing(self.limit, channel.name, reading.t_ns, found, self.bound, text)


def swr(forward_w: float, reflected_w: float) -> float:
    """Standing wave ratio from the powers of the two waves; inf where as much comes back as goes."""
    if reflected_w >= forward_w:
        return math.inf
    rho = math.sqrt(max(reflected_w, 0.0) / forward_w) if math.isfinite(forward_w) else 0.0
    return (1 + rho) / (1 - rho)


def swr_from_w(forward: Channel) -> float:
    """Watts that forward or reflected power must exceed for a standing wave ratio to say anything."""
    return SWR_FROM * abs(forward.range_si * forward.scale)


def advice(bench: Bench) -> list[str]:
    """What ``benchlog check`` should warn of: limits that guard less than they seem to."""
    found = [
        f"{channel.name} has a limit but is read every {channel.every:g} s: crossings show that late"
        for channel in _limited(bench)
        if channel.every > QUIET_S
    ]
    found += [
        f"limits.{measure}: no channel measures it, so nothing watches it"
        for measure in DIMENSION_OF
        if bench.limits.of(measure) and bench.measuring(measure) is None
    ]
    for name, wanted, bound in (
        ("swr", _SWR, bench.limits.swr),
        ("plate-dissipation", _DISSIPATION, bench.limits.plate_dissipation),
    ):
        missing = [measure for measure in wanted if bench.measuring(measure) is None]
        if bound is not None and missing:
            found.append(f"limits.{name} needs {', '.join(missing)}, which no channel measures")
    if bench.key is not None:
        if bench.limits.key_down is None:
            found.append("there is a key line but no limits.key_down: a key-down may last 10 minutes")
        if bench.load is None:
            found.append("there is a key line but no [load]: nothing keeps the dummy load from overheating")
        if bench.measuring("forward-power") is None:
            found.append("there is a key line but no forward power: nothing tells whether the key obeys")
    return found


def longest_key_down_s(bench: Bench, factor: float = 1.0) -> float:
    """What the guard allows at the most, in session seconds; ``factor`` of them are a real one."""
    return min(bench.limits.key_down or math.inf, MOST_S * factor)


def too_long(bench: Bench, plan: Plan, factor: float = 1.0) -> list[Fault]:
    """The plan's key-downs that this bench does not allow; neither file shows it alone."""
    most_s = longest_key_down_s(bench, factor) if bench.key else bench.limits.key_down or math.inf
    if most_s == bench.limits.key_down:
        why = f"longer than the {most_s:g} s of limits.key_down in {bench.source.path.name}; shorten it, or raise that"
    else:
        why = f"a key line is held down for {most_s:g} s at the most; shorten it"
    return [
        Fault(f"{run}.key_down", f'"{table.key_down:g} s"', why)
        for run, table in (("sweep", plan.sweep), ("soak", plan.soak))
        if table is not None and table.key_down > most_s
    ]


def refuse_too_long(run: Literal["sweep", "soak"], bench: Bench, plan: Plan, factor: float = 1.0) -> None:
    """Before a keyed run. Raises BadFile for a key-down that the guard would refuse."""
    if faults := [fault for fault in too_long(bench, plan, factor) if fault.where == f"{run}.key_down"]:
        raise BadFile(plan.source.path, faults)


def _limited(bench: Bench) -> list[Channel]:
    """Channels with a limit of their own or a part in one that is worked out, in the file's order."""
    limits = bench.limits
    measures = {measure for measure in DIMENSION_OF if limits.of(measure)}
    measures |= set(_SWR) if limits.swr is not None else set()
    measures |= set(_DISSIPATION) if limits.plate_dissipation is not None else set()
    return [channel for _, channel in bench.channels() if channel.measures in measures]


def _derived(bench: Bench, patience_ns: Callable[[Channel], int]) -> Iterator[_Derived]:
    def all_of(measures: Sequence[Measure]) -> list[Channel] | None:
        found = [channel for measure in measures if (channel := bench.measuring(measure))]
        return found if len(found) == len(measures) else None

    limits = bench.limits
    if limits.swr is not None and (channels := all_of(_SWR)):
        least_w = swr_from_w(channels[0])

        def ratio(values: Sequence[float]) -> float | None:
            forward_w, reflected_w = values
            return swr(forward_w, reflected_w) if max(values) > least_w else None

        yield _Derived("swr", "", limits.swr, channels, ratio, patience_ns)
    if limits.plate_dissipation is not None and (channels := all_of(_DISSIPATION)):
        full_w = abs(channels[2].range_si * channels[2].scale) or math.inf  # over range, at least this goes out

        def left(values: Sequence[float]) -> float | None:
            volts, amperes, forward_w = values
            if not (math.isfinite(volts) and math.isfinite(amperes)):
                return math.inf
            return volts * amperes - min(forward_w, full_w)

        yield _Derived("plate-dissipation", "W", limits.plate_dissipation, channels, left, patience_ns)


def _value(channel: Channel, reading: Reading) -> float | None:
    """In SI; over range counts as above everything (with a negative scale, below)."""
    if reading.state is State.OVER_RANGE:
        return math.copysign(math.inf, channel.scale)
    return None if reading.value is None else channel.in_si(reading.value)


def _shown(value: float, unit: str) -> str:
    if math.isinf(value):
        return "over range" if unit else "infinite"
    return show(value, unit) if unit else f"{value:.3g}"
