"""The judge of ``scripts/service-trial``, which takes root and a Debian of its own, and so has no short form."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.judge import MUST, faults, lines

RIGHT: dict[str, Any] = {
    "exposure": 1.7,
    "tried": {**dict.fromkeys(sorted(MUST), True), "mount": False},
    "ready_s": 2.0,
    "real_time": {"limit": "2", "threads": 14, "first": 14},
    "killed, up s": 0.1,
    "killed, daemon again s": 5.0,
    "hung, up s": 0.6,
    "hung, daemon again s": 27.0,
    "asked to end, up s": 0.1,
    "asked to end, ended s": 1.0,
    "status": "soak (heat run): running, session 1, 10 s in",
    "result": "success",
    "killed by systemd": [],
    "left over": "",
    "sessions": ["cut off"],
}


def test_a_unit_that_is_right_has_no_faults_and_all_its_lines() -> None:
    assert faults(RIGHT) == []
    assert len(list(lines(RIGHT))) == len(RIGHT["tried"]) + 10


@pytest.mark.parametrize(
    "wrong",
    [
        {"tried": {**RIGHT["tried"], "mount": True}},
        {"tried": {**RIGHT["tried"], "fork": False}},
        {"killed, up s": 1.2},
        {"hung, up s": None},
        {"asked to end, up s": 3.0},
        {"real_time": {"limit": "2", "threads": 14, "first": 0}},
        {"killed by systemd": ["Killing process 9 (python3) with signal SIGKILL"]},
        {"left over": "9 python3"},
        {"result": "watchdog"},
        {"status": "no daemon answers"},
        {"broke": "it never keyed"},
    ],
)
def test_whatever_is_wrong_is_told(wrong: dict[str, Any]) -> None:
    assert len(faults(RIGHT | wrong)) == 1
