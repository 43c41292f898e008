"""Claims are a log, not a table: a later claim may replace an earlier one or take it back."""

from __future__ import annotations

import polars as pl


def taken_back(claims: pl.DataFrame) -> pl.DataFrame:
    """Which rows of claim files no longer stand.

    `claims` has one row per row of a claim file: load_id, row_number and the columns of `pipeline.tables.CLAIM_SCHEMA`.

    Returns `load_id, row_number`, each once.
    """
    raise NotImplementedError
