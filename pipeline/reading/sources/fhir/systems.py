"""The addresses by which FHIR names numberings and code lists, and what their codes are to us.

What a code means follows from its address alone, never from its look: 18 tooth numbers are valid in both Universal and
ISO 3950, for different teeth. Addresses seen in the published terminology of HL7 unless marked as from memory.
"""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.practice.teeth import parse_teeth

CDT = ("http://www.ada.org/cdt", "urn:oid:2.16.840.1.113883.6.13")
# The second is from memory.
ICD_10 = ("http://hl7.org/fhir/sid/icd-10-cm", "http://hl7.org/fhir/sid/icd-10")
YES_NO = "http://terminology.hl7.org/CodeSystem/v2-0136"  # Y and N; from memory
AREA, SURFACE = "area", "surface"

_TEETH = {
    "http://terminology.hl7.org/CodeSystem/ADAUniversalToothDesignationSystem": "universal",
    "http://terminology.hl7.org/CodeSystem/ex-tooth": "fdi",
    "http://hl7.org/fhir/ex-tooth": "fdi",
    "http://hl7.org/fhir/ex-fdi": "fdi",
}
_OTHERS = {
    "http://terminology.hl7.org/CodeSystem/ADAAreaOralCavitySystem": AREA,
    "http://terminology.hl7.org/CodeSystem/ADAToothSurfaceCodes": SURFACE,
    "http://terminology.hl7.org/CodeSystem/FDI-surface": SURFACE,
}
# The standard's own names: a URN of ISO (RFC 5141), whatever edition or language follows, and the arc of its number.
_ISO_3950 = r"(?i)^urn:(?:iso:std:iso:3950(?::.*)?|oid:1\.0\.3950)$"
_AREAS_ISO_3950 = r"^(?:0\d|[1-4]0)$"


def body_sites(codings: pl.DataFrame, tooth_systems: Mapping[str, str]) -> pl.DataFrame:
    """What each coding of a body site says.

    `codings` has `system, code`; `tooth_systems` are the practice's own addresses, which go before ours. Adds
    `site_kind` (universal, fdi, palmer, area or surface; null for an address that is not known), `tooth` (ISO 3950,
    with an S behind it for an extra tooth; null where the code is no tooth) and `surface` (its letters).
    """
    kinds = _OTHERS | _TEETH | dict(tooth_systems)
    by_name = pl.when(pl.col("system").str.contains(_ISO_3950)).then(pl.lit("fdi"))
    told = pl.col("system").replace_strict(kinds, default=None, return_dtype=pl.String)
    kind = pl.coalesce(told, by_name).alias("site_kind")
    marked = codings.with_columns(kind)
    forms = [pl.DataFrame(schema={"site_kind": pl.String(), "code": pl.String(), "tooth": pl.String()})]
    for notation in sorted(set(kinds.values()) - {AREA, SURFACE}):
        written = marked.filter(pl.col("site_kind") == notation)["code"].unique().drop_nulls()
        if not len(written):
            continue
        forms.append(
            parse_teeth(written, notation=notation)
            .filter(pl.col("tooth_fdi").is_not_null())
            .select(
                pl.lit(notation).alias("site_kind"),
                pl.col("text").alias("code"),
                pl.col("tooth_fdi").cast(pl.String) + pl.when("supernumerary").then(pl.lit("S")).otherwise(pl.lit("")),
            )
            .rename({"tooth_fdi": "tooth"})
        )
    is_area = (pl.col("site_kind") == "fdi") & pl.col("code").str.contains(_AREAS_ISO_3950)
    return (
        marked.join(pl.concat(forms), on=["site_kind", "code"], how="left", maintain_order="left")
        .with_columns(pl.when(is_area).then(pl.lit(AREA)).otherwise("site_kind").alias("site_kind"))
        .with_columns(surface=pl.when(pl.col("site_kind") == SURFACE).then(surface_letters(pl.col("code"))))
    )


def surface_letters(code: pl.Expr) -> pl.Expr:
    """Surfaces as letters; V, towards the lips in the FDI list, is F, and what is no letter is left out."""
    return code.str.to_uppercase().str.replace_all("V", "F").str.replace_all("[^A-Z]", "")


def written(coding_system: str, code: str) -> pl.Expr:
    """A coding as one text, `address|code`."""
    return pl.concat_str(pl.col(coding_system).fill_null(""), pl.lit("|"), pl.col(code).fill_null(""))


_FULL_DAY = r"^\d{4}-\d{2}-\d{2}(?:T.*)?$"
_IN_UTC = r"^.{10}T\d{2}:\d{2}.*(?:Z|[+-]00:00)$"
_PARTIAL_DAY = r"^\d{4}(?:-\d{2})?$"
_URN = r"^urn:(?:uuid|oid):([^/#|]+)$"


def patient_key(reference: pl.Expr) -> pl.Expr:
    """The id of a patient from a reference: `Patient/x`, an address that ends so, or `urn:uuid:x`. Null for anything
    else, and for a patient inside the record (`#x`), whose id means another person in every record."""
    path = reference.str.extract(r"^(?:[^#]*/)?Patient/([^/#|?]+)(?:/_history/[^/]*)?$")
    return pl.coalesce(path, reference.str.extract(_URN))


def any_key(reference: pl.Expr) -> pl.Expr:
    """The id that a reference ends in, whatever it names; null for one inside the record."""
    path = reference.str.extract(r"^[^#]*?([^/#|?]+)(?:/_history/[^/]*)?$")
    return pl.coalesce(reference.str.extract(_URN), path)


def day(moment: pl.Expr) -> pl.Expr:
    """The day of a date or date and time, as its sender wrote it; any other text as it is."""
    return pl.when(moment.str.contains(_FULL_DAY)).then(moment.str.slice(0, 10)).otherwise(moment)


def day_of_work(moment: pl.Expr) -> pl.Expr:
    """As `day`; but a time of Greenwich stays with it, for it may be another day where the work was done."""
    return pl.when(moment.str.contains(_IN_UTC)).then(moment).otherwise(day(moment))


def is_partial_day(moment: pl.Expr) -> pl.Expr:
    """Whether a date names only a year or a month."""
    return moment.str.contains(_PARTIAL_DAY).fill_null(False)


def known_codes(concepts: pl.DataFrame, systems: Sequence[str]) -> pl.DataFrame:
    """The code of each concept from the first of `systems` that it has one of: key, code, differ, other. `concepts` has
    `key` and `codes`, its codings. `differ` says that it has two codes of that system, `other` names its codings where
    it has none of a known one. One row per concept with a coding."""
    codings = concepts.filter(pl.col("codes").list.len() > 0).explode("codes").unnest("codes")
    rank = {system: n for n, system in reversed(list(enumerate(systems)))}
    codings = codings.with_columns(
        pl.col("system").replace_strict(rank, default=None, return_dtype=pl.Int32).alias("rank"),
        pl.concat_str(pl.col("system").fill_null(""), pl.lit("|"), pl.col("code").fill_null("")).alias("coding"),
    )
    best = codings.group_by("key").agg(
        pl.col("code").filter(pl.col("rank") == pl.col("rank").min()).drop_nulls().alias("codes"),
        pl.when(pl.col("rank").is_null().all()).then(pl.col("coding").str.join(" ")).alias("other"),
    )
    return best.select(
        "key",
        pl.col("codes").list.min().alias("code"),
        (pl.col("codes").list.n_unique() > 1).alias("differ"),
        "other",
    )


def told_faults(of: Mapping[str, tuple[str | None, str | None]]) -> list[pl.Expr]:
    """`fault`, `fault_field` and `fault_value`, of a record with `fault` and what `sites.teeth_of` says of its teeth.
    `of` has the field of each other fault, and the column that holds what is wrong; None where there is none."""
    fault = pl.col("fault")
    is_tooth = fault == pl.col("tooth_fault")
    values = [pl.when(fault == name).then(pl.col(column)) for name, (_, column) in of.items() if column]
    field = fault.replace_strict({n: f for n, (f, _) in of.items()}, default=None, return_dtype=pl.String)
    return [
        fault,
        pl.when(is_tooth).then(pl.lit("tooth")).otherwise(field).alias("fault_field"),
        pl.when(is_tooth).then("tooth_coding").otherwise(pl.coalesce(values)).alias("fault_value"),
    ]
