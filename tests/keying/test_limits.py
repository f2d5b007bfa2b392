"""The bench file's limits on readings as they pass; times are made up, nothing waits."""

from __future__ import annotations

import math

import pytest

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import BadFile, UsageError
from benchlog.keying.client import assumed_power_w, first_message
from benchlog.keying.limits import Crossing, Watchdog, advice, refuse_too_long, swr, too_long
from benchlog.model import Reading, State
from benchlog.plan import Plan
from tests.benches import bench_of, channel_toml, instrument_toml, plan_of

CHANNELS = {
    "power": ("forward-power", "W", "200 ms", 'range = "250 W"'),
    "reflected": ("reflected-power", "W", "200 ms", ""),
    "volts": ("plate-voltage", "V", "500 ms", "scale = 100.0"),
    "amperes": ("plate-current", "mA", "500 ms", ""),
    "celsius": ("temperature", "degC", "2 s", ""),
    "counter": ("frequency", "Hz", "500 ms", ""),
}
S = 10**9


def bench(limits: str, names: str = " ".join(CHANNELS), more: str = "") -> Bench:
    channels = [
        channel_toml(name, measures, unit, every=every, more=extra)
        for name, (measures, unit, every, extra) in CHANNELS.items()
        if name in names.split()
    ]
    return bench_of(f'{more}\n[limits]\n{limits}\n[bench]\nname = "b"\n{instrument_toml("i", *channels)}')


def reading(channel: str, t_s: float, value: float | None) -> Reading:
    if value is None:
        return Reading(channel, round(t_s * S), None, state=State.MISSED)
    if math.isinf(value):
        return Reading(channel, round(t_s * S), None, state=State.OVER_RANGE)
    return Reading(channel, round(t_s * S), value)


def crossed(watchdog: Watchdog, *readings: tuple[str, float, float | None]) -> list[Crossing]:
    return [found for one in readings if (found := watchdog.check(reading(*one)))]


def test_low_and_high_in_si_with_the_probes_ratio() -> None:
    watchdog = Watchdog(bench('plate-voltage = ["600 V", "900 V"]\nplate-current = ["", "350 mA"]'))
    fine = [("volts", 1, 6.0), ("volts", 2, 9.0), ("amperes", 3, 350.0), ("power", 4, 1e9), ("amperes", 5, -1.0)]
    assert crossed(watchdog, *fine) == [], "at the limit is within it"
    high, low, current, over = crossed(
        watchdog, ("volts", 5, 9.01), ("volts", 6, 5.99), ("amperes", 7, 351.0), ("amperes", 8, math.inf)
    )
    assert (high.limit, high.value, high.bound, high.t_ns) == ("plate-voltage", pytest.approx(901), 900.0, 5 * S)
    assert high.text == "volts: 901 V is above the limit of 900 V"
    assert low.text == "volts: 599 V is below the limit of 600 V"
    assert current.text == "amperes: 351 mA is above the limit of 350 mA"
    assert over.text == "amperes: over range is above the limit of 350 mA"
    assert over.value == math.inf


def test_over_range_is_not_below() -> None:
    watchdog = Watchdog(bench('plate-voltage = ["600 V", ""]'))
    assert crossed(watchdog, ("volts", 1, math.inf), ("volts", 2, None)) == []


@pytest.mark.parametrize(
    ("forward", "reflected", "ratio"), [(100, 0, 1), (100, 25, 3), (100, 11.111, 2), (100, 4, 1.5)]
)
def test_standing_wave_ratio(forward: float, reflected: float, ratio: float) -> None:
    """(1 + rho) / (1 - rho), rho the square root of the powers' ratio: the definition."""
    assert swr(forward, reflected) == pytest.approx(ratio, rel=1e-4)


def test_no_load_at_all() -> None:
    assert swr(100, 100) == swr(10, 100) == swr(0, 0) == math.inf
    assert swr(100, -0.1) == 1.0, "a meter's zero"


def test_swr_of_one_exchange_is_crossed_at_once() -> None:
    watchdog = Watchdog(bench("swr = 3.0"))
    assert crossed(watchdog, ("power", 1, 100.0), ("reflected", 1, 25.0)) == []
    assert crossed(watchdog, ("power", 2, 0.3), ("reflected", 2, 0.3)) == [], "the meter's own error, key up"
    (found,) = crossed(watchdog, ("power", 3, 100.0), ("reflected", 3, 26.0))
    assert (found.limit, found.bound, found.t_ns) == ("swr", 3.0, 3 * S)
    assert found.text.startswith("standing wave ratio: 3.08 is above the limit of 3")
    (none,) = crossed(watchdog, ("power", 4, 100.0), ("reflected", 4, math.inf))
    assert none.text.startswith("standing wave ratio: infinite")


def test_dissipation_at_a_keys_edge_is_no_crossing() -> None:
    """800 V x 250 mA = 200 W in; the forward meter shows 150 W a moment after the ammeter shows the current."""
    watchdog = Watchdog(bench('plate-dissipation = "60 W"'))
    edge = [("volts", 1.0, 8.0), ("power", 1.05, 0.0), ("amperes", 1.1, 250.0), ("power", 1.25, 150.0)]
    assert crossed(watchdog, *edge, ("volts", 1.5, 8.0), ("amperes", 1.6, 250.0), ("power", 1.65, 150.0)) == []


def test_dissipation_that_stays_is_a_crossing_once_all_are_read_anew() -> None:
    watchdog = Watchdog(bench('plate-dissipation = "60 W"'))
    fine = [("volts", 1.0, 8.0), ("amperes", 1.1, 250.0), ("power", 1.2, 150.0)]
    hot = [("power", 1.4, 100.0), ("volts", 1.5, 8.0), ("amperes", 1.6, 250.0)]
    assert crossed(watchdog, *fine, *hot) == []
    (found,) = crossed(watchdog, ("power", 1.6, 100.0))
    assert found.text == "plate dissipation: 100 W is above the limit of 60 W"
    assert found.limit == "plate-dissipation"


def test_dissipation_over_range_and_long_ago() -> None:
    watchdog = Watchdog(bench('plate-dissipation = "60 W"'))
    start = [("volts", 1.0, 8.0), ("amperes", 1.0, 250.0)]
    (found,) = crossed(watchdog, *start, ("power", 1.0, math.inf), ("amperes", 2.0, math.inf), ("volts", 2.0, 8.0),
                       ("power", 2.0, 150.0))  # fmt: skip
    assert found.value == math.inf, "250 W at least went out, so only the current's end says anything"
    slow = [(name, t, value) for t in (11.0, 19.0) for name, value in (("volts", 8.0), ("amperes", 250.0))]
    assert crossed(watchdog, *slow[:2], ("power", 15.0, 50.0), *slow[2:], ("power", 23.0, 50.0)) == [], "4 s apart"


def test_a_channel_gone_quiet_counts_as_crossed() -> None:
    watchdog = Watchdog(bench('plate-voltage = ["", "900 V"]\ntemperature = ["", "90 degC"]'))
    crossed(watchdog, ("volts", 0.0, 8.0), ("celsius", 0.0, 30.0), ("volts", 0.5, None), ("volts", 0.9, math.inf))
    assert watchdog.quiet(round(1.0 * S)) is None
    found = watchdog.quiet(round(1.1 * S))
    assert found is not None
    assert (found.channel, found.limit, found.value) == ("volts", "plate-voltage", None)
    assert found.text == "volts has a limit and no good reading for 1.1 s"
    crossed(watchdog, ("volts", 3.9, 8.0))
    assert watchdog.quiet(round(4.0 * S)) is None, "two periods of 2 s"
    found = watchdog.quiet(round(4.1 * S))
    assert found is not None
    assert found.channel == "celsius"


def test_a_channel_never_heard_is_quiet_from_the_start() -> None:
    watchdog = Watchdog(bench('plate-voltage = ["", "900 V"]'), from_ns=10 * S)
    assert watchdog.quiet(11 * S) is None
    assert watchdog.quiet(12 * S) is not None
    assert Watchdog(bench('plate-voltage = ["", "900 V"]'), factor=6.0).quiet(5 * S) is None, "a second is a real one"
    assert Watchdog(bench('key_down = "9 s"')).quiet(100 * S) is None, "nothing hangs on any channel"


def test_parts_of_a_worked_out_limit_may_not_go_quiet() -> None:
    watchdog = Watchdog(bench("swr = 3.0"))
    crossed(watchdog, ("power", 5.0, 1.0))
    found = watchdog.quiet(round(5.1 * S))
    assert found is not None
    assert found.channel == "reflected"


def test_a_counter_without_a_signal_is_quiet_only_with_the_key_down() -> None:
    watchdog = Watchdog(bench('frequency = ["1 MHz", ""]'))
    assert watchdog.quiet(50 * S) is None
    watchdog.keyed(True, 50 * S)
    assert watchdog.quiet(51 * S) is None
    assert watchdog.quiet(round(51.1 * S)) is not None


def test_forward_power_is_the_witness_to_the_key() -> None:
    watchdog = Watchdog(bench(""), power_w=(3.0, 6.0))
    assert crossed(watchdog, ("power", 0.5, 0.0), ("power", 2.0, 5.0)) == []
    (stuck,) = crossed(watchdog, ("power", 2.5, 7.0), ("power", 3.5, 7.0), ("power", 3.6, 7.0))
    assert (stuck.limit, stuck.bound) == ("key-line", 6.0)
    assert "KEY IS UP, BUT THERE IS POWER" in stuck.text
    watchdog.keyed(True, 4 * S)
    assert crossed(watchdog, ("power", 4.1, 0.0), ("power", 5.1, 0.0), ("power", 5.2, 100.0)) == [], "a second to rise"
    (none,) = crossed(watchdog, ("power", 6.0, 2.0), ("power", 7.1, 2.0))
    assert "no power" in none.text
    assert crossed(watchdog, ("power", 7.3, 100.0), ("power", 7.9, 0.0)) == [], "seen before the edge is reported"
    watchdog.keyed(False, round(7.8 * S))
    assert crossed(watchdog, ("power", 8.0, 100.0), ("power", 8.9, 100.0), ("power", 9.0, 0.0)) == [], "one to fall"
    assert watchdog.quiet(round(10.1 * S)) is not None, "the witness must be awake"


def test_the_low_end_of_what_needs_the_key() -> None:
    watchdog = Watchdog(bench('forward-power = ["50 W", ""]'))
    assert crossed(watchdog, ("power", 1.0, 0.0), ("power", 5.0, 0.0)) == [], "the key is up"
    watchdog.keyed(True, 6 * S)
    assert crossed(watchdog, ("power", 6.1, 20.0), ("power", 6.5, 40.0), ("power", 6.7, 60.0)) == [], "it rises"
    assert crossed(watchdog, ("power", 8.0, 0.0), ("power", 8.2, 0.0)) == [], "the key's edge, not yet reported"
    watchdog.keyed(False, 8 * S)
    assert crossed(watchdog, ("power", 8.6, 0.0), ("power", 9.6, 0.0)) == []
    watchdog.keyed(True, 10 * S)
    (found,) = crossed(watchdog, ("power", 10.2, 60.0), ("power", 10.4, 40.0), ("power", 10.9, 40.0))
    assert found.text == "power: 40 W is below the limit of 50 W"


def test_what_check_should_warn_of() -> None:
    key = '[key]\ndriver = "serial-line"\naddress = "x"\nline = "rts"\n'
    assert advice(bench('temperature = ["", "90 degC"]')) == [
        "celsius has a limit but is read every 2 s: crossings show that late"
    ]
    said = "\n".join(advice(bench('alc = ["", "1 V"]\nplate-dissipation = "1 W"\nswr = 3.0', "volts", more=key)))
    for words in (
        "limits.alc: no channel",
        "limits.swr needs forward-power, reflected-power",
        "plate-dissipation needs plate-current, forward-power",
        "no limits.key_down",
        "no [load]",
        "no forward power",
    ):
        assert words in said
    assert advice(bench("")) == []


def plan(*, sweep: str = "20 s", soak: str = "60 s") -> Plan:
    """Key-downs so long."""
    return plan_of(
        '[transmitter]\nname = "t"\n[[band]]\nname = "80 m"\ndial = "3.6 MHz"\nmin_power = "60 W"\n'
        f'[sweep]\nkey_down = "{sweep}"\n[soak]\nband = "80 m"\nkey_down = "{soak}"\nrest = "1 s"\nlasts = "1 h"\n'
    )


def test_key_downs_that_the_bench_does_not_allow() -> None:
    """A limit counts whoever keys; the guard's own only where there is a key line."""
    key = '[key]\ndriver = "serial-line"\naddress = "x"\nline = "rts"\n'
    said = [str(fault) for fault in too_long(bench('key_down = "30 s"'), plan(sweep="31 s", soak="30.5 s"))]
    why = "longer than the 30 s of limits.key_down in bench.toml; shorten it, or raise that"
    assert said == [f'sweep.key_down = "31 s": {why}', f'soak.key_down = "30.5 s": {why}']
    assert too_long(bench('key_down = "30 s"', more=key), plan(sweep="30 s", soak="30 s")) == []
    long = plan(soak="11 min")
    assert too_long(bench(""), long) == []
    assert [fault.problem for fault in too_long(bench("", more=key), long)] == [
        "a key line is held down for 600 s at the most; shorten it"
    ]
    assert too_long(bench("", more=key), long, factor=2.0) == [], "of a simulated bench in a hurry"
    assert too_long(bench('key_down = "1 h"'), long) == []
    with pytest.raises(BadFile, match="held down for 600 s"):
        refuse_too_long("soak", bench('key_down = "1 h"', more=key), long)
    refuse_too_long("sweep", bench('key_down = "1 h"', more=key), long)


def test_the_guards_law_out_of_a_bench_file() -> None:
    key = (
        '[key]\ndriver = "serial-line"\naddress = "x"\nline = "dtr"\n[load]\ncontinuous = "200 W"\ncooling = "240 s"\n'
    )
    law = first_message(bench('key_down = "90 s"', more=key), heat=0.25)
    assert law["line"] == {"driver": "serial-line", "address": "x", "line": "dtr", "options": {"timeout": 0.2}}
    assert law["key_down_s"] == 90.0
    assert law["heat"] == {"continuous_w": 200.0, "cooling_s": 240.0, "fraction": 0.25, "assumed_w": 250.0}
    fast = first_message(bench('key_down = "90 s"', more=key), clock=Clock(6.0))
    assert (fast["key_down_s"], fast["heat"]["cooling_s"], fast["heat"]["assumed_w"]) == (15.0, 40.0, 250.0)
    assert first_message(bench("", more=key), clock=Clock(6.0))["key_down_s"] == 600.0
    assert assumed_power_w(bench('forward-power = ["", "150 W"]')) == 150.0
    assert assumed_power_w(bench("", "volts")) is None
    with pytest.raises(UsageError, match="no key line"):
        first_message(bench(""))
