"""Diagnoses that services name as rows of `endo_details`."""

import polars as pl

# ICD-10-CM and ICD-10 without the dot, in our own words. K04.0 is the old, less exact form of K04.01 and K04.02.
_PULPAL = {
    "K0401": "reversible pulpitis",
    "K0402": "irreversible pulpitis",
    "K040": "pulpitis",
    "K041": "necrosis",
    "K042": "degeneration",
    "K043": "abnormal hard tissue in the pulp",
}
_APICAL = {
    "K044": "acute apical periodontitis",
    "K045": "chronic apical periodontitis",
    "K046": "apical abscess with sinus",
    "K047": "apical abscess without sinus",
    "K048": "radicular cyst",
}


def endo_detail_rows(services: pl.DataFrame) -> pl.DataFrame:
    """One row per completed service and tooth whose record names a diagnosis of pulp or apex (ICD-10 K04).

    `services` is what `services.service_rows` gives. A Condition record by itself is not taken: its day is when the
    diagnosis was made or written down, which need not lie in the course of treatment, and a tooth may have several.
    The diagnosis that the service itself gives as its reason is one of that tooth on that day. Several of one kind are
    joined by semicolons.
    """
    found = services.with_columns(_words(_PULPAL).alias("pulpal_diagnosis"), _words(_APICAL).alias("apical_diagnosis"))
    is_done = (pl.col("status") == "completed") & ~pl.col("fault").is_in(["predetermination"]).fill_null(False)
    told = pl.col("pulpal_diagnosis").is_not_null() | pl.col("apical_diagnosis").is_not_null()
    return found.filter(is_done & told).select(
        "patient_id",
        "tooth",
        "service_date",
        "pulpal_diagnosis",
        "apical_diagnosis",
        "line",
        "resource",
        "fault",
        "fault_field",
        "fault_value",
    )


def _words(names: dict[str, str]) -> pl.Expr:
    known = pl.element().replace_strict(names, default=None, return_dtype=pl.String)
    words = pl.col("diagnoses").list.eval(known.drop_nulls())
    return pl.when(words.list.len() > 0).then(words.list.join("; "))
