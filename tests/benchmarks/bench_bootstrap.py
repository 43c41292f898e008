"""Times the adjusted 5-year difference and its bootstrap: `python tests/benchmarks/bench_bootstrap.py` (a minute).

10,000 invented crowns in 6,200 patients, cut at their opening (some 12,000 rows, 3,500 failures), 12 covariates, 6
clinicians as strata, 5% entering late. Prints one table; nothing is asserted.
"""

import time

import numpy as np
import polars as pl

from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_bootstrap import bootstrap_standardised

STATES = {
    "vital": {"before_seat": 0, "through_crown": 0},
    "before_seat": {"before_seat": 1, "through_crown": 0},
    "through_crown": {"before_seat": 0, "through_crown": 1},
}
NAMES = ("before_seat", "through_crown", "age", "sex", "smoker", "bruxism", "t1", "t2", "m1", "m2", "m3", "year")
DAY = 1826


def simulate(crowns: int, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    patients = int(crowns * 0.62)
    patient, tooth, material = rng.integers(0, patients, crowns), rng.integers(0, 3, crowns), rng.integers(0, 4, crowns)
    age, sex = rng.normal(size=patients)[patient], rng.integers(0, 2, patients)[patient]
    smoker, bruxism = (rng.random(patients) < 0.2)[patient], (rng.random(patients) < 0.15)[patient]
    clinician, year = rng.integers(0, 6, crowns), rng.uniform(-2, 2, crowns)
    before = rng.random(crowns) < 1 / (1 + np.exp(1 - 0.8 * (tooth == 2) - 0.3 * age))
    log_ratio = 0.3 * before + 0.2 * age + 0.4 * smoker + 0.5 * bruxism + 0.2 * (tooth == 2) + 0.1 * clinician
    rate = rng.gamma(3, 1 / 3, patients)[patient] * np.exp(log_ratio) / 9000
    opening = np.where(before, 10**9, np.ceil(rng.exponential(4500, crowns)).astype(int))
    seen = np.ceil((2 - year) * 1800 * rng.uniform(0.3, 1, crowns)).astype(int) + 1
    spent = rng.exponential(size=crowns) / rate
    lasted = np.maximum(np.ceil(np.where(spent < opening, spent, opening + (spent - opening) / 1.8)), 1).astype(int)
    leaves = np.minimum(lasted, seen)
    enters = np.where(rng.random(crowns) < 0.05, (rng.random(crowns) * leaves).astype(int), -1)
    rows = pl.DataFrame(
        {
            "crown": np.arange(crowns),
            "patient": patient,
            "clinician": clinician,
            "opening": opening,
            "entry": enters,
            "exit": leaves,
            "event": lasted <= seen,
            "before_seat": before * 1.0,
            "age": age,
            "sex": sex * 1.0,
            "smoker": smoker * 1.0,
            "bruxism": bruxism * 1.0,
            **{f"t{k}": (tooth == k) * 1.0 for k in (1, 2)},
            **{f"m{k}": (material == k) * 1.0 for k in (1, 2, 3)},
            "year": year,
        }
    )
    opened = rows.filter(pl.col("opening") < pl.col("exit"))
    parts = [
        rows.filter(pl.col("opening") >= pl.col("exit")).with_columns(through_crown=pl.lit(0.0)),
        opened.with_columns(exit="opening", event=pl.lit(False), through_crown=pl.lit(0.0)),
        opened.with_columns(entry=pl.max_horizontal("entry", "opening"), through_crown=pl.lit(1.0)),
    ]
    return pl.concat(parts).filter(pl.col("entry") < pl.col("exit")).sort("crown", "entry")


def fit(rows: pl.DataFrame) -> CoxFit:
    return fit_cox(
        rows.select(NAMES).to_numpy(),
        rows["exit"],
        rows["event"],
        names=NAMES,
        entry_days=rows["entry"],
        strata=rows["clinician"],
        cluster=rows["patient"],
    )


def main() -> None:
    rows = simulate(10_000)
    print(f"{len(rows):,} rows, {rows['event'].sum():,} failures, {rows['patient'].n_unique():,} patients")
    began = time.perf_counter()
    model = fit(rows)
    print(f"{'Cox fit':<58}{time.perf_counter() - began:>8.2f} s")
    target = fitted_target(model, rows["crown"].is_first_distinct().to_numpy())
    began = time.perf_counter()
    estimate = standardise(model, target, states=STATES, days=[DAY])
    difference = estimate.difference("through_crown", "before_seat", day=DAY)
    print(f"{'difference at 5 years with error from the pulls':<58}{time.perf_counter() - began:>8.2f} s", end="")
    print(f"   {difference.per_100:.2f} ({difference.low:.2f} to {difference.high:.2f})")
    began = time.perf_counter()
    curves = standardise(model, target, states=STATES, days=np.arange(30, 60 * 30 + 1, 30))
    print(f"{'three curves of 60 days with errors':<58}{time.perf_counter() - began:>8.2f} s")
    for days, start, workers in ((1, estimate, 1), (1, estimate, 2), (60, curves, 2)):
        began = time.perf_counter()
        drawn = bootstrap_standardised(model, start, replicates=1000, seed=1, workers=workers)
        what = f"1,000 draws of the patients, {days} day(s), {workers} process(es)"
        print(f"{what:<58}{time.perf_counter() - began:>8.2f} s   {drawn.replicates.words}", end="")
        if days == 1:
            limits = drawn.difference("through_crown", "before_seat", day=DAY)
            print(f"   BCa {limits.low:.2f} to {limits.high:.2f}", end="")
        print()


if __name__ == "__main__":
    main()
