"""Runs a few lines of R on a table and reads back what they return; tests that need it are skipped without R."""

import json
import subprocess
from pathlib import Path
from typing import Any

import polars as pl
import pytest

needs_r = pytest.mark.r  # left out where R is not installed

FRAME = """
suppressMessages({library(survival); library(cmprsk); library(jsonlite)})
# R's default tolerance leaves up to 1e-5 in a coefficient.
tight <- coxph.control(eps=1e-13, toler.chol=1e-14, iter.max=100, toler.inf=1e-12)
d <- read.csv("rows.csv")
answer <- local({
%s
})
writeLines(toJSON(answer, digits=I(17), auto_unbox=TRUE, na="null"), "answer.json")
"""


def run_r(folder: Path, rows: pl.DataFrame, script: str) -> dict[str, Any]:
    """Evaluate `script` with the rows as data frame `d`; its last value, a list, comes back."""
    rows.write_csv(folder / "rows.csv")
    (folder / "script.R").write_text(FRAME % script)
    subprocess.run(["Rscript", "script.R"], cwd=folder, check=True, capture_output=True, text=True)
    return json.loads((folder / "answer.json").read_text(encoding="utf-8"))
