"""Data sets and values of R that the curve tests share; tests/data/survival/SOURCES_CURVES.md names each."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

DATA = Path(__file__).parents[1] / "data" / "survival"
CURVES, ERRORS = 1e-12, 1e-9  # tolerances: shares and counts; errors, limits and test statistics


@cache
def dataset(name: str) -> pl.DataFrame:
    return pl.read_csv(DATA / f"{name}.csv", null_values="NA", infer_schema_length=None)


@cache
def expected(group: str) -> dict[str, Any]:
    return json.loads((DATA / "expected_curves.json").read_text(encoding="utf-8"))[group]


def assert_same(ours: Any, theirs: Any, tolerance: float) -> None:
    """Equal within an absolute tolerance, and missing (NA) in the same places."""
    left = np.asarray(ours, dtype=float)
    right = np.array(
        [np.nan if value is None else value for value in np.ravel(np.asarray(theirs, dtype=object))], float
    )
    np.testing.assert_allclose(np.ravel(left), right, rtol=0, atol=tolerance, equal_nan=True)
