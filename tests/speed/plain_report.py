"""What a bench owner who knows pandas would write in an evening: a session's numbers by band, and its figures.

    python plain_report.py STORE FOLDER

No uncertainties, no checks, no findings: less than `benchlog report` does, and nothing it does not.
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd

mpl.use("svg")
import matplotlib.pyplot as plt

BANDS = {"3.6 MHz": 3.6e6, "7.1 MHz": 7.1e6, "10.12 MHz": 10.12e6, "14.1 MHz": 14.1e6, "21.1 MHz": 21.1e6}
MIN_POWER_W, SETTLE_S, END_S = 60.0, 2.0, 0.5


def main(store: str, folder: Path) -> None:
    """Prints a table, writes a figure for each channel and one of the frequency error."""
    con = sqlite3.connect(store)
    df = pd.read_sql(
        "SELECT channel.name AS channel, t_ns, value FROM reading JOIN channel ON channel.id = reading.channel"
        " WHERE session = 1 AND note = 0",
        con,
    )
    df["t"] = df["t_ns"] / 1e9
    channels = {str(name): part.set_index("t")["value"].sort_index() for name, part in df.groupby("channel")}
    power, frequency = channels["power"], channels["frequency"]

    down = power > 0.1 * MIN_POWER_W
    edges = down.astype(int).diff()
    starts, stops = power.index[edges == 1].tolist(), power.index[edges == -1].tolist()
    if down.iloc[0]:
        starts.insert(0, power.index[0])
    found = []
    for start, stop in zip(starts, stops, strict=False):
        p, f = (one.loc[start + SETTLE_S : stop - END_S] for one in (power, frequency))
        if len(p) < 10 or len(f) < 10:
            continue
        band = min(BANDS, key=lambda name: abs(BANDS[name] - f.median()))
        slope, at_0 = np.polyfit(p.index - p.index[0], p, 1)
        droop = -100 * slope * (p.index[-1] - p.index[0]) / at_0
        found.append({"band": band, "start": start, "power": p.mean(), "droop": droop, "f": f.mean() - BANDS[band]})
    key_downs = pd.DataFrame(found)
    others = ["plate voltage", "plate current", "reflected", "case"]
    for band, part in key_downs.groupby("band"):
        windows = [frequency.loc[s + SETTLE_S : s + 59] for s in part["start"]]
        f = pd.concat(windows)
        drift = np.polyfit(f.index / 3600, f - BANDS[band], 1)[0]
        means = {n: pd.concat([channels[n].loc[s + SETTLE_S : s + 59] for s in part["start"]]).mean() for n in others}
        print(
            band,
            len(part),
            f"{part['power'].mean():.2f} W, droop {part['droop'].max():.2f} %, {part['f'].mean():.1f} Hz,"
            f" drift {drift:.2f} Hz/h",
            *(f"{n} {v:.2f}" for n, v in means.items()),
        )

    for name, one in channels.items():
        plt.figure(figsize=(10, 3))
        plt.plot(one.index / 3600, one)
        plt.xlabel("hours")
        plt.ylabel(name)
        plt.savefig(folder / f"{name}.svg")
        plt.close()
    plt.figure(figsize=(10, 3))
    for band, part in key_downs.groupby("band"):
        plt.plot(part["start"] / 3600, part["f"], label=band)
    plt.legend()
    plt.savefig(folder / "error.svg")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
