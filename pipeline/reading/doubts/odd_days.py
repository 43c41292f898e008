"""Days that are odd for one clinician, one office or some years only: months instead of days, or days of entry.

What a whole ledger shows is counted in `sign_counts`. Common practice, no source.
"""

from collections.abc import Sequence
from itertools import groupby

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger

_ROWS, _MONTHS, _SHARE = 60, 6, 0.6
_NEAR, _VISITS, _OF_DAYS, _SAME, _USUAL = 6, 20, 0.3, 0.5, 0.75
_LAST, _LAST_OF_WEEK = "last", "last working"


def day_group_doubts(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """Both questions; `frame` holds rows as `rows_held.SCHEMA`, `read` is the heading of the day of work."""
    if frame.height < _ROWS:
        return []
    return [*_of_one_day(where, frame), *_of_entry(where, frame, read)]


def _of_one_day(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """Groups of rows most of which are on one day of the month, where most rows of the ledger are not."""
    day = pl.col("day")
    last_of_week = day.dt.month_end().dt.add_business_days(0, roll="backward")
    on = pl.when(day == day.dt.month_end()).then(pl.lit(_LAST)).otherwise(day.dt.day().cast(pl.String) + ".")
    rows = frame.select(
        "provider",
        "site",
        year=day.dt.year().cast(pl.String),
        on=on,
        late=day == last_of_week,
        month=day.dt.truncate("1mo"),
    )
    if rows["late"].mean() >= _SHARE or rows["on"].value_counts()["count"].max() >= _SHARE * rows.height:  # type: ignore[operator]
        return []
    found = []
    for of in ("site", "provider", "year"):
        groups = (
            rows.drop_nulls(of)
            .group_by(of)
            .agg(
                pl.len(),
                pl.col("month").n_unique(),
                pl.col("late").sum(),
                most=pl.col("on").mode().sort().first(),
                n=pl.col("on").unique_counts().max(),
            )
        )
        groups = groups.filter(pl.col("len") >= _ROWS, pl.col("month") >= _MONTHS).sort(of)
        is_late = pl.col("late") > pl.col("n")
        groups = groups.with_columns(
            most=pl.when(is_late).then(pl.lit(_LAST_OF_WEEK)).otherwise("most"), n=pl.max_horizontal("n", "late")
        ).filter(pl.col("n") >= _SHARE * pl.col("len"))
        if groups.is_empty():
            continue
        named = _runs(groups[of].to_list()) if of == "year" else " and ".join(groups[of])
        whose = {"site": "of the clinic", "provider": "of the clinician", "year": "of"}[of]
        most = " or ".join(sorted(set(groups["most"])))
        found += ask(
            "one_day_of_the_month",
            where,
            f"{groups['n'].sum():,} of {groups['len'].sum():,} rows {whose} {named} are on the {most} day of a "
            "month, and other rows are not.",
            of_ledger('columns.service_date = "<column>"', "the day of the work"),
        )
        break  # a clinic's rows are those of its clinicians and years too
    return found


def _runs(years: Sequence[str]) -> str:
    """`2013 to 2015 and 2019`."""
    runs = [
        [year for _, year in run] for _, run in groupby(enumerate(sorted(map(int, years))), lambda one: one[1] - one[0])
    ]
    return " and ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _of_entry(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """Clinicians whose rows hardly ever share the day of the others who see the same patient that week."""
    visits = frame.select("patient", "day", "provider").drop_nulls().unique()
    both = visits.join(visits, on="patient", suffix="_2").filter(pl.col("provider") != pl.col("provider_2"))
    apart = (pl.col("day") - pl.col("day_2")).dt.total_days()
    near = both.with_columns(apart=apart).filter(pl.col("apart").abs() <= _NEAR)
    met = near.group_by("provider", "patient", "day").agg(
        same=(pl.col("apart") == 0).any(), after=(pl.col("apart") > 0).any()
    )
    by = met.group_by("provider").agg(pl.len(), pl.col("same").mean(), late=(~pl.col("same") & pl.col("after")).mean())
    # A specialist to whom patients are sent on meets few of them in the week of another visit.
    by = by.join(visits.group_by("provider").agg(days=pl.len()), on="provider")
    by = by.filter(pl.col("len") >= _VISITS, pl.col("len") >= _OF_DAYS * pl.col("days")).drop("days")
    late = by.filter(pl.col("same") < _SAME, pl.col("late") > _SAME).sort("provider")
    others = by.filter(~pl.col("provider").is_in(late["provider"].implode()))
    if late.is_empty() or not others.filter(pl.col("same") >= _USUAL).height:
        return []
    shown = "; ".join(
        f"of {n:,} days of {who} in a week in which a colleague saw the same patient {same:.0%} are the colleague's "
        f"day, and {later:.0%} come after it"
        for who, n, same, later in late.iter_rows()
    )
    return ask(
        "days_of_entry",
        where,
        f'"{read}" is read as the day of the work, and {shown}; with other clinicians most are the same day.',
        of_ledger('columns.service_date = "<column>"', "the day of the work, if a column has it"),
    )
