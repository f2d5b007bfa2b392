"""The simulated operator: what the hand at the key does, as key changes on the bench's own time.

A script is put into the transmitter's course as a whole, before it begins. No thread turns the knobs, so a
script's key changes come at exactly their times, however busy the machine is.
"""

from __future__ import annotations

from benchlog.simulate.physics import JUST_MOVES, TUNED, KeyChange, Knob, Truth

TUNE_DRIVE = 0.3
TUNE_S = 2.0
"""One tap of the key while tuning. No longer than ``settle`` and the last half second together: a tap then has no
window of its own, and its low power spoils no band's mean."""

DIAL_S = 8.0  # band switch, dial, preselector
LOOKS_S = (4.0, 4.0, 7.0)  # a look at the meter after each tap: grid, plate, loading
HARD = 1.5
"""The level at first: half as much again as the grid needs to draw current."""

TAPS = (
    # The drive is peaked, the plate current dipped, each turned through and past it; then the level is backed off.
    {"level": Knob(HARD, HARD), "grid": Knob(-1.2, 0.6, TUNE_S), "plate": Knob(-1.0, -1.0)},
    {"level": Knob(1.1, 1.1), "grid": TUNED, "plate": Knob(-1.0, 0.7, TUNE_S)},
    {"level": Knob(1.3, JUST_MOVES.stop, TUNE_S), "grid": TUNED, "plate": TUNED},
)
LONGER_S = 0.5  # nobody lets go on the second


def sweep_script(truth: Truth, key_down_s: float, rest_s: float) -> list[KeyChange]:
    """Band by band: switch and set the dial, tune with three taps of the key, key down, rest.

    With the default plan's 20 s and 10 s, 59.5 s a band: five bands are 297.5 s, 49.6 s at a time factor of 6.
    """
    changes = []
    t_s = 0.0
    for band in truth.bands:
        changes.append(KeyChange(t_s, band.name, 0.0))
        t_s += DIAL_S
        for knobs, look_s in zip(TAPS, LOOKS_S, strict=True):
            changes += [KeyChange(t_s, band.name, TUNE_DRIVE, **knobs), KeyChange(t_s + TUNE_S, band.name, 0.0)]
            t_s += TUNE_S + look_s
        for drive, for_s in ((1.0, key_down_s + LONGER_S), (0.0, rest_s)):
            changes.append(KeyChange(t_s, band.name, drive))
            t_s += for_s
    return changes


def length_s(truth: Truth, key_down_s: float, rest_s: float) -> float:
    """How long ``sweep_script`` takes, its last rest included."""
    return len(truth.bands) * (DIAL_S + sum(TUNE_S + look_s for look_s in LOOKS_S) + key_down_s + LONGER_S + rest_s)
