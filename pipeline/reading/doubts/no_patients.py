"""Numbers that stand for no patient, or for many: records made to try a program out, one number for all who pay cash.

Common practice, no source.
"""

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import PROCEDURES
from pipeline.reading.doubts.doubt import Doubt, ask, samples, status_from

# What a record to try things out is called. Surnames such as Sample or Muster are left out on purpose.
_TRIAL_WORDS = "test|tests|testing|testpatient|demo|dummy|training|mustermann|musterfrau|prueba|pruebas"
_TRIAL = rf"(?i)(?:^|[^\p{{L}}])(?:z{{1,4}}[\s._-]*)?({_TRIAL_WORDS})(?:$|[^\p{{L}}])|(?i)do not use|^\s*zz+"
_MOST_TRIALS = 0.1
# Some patient may really have such a number, but hardly five times the rows of others too.
_FILLER = r"^(?:0+|9{3,}|1{4,}|[xX]{2,})$"
_MANY_ROWS, _TIMES = 20, 5
# What sums of all patients are called where a patient's number stands elsewhere.
_SUMS = r"(?i)^(?:all(?: patients)?|(?:grand |sub)?totals?|sums?|gesamt|alle|summe|tous|todos|totaal|totale|tutti)$"
_LEAST_IDS, _LEAST_SUMS, _FEW_WORDS = 20, 3, 0.01


def trial_records(where: str, table: str, people: pl.DataFrame, heading: str | None) -> list[Doubt]:
    """Patients whose name says that they are none; rows of the ledger can be told to count for nothing by it."""
    named = people.select("id", "name").drop_nulls()
    n = named["id"].n_unique()
    found = named.filter(pl.col("name").str.contains(_TRIAL))
    trials = found["id"].n_unique()
    if not trials or heading is None or trials > max(1, _MOST_TRIALS * n):
        return []
    words = found["name"].str.strip_chars().str.to_lowercase().str.extract(rf"(^\s*zz+|do not use|{_TRIAL_WORDS})", 1)
    made = {f"{'' if word.startswith('zz') else '*'}{word}*": "void" for word in sorted(words.drop_nulls().unique())}
    line = status_from(heading, made, "yes: they count for nothing") if table == PROCEDURES.name else None
    return ask(
        "trial_patients.ledger" if line else "trial_patients",
        where,
        f'the names of {trials:,} of {n:,} patients, in the column "{heading}", say that they are none: test, demo '
        "and the like.",
        line,
    )


def shared_by_many(where: str, heading: str, rows: pl.DataFrame) -> list[Doubt]:
    """One number made up of one digit with the rows of many; `rows` has one per `id` with its rows `n`."""
    usual = float(rows["n"].cast(pl.Float64).median() or 0)  # type: ignore[arg-type]
    is_filler = pl.col("id").str.contains(_FILLER) & (pl.col("n") >= _MANY_ROWS) & (pl.col("n") >= _TIMES * usual)
    fillers = rows.filter(is_filler).sort("id")
    if fillers.is_empty():
        return []
    # Such a number is no one's own; any other is not shown.
    shown = fillers["id"][0]
    return ask(
        "shared_number",
        where,
        f"under {fillers.height:,} patient number{'s' if fillers.height > 1 else ''} ({shown}) stand "
        f"{count(int(fillers['n'].sum()), 'row')}, as many as of several patients.",
        status_from(heading, {shown: "void"}, "yes: its rows count for nothing, for nobody can tell whose they are"),
    )


def word_among_numbers(where: str, heading: str, rows: pl.DataFrame) -> list[Doubt]:
    """A word or two where every other patient has a number: sums of all of them, or what no patient was charged for.

    `rows` has one per `id` with its rows `n`.
    """
    words = rows.filter(~pl.col("id").str.contains(r"\d"), pl.col("n") >= _LEAST_SUMS).sort("id")
    numbered = rows.filter(pl.col("id").str.contains(r"\d")).height
    if words.is_empty() or numbered < _LEAST_IDS or words.height > max(1, _FEW_WORDS * numbered):
        return []
    sums = words.filter(pl.col("id").str.contains(_SUMS))
    of = words if sums.is_empty() else sums
    shown, said = ("<the word>", samples(of["id"])) if sums.is_empty() else (sums["id"][0], sums["id"][0])
    return ask(
        "word_for_a_patient",
        where,
        f"{count(int(of['n'].sum()), 'row', 'has')} the word {said} in the column "
        f'"{heading}", where {numbered:,} other patients have a number.',
        status_from(heading, {shown: "void"}, "yes: these rows count for nothing"),
    )
