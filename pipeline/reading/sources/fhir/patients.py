"""Patient records as rows of `patients`."""

import polars as pl

from pipeline.reading.sources.fhir.values import day, is_partial_day


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
