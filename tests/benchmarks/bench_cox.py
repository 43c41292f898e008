"""Times the Cox kernel against R's coxph in one run: `python tests/benchmarks/bench_cox.py` (a few minutes, mostly R).

Rows are simulated teeth in patients: 16% events, 30% late entry, day ties, four covariates, errors robust to patient.
Kernel times are the best and the first of three, whole `fit_cox` calls on ready arrays; R's are one `coxph` call on a
ready data frame at its default tolerance, which also builds a model frame and a concordance. Peak memory is that of the
process. Prints one table; nothing is asserted.
"""

import json
import resource
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.stats.cox import fit_cox

NAMES = ["a", "b", "c", "d"]
R_SCRIPT = """
suppressMessages({library(survival); library(jsonlite)})
d <- read.csv("rows.csv")
seconds <- system.time(f <- coxph(Surv(entry, exit, event) ~ a + b + c + d + cluster(k), d))[["elapsed"]]
writeLines(toJSON(list(seconds=seconds, coef=unname(coef(f)), se=unname(sqrt(diag(f$var)))), digits=I(17)), "out.json")
"""


def simulate(n: int, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    patient = rng.integers(0, n // 2, n)
    x = np.column_stack(
        [rng.integers(0, 2, n), rng.integers(0, 2, n), rng.normal(50, 14, n).round(), rng.normal(size=n)]
    )
    frailty = rng.gamma(4, 1 / 4, n // 2)[patient]
    rate = frailty * np.exp(x @ [0.4, -0.2, 0.01, 0.1] - 0.5) / 10_000
    entry = np.where(rng.random(n) < 0.3, rng.integers(0, 1100, n), 0)
    lasted, seen = np.ceil(rng.exponential(1 / rate)).astype(int), rng.integers(1, 4000, n)
    times = {"entry": entry, "exit": entry + np.minimum(lasted, seen), "event": (lasted <= seen).astype(int)}
    return pl.DataFrame({**dict(zip(NAMES, x.T, strict=True)), **times, "k": patient})


def time_kernel(rows: pl.DataFrame, *, cluster: bool, runs: int = 3) -> tuple[list[float], np.ndarray, np.ndarray]:
    x = rows.select(NAMES).to_numpy()
    entry, exit_days, event, k = (rows[name].to_numpy() for name in ("entry", "exit", "event", "k"))
    options = {"cluster": k} if cluster else {}
    seconds = []
    for _ in range(runs):
        began = time.perf_counter()
        fit = fit_cox(x, exit_days, event.astype(bool), names=NAMES, entry_days=entry, **options)
        seconds.append(time.perf_counter() - began)
    return seconds, fit.coef, fit.se()


def time_r(rows: pl.DataFrame) -> tuple[float, np.ndarray, np.ndarray]:
    with tempfile.TemporaryDirectory() as folder:
        rows.write_csv(Path(folder) / "rows.csv")
        (Path(folder) / "script.R").write_text(R_SCRIPT)
        subprocess.run(["Rscript", "script.R"], cwd=folder, check=True)
        answer = json.loads((Path(folder) / "out.json").read_text(encoding="utf-8"))
    return answer["seconds"][0], np.array(answer["coef"]), np.array(answer["se"])


def main() -> None:
    print(f"{'rows':>10} {'events':>8} {'errors':>8} {'kernel first':>13} {'best of 3':>10} {'R':>8} {'R / first':>10}")
    for n, cluster, with_r in (
        (200_000, False, False),
        (200_000, True, True),
        (1_000_000, False, False),
        (1_000_000, True, False),
    ):
        rows = simulate(n)
        seconds, coef, se = time_kernel(rows, cluster=cluster)
        errors = "cluster" if cluster else "model"
        line = f"{n:>10,} {rows['event'].sum():>8,} {errors:>8} {seconds[0]:>12.2f}s {min(seconds):>9.2f}s"
        if with_r and shutil.which("Rscript"):
            r_seconds, r_coef, r_se = time_r(rows)
            line += f" {r_seconds:>7.2f}s {r_seconds / seconds[0]:>9.0f}x"
            line += f"   coef within {np.abs(coef - r_coef).max():.0e}, errors within {np.abs(se / r_se - 1).max():.0e}"
        print(line, flush=True)
    print(f"peak memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
