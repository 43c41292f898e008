"""Values of notes against the ledger, what is recorded and what the practice answered: which of them fill a field."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.notes.measures import RATIO
from pipeline.practice.fields import NOTE_FIELDS, RANGES, kind
from pipeline.practice.tables import DETAIL_TABLES, NOTE_VALUES
from pipeline.practice.teeth import write_teeth
from pipeline.storing.own_tables import NOTED

_TOOTH = ["patient_id", "tooth_fdi"]
_DAY = {"endo_details": "service_date", "findings": "exam_date"}
# Of several notes of one course the first says what the tooth came with, the last how it was left.
_EARLIEST = ("pulpal_diagnosis", "apical_diagnosis", "preop_pai", "pulp_status_at_prep")
# Which day a note of a crown is of: what is only seen at either.
_SEATED, _PREPARED = ("cement",), ("margin", "core", "post", "ferrule_mm", "pulp_status_at_prep")


@dataclass(frozen=True)
class Rules:
    """What decides: days that notes of one course or crown lie apart, and the strength of the stock of hypochlorite."""

    course_gap_days: int = 180
    crown_repost_days: int = 60
    stock: float | None = None
    notation: str = "fdi"  # how the practice writes teeth

    def gap(self, table: str) -> int:
        """Days within which notes are of one row of a table."""
        return {"endo_details": self.course_gap_days, "crown_details": self.crown_repost_days, "findings": 0}[table]


def held(
    values: pl.DataFrame,
    days: pl.DataFrame,
    recorded: Mapping[str, pl.DataFrame],
    answers: pl.DataFrame,
    *,
    rules: Rules,
) -> tuple[pl.DataFrame, dict[str, pl.DataFrame]]:
    """What becomes of each value, and the rows that fill the detail tables.

    - `values`: What was read (`READ_VALUES`).
    - `days`: Teeth worked on, on the days of notes: `patient_id, note_date, tooth_fdi, work` (the table that tells of
      it).
    - `recorded`: The detail tables as the practice gave them.
    - `answers`: `note_answers`: values confirmed or mended. An answer settles its own value, and teaches the words: the
      same words of the same field, not sure elsewhere, get the same value, unless answers about them differ.

    Returns `note_values` as declared, and one frame per detail table: rows under the place of the recorded row whose
    empty fields they fill, or under their own where none is recorded. What is recorded is never changed.
    """
    placed = _on_teeth(values.with_row_index("n"), days)
    told = _answered(_strengths(placed, rules.stock), answers)
    told = told.with_columns(fits=_fits())
    usable = told.filter("sure", "fits", pl.col("tooth_fdi").is_not_null(), pl.col("field") != RATIO)
    outcomes, noted = [], {}
    for table in DETAIL_TABLES:
        found, noted[table] = _fill(usable.filter(pl.col("table_name") == table), recorded[table], table, rules)
        outcomes.append(found)
    said = told.join(pl.concat(outcomes), on="n", how="left")
    waiting = (
        pl.when("withdrawn")
        .then(pl.lit("withdrawn"))
        .when(~(pl.col("sure") & pl.col("fits")))
        .then(pl.lit("unsure"))
        .when(pl.col("tooth_fdi").is_null())
        .then(pl.lit("no_tooth"))
        .otherwise(pl.lit("unsure"))
    )
    # What nobody knows the tooth of, or its field cannot hold, counts for nothing: it is not sure.
    placed_well = pl.col("fits") & pl.col("tooth_fdi").is_not_null()
    out = said.with_columns(
        outcome=pl.coalesce("outcome", waiting), sure=pl.col("sure") & (placed_well | (pl.col("field") == RATIO))
    )
    return out.select(pl.col(c).cast(t) for c, t in NOTE_VALUES.schema.items()).sort(pl.all(), nulls_last=True), noted


def _on_teeth(values: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Where neither note nor row names the tooth: the one on which such work was posted that day, if only one was."""
    one = (
        days.group_by("patient_id", "note_date", table_name="work")
        .agg(posted=pl.col("tooth_fdi").unique())
        .filter(pl.col("posted").list.len() == 1)
        .with_columns(pl.col("posted").list.first().cast(pl.UInt8))
    )
    joined = values.join(one, on=["patient_id", "note_date", "table_name"], how="left", maintain_order="left")
    lacking = pl.col("tooth_fdi").is_null() & pl.col("posted").is_not_null()
    return joined.with_columns(
        tooth_fdi=pl.coalesce("tooth_fdi", "posted"),
        tooth_from=pl.when(lacking).then(pl.lit("ledger")).otherwise("tooth_from"),
    ).drop("posted")


def _strengths(values: pl.DataFrame, stock: float | None) -> pl.DataFrame:
    """Ratios of water to stock as strengths, where the stock is known; rounded to a tenth, as they are told."""
    if stock is None:
        return values
    parts = pl.col("value").str.split(":")
    water, bleach = (parts.list.get(i, null_on_oob=True).cast(pl.Float64, strict=False) for i in (0, 1))
    share = pl.when(water > 0).then((stock * bleach / (water + bleach)).round(1)).otherwise(stock)
    is_ratio = (pl.col("field") == RATIO) & pl.col("value").is_not_null()
    text = share.cast(pl.String).str.replace(r"\.0$", "")
    return values.with_columns(
        value=pl.when(is_ratio).then(text).otherwise("value"),
        field=pl.when(is_ratio).then(pl.lit("naocl_percent")).otherwise("field"),
        rule=pl.when(is_ratio).then(pl.lit("naocl_ratio_of_told_stock")).otherwise("rule"),
        sure=pl.when(is_ratio & (water == 0)).then(True).otherwise("sure"),
    )


def _answered(values: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
    """Values as the practice confirmed or mended them, and those of the same words as it taught."""
    said = answers.with_columns(
        given=pl.when(pl.col("chart_value").is_not_null())
        .then("chart_value")
        .when(pl.col("agreed") == "yes")
        .then("value"),
        no=(pl.col("agreed") == "no").fill_null(False) & pl.col("chart_value").is_null(),
    ).filter(pl.col("given").is_not_null() | pl.col("no"))
    own = said.sort("load_id", "row_number").select(
        "patient_id", "note_date", "field", own_given="given", own_no="no", own_tooth="tooth_fdi",
        words=_words("evidence"), at=pl.int_range(pl.len()),
    )  # fmt: skip
    keys = ["field", "words", "as_read"]
    taught = (
        said.with_columns(words=_words("evidence"), as_read=pl.col("value").fill_null(""))
        .filter(pl.col("words").is_not_null())
        .group_by(keys)
        .agg(taught=pl.col("given").first(), taught_no=pl.col("no").first(), kinds=pl.struct("given", "no").n_unique())
        .filter(pl.col("kinds") == 1)
        .drop("kinds")
    )
    values = values.with_columns(words=_words("evidence"), as_read=pl.col("value").fill_null(""))
    fits = values.select("n", "patient_id", "note_date", "field", "words", "tooth_fdi").join(
        own, on=["patient_id", "note_date", "field", "words"]
    ).filter((pl.col("own_tooth") == pl.col("tooth_fdi")).fill_null(True))  # fmt: skip
    mine = fits.sort("at").unique("n", keep="last", maintain_order=True).select("n", "own_given", "own_no", "own_tooth")
    joined = values.join(mine, on="n", how="left", maintain_order="left").join(
        taught, on=keys, how="left", maintain_order="left"
    )
    by_rule = (
        (~pl.col("sure") | (pl.col("field") == RATIO))
        & pl.col("own_given").is_null()
        & ~pl.col("own_no").fill_null(False)
    )
    is_own = pl.col("own_given").is_not_null()
    is_taught = by_rule & pl.col("taught").is_not_null()
    return joined.with_columns(
        value=pl.when(is_own).then("own_given").when(is_taught).then("taught").otherwise("value"),
        sure=pl.col("sure") & ~pl.col("own_no").fill_null(False) | is_own | is_taught,
        rule=pl.when(is_own)
        .then(pl.lit("confirmed"))
        .when(is_taught)
        .then(pl.lit("taught by the practice"))
        .otherwise("rule"),
        withdrawn=pl.col("own_no").fill_null(False) | (by_rule & pl.col("taught_no").fill_null(False)),
        tooth_fdi=pl.coalesce("tooth_fdi", "own_tooth"),
        # A ratio that was answered with a strength is one from then on.
        field=pl.when(
            (pl.col("field") == RATIO)
            & pl.coalesce(
                pl.when(is_own).then("own_given"), pl.when(is_taught | (pl.col("field") == RATIO)).then("taught")
            )
            .cast(pl.Float64, strict=False)
            .is_not_null()
        )
        .then(pl.lit("naocl_percent"))
        .otherwise("field"),
    ).drop("own_given", "own_no", "own_tooth", "words", "as_read", "taught", "taught_no")


def _words(column: str) -> pl.Expr:
    """Words as they are compared: without case and doubled blanks."""
    return pl.col(column).str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()


def _fits() -> pl.Expr:
    """Whether a value is one that its field can hold."""
    checks: list[pl.Expr] = []
    for field, table in NOTE_FIELDS.items():
        if field == RATIO:
            continue
        how, column = kind(table, field), DETAIL_TABLES[table].columns[field]
        value, here = pl.col("value"), pl.col("field") == field
        if how == "words":
            good = value.is_in(list(column.words or ()))
        elif how == "flag":
            good = value.is_in(["true", "false"])
        elif how in ("whole", "number"):
            low, high = RANGES[field]
            number = value.cast(pl.Float64, strict=False)
            good = number.is_between(low, high) & ((number % 1 == 0) if how == "whole" else True)
        else:
            good = value.is_not_null()
        checks.append(here & good.fill_null(False))
    return pl.any_horizontal(checks)


def _fill(values: pl.DataFrame, recorded: pl.DataFrame, table: str, rules: Rules) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Of one table: `n, outcome` of each value, and the rows that fill it."""
    if values.is_empty():
        return pl.DataFrame(schema={"n": pl.UInt32(), "outcome": pl.String()}), NOTED[table].empty()
    gap = rules.gap(table)
    days = values.select(*_TOOTH, "note_date").unique().sort(*_TOOTH, "note_date")
    new = (pl.col("note_date").diff().dt.total_days() > gap).over(_TOOTH).fill_null(True)
    episodes = days.with_columns(episode=new.cum_sum())
    episodes = episodes.with_columns(episode=pl.struct(*_TOOTH, "episode").rank("dense"))
    of = values.join(episodes, on=[*_TOOTH, "note_date"])
    chosen = _chosen(of)
    own = _recorded_row(of, recorded, table, gap)
    matched = chosen.join(own, on="episode", how="left")
    return _outcomes(of, matched, recorded, table), _rows(of, matched, table, rules.notation)


def _chosen(of: pl.DataFrame) -> pl.DataFrame:
    """The value of each field of an episode: `episode, field, counts`, null where notes of one day differ."""
    early = pl.col("field").is_in(_EARLIEST)
    day = pl.when(early).then(pl.col("note_date").min()).otherwise(pl.col("note_date").max()).over("episode", "field")
    confirmed = pl.col("rule") == "confirmed"
    best = of.filter(
        (confirmed | ~confirmed.any().over("episode", "field")) & ((pl.col("note_date") == day) | confirmed)
    )
    return best.group_by("episode", "field").agg(
        counts=pl.when(pl.col("value").n_unique() == 1).then(pl.col("value").first())
    )


def _recorded_row(of: pl.DataFrame, recorded: pl.DataFrame, table: str, gap: int) -> pl.DataFrame:
    """The recorded row that each episode is about: `episode, load_id, row_number`, the nearest in days."""
    spans = of.group_by("episode", *_TOOTH).agg(begun=pl.col("note_date").min(), done=pl.col("note_date").max())
    about = pl.col(_DAY[table]) if table in _DAY else pl.coalesce("seat_date", "prep_date")
    rows = recorded.filter(~pl.col("supernumerary")).select(*_TOOTH, "load_id", "row_number", about=about)
    outside = pl.max_horizontal(
        (pl.col("begun") - pl.col("about")).dt.total_days(),
        (pl.col("about") - pl.col("done")).dt.total_days(),
        pl.lit(0),
    )
    near = spans.join(rows, on=_TOOTH).with_columns(outside=outside).filter(pl.col("outside") <= gap)
    first = near.sort("outside", "load_id", "row_number").unique("episode", keep="first", maintain_order=True)
    return first.unique(["load_id", "row_number"], keep="first", maintain_order=True).select(
        "episode", "load_id", "row_number"
    )


def _outcomes(of: pl.DataFrame, matched: pl.DataFrame, recorded: pl.DataFrame, table: str) -> pl.DataFrame:
    fields = [f for f in NOTE_FIELDS if f in recorded.columns and NOTE_FIELDS[f] == table]
    given = recorded.select(
        "load_id", "row_number", *(pl.col(f).cast(pl.String).str.replace(r"\.0$", "") for f in fields)
    ).unpivot(index=["load_id", "row_number"], on=fields, variable_name="field", value_name="recorded")
    both = matched.join(given, on=["load_id", "row_number", "field"], how="left")
    said = of.join(both.select("episode", "field", "counts", "recorded"), on=["episode", "field"], how="left")
    same = _same(pl.col("value"), pl.col("recorded"))
    outcome = (
        pl.when(pl.col("recorded").is_not_null())
        .then(pl.when(same).then(pl.lit("recorded")).otherwise(pl.lit("differs")))
        .when((pl.col("value") == pl.col("counts")).fill_null(False))
        .then(pl.lit("used"))
        .otherwise(pl.lit("other_note"))
    )
    return said.select("n", outcome=outcome)


def _same(value: pl.Expr, recorded: pl.Expr) -> pl.Expr:
    numbers = value.cast(pl.Float64, strict=False) == recorded.cast(pl.Float64, strict=False)
    return pl.coalesce(numbers, value == recorded)


def _rows(of: pl.DataFrame, matched: pl.DataFrame, table: str, notation: str) -> pl.DataFrame:
    """The episodes as rows of the table; those without a recorded row under the place of their first note."""
    chosen = matched.filter(pl.col("counts").is_not_null())
    if chosen.is_empty():
        return NOTED[table].empty()
    wide = chosen.select("episode", "field", "counts").pivot("field", index="episode", values="counts")
    first = (
        of.filter(pl.col("episode").is_in(wide["episode"].implode()))
        .group_by("episode", *_TOOTH)
        .agg(
            day=pl.col("note_date").max(),
            seated=pl.col("note_date").filter(pl.col("field").is_in(_SEATED)).max(),
            prepared=pl.col("note_date").filter(pl.col("field").is_in(_PREPARED)).min(),
            own_load=pl.col("load_id").min(),
        )
    )
    places = matched.select("episode", "load_id", "row_number").unique("episode", keep="first", maintain_order=True)
    rows = wide.join(first, on="episode").join(places, on="episode", how="left").sort("episode")
    # A row of its own lies under the load of its note, with a number that no other such row has.
    number = pl.int_range(1, pl.len() + 1, dtype=pl.Int64)
    rows = rows.with_columns(row_number=pl.coalesce("row_number", number), load_id=pl.coalesce("load_id", "own_load"))
    days = (
        {_DAY[table]: pl.col("day")}
        if table in _DAY
        else {
            # A cement named in the note of the preparation is what was meant to be used: no day of a seat.
            "seat_date": pl.when((pl.col("seated") > pl.col("prepared")).fill_null(True)).then("seated"),
            "prep_date": pl.coalesce("prepared", pl.when(pl.col("seated").is_null()).then("day")),
        }
    )
    rows = rows.with_columns(**days, supernumerary=pl.lit(False))
    rows = rows.with_columns(tooth=write_teeth(rows["tooth_fdi"], notation=notation))
    dtypes = NOTED[table].schema
    return rows.select(_typed(c, t) if c in rows.columns else pl.lit(None, t).alias(c) for c, t in dtypes.items())


def _typed(column: str, dtype: object) -> pl.Expr:
    if dtype == pl.Boolean() and column != "supernumerary":
        return (pl.col(column) == "true").alias(column)
    if dtype in (pl.UInt8(), pl.UInt16()) and column != "tooth_fdi":
        return pl.col(column).cast(pl.Float64).cast(dtype)  # type: ignore[arg-type]
    return pl.col(column).cast(dtype)  # type: ignore[arg-type]
