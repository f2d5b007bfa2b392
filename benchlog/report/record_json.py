"""The record as the contract's JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from benchlog.analysis.results import Record


def dumps(record: Record) -> str:
    """``benchlog-record/1``, indented, keys in the contract's order, a newline at the end.

    JSON knows no NaN and no infinity; a number that is not finite is written as null, as what is not known.
    """
    return json.dumps(finite(record.as_json()), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def finite(part: Any) -> Any:
    """With null for every number that JSON does not know."""
    if isinstance(part, Mapping):
        return {key: finite(value) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [finite(value) for value in part]
    return None if isinstance(part, float) and not math.isfinite(part) else part
