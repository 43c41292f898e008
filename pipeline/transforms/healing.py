"""Rule 9, second half: what the latest recall film says of a root canal, and where a film was read twice.

References
----------
Periapical index (PAI): Orstavik D, Kerekes K, Eriksen HM. Endod Dent Traumatol 1986;2:20-34. Cut-off 1-2 against 3-5:
Trope M and others, 1999. Four years: European Society of Endodontology, quality guidelines for endodontic treatment,
Int Endod J 2006;39:921-930 (from memory).
"""

from __future__ import annotations

import polars as pl

from pipeline.transforms.course_details import course_details
from pipeline.transforms.events import TOOTH
from pipeline.transforms.timing import nearest

KEY = list(TOOTH)
LESION_FROM = 3  # PAI 3 to 5 is a lesion, 1 or 2 is none
WORST = 5
HEALED, UNCERTAIN, NOT_HEALED = "healed", "uncertain", "not_healed"
STATES = (HEALED, UNCERTAIN, NOT_HEALED)
LESION, NO_LESION = "yes", "no"
SAME_READER, TWO_READERS, READER_NOT_TOLD = "same_reader", "two_readers", "reader_not_told"
PAIRS = (SAME_READER, TWO_READERS, READER_NOT_TOLD)


def healing_at_recall(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    recall_months: int,
    uncertain_years: int,
    gap_days: int,
) -> pl.DataFrame:
    """What the latest recall film says of each completed course, three ways.

    One row per completed course: `course_id, recall_date, pai, symptomatic, preop_pai, lesion_before, strict, loose,
    state`. The recall is the latest film (see `films_read`) at least `recall_months` calendar months after completion
    and not after `exit_date`; but for `preop_pai` and `lesion_before` all is null where there was none.

    - `preop_pai`: the index before treatment as recorded for the course (`course_details`), else the latest film read
      at most `gap_days` before the course began, or on that day. `lesion_before`: `yes` for 3 to 5, `no` for 1 or 2.
    - `strict`: PAI 1 or 2 and no symptoms.
    - `loose`: PAI 1 or 2, or lower than before treatment; no symptoms. Null for PAI 3 or 4 where the index before
      treatment is not known.
    - `state`: `healed` (strict); `uncertain`: a lesion that is smaller and not gone, without symptoms, on a film
      earlier than `uncertain_years` calendar years after completion; else `not_healed`. Smaller means lower than before
      treatment, or than on an earlier film since: an index that falls from recall to recall is no failure.

    Symptoms that were not noted leave `state` null, and `strict` and `loose` where the film alone does not refute them.
    A film on the day of the anniversary counts as that many months or years after.
    """
    films = films_read(findings)
    finished = courses.filter(pl.col("completed").is_not_null()).select(
        "course_id", *KEY, "started", "completed", "exit_date"
    )
    seen = nearest(finished, films, left_on="exit_date", right_on="recall_date", strategy="backward", same_day=True)
    late = pl.col("recall_date") >= pl.col("completed").dt.offset_by(f"{recall_months}mo")
    recall = ("recall_date", "pai", "symptomatic")
    seen = seen.with_columns(pl.when(late).then(name).alias(name) for name in recall)
    seen = _with_index_before(seen, films, endo_details, gap_days=gap_days)
    seen = seen.join(_worst_since(seen, films), on="course_id", how="left", maintain_order="left")
    pai, before, calm = pl.col("pai"), pl.col("preop_pai"), ~pl.col("symptomatic")
    sound = pai < LESION_FROM
    untold = before.is_null() & (pai < WORST)
    better = pl.when(sound).then(True).when(~untold).then((pai < before).fill_null(False))
    smaller = (pai < before).fill_null(False) | (pai < pl.col("worst_since")).fill_null(False)
    early = pl.col("recall_date") < pl.col("completed").dt.offset_by(f"{uncertain_years}y")
    state = (
        pl.when(sound & calm)
        .then(pl.lit(HEALED))
        .when(calm & smaller & early)
        .then(pl.lit(UNCERTAIN))
        .when(pl.col("symptomatic").is_not_null())
        .then(pl.lit(NOT_HEALED))
    )
    return seen.select(
        "course_id",
        *recall,
        "preop_pai",
        lesion_before=pl.when(before >= LESION_FROM).then(pl.lit(LESION)).when(before >= 1).then(pl.lit(NO_LESION)),
        strict=sound & calm,
        loose=better & calm,
        state=state,
    ).sort("course_id")


def films_read(findings: pl.DataFrame) -> pl.DataFrame:
    """What each film counts as: one row per tooth and day, `patient_id, tooth_fdi, recall_date, pai, symptomatic`.

    A reading without a number is a first reading. First readings count; second ones only where the film has no first.
    Of several first readings of one tooth on one day, by two readers or of two films, the highest counts: where readers
    do not agree and no joint reading is recorded, a lesion that one of them saw is not talked away, and a tooth with
    several roots takes its worst. Symptoms noted on that day by anyone count, also in a row without a film. Days
    without a reading have no row.
    """
    first = pl.col("reading").fill_null(1) == 1
    return (
        _own(findings)
        .group_by(*KEY, recall_date="exam_date")
        .agg(
            pai=pl.coalesce(pl.col("pai").filter(first).max(), pl.col("pai").max()),
            symptomatic=pl.col("symptomatic").max(),
        )
        .filter(pl.col("pai").is_not_null())
    )


def paired_readings(findings: pl.DataFrame) -> pl.DataFrame:
    """Films that were read twice: one row per pair, `kind, patient_id, first, second` (PAI), kinds in `PAIRS`.

    - `same_reader`: one reader's first and second reading of a tooth on a day.
    - `two_readers`: the first that each of two readers gave; with three readers, each two of them. Which of the two
      stands in `first` means nothing.
    - `reader_not_told`: a first and a second reading that are in neither, since a reader is not named.

    Several readings that agree in all of this (roots, repeated rows) count once, by the highest.
    """
    day = [*KEY, "exam_date"]
    read = (
        _own(findings)
        .filter(pl.col("pai").is_not_null())
        .with_columns(again=pl.col("reading").fill_null(1) > 1)
        .group_by(*day, "reader", "again")
        .agg(pl.col("pai").max())
    )
    once, twice = (read.filter(pl.col("again") == again).drop("again") for again in (False, True))
    same = once.join(twice, on=[*day, "reader"], suffix="_2").select(*day, first="pai", second="pai_2")
    own = read.sort("again").unique([*day, "reader"], keep="first", maintain_order=True).drop("again")
    # A reader who is not named comes before nobody, and after nobody.
    two = own.join(own, on=day, suffix="_2").filter(pl.col("reader") < pl.col("reader_2"))
    two = two.select(*day, first="pai", second="pai_2")
    worst = [part.group_by(day).agg(pl.col("pai").max()) for part in (once, twice)]
    rest = worst[0].join(worst[1], on=day, suffix="_2").select(*day, first="pai", second="pai_2")
    rest = rest.join(pl.concat([same, two]), on=day, how="anti")
    parts = [part.with_columns(kind=pl.lit(kind)) for kind, part in zip(PAIRS, (same, two, rest), strict=True)]
    return pl.concat(parts).select("kind", "patient_id", "first", "second").sort(pl.all())


def _own(findings: pl.DataFrame) -> pl.DataFrame:
    # A supernumerary tooth bears the number of its neighbour.
    return findings.filter(~pl.col("supernumerary").fill_null(False))


def _with_index_before(
    seen: pl.DataFrame, films: pl.DataFrame, endo_details: pl.DataFrame, *, gap_days: int
) -> pl.DataFrame:
    recorded = course_details(seen, endo_details, gap_days=gap_days).select("course_id", "preop_pai")
    before = films.select(*KEY, film_before="recall_date", film_pai="pai")
    out = seen.join(recorded, on="course_id", how="left", maintain_order="left")
    out = nearest(out, before, left_on="started", right_on="film_before", strategy="backward", same_day=True)
    near = pl.col("film_before") >= pl.col("started") - pl.duration(days=gap_days)
    film = pl.when(near.fill_null(False)).then("film_pai")
    return out.with_columns(preop_pai=pl.coalesce("preop_pai", film)).drop("film_before", "film_pai")


def _worst_since(seen: pl.DataFrame, films: pl.DataFrame) -> pl.DataFrame:
    """`course_id, worst_since`: the highest index on a film after the course began and before its recall."""
    earlier = films.select(*KEY, film_on="recall_date", earlier_pai="pai")
    return (
        seen.select("course_id", *KEY, "started", "recall_date")
        .join(earlier, on=KEY)
        .filter(pl.col("film_on") > pl.col("started"), pl.col("film_on") < pl.col("recall_date"))
        .group_by("course_id")
        .agg(worst_since=pl.col("earlier_pai").max())
    )
