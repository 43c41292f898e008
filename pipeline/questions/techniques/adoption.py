"""Who took up a technique, when, and which case of it each tooth was."""

import polars as pl

from pipeline.questions.techniques.compact_rows import words_of

MIN_EARLIER = 20
MIN_USES = 20
# Words that are no technique taken up.
NOT_TAKEN_UP = ("none", "false", "other", "unknown", "not recorded")


def adoptions(rows: pl.DataFrame, column: str) -> pl.DataFrame:
    """Techniques that a clinician took up while the records ran: `provider_id, word, adopted, uses`.

    `rows` has `row_id, provider_id, start` and the technique in `column`. A clinician takes a word up on the day of its
    first use if at least `MIN_EARLIER` teeth with another word were begun before that day, and if it is then used at
    least `MIN_USES` times and for half or more of the teeth with a word. A first use at the start of the records, or
    now and then among others, is no such day.
    """
    known = rows.select("provider_id", "start", word=words_of(rows[column])).drop_nulls()
    used = known.group_by("provider_id", "word").agg(adopted=pl.col("start").min(), uses=pl.len())
    counted = (
        used.join(known.select("provider_id", day="start"), on="provider_id")
        .group_by("provider_id", "word", "adopted", "uses")
        .agg(earlier=(pl.col("day") < pl.col("adopted")).sum(), since=(pl.col("day") >= pl.col("adopted")).sum())
    )
    return (
        counted.filter(
            ~pl.col("word").is_in(NOT_TAKEN_UP),
            pl.col("earlier") >= MIN_EARLIER,
            pl.col("uses") >= MIN_USES,
            2 * pl.col("uses") >= pl.col("since"),
        )
        .select("provider_id", "word", "adopted", "uses")
        .sort("word", "provider_id")
    )


def numbered_cases(rows: pl.DataFrame, column: str, word: str, adopted: pl.DataFrame) -> pl.DataFrame:
    """Rows of the clinicians who took `word` up, with `phase` and `case_number`.

    `phase` is `before` or `after` the clinician's first use, whatever was used on the tooth. `case_number` counts the
    clinician's teeth with `word` from 1, by day, then by `row_id`; null for other teeth.
    """
    mine = adopted.filter(pl.col("word") == word).select("provider_id", "adopted")
    joined = rows.join(mine, on="provider_id", how="inner")
    cases = (
        joined.filter(words_of(joined[column]) == word)
        .sort("start", "row_id")
        .select("row_id", case_number=pl.int_range(1, pl.len() + 1).over("provider_id"))
    )
    phase = pl.when(pl.col("start") < pl.col("adopted")).then(pl.lit("before")).otherwise(pl.lit("after"))
    return joined.join(cases, on="row_id", how="left").with_columns(phase=phase).sort("row_id")
