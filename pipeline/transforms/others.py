"""Rule 3: what others did to a tooth, as far as `existing` rows and the table `elsewhere` tell.

One frame, `others`, holds it all, one row per thing told: `patient_id, tooth_fdi`, `what` (a word below), `day`
(the day on which it was done, where that is known), `by` (a day on or before which it was done; null where even that
is not known), `is_year` (only the year was told, and `day` is its middle), `crown_kind`, `reason` (of an extraction)
and `answered` (it comes from the table `elsewhere`).
"""

import polars as pl

from pipeline.transforms.courses import FILLED, RETREATED
from pipeline.transforms.events import (
    IMPLANT,
    IN_PLACE_OF_A_TOOTH,
    KEY,
    KINDS_OF_CROWN,
    POSTS,
    REMOVAL,
    TOOTH,
    TOOTH_LOST,
)

ROOT_CANAL, RETREATMENT, OPERATED = "root_canal", "retreatment", "surgery"
CROWN, TAKEN_OFF, EXTRACTED, NOTHING = "crown", "crown_removed", "extraction", "nothing"
RESECTED = "resection"
ON_A_ROOT = (ROOT_CANAL, RETREATMENT, OPERATED, RESECTED)
IMPLANTED = "implant"
GONE = "gone"  # something else stands where the tooth was, or the chart says that it is missing
# What an existing row says, by the kind of thing that its code stands for.
TOLD = {
    **dict.fromkeys(FILLED, ROOT_CANAL),
    **dict.fromkeys(RETREATED, RETREATMENT),
    **dict.fromkeys(POSTS, ROOT_CANAL),  # a post stands in a filled canal
    "apical_surgery": OPERATED,
    "root_loss": RESECTED,
    **dict.fromkeys(KINDS_OF_CROWN, CROWN),
    REMOVAL: TAKEN_OFF,
    **dict.fromkeys(TOOTH_LOST, EXTRACTED),
    **dict.fromkeys(IN_PLACE_OF_A_TOOTH, GONE),
    IMPLANT: IMPLANTED,
}
_MIDDLE = (7, 1)  # of a year


def told_day() -> pl.Expr:
    """The day of a row of the table `elsewhere`: as told, else the middle of the year; null where neither is."""
    return pl.coalesce("event_date", pl.date(pl.col("event_year"), *_MIDDLE))


def done_by_others(
    existing: pl.LazyFrame, elsewhere: pl.LazyFrame, own_work: pl.LazyFrame, seen: pl.LazyFrame, *, cutoff: pl.Expr
) -> pl.LazyFrame:
    """Everything that others did to permanent teeth, one row each; see the module for the columns.

    - `existing`: `existing` rows of permanent teeth with their `event`.
    - `elsewhere`: The table of this name, permanent teeth.
    - `own_work`: What was done here: `patient_id, tooth_fdi, what` ("crown" or "root_canal"), `own_day`.
    - `seen`: `patient_id, seen`: the days on which each patient was seen here.
    - `cutoff`: Days after it are not told.

    A date on which the patient was not seen here is the `day` of the event. A date on which the patient was
    seen here is the day on which it was charted: the event lies on or before it (`by`). A year is its middle, whether
    the patient was seen that day or not. An existing row of a crown or a root canal of ours that is charted again,
    undated or on a visit here, says nothing new and is left out, whatever its code; what the table `elsewhere` says was
    done by others is never taken for ours. An undated root canal that was charted, on a tooth of which the practice
    answers that nothing was done elsewhere, was charted by mistake.
    """
    told = existing.filter(pl.col("event").is_in(list(TOLD))).select(
        *TOOTH,
        what=pl.col("event").replace_strict(TOLD, return_dtype=pl.String),
        # A post shows a root canal on or before its day, never the day of one.
        date=pl.when(~pl.col("event").is_in(POSTS)).then("service_date"),
        known_by=pl.when(pl.col("event").is_in(POSTS)).then("service_date"),
        is_year=pl.lit(False),
        crown_kind=pl.col("event").replace_strict(KINDS_OF_CROWN, default=None, return_dtype=pl.String),
        reason="reason",
        answered=pl.lit(False),
    )
    year = pl.col("event_date").is_null() & pl.col("event_year").is_not_null()
    answers = elsewhere.select(
        *TOOTH,
        what="event",
        date=told_day(),
        known_by=pl.lit(None, pl.Date),
        is_year=year,
        crown_kind=pl.when(pl.col("event") == CROWN).then(pl.lit("single")),
        reason=pl.lit(None, pl.String),
        answered=pl.lit(True),
    )
    both = pl.concat([told, answers]).filter((pl.coalesce("date", "known_by") <= cutoff).fill_null(True))
    visits = seen.select("patient_id", date="seen", was_here=pl.lit(True)).unique()
    dated = both.join(visits, on=["patient_id", "date"], how="left").with_columns(
        was_here=pl.col("was_here").fill_null(False) & ~pl.col("is_year")
    )
    placed = dated.select(
        *TOOTH,
        "what",
        day=pl.when(~pl.col("was_here")).then("date"),
        by=pl.coalesce("date", "known_by"),
        is_year="is_year",
        crown_kind="crown_kind",
        reason="reason",
        answered="answered",
    )
    denied = answers.filter(pl.col("what") == NOTHING).select(KEY).unique()
    undated = (pl.col("what") == ROOT_CANAL) & pl.col("by").is_null() & ~pl.col("answered")
    placed = pl.concat([placed.filter(~undated), placed.filter(undated).join(denied, on=KEY, how="anti")])
    return _without_charted_again(placed, own_work).unique().sort(*TOOTH, "what", "day", "by", nulls_last=True)


def _without_charted_again(others: pl.LazyFrame, own_work: pl.LazyFrame) -> pl.LazyFrame:
    first = own_work.group_by(*TOOTH, "what").agg(first_here=pl.col("own_day").min())
    kind = pl.when(pl.col("what") == RETREATMENT).then(pl.lit(ROOT_CANAL)).otherwise("what")
    earlier = (pl.col("first_here") <= pl.coalesce("by", "first_here")).fill_null(False)
    again = ~pl.col("answered") & pl.col("day").is_null() & earlier
    return (
        others.with_columns(kind=kind)
        .join(first, left_on=[*TOOTH, "kind"], right_on=[*TOOTH, "what"], how="left")
        .filter(~again)
        .drop("kind", "first_here")
    )


def without_implants(others: pl.DataFrame, implants: pl.DataFrame) -> pl.DataFrame:
    """`others` without crowns on implants and what was done to them (`implants`: `events.standing_implants`)."""
    on_implant = pl.col("what").is_in([CROWN, TAKEN_OFF]) & (pl.coalesce("day", "by") >= pl.col("implanted"))
    joined = others.join(implants, on=KEY, how="left", maintain_order="left")
    return joined.filter(~on_implant.fill_null(False)).drop("implanted")


def courses_elsewhere(others: pl.DataFrame) -> pl.DataFrame:
    """Root canals and retreatments of others on a known day: `patient_id, tooth_fdi, started, repeat, is_year`."""
    known = others.filter(pl.col("what").is_in([ROOT_CANAL, RETREATMENT]), pl.col("day").is_not_null())
    return known.group_by(*KEY, started="day").agg(
        repeat=(pl.col("what") == RETREATMENT).any(), is_year=pl.col("is_year").all()
    )


def filled_by(others: pl.DataFrame, courses: pl.DataFrame, operated: pl.DataFrame) -> pl.DataFrame:
    """Teeth with a root canal from elsewhere whose day is not known: `patient_id, tooth_fdi, filled_by`.

    `filled_by` is the earliest day by which it is known to be there, null where there is none. Besides what the chart
    says, a repeat treatment or surgery at the root end (`operated`: `patient_id, tooth_fdi, day`) with no root canal
    before it, here or elsewhere, proves one. One row per tooth.
    """
    told = others.filter(pl.col("what") == ROOT_CANAL, pl.col("day").is_null()).select(*KEY, "by")
    repeats = courses.filter(pl.col("repeat")).select(*KEY, by="started")
    charted = others.filter(pl.col("what").is_in([RETREATMENT, OPERATED]), pl.col("day").is_null()).select(*KEY, "by")
    operated = operated.select(*KEY, by="day")
    first = courses.filter(~pl.col("repeat")).group_by(KEY).agg(first=pl.col("started").min())
    proved = (
        pl.concat([repeats, charted, operated])
        .join(first, on=KEY, how="left")
        .filter((pl.col("first") > pl.col("by")).fill_null(pl.col("first").is_null()))
        .select(*KEY, "by")
    )
    return pl.concat([told, proved]).group_by(KEY).agg(filled_by=pl.col("by").min())
