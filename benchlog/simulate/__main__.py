"""``python -m benchlog.simulate``: a simulated bench as its own process.

Writes DIR/bench.toml and DIR/plan.toml, then says one line of JSON on standard output: it listens. Obeys lines on
standard input: ``start`` (the script, and with it time 0), ``key down``, ``key up``, ``band NAME``,
``trouble NAME=KIND``, ``says NAME LINE`` (that line, whatever it is asked), ``mend NAME``; with a key box
``cable pulled``, ``cable plugged``, ``cable reset``, and ``edges``, answered with one line of JSON. Ends with standard
input, on SIGTERM and on SIGINT.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from pathlib import Path
from typing import get_args

from benchlog.errors import BenchlogError, UsageError
from benchlog.simulate.bench import INSTRUMENTS, SimulatedBench
from benchlog.simulate.keybox import Mode
from benchlog.simulate.troubles import KINDS, planned
from benchlog.simulate.wire import Garbage


class _Stopped(Exception):
    """SIGTERM or SIGINT came."""


def main(arguments: list[str]) -> int:
    """Exit status 0 once ended, 2 for words that make no sense."""
    asked = _parser().parse_args(arguments)
    try:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, _stop)
        with SimulatedBench(
            asked.folder,
            seed=asked.seed,
            time_factor=asked.time_factor,
            script=asked.script,
            troubles=[planned(text, INSTRUMENTS) for text in asked.trouble],
            key_box=asked.key_box,
        ) as bench:
            _say(bench)
            for line in sys.stdin:
                _obey(bench, line.split())
            _deaf()
    except (_Stopped, BrokenPipeError):
        pass
    except BenchlogError as exc:
        sys.stderr.write(f"{exc}\n")
        return exc.exit_status
    except OSError as exc:
        sys.stderr.write(f"the simulated bench cannot run: {exc}\n")
        return BenchlogError.exit_status
    return 0


def _say(bench: SimulatedBench) -> None:
    ready = {
        "ready": True,
        "bench": str(bench.bench_file),
        "plan": str(bench.plan_file),
        "addresses": bench.addresses,
        "time_factor": bench.time_factor,
        "seed": bench.seed,
        "script": bench.script,
        "script_s": bench.script_s,
        "began_ns": bench.began_ns if bench.script == "free" else None,
        "pid": os.getpid(),
    }
    sys.stdout.write(json.dumps(ready) + "\n")
    sys.stdout.flush()


def _obey(bench: SimulatedBench, words: list[str]) -> None:
    try:
        match words:
            case ["start"]:
                bench.start()
            case ["key", "down" | "up" as way]:
                bench.key(way == "down")
            case ["band", *name]:
                bench.band(" ".join(name))
            case ["trouble", what]:
                trouble = planned(what, INSTRUMENTS)
                bench.trouble(trouble.instrument, trouble.kind)
            case ["says", name, *line]:
                bench.trouble(name, Garbage(" ".join(line).encode() + b"\n"))
            case ["mend", name]:
                bench.trouble(name, None)
            case ["cable", how] if bench.cable:
                {"pulled": bench.cable.pull, "plugged": bench.cable.plug, "reset": bench.cable.reset}[how]()
            case ["edges"] if bench.key_box:
                edges = [{"t": edge.t_ns, "down": edge.down, "line": edge.line} for edge in bench.key_box.edges]
                sys.stdout.write(json.dumps({"edges": edges}) + "\n")
                sys.stdout.flush()
            case []:
                pass
            case _:
                raise UsageError(f"{' '.join(words)!r} is not a command")
    except (UsageError, KeyError) as exc:  # a wrong word is no reason to end the bench
        sys.stderr.write(f"not obeyed: {' '.join(words)}: {exc}\n")
        sys.stderr.flush()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m benchlog.simulate", description=(__doc__ or "").split("\n\n")[1])
    parser.add_argument("--folder", type=Path, required=True, metavar="DIR", help="where bench.toml and plan.toml go")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="decides noise and the instruments' errors")
    parser.add_argument("--time-factor", type=float, default=1.0, metavar="F", help="simulated seconds per real second")
    parser.add_argument("--script", choices=("sweep", "free"), default="sweep", help="who keys: a script, or you")
    parser.add_argument(
        "--key-box",
        nargs="?",
        const="timeout",
        choices=get_args(Mode),
        help="with a key line; when nobody speaks to its box any more the key stays as it is (hold), or goes up when "
        "the connection ends (drop), or also after half a second of silence (timeout, which is what to buy)",
    )
    parser.add_argument(
        "--trouble",
        action="append",
        default=[],
        metavar="NAME=KIND[@FROM[..TO]]",
        help=f"in simulated seconds from start; NAME: {', '.join(INSTRUMENTS)}; KIND: {', '.join(KINDS)}",
    )
    return parser


def _stop(number: int, frame: object) -> None:
    _deaf()
    raise _Stopped


def _deaf() -> None:
    """Closing is not to be interrupted."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
