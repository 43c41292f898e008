"""A written practice of which a share of the opened root canals was done elsewhere instead, for judging what is seen.

The crowns and their fate stay as they were: only who did the root canal, and what the practice knows of it, changes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.postings import CODES
from synthetic_data.write import DATE

ROOT_CANALS = [code for code in CODES if code.startswith("D33")]
_OPENS = [*ROOT_CANALS, "D3220", "D3221"]
# What closes an opened crown, up to so many days after the course.
_FILLINGS, _REPAIR, CLOSURE_DAYS = ["D2391", "D2140", "D2330"], "D2980", 60
WAYS = {"dated": 1.0, "undated": 1.0, "not": 1.0}


def move_openings_elsewhere(
    directory: Path, *, share: float = 0.5, ways: dict[str, float] = WAYS, seed: int = 1
) -> pl.DataFrame:
    """Move `share` of the practice's opened root canals elsewhere, in the files of `directory` themselves.

    Parameters
    ----------
    directory
        A practice as `simulate` wrote it; its exports, `endo_details.csv` and `elsewhere.csv` are written anew.
    share
        Of the single crowns made here that were opened here. Teeth with a second course are left as they are.
    ways
        How they are charted, by weight: `dated` (half in a row of the ledger, half in the table `elsewhere`),
        `undated`, `not`. A root canal on a day on which the patient had other work done, or after which the patient
        was not seen again, is charted in one of the ways without a date. Half of those that are not charted keep the
        filling that closed the crown, if there was one: a hint.
    seed
        The same practice and seed give the same files.

    Returns
    -------
    One row a moved root canal, also written to `truth/moved.csv`: `patient_id, tooth_fdi, seat_date`, the day it was
    begun (`opened`), how it is `charted`, and what a reader of the files must make of the crown: `endo_timing` (null
    where the order cannot be told), `access_date` and `hint_date`.

    Raises
    ------
    ValueError
        If fewer root canals can be moved than are asked for.
    """
    exports = {path: _read(path) for path in sorted((directory / "exports").glob("*.csv"))}
    opened = _openings(directory)
    n = round(share * opened.height)
    movable = opened.filter("alone").sort("patient_id", "tooth_fdi")
    if n > movable.height:
        raise ValueError(f"only {movable.height} of {opened.height} opened root canals stand alone and can be moved")
    rng = np.random.default_rng([seed, 7])
    moved = _meant(rng, movable[np.sort(rng.permutation(movable.height)[:n])], ways)
    rows = pl.concat(exports.values())
    moved = _charted(moved, rows, directory, ways)
    code = _code_of(rows, moved)
    kept = {path: _without(frame, moved) for path, frame in exports.items()}
    entry = int(rows["Entry No"].cast(pl.Int64).max() or 0) + 1  # type: ignore[arg-type]
    for path, frame in _with_existing(
        kept, moved.join(code, on=["patient_id", "tooth_fdi"], how="left"), entry
    ).items():
        frame.write_csv(path)
    details = _read(directory / "endo_details.csv")
    _without_details(details, moved).write_csv(directory / "endo_details.csv")
    _with_table(_read(directory / "elsewhere.csv"), moved).write_csv(directory / "elsewhere.csv")
    told = moved.select(
        "patient_id", "tooth_fdi", "seat_date", "opened", "charted", "endo_timing", "access_date", "hint_date"
    )
    told.write_csv(directory / "truth" / "moved.csv", date_format=DATE)
    return told


def _read(path: Path) -> pl.DataFrame:
    return pl.read_csv(path, infer_schema=False)


def _day(column: str) -> pl.Expr:
    return pl.col(column).str.to_date(DATE, strict=False)


def _openings(directory: Path) -> pl.DataFrame:
    # Single crowns opened here, each with its course and whether that is the only one of the tooth.
    crowns = _read(directory / "truth" / "crowns.csv").filter(
        made_here="true", crown_kind="single", endo_timing="through_crown", opening_charted="here"
    )
    courses = _read(directory / "truth" / "courses.csv").select(
        "patient_id", "tooth_fdi", opened=_day("started"), completed=_day("completed")
    )
    alone = pl.len().over("patient_id", "tooth_fdi") == 1
    first = pl.coalesce("completed", "opened")
    of_tooth = courses.with_columns(alone=alone, last=first)
    keys = ["patient_id", "tooth_fdi", "opened"]
    return (
        crowns.with_columns(opened=_day("access_date"), seat_date=_day("seat_date"))
        .select(*keys, "seat_date")
        .join(of_tooth, on=keys, how="inner")
        .with_columns(Th=pl.col("tooth_fdi").cast(pl.Int64).replace_strict(_AS_WRITTEN))
    )


_FDI = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]
_AS_WRITTEN = {fdi: str(n) for n, fdi in enumerate(_FDI, 1)}


def _own_rows(frame: pl.DataFrame, moved: pl.DataFrame) -> pl.DataFrame:
    # The rows on the teeth of moved root canals, with their course.
    keyed = moved.select("patient_id", "Th", "opened", "last", "keeps")
    return frame.join(keyed, left_on=["Chart No", "Th"], right_on=["patient_id", "Th"], how="left").with_columns(
        day=_day("Date")
    )


def _closes() -> pl.Expr:
    soon = (pl.col("day") - pl.col("last")).dt.total_days() <= CLOSURE_DAYS
    return pl.col("Code").is_in(_FILLINGS) & soon & (pl.col("day") >= pl.col("opened")) & (pl.col("Status") == "C")


def _is_moved() -> pl.Expr:
    # A row of the course, what closed the crown after it (unless it is kept), or the same root canal charted again.
    code, day = pl.col("Code"), pl.col("day")
    in_course = code.is_in(_OPENS) & (day <= pl.col("last"))
    repairs = (code == _REPAIR) & ((day - pl.col("last")).dt.total_days() <= CLOSURE_DAYS)
    ours = (pl.col("Status") == "C") & (day >= pl.col("opened")) & (in_course | repairs)
    again = (pl.col("Status") == "EO") & code.is_in(ROOT_CANALS) & pl.col("opened").is_not_null()
    return (ours | again | (_closes() & ~pl.col("keeps"))).fill_null(False)


def _without(frame: pl.DataFrame, moved: pl.DataFrame) -> pl.DataFrame:
    return _own_rows(frame, moved).filter(~_is_moved()).select(frame.columns)


def _without_details(frame: pl.DataFrame, moved: pl.DataFrame) -> pl.DataFrame:
    inside = (pl.col("day") >= pl.col("opened")) & (pl.col("day") <= pl.col("last"))
    return _own_rows(frame, moved).filter(~inside.fill_null(False)).select(frame.columns)


def _meant(rng: np.random.Generator, moved: pl.DataFrame, ways: dict[str, float]) -> pl.DataFrame:
    # Adds how each is to be charted (`way`, `in_table`), and whether the filling after it stays (`keeps`).
    limits = np.cumsum(list(ways.values()))
    way = np.array(list(ways))[np.searchsorted(limits / limits[-1], rng.random(moved.height))]
    table, keeps = (rng.random(moved.height) < 0.5 for _ in range(2))
    return moved.with_columns(
        way=pl.Series(way, dtype=pl.String), in_table=pl.Series(table), keeps=pl.Series(keeps & (way == "not"))
    )


def _charted(moved: pl.DataFrame, rows: pl.DataFrame, directory: Path, ways: dict[str, float]) -> pl.DataFrame:
    # Adds how each is charted in the end, and what a reader must make of it.
    done = _without(rows, moved).filter(pl.col("Status") == "C", ~pl.col("Amount").str.starts_with("-"))
    films = _read(directory / "findings.csv").select("Chart No", day=_day("Exam"))
    seen = pl.concat([done.select("Chart No", day=_day("Date")), films]).unique().drop_nulls()
    seen = seen.select(patient_id="Chart No", day="day")
    last = seen.group_by("patient_id").agg(last_seen=pl.col("day").max())
    there = seen.select("patient_id", opened="day", seen=pl.lit(True))
    frame = moved.join(there, on=["patient_id", "opened"], how="left", maintain_order="left")
    frame = frame.join(last, on="patient_id", how="left", maintain_order="left")
    datable = (pl.col("seen").is_null() & (pl.col("last_seen") > pl.col("opened"))).fill_null(False)
    rest = next((way for way in ways if way != "dated"), "undated")
    frame = frame.with_columns(
        charted=pl.when((pl.col("way") == "dated") & ~datable).then(pl.lit(rest)).otherwise("way")
    )
    closed = _own_rows(rows, moved).filter(_closes(), pl.col("keeps")).select("Chart No", "Th", hint_date="day")
    hints = closed.group_by("Chart No", "Th").agg(pl.col("hint_date").min())
    frame = frame.join(hints, left_on=["patient_id", "Th"], right_on=["Chart No", "Th"], how="left")
    dated, nothing = pl.col("charted") == "dated", pl.col("charted") == "not"
    return frame.with_columns(
        endo_timing=pl.when(dated).then(pl.lit("through_crown")).when(nothing).then(pl.lit("vital")),
        access_date=pl.when(dated).then("opened"),
    )


def _code_of(rows: pl.DataFrame, moved: pl.DataFrame) -> pl.DataFrame:
    # The code of each moved course; the anterior one where it was never completed.
    filled = _own_rows(rows, moved).filter(
        _is_moved(), pl.col("Code").is_in(ROOT_CANALS), pl.col("Status") == "C", pl.col("Prov").is_not_null()
    )
    first = filled.group_by("Chart No", "Th").agg(pl.col("Code").min(), pl.col("Prov").min(), pl.col("Clinic").min())
    both = moved.join(first, left_on=["patient_id", "Th"], right_on=["Chart No", "Th"], how="left")
    return both.select("patient_id", "tooth_fdi", pl.col("Code").fill_null("D3310"), "Prov", "Clinic")


def _with_existing(exports: dict[Path, pl.DataFrame], moved: pl.DataFrame, entry: int) -> dict[Path, pl.DataFrame]:
    in_ledger = moved.filter(pl.col("charted") != "not", ~pl.col("in_table"))
    first = next(iter(exports.values()))
    dated = pl.col("charted") == "dated"
    rows = in_ledger.select(
        pl.int_range(entry, entry + pl.len()).cast(pl.String).alias("Entry No"),
        pl.col("patient_id").alias("Chart No"),
        pl.when(dated).then(pl.col("opened").dt.strftime(DATE)).alias("Date"),
        "Code",
        "Th",
        pl.lit(None, pl.String).alias("Surf"),
        "Prov",
        pl.lit("EO").alias("Status"),
        "Clinic",
        pl.lit(None, pl.String).alias("Amount"),
        pl.lit(None, pl.String).alias("Why"),
        year=pl.col("opened").dt.year(),
    )
    year = {path: int(path.stem.rpartition("-")[2]) for path in exports}
    return {
        path: pl.concat([frame, rows.filter(pl.col("year") == year[path]).select(first.columns)])
        for path, frame in exports.items()
    }


def _with_table(frame: pl.DataFrame, moved: pl.DataFrame) -> pl.DataFrame:
    told = moved.filter(pl.col("charted") != "not", pl.col("in_table"))
    dated = pl.col("charted") == "dated"
    rows = told.select(
        pl.col("patient_id").alias("Chart No"),
        "Th",
        pl.lit("RCT").alias("What Was Done"),
        pl.when(dated).then(pl.col("opened").dt.strftime(DATE)).alias("When"),
    )
    return pl.concat([frame, rows])
