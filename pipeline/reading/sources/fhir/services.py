"""Procedures and items of claims and benefits as rows of `procedures`."""

import polars as pl

from pipeline.practice.codes import TOOTH_LEVEL, TOOTH_OPTIONAL, built_in, normalise_code
from pipeline.reading.sources.fhir.systems import ICD_10, any_key, day_of_work, is_partial_day, patient_key, told_faults

# What was begun, or may yet be done, is not done; what was broken off or written by mistake was never done.
_PROCEDURE_STATUSES = {
    "completed": "completed",
    "preparation": "planned",
    "in-progress": "planned",
    "on-hold": "planned",
    "not-done": "void",
    "stopped": "void",
    "entered-in-error": "void",
}
_CLAIM_STATUSES = {"active": "completed", "draft": "planned", "cancelled": "void", "entered-in-error": "void"}
_UNKNOWN = "unknown"
_FAULTS = {
    "date_partial": ("service_date", "day"),
    "code_system_unknown": ("code", "other"),
    "codings_disagree": ("code", None),
    **dict.fromkeys(("predetermination", "claim_use_unknown"), (None, "use")),
}
# Why work was done, by the beginning of an ICD-10 code. K04 as published; the others are from memory.
_REASONS = {"K04": "endodontic", "K05": "periodontal", "K02": "caries", "K0381": "fracture", "S025": "fracture"}


def service_rows(services: pl.DataFrame, teeth: pl.DataFrame, codes: pl.DataFrame) -> pl.DataFrame:
    """One row per service and tooth, from the records of `statements.SERVICES`.

    `teeth` says which teeth each of their sites means (`sites.teeth_of`), `codes` which code each of their concepts
    holds (`values.known_codes`). Besides the fields of `procedures` that a record can fill there are `line`,
    `resource`, `diagnoses` (ICD-10 codes without the dot) and, where the row must be set aside, `fault`, `fault_field`
    and `fault_value`.

    The day of a period is its end, for work counts when it is completed; its start where it has no end. The key of an
    item is that of its claim, so that the benefit that answers a claim is the same row; fees and clinics of claims are
    not taken, for the two need not agree in them. A service may stand in a file as a procedure and as an item of a
    claim: those are two rows, for nothing says that they are one.
    """
    records = services.with_row_index("key")
    rows = records.join(codes, left_on="coded", right_on="key", how="left", maintain_order="left")
    rows = rows.drop("diagnoses").join(_diagnoses(records), on="key", how="left", maintain_order="left")
    rows = rows.join(teeth, left_on="site", right_on="key", how="left", maintain_order="left_right")
    rows = rows.with_columns(_is_toothless().alias("toothless"))
    rows = rows.filter(~pl.col("toothless") | (pl.col("part") == 1)).with_columns(
        pl.when(~pl.col("toothless")).then(name).alias(name) for name in ("tooth", "tooth_fault", "tooth_coding")
    )
    rows = rows.with_columns(_first_fault())
    return rows.select(
        patient_key(pl.col("patient")).alias("patient_id"),
        day_of_work(pl.col("day")).alias("service_date"),
        "code",
        "tooth",
        "surface",
        any_key(pl.col("provider")).alias("provider_id"),
        _status().alias("status"),
        _procedure_id().alias("procedure_id"),
        any_key(pl.col("clinic")).alias("site_id"),
        _reason().alias("reason"),
        pl.col("number").alias("line"),
        "resource",
        "diagnoses",
        *told_faults(_FAULTS),
    )


def _first_fault() -> pl.Expr:
    return (
        pl.when(pl.col("use").is_in(["predetermination", "preauthorization"]))
        .then(pl.lit("predetermination"))
        .when(pl.col("use").is_not_null() & (pl.col("use") != "claim"))
        .then(pl.lit("claim_use_unknown"))
        .when(pl.col("other").is_not_null())
        .then(pl.lit("code_system_unknown"))
        .when(pl.col("differ").fill_null(False))
        .then(pl.lit("codings_disagree"))
        .when(is_partial_day(pl.col("day")))
        .then(pl.lit("date_partial"))
        .otherwise("tooth_fault")
        .alias("fault")
    )


def _is_toothless() -> pl.Expr:
    """Whether the code is known to be about no tooth: a site that cannot be read does no harm then."""
    events = built_in("cdt")
    about_none = events.filter(~pl.col("event").is_in([*TOOTH_LEVEL, *TOOTH_OPTIONAL]))["code"]
    return normalise_code(pl.col("code"), system="cdt").is_in(about_none.implode()).fill_null(False)


def _status() -> pl.Expr:
    is_procedure = pl.col("resource") == "Procedure"
    word = pl.col("status")
    return (
        pl.when(is_procedure)
        .then(word.replace(_PROCEDURE_STATUSES))
        .otherwise(word.replace_strict(_CLAIM_STATUSES, default=word, return_dtype=pl.String))
        .fill_null(_UNKNOWN)
    )


def _procedure_id() -> pl.Expr:
    claim = any_key(pl.col("claim"))
    own = pl.concat_str("resource", pl.lit("/"), "id")
    item = pl.coalesce("sequence", pl.col("item").cast(pl.String))
    whole = (
        pl.when(pl.col("resource") == "Procedure")
        .then(own)
        .otherwise(pl.concat_str(pl.coalesce(pl.lit("Claim/") + claim, own), pl.lit("#"), item))
    )
    return pl.when(pl.col("part") > 1).then(pl.concat_str(whole, pl.lit("."), pl.col("part"))).otherwise(whole)


def _diagnoses(records: pl.DataFrame) -> pl.DataFrame:
    """ICD-10 codes of each record, upper case, without the dot: key, diagnoses."""
    held = records.select("key", "diagnoses").filter(pl.col("diagnoses").list.len() > 0)
    codings = held.explode("diagnoses").unnest("diagnoses").filter(pl.col("system").is_in(ICD_10))
    code = pl.col("code").str.to_uppercase().str.replace_all(r"[^A-Z0-9]", "")
    return codings.group_by("key").agg(code.drop_nulls().unique().sort().alias("diagnoses"))


def _reason() -> pl.Expr:
    """The reason that all diagnoses agree in; null where they differ or one is of no kind we tell apart."""
    told = pl.element().str.extract("^(" + "|".join(sorted(_REASONS, reverse=True)) + ")").replace(_REASONS)
    words = pl.col("diagnoses").list.eval(told)
    return pl.when(words.list.n_unique() == 1).then(words.list.first())


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
        *("patient_id", "tooth", "service_date", "pulpal_diagnosis", "apical_diagnosis", "line", "resource", "fault"),
        *("fault_field", "fault_value"),
    )


def _words(names: dict[str, str]) -> pl.Expr:
    known = pl.element().replace_strict(names, default=None, return_dtype=pl.String)
    words = pl.col("diagnoses").list.eval(known.drop_nulls())
    return pl.when(words.list.len() > 0).then(words.list.join("; "))
