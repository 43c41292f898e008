"""Observations as rows of `findings`, and patient records as rows of `patients`."""

from collections.abc import Mapping

import polars as pl

from pipeline.reading.sources.fhir.systems import YES_NO, day, day_of_work, is_partial_day, patient_key, told_faults

FIELDS = ("pai", "symptomatic", "crown_in_place")
# No public code list has the periapical index, so a sender must write these, or the practice say what its codes mean.
OWN_CODES = {f"urn:toothyears:finding|{name}": name for name in FIELDS}
_FINAL = ("final", "amended", "corrected")


def finding_rows(observations: pl.DataFrame, teeth: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
    """One row per observation and tooth, from the records of `statements.OBSERVATIONS`, with `line` and `resource`.

    `teeth` says which teeth each of their sites means (`sites.teeth_of`), `fields` which field each of their codes
    means (`finding_fields`). Observations none of whose codes mean anything to us give no row. Where an observation
    holds a field several times, e.g. once a root, each further value is a row of its own. An observation that is not
    final is set aside.
    """
    told = observations.with_columns(_value().alias("value"))
    told = told.join(fields, left_on="coded", right_on="key", how="inner", maintain_order="left")
    told = told.with_columns(pl.int_range(pl.len()).over("number", "field").alias("again"))
    values = told.group_by("number", "again", maintain_order=True).agg(
        pl.col("value").filter(pl.col("field") == name).first().alias(name) for name in FIELDS
    )
    records = told.unique("number", keep="first", maintain_order=True).drop("again")
    rows = records.join(teeth, left_on="site", right_on="key", how="left").join(values, on="number", how="left")
    rows = rows.with_columns(_fault().alias("fault")).sort("number", "part", "again")
    return rows.select(
        patient_key(pl.col("patient")).alias("patient_id"),
        "tooth",
        day_of_work(pl.col("day")).alias("exam_date"),
        *FIELDS,
        pl.col("number").alias("line"),
        pl.lit("Observation").alias("resource"),
        *told_faults({"date_partial": ("exam_date", "day"), "finding_not_final": (None, "status")}),
    )


def finding_fields(concepts: pl.DataFrame, meanings: Mapping[str, str]) -> pl.DataFrame:
    """Which field a code means: key, field; one row per concept and field. `concepts` has `key` and `codes`, its
    codings; `meanings` maps `address|code` to a field, besides `OWN_CODES`."""
    codings = concepts.filter(pl.col("codes").list.len() > 0).explode("codes").unnest("codes")
    known = OWN_CODES | dict(meanings)
    field = pl.concat_str("system", pl.lit("|"), "code").replace_strict(known, default=None, return_dtype=pl.String)
    return codings.select("key", field.alias("field")).drop_nulls().unique(maintain_order=True)


def _value() -> pl.Expr:
    """The value as text; of a coded answer Y or N, and else the coding, which no field can be read from."""
    first = pl.col("answer").list.first()
    system, code = first.struct.field("system"), first.struct.field("code")
    coded = pl.when(system == YES_NO).then(code).otherwise(pl.concat_str(system.fill_null(""), pl.lit("|"), code))
    return pl.coalesce("value", coded)


def _fault() -> pl.Expr:
    return (
        pl.when(~pl.col("status").is_in(_FINAL).fill_null(False))
        .then(pl.lit("finding_not_final"))
        .when(is_partial_day(pl.col("day")))
        .then(pl.lit("date_partial"))
        .otherwise("tooth_fault")
    )


def patient_rows(records: pl.DataFrame) -> pl.DataFrame:
    """One row per record, from the rows of `statements.PATIENTS`, with `line` and `resource`.

    The patient is the record's own id, which the other records refer to; chart numbers among its identifiers are not
    taken. A birth date of which only the year or month is known gives the year; a partial day of death is handed on as
    it is, for it can be no date, and is counted as unreadable. Of patients who died on a day that is not told nothing
    is taken but their last contact.
    """
    born = pl.col("born")
    return records.select(
        patient_id="id",
        birth_date=pl.when(~is_partial_day(born)).then(day(born)),
        birth_year=pl.when(is_partial_day(born)).then(born.str.slice(0, 4)),
        sex=pl.when(pl.col("gender") != "unknown").then("gender"),
        deceased_date=day(pl.col("died")),
        line="number",
        resource=pl.lit("Patient"),
        fault=pl.lit(None, pl.String),
        fault_field=pl.lit(None, pl.String),
        fault_value=pl.lit(None, pl.String),
    )
