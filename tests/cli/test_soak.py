"""Heat runs: the guard keys a simulated transmitter through an RFC 2217 key box, which keeps its own record of edges.

"Within one second" is the contract's own bound on keying up, and the box's clock is the judge.
"""

from __future__ import annotations

import json
import re
import signal
import time
from pathlib import Path

import pytest

from benchlog.simulate.process import BenchProcess
from tests.cli.conftest import FACTOR, benchlog
from tests.cli.keyed import WITHIN_S, keyed_bench, last_edge_ns, until_up
from tests.cli.running import Running, run


def words(bench: BenchProcess, folder: Path) -> tuple[object, ...]:
    files = ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", folder / "s.benchlog")
    return ("soak", "--yes", "--json", *files)


def test_a_heat_run_to_its_end(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench", lasts="65 s") as bench:
        done = benchlog(*words(bench, tmp_path), status=0)
        edges = bench.edges()
    record = json.loads(done.stdout)
    (band,) = record["bands"]
    assert (band["band"], band["key_downs"]) == ("80 m", 2)
    assert band["power_w"]["verdict"] == "pass"
    assert [edge.down for edge in edges] == [True, False, True, False]
    for down, up in ((edges[0], edges[1]), (edges[2], edges[3])):
        assert (up.t_ns - down.t_ns) / 1e9 * FACTOR == pytest.approx(20, abs=1.5)
    assert "the heat run is over: 2 key-downs" in benchlog("sessions", "--store", tmp_path / "s.benchlog").stdout


def test_a_limit_crossed_keys_up_and_ends_the_run(tmp_path: Path) -> None:
    """The stage is warmer than the limit some seconds into the key-down."""
    with keyed_bench(tmp_path / "bench", temperature='["", "40 degC"]') as bench:
        done = benchlog(*words(bench, tmp_path), status=4)
        edges = bench.edges()
    record = json.loads(done.stdout)
    assert [edge.down for edge in edges] == [True, False]
    assert (edges[1].t_ns - edges[0].t_ns) / 1e9 * FACTOR < 19
    assert "STOPPED FOR SAFETY: stage temperature: " in done.stderr
    (stop,) = [f for f in record["findings"] if f["kind"] == "limit" and "stopped" in f["text"]]
    assert (stop["channel"], stop["limit"]) == ("stage temperature", 40.0)
    assert stop["value"] > 40.0


def test_a_meter_that_falls_silent_keys_up(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench") as bench, run(*words(bench, tmp_path)) as soak:
        soak.wait_for("Heard")
        since_ns = time.monotonic_ns()
        bench.tell("trouble wattmeter=silent")
        took_s = until_up(bench, since_ns)
        assert soak.process.wait(120) == 4
    # A channel counts as quiet after the larger of 1 s and two of its periods; then the key has one second.
    assert took_s < 1.0 + WITHIN_S
    assert any("no good reading" in line for line in soak.told)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM], ids=lambda s: s.name)
def test_a_logger_that_is_killed_hung_or_ended_leaves_no_key_down(tmp_path: Path, how: signal.Signals) -> None:
    with keyed_bench(tmp_path / "bench") as bench, run(*words(bench, tmp_path)) as soak:
        keyed_for_a_while(soak)
        last_edge_ns(bench, down=True)
        since_ns = time.monotonic_ns()
        soak.process.send_signal(how)
        assert until_up(bench, since_ns) < WITHIN_S
        if how is signal.SIGSTOP:
            soak.process.send_signal(signal.SIGKILL)
        soak.process.wait(120)
    record = json.loads(benchlog("report", "--store", tmp_path / "s.benchlog", "--json").stdout)
    assert record["readings"]["good"] > 0, "the session is readable afterwards"


def keyed_for_a_while(soak: Running) -> None:
    soak.wait_for("Heard")
    time.sleep(0.3)


def test_nothing_is_keyed_without_a_line_or_without_a_yes(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench") as bench:
        files = ("--bench", bench.bench_file, "--plan", bench.plan_file, "--store", tmp_path / "s.benchlog")
        asked = benchlog("soak", *files, status=2)
        assert "nobody is there to be asked" in asked.stderr
        assert "no interlock" in asked.stderr
        without = tmp_path / "without key.toml"
        without.write_text(re.sub(r"\[key\].*?\n\n", "", bench.bench_file.read_text(), flags=re.DOTALL))
        refused = benchlog("soak", "--yes", "--bench", without, *files[2:], status=2)
        assert "names no key line" in refused.stderr
        assert bench.edges() == []
    assert not (tmp_path / "s.benchlog").exists()


def test_a_key_down_that_the_bench_does_not_allow_is_told_before_anything_is_keyed(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench", key_down='"15 s"') as bench:
        pair = ("--bench", bench.bench_file, "--plan", bench.plan_file)
        told = 'soak.key_down = "20 s": longer than the 15 s of limits.key_down in bench.toml'
        assert any(told in said for said in json.loads(benchlog("check", *pair, "--json").stdout)["warnings"])
        store = ("--store", tmp_path / "s.benchlog")
        assert told in benchlog("soak", "--yes", *pair, *store, status=2).stderr
        keyed_sweep = benchlog("sweep", "--key", "--yes", *pair, *store, status=2).stderr
        assert "sweep.key_down" in keyed_sweep
        assert "soak.key_down" not in keyed_sweep
        assert bench.edges() == []
    assert not (tmp_path / "s.benchlog").exists()


def test_a_sweep_keys_when_it_is_asked_to(tmp_path: Path) -> None:
    """A tap to tune, then the measuring key-down, each on a line typed by the operator."""
    with keyed_bench(tmp_path / "bench") as bench:
        plan = bench.plan_file.read_text()
        first_band = plan.index("[[band]]")
        bench.plan_file.write_text(plan[: plan.index("[[band]]", first_band + 1)])
        with run("sweep", "--key", *words(bench, tmp_path)[1:]) as sweep:
            sweep.wait_for("Band 1 of 1: 80 m")
            sweep.type("t")
            sweep.wait_for("tuning")
            sweep.type("")
            assert sweep.process.wait(120) == 0
            record = json.loads(sweep.process.stdout.read())
        edges = bench.edges()
    assert record["bands"][0]["key_downs"] == 1
    lengths = [(up.t_ns - down.t_ns) / 1e9 * FACTOR for down, up in zip(edges[::2], edges[1::2], strict=True)]
    assert lengths == pytest.approx([5, 20], abs=1.5)


def test_a_heat_run_on_two_bands_waits_for_the_operator_between(tmp_path: Path) -> None:
    with keyed_bench(tmp_path / "bench", lasts="35 s") as bench:
        bench.plan_file.write_text(bench.plan_file.read_text().replace('band = "80 m"', 'band = ["80 m", "40 m"]'))
        with run(*words(bench, tmp_path)) as soak:
            soak.wait_for("Band 2 of 2: 40 m")
            keyed_before = len(bench.edges())
            time.sleep(0.5)
            assert len(bench.edges()) == keyed_before, "nothing is keyed until the band is set"
            bench.tell("band 40 m")
            soak.type("")
            assert soak.process.wait(120) == 0
            record = json.loads(soak.process.stdout.read())
    assert [(band["band"], band["key_downs"]) for band in record["bands"]] == [("80 m", 1), ("40 m", 1)]


def test_a_limit_may_pause_a_heat_run_instead(tmp_path: Path) -> None:
    """The stage cools below the limit, and after a rest without a crossing the key goes down again."""
    edits = {"key_down": '"90 s"\nthen = "pause"', "temperature": '["", "40 degC"]'}
    with keyed_bench(tmp_path / "bench", lasts="150 s", **edits) as bench:
        done = benchlog(*words(bench, tmp_path))
        edges = bench.edges()
    record = json.loads(done.stdout)
    assert done.returncode in (0, 1)
    assert "STOPPED" not in done.stderr
    assert [edge.down for edge in edges][:4] == [True, False, True, False]
    pauses = [f for f in record["findings"] if f["kind"] == "limit" and f["text"].startswith("paused for safety")]
    assert len(pauses) == len(edges) // 2
    assert all(pause["channel"] == "stage temperature" for pause in pauses)
