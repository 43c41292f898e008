"""References, days and codings as text of ours."""

from collections.abc import Sequence

import polars as pl

_FULL_DAY = r"^\d{4}-\d{2}-\d{2}(?:T.*)?$"
_IN_UTC = r"^.{10}T\d{2}:\d{2}.*(?:Z|[+-]00:00)$"
_PARTIAL_DAY = r"^\d{4}(?:-\d{2})?$"
_URN = r"^urn:(?:uuid|oid):([^/#|]+)$"


def patient_key(reference: pl.Expr) -> pl.Expr:
    """The id of a patient from a reference: `Patient/x`, an address that ends so, or `urn:uuid:x`. Null for a reference
    to anything else, and for one to a patient inside the record (`#x`), whose id means another person in every
    record."""
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
