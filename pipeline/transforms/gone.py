"""Rules 10 and 13: when each tooth was lost, why, and how that is known."""

import polars as pl

from pipeline.transforms.events import (
    IMPLANT,
    IN_PLACE_OF_A_TOOTH,
    KEY,
    NEEDS_NO_TOOTH,
    ON_A_CROWN,
    TOOTH,
    TOOTH_LOST,
    only_value,
)
from pipeline.transforms.others import CROWN, EXTRACTED, GONE, IMPLANTED, ON_A_ROOT, TAKEN_OFF

# Orthodontic reasons and injuries are few, and no failure of the tooth's own: they stand with the other reasons.
_REASONS = ("endodontic", "periodontal", "fracture", "caries")


def loss_reason(reason: pl.Expr) -> pl.Expr:
    """Rule 10: a recorded reason of an extraction as a cause of loss; unknown where none was recorded."""
    return (
        pl.when(reason.is_null())
        .then(pl.lit("unknown"))
        .when(reason.is_in(_REASONS))
        .then(reason)
        .otherwise(pl.lit("other"))
    )


def losses(
    events: pl.LazyFrame, others: pl.LazyFrame, findings: pl.LazyFrame, exams: pl.LazyFrame, ends: pl.LazyFrame
) -> tuple[pl.DataFrame, int]:
    """Every tooth that was lost, one row each, and how many signs of a loss later rows contradict.

    - `events`: Standing rows of permanent teeth, of every kind that needs the tooth or tells that it is gone, with
      `reason`; what was done to the crown of an implant is not among them.
    - `others`: What others did (`others.done_by_others`).
    - `findings`: `patient_id, tooth_fdi, exam_date, crown_in_place` of permanent teeth.
    - `exams`: `patient_id, seen`: days on which the patient was examined here.
    - `ends`: `patient_id, followup_end`: each patient's last contact.

    Returns `patient_id, tooth_fdi, lost_on, last_there, gone_by, lost_elsewhere, loss_reason`. An extraction on record
    gives `lost_on` and leaves the other two days null. Otherwise an implant, a pontic, a denture tooth or the chart
    shows that the tooth was gone on `gone_by`, and a row or finding of the tooth, or an examination of the patient,
    that it was there on `last_there`, the latest such day before (null where none is). A sign without a date counts as
    seen at the last contact. A sign, or an extraction by others, that a later row needing the tooth contradicts says
    nothing.
    """
    here = events.filter(pl.col("event").is_in(TOOTH_LOST))
    extracted = (
        here.filter(pl.col("service_date") == pl.col("service_date").min().over(TOOTH))
        .group_by(TOOTH)
        .agg(only_value("reason"), lost_on=pl.col("service_date").first())
        .with_columns(lost_elsewhere=pl.lit(False))
        .collect()
    )
    signs = _signs(events, others, ends).join(extracted.lazy().select(KEY), on=KEY, how="anti").collect()
    if signs.is_empty():
        return _shaped(extracted.lazy()).collect(), 0
    toothed = signs.lazy().select(KEY).unique()
    there = _known_there(events, others, findings).join(toothed, on=KEY, how="semi").collect().lazy()
    standing = _uncontradicted(signs.lazy(), there).collect()
    # An extraction by others on a known day is on record: what shows the same loss says nothing more.
    earliest = (
        standing.filter(pl.col("exact") == pl.col("exact").max().over(KEY))
        .filter(pl.col("gone_by") == pl.col("gone_by").min().over(KEY))
        .group_by(*KEY, "exact", "gone_by")
        .agg(pl.col("told").any(), only_value("reason"))
    )
    exact = earliest.filter("exact").select(*KEY, "reason", lost_on="gone_by", lost_elsewhere=pl.lit(True))
    between = earliest.filter(~pl.col("exact")).lazy()
    proofs = pl.concat(
        [there.select(*KEY, "day"), between.select(KEY).join(exams.select("patient_id", day="seen"), on="patient_id")]
    )
    last = (
        between.select(*KEY, "gone_by")
        .join(proofs, on=KEY)
        .filter(pl.col("day") < pl.col("gone_by"))
        .group_by(KEY)
        .agg(last_there=pl.col("day").max())
    )
    shown = between.join(last, on=KEY, how="left").select(
        *KEY, "reason", "gone_by", "last_there", lost_elsewhere="told"
    )
    every = pl.concat([extracted.lazy(), exact.lazy(), shown], how="diagonal")
    return _shaped(every).collect(), signs.height - standing.height


def _shaped(lost: pl.LazyFrame) -> pl.LazyFrame:
    absent = {n: pl.lit(None, pl.Date) for n in ("last_there", "gone_by") if n not in lost.collect_schema()}
    return (
        lost.with_columns(**absent)
        .select(*TOOTH, "lost_on", "last_there", "gone_by", "lost_elsewhere", loss_reason=loss_reason(pl.col("reason")))
        .sort(KEY)
    )


def _signs(events: pl.LazyFrame, others: pl.LazyFrame, ends: pl.LazyFrame) -> pl.LazyFrame:
    stands = events.filter(pl.col("event").is_in(IN_PLACE_OF_A_TOOTH)).select(
        *TOOTH,
        gone_by="service_date",
        exact=pl.lit(False),
        told=pl.lit(False),
        implant=pl.col("event") == IMPLANT,
        reason=pl.lit(None, pl.String),
    )
    told = (
        others.filter(pl.col("what").is_in([EXTRACTED, GONE, IMPLANTED]))
        .join(ends.select("patient_id", "followup_end"), on="patient_id")  # of a patient never seen nothing is followed
        .filter((pl.col("what") == EXTRACTED) | (pl.col("day") <= pl.col("followup_end")).fill_null(True))
        .select(
            *TOOTH,
            gone_by=pl.coalesce("day", "by", "followup_end"),
            exact=(pl.col("what") == EXTRACTED) & pl.col("day").is_not_null(),
            told=pl.col("what") == EXTRACTED,
            implant=pl.col("what") == IMPLANTED,
            reason="reason",
        )
    )
    return pl.concat([stands, told]).unique()


def _known_there(events: pl.LazyFrame, others: pl.LazyFrame, findings: pl.LazyFrame) -> pl.LazyFrame:
    """`patient_id, tooth_fdi, day, of_crown`: days on which a row or a finding needs the tooth.

    `of_crown`: it tells of the crown alone, which may be that of an implant.
    """
    rows = events.filter(pl.col("event").is_not_null(), ~pl.col("event").is_in(NEEDS_NO_TOOTH))
    told = others.with_columns(known=pl.coalesce("day", "by"), of_crown=pl.col("what").is_in([CROWN, TAKEN_OFF]))
    told = told.filter(pl.col("what").is_in(ON_A_ROOT) | pl.col("of_crown"), pl.col("known").is_not_null())
    return pl.concat(
        [
            rows.select(*TOOTH, day="service_date", of_crown=pl.col("event").is_in(ON_A_CROWN)),
            findings.select(*TOOTH, day="exam_date", of_crown=pl.col("crown_in_place").is_not_null()),
            told.select(*TOOTH, day="known", of_crown="of_crown"),
        ]
    ).unique()


def _uncontradicted(signs: pl.LazyFrame, there: pl.LazyFrame) -> pl.LazyFrame:
    """Signs that nothing needing the tooth, on their day or later, contradicts; crowns do not contradict an implant.

    An extraction on a known day is contradicted by later days only: the tooth may have been treated that day.
    """
    last = there.group_by(KEY).agg(
        last_needed=pl.col("day").max(), last_of_root=pl.col("day").filter(~pl.col("of_crown")).max()
    )
    needed, gone = pl.when("implant").then("last_of_root").otherwise("last_needed"), pl.col("gone_by")
    contradicted = pl.when("exact").then(needed > gone).otherwise(needed >= gone)
    standing = signs.join(last, on=KEY, how="left").filter(~contradicted.fill_null(False))
    return standing.drop("last_needed", "last_of_root", "implant")
