"""Times cumulative incidence and Kaplan-Meier against R in one run.

`python tests/benchmarks/bench_curves.py` (some minutes, nearly all R). Rows are simulated teeth in patients on single
days, 16% of cause 1 and some of cause 2; a third enter late in the lines that say so. Ours: first and best of three
whole calls on ready arrays, every one with errors and limits. R: one call on a ready data frame, left out where the
size before tells that it would not end within two minutes. Peak memory is that of the process so far. Prints one table
and the largest relative difference; nothing is asserted.
"""

import json
import resource
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.kaplan_meier import kaplan_meier

SIZES = (50_000, 200_000, 1_000_000)
PATIENCE = 120.0

FRAME = """
suppressMessages({library(survival); library(jsonlite)})
d <- read.csv("rows.csv"); d$row <- seq_len(nrow(d)); d$state <- factor(d$cause, 0:2)
seconds <- system.time(f <- %s)[["elapsed"]]
writeLines(toJSON(list(seconds=seconds, value=%s), digits=I(17)), "out.json")
"""


def simulate(n: int, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    patient, group = rng.integers(0, n // 2, n), rng.integers(0, 2, n)
    frailty = rng.gamma(4, 1 / 4, n // 2)[patient]
    first = np.ceil(rng.exponential(9000 / (frailty * np.exp(0.02 * group)), n)).astype(int)
    second = np.ceil(rng.exponential(20_000 / frailty, n)).astype(int)
    seen = rng.integers(1, 4000, n)
    exit_days = np.minimum(np.minimum(first, second), seen)
    cause = np.where(exit_days == seen, 0, np.where(exit_days == first, 1, 2))
    late = rng.random(n) < 0.3
    entry = np.where(late, (rng.random(n) * exit_days).astype(int), 0)
    return pl.DataFrame({"entry": entry, "exit": exit_days, "cause": cause, "group": group, "k": patient})


def shares(d: pl.DataFrame, **more: pl.Series) -> np.ndarray:
    return aalen_johansen(d["exit"], d["cause"], **more).at([3000]).std_error[:, 0]


STATES = "tail(f$std.err[f$time <= 3000, 2:3], 1)[1, ]"
CASES: list[tuple[str, Callable[[pl.DataFrame], np.ndarray], tuple[str, str] | None]] = [
    ("Aalen-Johansen", shares, ("survfit(Surv(exit, state) ~ 1, d, conf.type='log-log')", STATES)),
    (
        "Aalen-Johansen, late entry",
        lambda d: shares(d, entry_days=d["entry"]),
        ("survfit(Surv(entry, exit, state) ~ 1, d[d$entry < d$exit, ], id=row, conf.type='log-log')", STATES),
    ),
    ("Aalen-Johansen, late entry, clusters", lambda d: shares(d, entry_days=d["entry"], cluster=d["k"]), None),
    (
        "Kaplan-Meier, late entry, clusters",
        lambda d: kaplan_meier(d["exit"], d["cause"] > 0, entry_days=d["entry"], cluster=d["k"]).at([3000]).std_error,
        (
            "survfit(Surv(entry, exit, cause > 0) ~ 1, d, id=row, cluster=k, conf.type='log-log')",
            "tail(f$std.err[f$time <= 3000], 1)",
        ),
    ),
]


def time_ours(call: Callable[[pl.DataFrame], np.ndarray], rows: pl.DataFrame) -> tuple[list[float], np.ndarray]:
    seconds = []
    for _ in range(3):
        began = time.perf_counter()
        value = call(rows)
        seconds.append(time.perf_counter() - began)
    return seconds, value


def time_r(rows: pl.DataFrame, call: str, value: str) -> tuple[float, np.ndarray] | None:
    with tempfile.TemporaryDirectory() as folder:
        rows.write_csv(Path(folder) / "rows.csv")
        (Path(folder) / "script.R").write_text(FRAME % (call, value))
        try:
            subprocess.run(["Rscript", "script.R"], cwd=folder, check=True, capture_output=True, timeout=1.5 * PATIENCE)
        except subprocess.TimeoutExpired:
            return None
        answer = json.loads((Path(folder) / "out.json").read_text(encoding="utf-8"))
    return answer["seconds"][0], np.array(answer["value"], dtype=float)


def main() -> None:
    has_r = shutil.which("Rscript") is not None
    print(f"{'':38}{'rows':>9}{'first':>8}{'best':>8}{'R':>9}{'R/best':>8}{'largest difference':>20}{'peak MB':>9}")
    for name, ours, theirs in CASES:
        before: tuple[int, float] | None = None
        for size in SIZES:
            rows = simulate(size)
            seconds, value = time_ours(ours, rows)
            expected = before[1] * size / before[0] if before else 0.0
            found = time_r(rows, *theirs) if has_r and theirs and expected < PATIENCE else None
            before = (size, found[0]) if found else before
            r_part = f"{'-':>9}{'-':>8}{'-':>20}"
            if found:
                off = np.max(np.abs(value - found[1]) / np.abs(found[1]))
                r_part = f"{found[0]:9.2f}{found[0] / min(seconds):8.1f}{off:20.1e}"
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"{name:38}{size:9,}{seconds[0]:8.3f}{min(seconds):8.3f}{r_part}{peak:9.0f}", flush=True)


if __name__ == "__main__":
    main()
