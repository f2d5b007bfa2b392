"""Units, loads and dates against published tables."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from benchlog.analysis import swr
from benchlog.clock import rfc3339
from benchlog.quantities import parse, to_si

DATA = Path(__file__).parent / "data"


def rows(name):
    with (DATA / name).open(newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


@pytest.mark.parametrize("row", rows("swr.csv"), ids=lambda row: f"{row['swr']:g}")
def test_swr_table(row):
    """The handbooks' table of SWR and reflection; scikit-rf has the last word on the line's theory."""
    from skrf import Network
    from skrf.tlineFunctions import zl_2_Gamma0

    gamma = float(np.abs(np.ravel(zl_2_Gamma0(50.0, 50.0 * row["swr"]))[0]))
    assert swr.swr(100.0, 100.0 * gamma**2) == pytest.approx(row["swr"], rel=1e-9)
    assert swr.reflection(100.0, 100.0 * gamma**2) == pytest.approx(row["gamma"], abs=6e-6)
    assert swr.swr(100.0, row["reflected_pct"]) == pytest.approx(row["swr"], rel=2e-3)
    if gamma:
        network = Network(f=[14e6], s=[[[gamma]]], z0=50)
        assert swr.swr(100.0, 100.0 * gamma**2) == pytest.approx(float(network.s_vswr[0, 0, 0]), rel=1e-9)


def test_swr_of_two_powers():
    """4 W back of 100 W: SWR 1.5. All back: infinite. More back than forth is a wrong reading, not a load."""
    assert swr.swr(100.0, 4.0) == pytest.approx(1.5)
    assert swr.swr(100.0, 0.0) == 1.0
    assert swr.swr(100.0, 100.0) == math.inf
    for forward, reflected in ((100.0, 100.1), (0.0, 0.0), (100.0, -1.0), (math.nan, 1.0), (100.0, math.nan)):
        with pytest.raises(ValueError, match="no passive load"):
            swr.reflection(forward, reflected)


@pytest.mark.parametrize("row", rows("watt_dbm_50ohm.csv"), ids=lambda row: f"{row['watt']:g} W")
def test_watts_and_dbm(row):
    """The handbooks' table; dBm are above 1 mW."""
    assert to_si(row["dBm"], "dBm") == pytest.approx(row["watt"], rel=1.3e-4)  # the print has three decimals
    assert to_si(row["dBW"], "dBW") == pytest.approx(row["watt"], rel=1.3e-4)
    assert parse(f"{row['dBm']} dBm", "power") == to_si(row["dBm"], "dBm")


@pytest.mark.parametrize(
    ("epoch_ns", "digits", "text"),
    [
        # RFC 3339, 5.8, in UTC (the second and third from memory)
        (482_196_050_520_000_000, 2, "1985-04-12T23:20:50.52Z"),
        (851_042_397_000_000_000, 0, "1996-12-20T00:39:57Z"),
        (-1_041_337_172_130_000_000, 2, "1937-01-01T11:40:27.87Z"),
    ],
)
def test_rfc_3339_examples(epoch_ns, digits, text):
    assert rfc3339(epoch_ns, digits) == text
