"""The long form of the truth trials: a table. Exit status 0 only if every criterion is kept.

What is planted stands at the top of ``tests/truth/draw.py``, each truth's definition in ``tests/truth/truths.py``.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.truth.draw import FAULTS
from tests.truth.judge import (
    ESTIMATORS,
    FALSE_PER_CLEAN,
    TIMES,
    Row,
    by_kind,
    missed,
    recall,
    rows,
    timed,
    wrong_verdicts,
)
from tests.truth.trial import Asked, Outcome, make_all

SURE = 0.05  # error of the intervals that decide, where a share of few cases cannot itself
HEAD = ("estimator", "condition", "type", "n", "bias / u", "", "rms / u", "95 % intervals that hold the truth")
FORM = "{:<20} {:<18} {:<5} {:>6} {:>9} {:<8} {:>7}  {}"


def table(outcome: Outcome, *, conditions: bool) -> None:
    """Estimators: one line for each, what dominates its uncertainty, and (if asked) each condition."""
    print(FORM.format(*HEAD))
    for one in rows(outcome.cases, by_condition=conditions):
        print(line(one))
    for name in ESTIMATORS:
        own = [case for case in outcome.cases if case.estimator == name]
        judged = [case for case in own if case.judged]
        lacking = sum(not case.measured for case in judged)
        whys: dict[str, int] = {}
        for case in own:
            if case.why:
                whys[case.why] = whys.get(case.why, 0) + 1
        if not judged or lacking:
            nothing = ": nothing to judge" if lacking == len(judged) else ""
            print(f"{name:<20} not measured in {lacking} of {len(judged)}{nothing}")
        if conditions and whys:
            print(f"{name:<20} not judged: {', '.join(f'{n} {why}' for why, n in whys.items())}")


def line(one: Row) -> str:
    """One row."""
    error = f"± {one.bias_se:.2f}"
    return FORM.format(
        one.name,
        one.condition,
        one.dominated,
        one.covered.n,
        f"{one.bias_u:+.2f}",
        error,
        f"{one.rms_u:.2f}",
        one.covered,
    )


def findings(outcome: Outcome) -> None:
    """Recall, false findings, verdicts at the limit, key-downs."""
    print("\nplanted at 3 U and more     told")
    for kind in FAULTS:
        share = recall(outcome, kind)
        print(f"  {kind:<24}  {f'{share} of {share.n}' if share.n else 'nothing to judge'}")
    false = [one for one in outcome.false if one.clean]
    kinds = ", ".join(f"{n} {kind}" for kind, n in by_kind(false).items()) or "none"
    rate = len(false) / outcome.clean if outcome.clean else 0.0
    print(f"\nfalse findings in {outcome.clean} clean sessions: {kinds}; {rate:.4f} each, at most {FALSE_PER_CLEAN:g}")
    others = by_kind(one for one in outcome.false if not one.clean)
    print(f"in the others, where nothing is asked: {', '.join(f'{n} {kind}' for kind, n in others.items()) or 'none'}")
    print("\nverdicts                    truth on the limit (within 0.2 U)                              anywhere")
    for name in sorted({one.result for one in outcome.verdicts}):
        near, anywhere = (wrong_verdicts(outcome, name, near=near) for near in (True, False))
        for what, share in near.items():
            print(f"  {name:<20} {what}: {share} of {share.n:<5} {anywhere[what]} of {anywhere[what].n}")
    print()
    for what in TIMES:
        share = timed(outcome, what)
        print(f"{what} right: {f'{share} of {share.n}' if share.n else 'nothing to judge'}")
    print(f"key-downs found: {outcome.key_downs - len(outcome.lost_key_downs)} of {outcome.key_downs}")


def main() -> int:
    """0 if every criterion is kept, 1 if one is missed or had nothing to judge, 2 for wrong words."""
    parser = argparse.ArgumentParser(prog="scripts/truth-trials", description=__doc__)
    parser.add_argument("--sessions", type=int, default=1000, metavar="N", help="how many (1000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="of all that is drawn (1)")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first session (0)")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, metavar="N", help="cores (all)")
    parser.add_argument("--only", default="", metavar="TEXT", help="results and findings with this in their name")
    parser.add_argument("--noise", choices=("white", "ar", "wandering"), help="this noise in every session")
    parser.add_argument("--kind", choices=("sweep", "watch", "soak"), help="this kind of session only")
    parser.add_argument("--fault", choices=FAULTS, help="this fault, alone, in every session it fits")
    parser.add_argument("--conditions", action="store_true", help="each condition by itself in the table")
    asked = parser.parse_args()
    estimators = [name for name in ESTIMATORS if asked.only in name]
    told = [kind for kind in FAULTS if asked.only in kind]
    if asked.sessions < 1 or asked.workers < 1 or not (estimators or told):
        parser.error("nothing to try")

    began = time.monotonic()
    numbers = range(asked.first, asked.first + asked.sessions)
    outcome = make_all(Asked(asked.seed, asked.kind, asked.noise, asked.fault), numbers, asked.workers)
    outcome.cases = [case for case in outcome.cases if case.estimator in estimators]
    print(f"{outcome.sessions} sessions, {outcome.clean} clean, {outcome.key_downs} key-downs; seed {asked.seed}\n")
    table(outcome, conditions=asked.conditions or bool(asked.only))
    if told:
        findings(outcome)
    print(f"\nin {time.monotonic() - began:.0f} s\n")
    narrowed = bool(asked.only or asked.noise or asked.kind or asked.fault)
    misses = missed(outcome, error=SURE, by_point=True, estimators=estimators, told=told)
    if narrowed:  # what was left out on purpose is nobody's miss
        misses = [one for one in misses if "nothing to judge" not in one]
    for one in misses:
        print(f"MISSED {one}")
    print("every criterion kept" if not misses else f"{len(misses)} criteria missed")
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
