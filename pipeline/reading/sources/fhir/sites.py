"""Which teeth and surfaces a record is about."""

from collections.abc import Mapping

import polars as pl

from pipeline.reading.sources.fhir.systems import AREA, SURFACE, body_sites, written

_CODINGS = pl.List(pl.Struct({"system": pl.String(), "code": pl.String()}))
_CONCEPTS = pl.List(pl.Struct({"coding": _CODINGS}))
_SITE_SCHEMA = {"key": pl.UInt32(), "codings": _CODINGS, "qualifiers": _CONCEPTS}


def teeth_of(records: pl.DataFrame, tooth_systems: Mapping[str, str]) -> pl.DataFrame:
    """One row per record and tooth; one row without a tooth for a record that names none.

    `records` has `key`, `body` (its body sites), `contained` (the structures it holds) and `surfaces` (further
    concepts); records that say the same may be handed over as one. Body sites are taken first; structures only where
    there are none, or where a body site points at one.
    Several codings of one site must mean one tooth. A record that names a tooth twice names it once.

    Returns `key`, `part` (from 1), `tooth` (see `systems.body_sites`), `surface`, `tooth_fault` (a code of
    `reasons`, null where all is well) and `tooth_coding` (all codings as written, where there is a fault).
    """
    sites = _sites(records).with_row_index("place")
    codings = sites.select("key", "place", "codings").explode("codings", empty_as_null=True).unnest("codings")
    told = _outcomes(body_sites(codings, tooth_systems))
    told = told.join(
        _letters(sites.select("key", "place", concepts="qualifiers"), ["key", "place"]), on=["key", "place"], how="left"
    )
    named = told.filter(~pl.col("only_surface") & ~pl.col("only_area"))
    teeth = named.group_by("key", "tooth", "tooth_fault", "tooth_coding").agg(
        pl.col("place").min(), pl.col("qualifier").drop_nulls().str.join("")
    )
    shared = told.filter("only_surface").group_by("key").agg(pl.col("surface").sort_by("place").str.join(""))
    more = _letters(records.select("key", concepts="surfaces"), ["key"])
    found = records.select("key").join(teeth, on="key", how="left").join(shared, on="key", how="left")
    found = found.join(more, on="key", how="left", suffix="_of_record").sort("key", "place")
    letters = pl.concat_str("qualifier", "surface", "qualifier_of_record", ignore_nulls=True)
    return found.select(
        "key",
        (pl.int_range(pl.len()).over("key") + 1).alias("part"),
        "tooth",
        pl.when(letters != "").then(letters).alias("surface"),
        "tooth_fault",
        "tooth_coding",
    )


def _sites(records: pl.DataFrame) -> pl.DataFrame:
    """Every site that a record names: key, codings, qualifiers."""
    named = records.select("key", "body").filter(pl.col("body").list.len() > 0)
    bodies = named.explode("body").unnest("body")
    is_nested = (pl.col("site").list.len() > 0).fill_null(False)
    plain = bodies.filter(~is_nested).select("key", codings="coding", qualifiers="subSite")
    if plain.height == bodies.height and not (records["contained"].list.len() > 0).any():
        return plain.cast(_SITE_SCHEMA)  # type: ignore[arg-type]
    structures = _structures(records)
    nested = (
        bodies.filter(is_nested)
        .explode("site")
        .select(
            "key",
            "subSite",
            pl.col("site").struct.field("concept").struct.field("coding").alias("own"),
            pl.col("site").struct.field("reference").struct.field("reference").str.strip_prefix("#").alias("id"),
        )
    )
    nested = nested.join(structures, on=["key", "id"], how="left", maintain_order="left").select(
        "key", pl.coalesce("own", "codings").alias("codings"), pl.coalesce("subSite", "qualifiers").alias("qualifiers")
    )
    alone = structures.join(named, on="key", how="anti").select(*_SITE_SCHEMA)
    return pl.concat([frame.cast(_SITE_SCHEMA) for frame in (plain, nested, alone)])  # type: ignore[arg-type]


def _structures(records: pl.DataFrame) -> pl.DataFrame:
    """The body structures inside records: key, id, codings, qualifiers."""
    inside = records.select("key", "contained").filter(pl.col("contained").list.len() > 0)
    inside = inside.explode("contained").unnest("contained").filter(pl.col("resourceType") == "BodyStructure")
    is_newer = (pl.col("includedStructure").list.len() > 0).fill_null(False)
    older = inside.filter(~is_newer).select(
        "key", "id", pl.col("location").struct.field("coding").alias("codings"), qualifiers="locationQualifier"
    )
    newer = (
        inside.filter(is_newer)
        .explode("includedStructure")
        .select(
            "key",
            "id",
            pl.col("includedStructure").struct.field("structure").struct.field("coding").alias("codings"),
            pl.col("includedStructure").struct.field("qualifier").alias("qualifiers"),
        )
    )
    return pl.concat([older, newer])


def _outcomes(codings: pl.DataFrame) -> pl.DataFrame:
    """One row per site: tooth, surface, what is wrong, and whether it is no tooth at all."""
    kind = pl.col("site_kind")
    is_bad = kind.is_not_null() & ~kind.is_in([AREA, SURFACE]) & pl.col("tooth").is_null()
    sites = (
        codings.with_columns(is_bad.alias("is_bad"), written("system", "code").alias("coding"))
        .group_by("key", "place")
        .agg(
            pl.col("tooth").min().alias("tooth"),
            (pl.col("tooth").min() != pl.col("tooth").max()).alias("differ"),
            pl.col("is_bad").any(),
            (kind == AREA).any().alias("is_area"),
            (kind == SURFACE).fill_null(False).all().alias("only_surface"),
            pl.col("surface").drop_nulls().str.join("").alias("surface"),
            pl.col("coding").str.join(" "),
        )
    )
    has_tooth = pl.col("tooth").is_not_null()
    fault = (
        pl.when(has_tooth & (pl.col("differ").fill_null(False) | pl.col("is_bad")))
        .then(pl.lit("codings_disagree"))
        .when(~has_tooth & pl.col("is_bad"))
        .then(pl.lit("tooth_unknown"))
        .when(~has_tooth & ~pl.col("is_area") & ~pl.col("only_surface"))
        .then(pl.lit("tooth_system_unknown"))
    )
    return sites.with_columns(fault.alias("tooth_fault")).with_columns(
        pl.when(pl.col("tooth_fault").is_null()).then("tooth").alias("tooth"),
        pl.when(pl.col("tooth_fault").is_not_null()).then("coding").alias("tooth_coding"),
        (pl.col("is_area") & ~has_tooth & ~pl.col("is_bad")).alias("only_area"),
    )


def _letters(concepts: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """Surfaces that lists of concepts name, one text per key: `qualifier`."""
    held = concepts.filter(pl.col("concepts").list.len() > 0).cast({"concepts": _CONCEPTS})
    if not held.height:  # what is not there costs nothing: a folder may hold a file a record
        return held.select(*keys, pl.lit(None, pl.String).alias("qualifier"))
    codings = held.explode("concepts").unnest("concepts").filter(pl.col("coding").list.len() > 0)
    told = body_sites(codings.explode("coding").unnest("coding"), {}).drop_nulls("surface")
    return told.group_by(keys, maintain_order=True).agg(pl.col("surface").str.join("").alias("qualifier"))
