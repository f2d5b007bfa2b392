"""``benchlog report --budget``, as a user runs it on readings brought in from a file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.cli.conftest import benchlog
from tests.report import samples
from tests.report.written import imported


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two bands of an invented transmitter, imported."""
    folder = tmp_path_factory.mktemp("report")
    keyed = [samples.Keyed(5, 20, 7.05e6 - 20, 141, 139), samples.Keyed(45, 20, 14.3e6 + 40, 126, 104)]
    session = samples.session(samples.bench(), samples.plan(samples.FIVE[1:3]), keyed, lasts_s=75)
    return imported(folder, session)


def test_budgets_of_all_results_or_of_one_band(store: Path) -> None:
    whole = benchlog("report", "last", "--store", store, "--budget", status=1).stdout
    assert len(re.findall(r"U = \d\.\d+ × ", whole)) >= 6
    assert "\n40 m\n" in whole
    assert "\n20 m\n" in whole
    one = benchlog("report", "last", "--store", store, "--budget", "--band", "20 m", status=1).stdout
    assert "\n40 m\n" not in one
    assert re.search(r"Power: 1\d\d ± 14 W", one)
    assert "Accuracy of power" in one


def test_what_is_printed_is_what_the_json_says(store: Path) -> None:
    printed = benchlog("report", "last", "--store", store, "--budget", "--band", "40 m", status=1).stdout
    record = json.loads(benchlog("report", "last", "--store", store, "--budget", "--json", status=1).stdout)
    power = record["bands"][0]["power_w"]
    for line in power["budget"]:
        assert line["source"][1:] in printed
        assert f" {line['type']} " in printed
    u_c = power["expanded"] / power["k"]
    assert f"U = {power['k']:.2f} × {u_c:.2g} W" in printed


def test_a_band_that_is_not_there_and_one_without_budget_are_told(store: Path) -> None:
    wrong = benchlog("report", "last", "--store", store, "--budget", "--band", "12 m", status=2)
    assert 'the plan has no band "12 m"' in wrong.stderr
    assert "Its bands are: 40 m, 20 m." in wrong.stderr
    for more in ((), ("--budget", "--json"), ("--budget", "--html", store.with_suffix(".html"))):
        alone = benchlog("report", "last", "--store", store, "--band", "40 m", *more, status=2)
        assert "--band picks the budgets to print" in alone.stderr


def test_html_has_the_budgets_whether_asked_for_or_not(store: Path) -> None:
    path = store.with_suffix(".html")
    benchlog("report", "last", "--store", store, "--html", path, status=1)
    plain = path.read_text()
    benchlog("report", "last", "--store", store, "--budget", "--html", path, status=1)
    assert path.read_text() == plain
    assert "What each ± is made of" in plain
