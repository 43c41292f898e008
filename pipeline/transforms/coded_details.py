"""What procedure codes tell of crowns and courses that the tables of details leave empty.

A ledger that bills posts, cores and the like says by their absence as much as by their presence. So where a ledger
holds such rows at all, a crown or course without one near it has none; where it holds none, nothing is known. Only
what was done by the start of the clock counts: by the seat of a crown, by the last day of a course.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.settings import CodedWindows

TOOTH = ("patient_id", "tooth_fdi")
POST, FURTHER_POST, CORE, LENGTHENING = "post_core", "post_core_addon", "core", "crown_lengthening"
SPLINT, PERFORATION, FILM = "splint", "perforation_repair", "radiograph_3d"
EVENTS = (POST, FURTHER_POST, CORE, LENGTHENING, SPLINT, PERFORATION, FILM)
NONE, UNSPECIFIED = "none", "unspecified"
RECORDED, CODED = "recorded", "coded"
CODED_SCHEMA: dict[str, pl.DataType] = {
    "patient_id": pl.String(),
    "tooth_fdi": pl.UInt8(),
    "service_date": pl.Date(),
    "event": pl.String(),
    "detail": pl.String(),
}


@dataclass(frozen=True)
class Coded:
    """What procedure codes tell: `rows` as `coded_rows` gives them, and the days that they count for."""

    rows: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=CODED_SCHEMA))
    windows: CodedWindows = field(default_factory=CodedWindows)

    def of(self, tables: pl.DataFrame) -> pl.DataFrame:
        """The rows with patients as those tables name them; where there are none, texts may stand for numbers."""
        return self.rows.cast({"patient_id": tables.schema["patient_id"]}) if self.rows.is_empty() else self.rows


def telling_codes_of(codes: pl.DataFrame) -> list[str]:
    """The codes of `EVENTS` in the practice's code table."""
    return codes.filter(pl.col("event").is_in(EVENTS))["code"].to_list()


def coded_rows(done: pl.DataFrame, codes: pl.DataFrame) -> pl.DataFrame:
    """The rows of `EVENTS` among completed procedures that stand: `CODED_SCHEMA`, one row per row.

    Rows of primary and of supernumerary teeth are left out. `codes` is the practice's code table.
    """
    known = codes.filter(pl.col("event").is_in(EVENTS)).select("code", "event", "detail")
    permanent = pl.col("tooth_fdi").is_between(11, 48) & ~pl.col("supernumerary")
    return (
        done.join(known, on="code")
        .filter(permanent | (pl.col("tooth_fdi").is_null() & (pl.col("event") == FILM)))
        .select(pl.col(name).cast(dtype) for name, dtype in CODED_SCHEMA.items())
    )


def coded_crown_details(crowns: pl.DataFrame, coded: pl.DataFrame, windows: CodedWindows) -> pl.DataFrame:
    """What codes tell of each crown of the practice with a known seat: `crown_id, post, core, crown_lengthening`.

    `post` and `core` are the detail of the code; `unspecified` where it says none, or where two rows of the last day
    say different things; `none` where no row is near and the ledger has such rows elsewhere; null where it has none. A
    post and core is a core as well, cast where the post is (the two are then one piece: common practice, no source).
    """
    own = crowns.filter(pl.col("seat_date").is_not_null(), ~pl.col("done_elsewhere"))
    own = own.select(*TOOTH, owner="crown_id", until="seat_date", since="seat_date")
    posts = coded.filter(pl.col("event").is_in([POST, FURTHER_POST]))
    cast = pl.when(pl.col("detail") == "cast").then("detail")
    cores = pl.concat(
        [coded.filter(pl.col("event") == CORE), posts.filter(pl.col("event") == POST).with_columns(detail=cast)]
    )
    lengthened = coded.filter(pl.col("event") == LENGTHENING)
    found = own.select(crown_id="owner")
    for name, rows in (("post", posts), ("core", cores)):
        word = _words(own, rows, days=windows.post_core_days)
        found = found.join(word.rename({"owner": "crown_id", "word": name}), on="crown_id", how="left")
        absent = pl.lit(NONE if rows.height else None, pl.String)
        found = found.with_columns(pl.col(name).fill_null(absent))
    return _flagged(found, "crown_id", own, {"crown_lengthening": (lengthened, windows.crown_lengthening_days)})


def coded_course_details(courses: pl.DataFrame, coded: pl.DataFrame, windows: CodedWindows) -> pl.DataFrame:
    """What codes tell of each completed course of the practice: `course_id, splint, perforation_repair, film_3d`.

    True where a row lies in its days, false where none does and the ledger has such rows elsewhere, else null.
    """
    own = courses.filter(pl.col("completed").is_not_null(), ~pl.col("done_elsewhere"))
    own = own.select(*TOOTH, owner="course_id", until="completed", since="started")
    kinds = {
        "splint": (SPLINT, windows.splint_days),
        "perforation_repair": (PERFORATION, windows.perforation_days),
        "film_3d": (FILM, windows.film_3d_days),
    }
    rows = {name: (coded.filter(pl.col("event") == event), days) for name, (event, days) in kinds.items()}
    return _flagged(own.select(course_id="owner"), "course_id", own, rows)


def with_coded(rows: pl.DataFrame, coded: pl.DataFrame, *, key: str) -> pl.DataFrame:
    """Rows with what codes tell of them where nothing is recorded.

    Each column of `coded` beside `key` fills that of `rows`; `<column>_from` says `recorded` or `coded`, null where
    there is no value. A recorded value always stands.
    """
    names = [c for c in coded.columns if c != key]
    said = coded.rename({name: f"{name}_coded" for name in names})
    joined = rows.join(said, on=key, how="left", maintain_order="left")
    out = []
    for name in names:
        kind = coded.schema[name]  # recorded words may be numbered words
        known = pl.col(name).cast(kind) if name in rows.columns else pl.lit(None, kind)
        by_code = pl.col(f"{name}_coded")
        source = pl.when(known.is_not_null()).then(pl.lit(RECORDED)).when(by_code.is_not_null()).then(pl.lit(CODED))
        out += [pl.coalesce(known, by_code).alias(name), source.alias(f"{name}_from")]
    return joined.with_columns(out).drop(f"{name}_coded" for name in names)


def read_from_codes(details: Mapping[str, pl.DataFrame]) -> dict[str, int]:
    """How many values of each column of frames with `<column>_from` columns are read from codes."""
    marks = [(c, frame) for frame in details.values() for c in frame.columns if c.endswith("_from")]
    return {c.removesuffix("_from"): int((frame[c] == CODED).sum()) for c, frame in marks}


def _near(own: pl.DataFrame, rows: pl.DataFrame, *, days: int) -> pl.DataFrame:
    """Pairs of an owner and a row of its tooth, or of its patient where the row names no tooth, within its days."""
    day = pl.col("service_date")
    of_tooth = own.join(rows.filter(pl.col("tooth_fdi").is_not_null()), on=list(TOOTH))
    of_mouth = rows.filter(pl.col("tooth_fdi").is_null()).drop("tooth_fdi")
    columns = ["owner", "until", "since", "service_date", "detail"]
    pairs = pl.concat([of_tooth.select(columns), own.join(of_mouth, on="patient_id").select(columns)])
    return pairs.filter(day <= pl.col("until"), (pl.col("since") - day).dt.total_days() <= days)


def _words(own: pl.DataFrame, rows: pl.DataFrame, *, days: int) -> pl.DataFrame:
    near = _near(own, rows, days=days)
    last = near.filter(pl.col("service_date") == pl.col("service_date").max().over("owner"))
    details = pl.col("detail").drop_nulls()
    word = pl.when(details.n_unique() == 1).then(details.first()).otherwise(pl.lit(UNSPECIFIED))
    return last.group_by("owner").agg(word=word)


def _flagged(
    found: pl.DataFrame, key: str, own: pl.DataFrame, rows: Mapping[str, tuple[pl.DataFrame, int]]
) -> pl.DataFrame:
    for name, (of_kind, days) in rows.items():
        owners = _near(own, of_kind, days=days)["owner"].unique()
        flag = pl.col(key).is_in(owners.implode()) if of_kind.height else pl.lit(None, pl.Boolean)
        found = found.with_columns(flag.alias(name))
    return found.sort(key)
