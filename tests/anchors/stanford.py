"""The Stanford heart transplants as a practice: who waits is a vital tooth under its crown, who is transplanted opened.

Acceptance is the seat of a crown, the transplant a root canal through it, death the loss of the tooth. The practice
counts in whole days, and on one day a tooth can be seated, opened and lost, in an order that its ledger does not tell;
so the day of acceptance, on which that happened, takes three days of the ledger: the seat on the first, the two
transplants of that day on the second, the one death of that day on the third. Every other day keeps its place after
them. A transplant counts from the day after it, here as there: a death of the same day is counted among those who
waited. Of the one patient who died on the day of the transplant the transplant is moved back by a day, since that was
a death after it (Kalbfleisch and Prentice, and the vignette `timedep` of R's survival, which moves it back by half a
day: no one died between). Only the order of days enters a Cox model, so that this is their data.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl

DATA = Path(__file__).resolve().parents[1] / "data" / "survival"
PROGRAMME = dt.date(1967, 10, 1)  # the day from which `year` counts; an age is that at acceptance, less 48 years
DAY = 365.25
ACCEPTED = 2  # the day of the ledger that stands for the day of acceptance


def patients() -> pl.DataFrame:
    """One row a patient: `subject, start, birth_date, opened, failed, last, bruxism`, days as of the ledger.

    `bruxism` stands for surgery before acceptance: a thing of the patient that is there or not.
    """
    rows = (
        pl.read_csv(DATA / "heart_kp.csv")
        .group_by("subject")
        .agg(
            pl.col("age", "year", "surgery").first(),
            transplanted=pl.col("tstart").filter(pl.col("trt") == 1).min(),
            exit=pl.col("tstop").max(),
            died=pl.col("death").max() == 1,
        )
    )
    exit_day = pl.col("exit").floor().cast(pl.Int64)
    day = pl.col("transplanted")
    started = pl.lit(PROGRAMME) + pl.duration(days=(pl.col("year") * DAY).round().cast(pl.Int64))
    return rows.sort("subject").select(
        "subject",
        start=started,
        birth_date=started - pl.duration(days=((pl.col("age") + 48) * DAY).round().cast(pl.Int64)),
        # On the day of acceptance before its deaths; 3.5 is the day before the fourth, as the file has it.
        opened=pl.when(day == 0).then(ACCEPTED - 1).otherwise(day.floor().cast(pl.Int64) + ACCEPTED),
        failed=pl.when("died").then(exit_day + ACCEPTED),
        last=exit_day + ACCEPTED,
        bruxism=pl.col("surgery") == 1,
    )
