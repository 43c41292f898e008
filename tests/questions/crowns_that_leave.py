"""Crowns whose patients leave for a recorded reason that also makes crowns fail: a repair of the crown."""

import datetime as dt

import numpy as np
import polars as pl

from pipeline.practice.tables import CROWNS, PATIENTS

YEAR = 365.25
SEATED = dt.date(2005, 1, 1)
YEARS = 9.0
REPAIRS = 0.10  # a year, as is all below
FAILS = {"vital": 0.015, "before_seat": 0.015, "through_crown": 0.03}
AFTER_REPAIR = 6.0  # times as fast failing
LEAVES = 0.03
LEAVES_AFTER_REPAIR = {"vital": 0.03, "before_seat": 0.03, "through_crown": 0.40}


def practice(seed: int, *, crowns: int, leaving: bool):
    """Crowns and patients; the same crowns with `leaving` as without, but for what leaving hides.

    A third each is treated before the seat, opened within a year and a half, or stays vital. A repaired crown fails
    `AFTER_REPAIR` times as fast; if it was opened, its patient soon leaves.
    """
    rng = np.random.default_rng(seed)
    state = rng.choice(list(FAILS), crowns)
    access = np.where(state == "through_crown", rng.integers(20, 550, crowns), 0)

    def wait(rate):
        return rng.exponential(size=crowns) * YEAR / rate

    repair = access + wait(REPAIRS)
    fails = np.array([FAILS[s] for s in state])
    failing, later = access + wait(fails), repair + wait(fails * AFTER_REPAIR)
    failing = np.ceil(np.where(failing < repair, failing, later)).astype(int)
    repair = np.ceil(repair).astype(int)
    early, late = access + wait(LEAVES), repair + wait(np.array([LEAVES_AFTER_REPAIR[s] for s in state]))
    leave = np.ceil(np.where(early < repair, early, late)).astype(int)
    end = int(YEARS * YEAR)
    last = np.minimum(leave, end) if leaving else np.full(crowns, end)
    failed, exit_days = failing <= last, np.minimum(failing, last)
    made = pl.DataFrame(
        {
            "crown_id": [f"c{i:05}" for i in range(crowns)],
            "patient_id": [f"p{i // 2:05}" for i in range(crowns)],
            "tooth_fdi": rng.choice([16, 26, 36, 46], crowns),
            "provider_id": "x",
            "endo_timing": state,
            "failure": failed,
            "exit_days": exit_days,
            "access": access,
            "repair": repair,
            "material": rng.choice(["zirconia", "metal_ceramic"], crowns),
            "crown_kind": "single",
            "done_elsewhere": False,
        }
    ).with_columns(
        seat_date=pl.lit(SEATED),
        entry_date=pl.lit(SEATED),
        exit_date=SEATED + pl.duration(days="exit_days"),
        access_date=pl.when(pl.col("access") > 0).then(SEATED + pl.duration(days="access")),
        first_complication_date=pl.when(pl.col("repair") <= pl.col("exit_days")).then(
            SEATED + pl.duration(days="repair")
        ),
        exit_reason=pl.when("failure")
        .then(pl.lit("failed"))
        .when(pl.col("exit_days") < end)
        .then(pl.lit("last_contact"))
        .otherwise(pl.lit("cutoff")),
    )
    patients = made.select("patient_id").unique(maintain_order=True)
    return as_table(made, CROWNS.schema), as_table(patients, PATIENTS.schema)


def as_table(made: pl.DataFrame, schema) -> pl.DataFrame:
    return made.select(
        (pl.col(name) if name in made.columns else pl.lit(None)).cast(kind).alias(name) for name, kind in schema.items()
    )
