"""Which of the rows that look alike are the same row loaded twice, and what counts of patients listed more than once.

Exports overlap: last year's file and this year's share months. A row must count once, but two identical rows in one
file may be two genuine things (two fillings, a row and its re-posting), so identity alone does not decide.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.practice.tables import PATIENTS
from pipeline.transforms.corrections import CHANGE_SCHEMA, PLACE

VERDICT_SCHEMA: dict[str, pl.DataType] = {
    "load_id": pl.Int32(),
    "row_number": pl.Int64(),
    "part": pl.UInt8(),
    "verdict": pl.String(),
}
# Columns that name the thing a row is about; a later row with the same values replaces the earlier one. A group of
# clinics may number its procedures per clinic, so the clinic belongs to the key.
SOURCE_KEYS: dict[str, tuple[str, ...]] = {"procedures": ("procedure_id", "site_id"), "patients": ("patient_id",)}
# Tables in which one file may hold identical rows that are different things.
REPEATS_ALLOWED = frozenset({"procedures"})


def deduplicate(
    rows: pl.DataFrame, *, table: str, new_loads: list[int], later: Mapping[int, int] | None = None
) -> pl.DataFrame:
    """Decide on rows that share a key or their whole content.

    `rows` holds `load_id, row_number, part, key, content`: `key` is null where the source gives none, `content`
    is equal for rows that are equal in every field. Loads not in `new_loads` were settled before: their rows stand.

    Returns `load_id, row_number, part, verdict` of the rows that go: `duplicate` (it is there already) or
    `superseded` (a later row or file says otherwise). Later is a higher rank of the load in `later` (a higher load, if
    that is not given), then a higher row number. Row order plays no part.
    """
    keyed = _settle_keys(rows.filter(pl.col("key").is_not_null()), later or {})
    plain = rows.filter(pl.col("key").is_null())
    repeats = _surplus_repeats(plain, new_loads) if table in REPEATS_ALLOWED else _second_copies(plain)
    return pl.concat([keyed, repeats]).cast(VERDICT_SCHEMA).sort("load_id", "row_number", "part")  # type: ignore[arg-type]


def keyed_changes(rows: pl.DataFrame, verdicts: pl.DataFrame) -> pl.DataFrame:
    """Which row takes the place of each superseded one (`corrections.CHANGE_SCHEMA`).

    `rows` and `verdicts` are what `deduplicate` got and gave.
    """
    places = list(PLACE)
    keyed = rows.filter(pl.col("key").is_not_null()).select("key", *(pl.col(c).cast(VERDICT_SCHEMA[c]) for c in PLACE))
    kept = keyed.join(verdicts, on=places, how="anti").rename({c: f"new_{c}" for c in PLACE})
    kept = kept.sort(*(f"new_{c}" for c in PLACE)).unique("key", keep="first", maintain_order=True)
    gone = keyed.join(verdicts.filter(pl.col("verdict") == "superseded"), on=places, how="semi")
    return gone.join(kept, on="key").select(pl.col(c).cast(t) for c, t in CHANGE_SCHEMA.items()).sort(*PLACE)


def _settle_keys(rows: pl.DataFrame, later: Mapping[int, int]) -> pl.DataFrame:
    """Rows in turn: one that says the same as the one before is a duplicate, another one supersedes it.

    A row that names several teeth is one row here, whatever parts it was cut into.
    """
    rank = pl.col("load_id").cast(pl.Int64).replace(dict(later)) if later else pl.col("load_id")
    row = ["key", "load_id", "row_number"]
    whole = rows.sort(*row, "part").group_by(row).agg("part", pl.col("content").str.join("\x1f"))
    ordered = whole.sort(pl.col("key"), rank, pl.col("load_id"), pl.col("row_number"))
    repeats = ((pl.col("key") == pl.col("key").shift()) & (pl.col("content") == pl.col("content").shift())).fill_null(
        False
    )
    distinct = ordered.filter(~repeats)
    earlier = distinct.filter((pl.col("key") == pl.col("key").shift(-1)).fill_null(False))
    verdicts = [(ordered.filter(repeats), "duplicate"), (earlier, "superseded")]
    return pl.concat(
        frame.explode("part").select("load_id", "row_number", "part", pl.lit(verdict).alias("verdict"))
        for frame, verdict in verdicts
    )


def _surplus_repeats(rows: pl.DataFrame, new_loads: list[int]) -> pl.DataFrame:
    """Keep, of each content, as many rows as the file holds that holds most of them.

    The n-th copy in one file and the n-th copy in another are the same row; the earlier load keeps it.
    """
    is_new = pl.col("load_id").is_in(new_loads)
    copy = pl.struct("row_number", "part").rank("ordinal").over("content", "load_id")
    settled = (~is_new).sum().over("content")
    counted = rows.with_columns(is_new.alias("new"), copy.alias("copy"), settled.alias("settled"))
    fresh = counted.filter(pl.col("new"))
    earlier = (pl.col("load_id") > pl.col("load_id").min().over("content", "copy")) | (
        pl.col("copy") <= pl.col("settled")
    )
    return fresh.filter(earlier).select("load_id", "row_number", "part", pl.lit("duplicate").alias("verdict"))


def _second_copies(rows: pl.DataFrame) -> pl.DataFrame:
    ordered = rows.sort("content", "load_id", "row_number", "part")
    return ordered.filter(pl.col("content") == pl.col("content").shift()).select(
        "load_id", "row_number", "part", pl.lit("duplicate").alias("verdict")
    )


CONTRADICTED = "patient_contradicted"
# Two rows that name different days of these do not contradict each other: the patient came on both.
FIRST, LAST = "first_contact_date", "last_contact_date"
_KEY = ["load_id", "patient_id"]
_FIELDS = [name for name in PATIENTS.columns if name not in (*_KEY, "row_number")]
_PLAIN = [name for name in _FIELDS if name not in (FIRST, LAST)]


@dataclass(frozen=True)
class United:
    """`patients`, one row per load and patient (`PATIENTS`), and `verdicts` on the rows that they take the place of.

    `verdicts` has the columns of `deduplicate.VERDICT_SCHEMA` and `field`, the first field that is contradicted.
    """

    patients: pl.DataFrame
    verdicts: pl.DataFrame


def unite_listed(rows: pl.DataFrame) -> United:
    """Make one row of all rows of one patient in one file.

    A field that some rows leave empty gets what the others say. Where rows say different things of a field, neither
    counts and it stays empty, whichever stands first: the order of the rows of a file says nothing. Of several first
    contacts the earliest counts, of several last ones the latest. A day of birth and a year that it does not lie in
    contradict each other as well.

    The united row stands in the place of the first row that others contradict, else of the first. Of the others, one
    that repeats a row, or that contradicts none, is a `duplicate`; the rest are set aside as `patient_contradicted`.
    """
    several = _contradictions(rows)
    contradicted = pl.coalesce(
        pl.when(pl.col(f"{name}_several") & pl.col(name).is_not_null()).then(pl.lit(name)) for name in _PLAIN
    )
    ordered = (
        rows.join(several, on=_KEY)
        .with_columns(field=contradicted)
        .sort(*_KEY, pl.col("field").is_null(), "row_number")
    )
    known = (pl.when(~pl.col(f"{name}_several")).then(name).alias(name) for name in _PLAIN)
    united = (
        ordered.with_columns(known)
        .group_by(_KEY, maintain_order=True)
        .agg(
            *(pl.col(name).drop_nulls().first() for name in _PLAIN),
            pl.col(FIRST).min(),
            pl.col(LAST).max(),
            pl.col("row_number").first(),
        )
    )
    united = united.select(pl.col(name).cast(dtype) for name, dtype in PATIENTS.schema.items())
    return United(united, _verdicts(ordered))


def _contradictions(rows: pl.DataFrame) -> pl.DataFrame:
    said = rows.with_columns(year=pl.coalesce(pl.col("birth_date").dt.year(), "birth_year"))
    counted = said.group_by(_KEY).agg(pl.col(*_PLAIN, "year").drop_nulls().n_unique() > 1)
    counted = counted.with_columns(pl.col("birth_date", "birth_year") | pl.col("year"))
    return counted.select(*_KEY, *(pl.col(name).alias(f"{name}_several") for name in _PLAIN))


def _verdicts(ordered: pl.DataFrame) -> pl.DataFrame:
    """Verdicts on all but the first row of each patient, in the order given."""
    repeated = pl.struct(_FIELDS).is_first_distinct().over(_KEY).not_()
    duplicate = pl.col("repeated") | pl.col("field").is_null()
    others = ordered.with_columns(repeated=repeated, place=pl.int_range(pl.len()).over(_KEY)).filter(
        pl.col("place") > 0
    )
    judged = others.with_columns(
        part=pl.lit(1),
        verdict=pl.when(duplicate).then(pl.lit("duplicate")).otherwise(pl.lit(CONTRADICTED)),
        field=pl.when(~duplicate).then("field"),
    )
    return judged.select(*(pl.col(c).cast(t) for c, t in VERDICT_SCHEMA.items()), "field")
