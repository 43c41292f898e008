"""The addresses by which FHIR names numberings and code lists, and what their codes are to us.

What a code means follows from its address alone, never from its look: 18 tooth numbers are valid in both Universal and
ISO 3950, for different teeth. Addresses seen in the published terminology of HL7 unless marked as from memory.
"""

from collections.abc import Mapping

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
