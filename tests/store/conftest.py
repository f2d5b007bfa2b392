"""A bench, a plan and stores for the store's tests; all names and numbers are ours."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchlog.bench import Bench
from benchlog.plan import Plan
from tests.store.samples import BENCH, PLAN, bench_of, plan_of


@pytest.fixture
def bench() -> Bench:
    return bench_of(BENCH)


@pytest.fixture
def plan() -> Plan:
    return plan_of(PLAN)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "bench store?.benchlog"  # a blank and a mark that mean something in a URI
