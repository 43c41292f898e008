"""Rule 3, last sentence: signs that others may have worked on a tooth, for the practice to answer."""

import polars as pl

from pipeline.transforms.events import FILLING, KEY, TOOTH
from pipeline.transforms.others import NOTHING, OPERATED, RETREATMENT, ROOT_CANAL

# Where one opens a crown: from the top, or from behind (L and P) in front teeth, where the edge is I.
_ACCESS_SURFACES = ("O", "L", "P", "I")
ONE_SURFACE = "one_surface"


def access_fillings(events: pl.DataFrame) -> pl.DataFrame:
    """Fillings of one surface where a crown is opened, occlusal, lingual or not named: `patient_id, tooth_fdi, day`.

    The code says that it is one surface, or the row names a single one.
    """
    surface = pl.col("surface").fill_null("")
    one = (pl.col("detail") == ONE_SURFACE).fill_null(False) & (surface == "")
    one |= surface.is_in(_ACCESS_SURFACES)
    return events.filter(pl.col("event") == FILLING, one).select(*TOOTH, day="service_date").unique()


def fillings_on_crowns(
    crowns: pl.DataFrame, fillings: pl.DataFrame, courses: pl.DataFrame, pulpotomies: pl.DataFrame, *, hint_days: int
) -> pl.DataFrame:
    """Hints of an opening elsewhere: `patient_id, tooth_fdi, day, crown_id`, one row per such filling.

    A filling of `access_fillings` on a standing crown of the practice, after its seat, with no course of root canal
    treatment of that tooth, here or elsewhere, and no pulpotomy within `hint_days` before or after it. `crowns` needs
    `in_place_from, followed_to` (the failure, else the end of follow-up).
    """
    of_crown = (
        fillings.join(crowns.select(*KEY, "crown_id", "in_place_from", "followed_to", "is_failed"), on=KEY)
        .filter(pl.col("day") > pl.col("in_place_from"), pl.col("day") <= pl.col("followed_to"))
        .filter(~(pl.col("is_failed") & (pl.col("day") == pl.col("followed_to"))))
        .select(*KEY, "day", "crown_id")
    )
    spans = pl.concat(
        [
            courses.select(*KEY, begins="started", ends="last_row"),
            pulpotomies.select(*KEY, begins="opened", ends="opened"),
        ]
    )
    away = pl.max_horizontal(
        (pl.col("begins") - pl.col("day")).dt.total_days(), (pl.col("day") - pl.col("ends")).dt.total_days(), pl.lit(0)
    )
    explained = of_crown.join(spans, on=KEY).filter(away <= hint_days).select(*KEY, "day").unique()
    return of_crown.join(explained, on=[*KEY, "day"], how="anti")


def elsewhere_hints(
    fillings: pl.DataFrame, crowns: pl.DataFrame, late_refunds: pl.DataFrame, answered: pl.DataFrame
) -> pl.DataFrame:
    """Everything for the practice to answer: the columns of `ELSEWHERE_HINTS`, sorted by its key.

    `fillings` of `fillings_on_crowns`; crowns of ours whose root canal elsewhere has no date; `late_refunds`
    (`patient_id, tooth_fdi, day`). `answered` holds what the table `elsewhere` says (`patient_id, tooth_fdi, what`): an
    answer on the root canal of a tooth ends the questions on it, and any answer that on a refund.
    """
    undated = crowns.filter(pl.col("endo_timing").is_null(), ~pl.col("done_elsewhere"))
    found = pl.concat(
        [
            fillings.select(*KEY, seen_date="day", kind=pl.lit("filling_on_crown")),
            undated.select(*KEY, seen_date="in_place_from", kind=pl.lit("undated_root_canal")),
        ]
    )
    of_root_canal = answered.filter(pl.col("what").is_in([NOTHING, ROOT_CANAL, RETREATMENT, OPERATED]))
    refunds = late_refunds.select(*KEY, seen_date="day", kind=pl.lit("late_refund"))
    open_yet = pl.concat(
        [
            found.join(of_root_canal.select(KEY).unique(), on=KEY, how="anti"),
            refunds.join(answered.select(KEY).unique(), on=KEY, how="anti"),
        ]
    )
    return open_yet.select(*KEY, "kind", "seen_date").unique().sort(*KEY, "kind", "seen_date")
