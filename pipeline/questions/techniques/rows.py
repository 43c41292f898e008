"""The rows that technique questions are asked of, made small and quick: ids and words as numbers, in their order."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.practice.outcomes import ENDO_FAILURE, TOOTH, was_followed
from pipeline.practice.outcomes import outcome as named
from pipeline.practice.settings import Rules
from pipeline.practice.tables import APICAL_DIAGNOSES, PULPAL_DIAGNOSES
from pipeline.questions.crown_rows import crown_rows, with_people
from pipeline.questions.techniques.question import HEALED, TOOTH_LOSS
from pipeline.results import DAYS_PER_YEAR
from pipeline.transforms.coded_details import (
    CODED,
    NONE,
    RECORDED,
    Coded,
    coded_course_details,
    coded_crown_details,
    with_coded,
)
from pipeline.transforms.course_details import course_details, crown_details_of
from pipeline.transforms.healing import NOT_HEALED, healing_at_recall

# What every question reads of a row, beside its factor and covariates.
ROW = (
    "row_id",
    "patient_id",
    "provider_id",
    "start",
    "exit_date",
    "exit_reason",
    "entry_days",
    "exit_days",
    "event",
    "recalled",
    "recall_years",
)


def source_of(column: str) -> str:
    """The column that says of each value whether it was recorded or coded, for columns that have one."""
    return f"{column}_from"


def same_numbers(tables: Mapping[str, pl.DataFrame], column: str) -> dict[str, pl.DataFrame]:
    """Tables whose texts in `column` are numbered alike, from 0 in the order of the texts; numbers stay."""
    if not any(frame[column].dtype == pl.String for frame in tables.values()):
        return dict(tables)
    if len(tables) == 1:
        ((name, frame),) = tables.items()
        if frame[column].is_sorted() and not frame[column].null_count():
            return {name: frame.with_columns(pl.col(column).rle_id())}
    distinct = pl.concat([frame[column].unique() for frame in tables.values()]).unique().sort()
    kind = pl.Enum(distinct.drop_nulls())
    number = pl.col(column).cast(kind).to_physical().cast(pl.UInt32)
    return {name: frame.with_columns(number) for name, frame in tables.items()}


def only_columns(rows: pl.DataFrame, names: Iterable[str]) -> pl.DataFrame:
    """The columns of `ROW` and those named, as far as they are there."""
    wanted = {*ROW, *names}
    return rows.select(c for c in rows.columns if c in wanted)


def in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by `row_id`, then `entry_days`."""
    place = rows["row_id"]
    if place.dtype.is_integer() and bool((place.diff().drop_nulls() > 0).all()):
        return rows
    return rows.sort("row_id", "entry_days")


def words_of(values: pl.Series, code: Mapping[str, str] | None = None) -> pl.Series:
    """Words as questions know them: without blanks around them, in lower case; or what `code` makes of such words."""
    if isinstance(values.dtype, pl.Enum):
        words = _coded(values.dtype.categories, code)
        place = values.to_physical().cast(pl.UInt32).fill_null(len(words))
        return pl.concat([words, pl.Series([None], dtype=pl.String)]).gather(place).alias(values.name)
    return _coded(values.cast(pl.String), code)


def _coded(words: pl.Series, code: Mapping[str, str] | None) -> pl.Series:
    plain = words.str.strip_chars().str.to_lowercase()
    return plain if code is None else plain.replace_strict(code, default=None, return_dtype=pl.String)


DIAGNOSES = {"pulpal_diagnosis": PULPAL_DIAGNOSES, "apical_diagnosis": APICAL_DIAGNOSES}


def rows_of_crowns(
    crowns: pl.DataFrame,
    crown_details: pl.DataFrame,
    patients: pl.DataFrame,
    *,
    tolerance_days: int,
    coded: Coded | None = None,
) -> pl.DataFrame:
    """One row per crown followed from its seat: `row_id, start, entry_days, exit_days, event`, factors.

    Beside the columns of `crowns` and the details: `age` (years at the seat), `year`, `sex, bruxism, smoker, diabetes`,
    `endo_before_seat`, `crown_number` (`first` or `later` of the tooth), `post_placed` (any from none). `post, core,
    crown_lengthening` are recorded or coded, as a `_from` of each says.
    """
    order = crowns.select("crown_id", *TOOTH, "entry_date", day=pl.coalesce("seat_date", "entry_date"))
    place = order.sort("day", "entry_date", "crown_id").with_columns(place=pl.int_range(pl.len()).over(TOOTH))
    number = pl.when(pl.col("place") == 0).then(pl.lit("first")).otherwise(pl.lit("later"))
    details = crown_details_of(crowns, crown_details, tolerance_days=tolerance_days)
    return (
        crown_rows(crowns, patients)
        .filter(pl.col("entry_days") <= 0, was_followed())
        .join(details, on="crown_id", how="left", maintain_order="left")
        .join(place.select("crown_id", crown_number=number), on="crown_id", how="left", maintain_order="left")
        .pipe(with_coded, _coded_crowns(crowns, coded), key="crown_id")
        .with_columns(
            post_placed=pl.col("post") != NONE,
            row_id="crown_id",
            start="seat_date",
            event="failure",
            age="age_at_seat",
            year="seat_year",
            endo_before_seat=(pl.col("endo_timing") == "before_seat").fill_null(False),
        )
    )


@dataclass(frozen=True)
class Chosen:
    """Courses in order of their id and, line by line beside them, what is known of each before its outcome."""

    courses: pl.DataFrame
    known: pl.DataFrame
    every: bool
    endo_details: pl.DataFrame
    gap_days: int


def choose_courses(
    courses: pl.DataFrame,
    endo_details: pl.DataFrame,
    patients: pl.DataFrame,
    *,
    gap_days: int,
    every: bool,
    coded: Coded | None = None,
) -> Chosen:
    """The courses that rows are made of, whatever the outcome: the first completed of each tooth, or `every` one."""
    first = courses.filter(pl.col("completed").is_not_null()).sort("completed", "course_id")
    if not every:
        first = first.unique(TOOTH, keep="first", maintain_order=True)
    first = first.sort("course_id")
    details = course_details(first, endo_details, gap_days=gap_days)
    pai = pl.col("preop_pai")
    coded = coded or Coded()
    known = (
        first.select("course_id", "patient_id", "completed", "visits")
        .pipe(with_people, patients, "completed")
        .join(details, on="course_id", how="left", maintain_order="left")
        .with_columns(
            lesion=pl.when(pai >= 3).then(pl.lit("yes")).when(pai >= 1).then(pl.lit("no")),
            course_visits=pl.coalesce(pl.col("visits_recorded").cast(pl.UInt32), "visits"),
            course_visits_from=pl.when(pl.col("visits_recorded").is_not_null())
            .then(pl.lit(RECORDED))
            .otherwise(pl.lit(CODED)),
            **{name: pl.when(_text(name).is_in(words)).then(_text(name)) for name, words in DIAGNOSES.items()},
        )
        .pipe(with_coded, coded_course_details(first, coded.of(first), coded.windows), key="course_id")
        .drop("patient_id", "completed", "visits")
    )
    return Chosen(first, known, every, endo_details, gap_days)


def rows_of_chosen(
    chosen: Chosen,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    *,
    outcome: str,
    findings: pl.DataFrame | None = None,
    recall_months: int = Rules.recall_months,
    uncertain_years: int = Rules.uncertain_years,
) -> pl.DataFrame:
    """One row a chosen course, from completion to an outcome: as `rows_of_crowns`.

    Of every course, one that another follows on its tooth ends at the start of that, so that no time and no loss counts
    twice.

    `lesion` is `yes` for a periapical index of 3 to 5 before treatment, `no` for 1 or 2; `course_visits` as recorded,
    else the days with a row; these, `splint`, `perforation_repair` and `film_3d` have a `_from`. Diagnoses in other
    words are null. For `radiographic_success` rows are those due: followed for `recall_months` without further
    treatment; of those `recalled`, `event` is true where the tooth was not healed `recall_years` after completion.
    `findings` is then needed.
    """
    first = chosen.courses
    spells = (ENDO_FAILURE if outcome == HEALED else named(outcome)).spells(first, teeth)
    if chosen.every and outcome == TOOTH_LOSS:
        spells = _until_next(spells, courses)
    if outcome == HEALED:
        if findings is None:
            raise ValueError("radiographic_success needs findings.")
        judged = healing_at_recall(
            first,
            findings,
            chosen.endo_details,
            recall_months=recall_months,
            uncertain_years=uncertain_years,
            gap_days=chosen.gap_days,
        )
        judged = judged.filter(pl.col("state").is_not_null()).select("course_id", "state", "recall_date")
        due = pl.col("exit_date") >= pl.col("completed").dt.offset_by(f"{recall_months}mo")
        spells = (
            spells.filter(due)
            .join(judged, on="course_id", how="left", maintain_order="left")
            .with_columns(
                recalled=pl.col("state").is_not_null(),
                event=pl.col("state") == NOT_HEALED,
                recall_years=(pl.col("recall_date") - pl.col("completed")).dt.total_days() / DAYS_PER_YEAR,
            )
            .drop("state")
        )
    return spells.join(chosen.known, on="course_id", how="left", maintain_order="left").with_columns(
        row_id="course_id", start="completed"
    )


def _coded_crowns(crowns: pl.DataFrame, coded: Coded | None) -> pl.DataFrame:
    coded = coded or Coded()
    return coded_crown_details(crowns, coded.of(crowns), coded.windows)


def _text(column: str) -> pl.Expr:
    """Words as texts: the words of another file may be numbered words of another kind."""
    return pl.col(column).cast(pl.String)


def _until_next(spells: pl.DataFrame, courses: pl.DataFrame) -> pl.DataFrame:
    again = courses.select(*TOOTH, again="started")
    next_day = (
        spells.select(*TOOTH, "course_id", "completed")
        .join(again, on=TOOTH)
        .filter(pl.col("again") > pl.col("completed"))
        .group_by("course_id")
        .agg(pl.col("again").min())
    )
    cut = pl.col("again") < pl.col("exit_date")
    return (
        spells.join(next_day, on="course_id", how="left", maintain_order="left")
        .with_columns(cut=cut.fill_null(False))
        .with_columns(
            event=pl.col("event") & ~pl.col("cut"),
            exit_date=pl.when("cut").then("again").otherwise("exit_date"),
            exit_days=pl.when("cut")
            .then((pl.col("again") - pl.col("completed")).dt.total_days())
            .otherwise("exit_days"),
        )
        .drop("again", "cut")
    )
