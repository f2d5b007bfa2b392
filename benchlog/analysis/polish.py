"""Median polish: a two-way table split in what is common, what is each row's, and what is each column's."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 50
STILL = 1e-9  # of the sum of |residuals|: less change than this is none


class Polished(NamedTuple):
    """table = overall + rows[:, None] + columns + residuals; the medians of rows and of columns are 0."""

    overall: float
    rows: Array  # (r,)
    columns: Array  # (c,)
    residuals: Array  # (r, c), NaN where the table is


def median_polish(table: Array) -> Polished:
    """Split a table by medians, which one wrong cell, row or column in a few does not move.

    Args:
        table: (r, c), any unit; NaN where a cell is missing.
    Returns:
        Effects in the table's unit. Rows are swept first, so a single column's values go to the rows.
    Raises:
        ValueError: no cells, or a row or column without any.
    Source: J. W. Tukey, Exploratory Data Analysis, 1977, ch. 11.
    """
    residuals = np.array(table, dtype=float)
    if residuals.ndim != 2 or not residuals.size:
        raise ValueError("a table has rows and columns")
    there = np.isfinite(residuals)
    if not there.any(axis=0).all() or not there.any(axis=1).all():
        raise ValueError("a row or column without any value")
    overall, rows, columns = 0.0, np.zeros(residuals.shape[0]), np.zeros(residuals.shape[1])
    before = np.inf
    for _ in range(ROUNDS):
        by_row = np.nanmedian(residuals, axis=1)
        residuals -= by_row[:, None]
        rows += by_row
        overall, columns = overall + float(np.median(columns)), columns - np.median(columns)
        by_column = np.nanmedian(residuals, axis=0)
        residuals -= by_column
        columns += by_column
        overall, rows = overall + float(np.median(rows)), rows - np.median(rows)
        left = float(np.nansum(np.abs(residuals)))
        if left == 0 or abs(before - left) <= STILL * left:
            break
        before = left
    return Polished(overall + float(np.median(columns)), rows, columns - np.median(columns), residuals)
