"""Rule 9, second half: what the latest recall film says of a root canal, and between which films a lesion healed.

The periapical index (PAI) is that of [Orstavik 1986]; its cut-off, 1-2 against 3-5, that of Trope M and others, 1999;
the four years are those of [European Society of Endodontology 2006].
"""

import polars as pl

from pipeline.transforms.course_details import course_details
from pipeline.transforms.events import TOOTH
from pipeline.transforms.readings import films_read
from pipeline.transforms.timing import nearest

KEY = list(TOOTH)
LESION_FROM = 3  # PAI 3 to 5 is a lesion, 1 or 2 is none
WORST = 5
HEALED, UNCERTAIN, NOT_HEALED = "healed", "uncertain", "not_healed"
STATES = (HEALED, UNCERTAIN, NOT_HEALED)
# Failures that say that a root canal did not heal; a tooth may be lost to anything.
TREATED_AGAIN = ("retreatment", "surgery", "root_resection")
LESION, NO_LESION = "yes", "no"


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


def lesions_between_films(
    courses: pl.DataFrame, findings: pl.DataFrame, endo_details: pl.DataFrame, *, gap_days: int
) -> pl.DataFrame:
    """Between which films each lesion healed: one row per completed course with a lesion before treatment.

    Columns: `course_id, patient_id`; `films` since completion that judge it (an index, and a word on symptoms), up to
    `exit_date`; `first_film_days` and `last_film_days` of the earliest and the latest. A film shows it healed if its
    index is 1 or 2 and there are no symptoms (`strict` of `healing_at_recall`). Days count from completion:

    - `left_days`: the last film that shows it not healed before the first that shows it healed, 0 where there is none.
    - `right_days`: that first film; null where no film shows it healed.
    - `seen_again`: a later film shows it not healed.
    - `treated_again`: not seen healed, and treated anew (`TREATED_AGAIN`): this root canal never heals it.

    A tooth that was lost before it was seen healed is known up to its last film. Films on the day of completion say
    nothing of healing and are left out.
    """
    finished = courses.filter(pl.col("completed").is_not_null()).select(
        "course_id", *KEY, "started", "completed", "exit_date", "failure", "failure_cause"
    )
    films = films_read(findings)
    before = _with_index_before(finished, films, endo_details, gap_days=gap_days)
    lesions = before.filter(pl.col("preop_pai") >= LESION_FROM)
    sound = (pl.col("pai") < LESION_FROM) & ~pl.col("symptomatic")
    day = (pl.col("recall_date") - pl.col("completed")).dt.total_days()
    judged = (
        lesions.select("course_id", *KEY, "completed", "exit_date")
        .join(films.filter(pl.col("symptomatic").is_not_null()), on=KEY)
        .filter(pl.col("recall_date") > pl.col("completed"), pl.col("recall_date") <= pl.col("exit_date"))
        .select("course_id", day=day, healed=sound)
    )
    seen = judged.group_by("course_id").agg(
        films=pl.len(),
        first_film_days=pl.col("day").min(),
        last_film_days=pl.col("day").max(),
        right_days=pl.col("day").filter("healed").min(),
    )
    unhealed = judged.filter(~pl.col("healed")).join(seen.select("course_id", "right_days"), on="course_id")
    earlier = (pl.col("day") < pl.col("right_days")).fill_null(True)
    ends = unhealed.group_by("course_id").agg(
        left_days=pl.col("day").filter(earlier).max(), seen_again=(pl.col("day") > pl.col("right_days")).any()
    )
    out = lesions.join(seen, on="course_id", how="left").join(ends, on="course_id", how="left")
    again = pl.col("failure") & pl.col("failure_cause").cast(pl.String).is_in(TREATED_AGAIN)
    return out.select(
        "course_id",
        "patient_id",
        pl.col("films").fill_null(0),
        "first_film_days",
        "last_film_days",
        pl.col("left_days").fill_null(0),
        "right_days",
        pl.col("seen_again").fill_null(False),
        treated_again=again.fill_null(False) & pl.col("right_days").is_null(),
    ).sort("course_id")


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
