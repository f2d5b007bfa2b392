"""Simulated benches announce themselves away from the user's own."""

from __future__ import annotations

from tests.cli.conftest import _runtime

__all__ = ["_runtime"]
