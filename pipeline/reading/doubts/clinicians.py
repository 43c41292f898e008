"""Who did the work: the patient's own dentist or another, one's initials or two's. Common practice, no source."""

from collections.abc import Iterable, Sequence
from pathlib import Path

import polars as pl

from pipeline.reading.doubts.cells import OF, headings_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.suggest.shown import quoted

_ROWS, _FILLED, _NEARLY, _LEAST, _MOST_TEXTS, _LONGEST = 5, (0.05, 0.95), 0.95, 20, 60, 24
_AMONG = 0.5
_LONG, _MOST_OWNERS, _VISITS, _ON_A_DAY, _MOST_VISITING = 150, 4, 0.97, 0.2, 40
_FIRST_WORD = r"^(\p{L}[\p{L}.]*)"
_DAY = r"^(\d{4}-\d{2}-\d{2})"


def treating_doubts(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """A clinician who is the same on all rows of a patient, beside a column that names others on some of them."""
    rows = frame.drop_nulls("provider")
    by = rows.group_by("patient").agg(pl.len(), pl.col("provider").n_unique()).filter(pl.col("len") >= _ROWS)
    own = rows["provider"].unique()
    if by.height < _LEAST or own.len() < 2 or (by["provider"] == 1).mean() < _NEARLY:  # type: ignore[operator]
        return []
    for heading in headings_of(frame):
        filled = rows.filter(pl.col(OF + heading) != "").select("provider", text=OF + heading)
        texts = filled["text"].unique()
        share, known = filled.height / rows.height, int(texts.is_in(own.implode()).sum())
        if (
            not _FILLED[0] <= share <= _FILLED[1]
            or texts.len() > _MOST_TEXTS
            or known < 2
            or known < _AMONG * texts.len()
        ):
            continue
        other = filled.filter(pl.col("provider") != pl.col("text")).height
        if other < _NEARLY * filled.height or texts.str.len_chars().max() > _LONGEST:  # type: ignore[operator]
            continue
        means = "yes: the first that is filled; in place of the line that is there"
        return ask(
            "treating_clinician",
            where,
            f'"{read}" is read as the clinician, and hardly any patient has two of them; the column "{heading}", '
            f"which is not read, names others of the same people on {filled.height:,} of {rows.height:,} rows.",
            of_ledger(f"columns.provider_id = [{quoted(heading)}, {quoted(read)}]", means),
            read=read,
            heading=heading,
        )
    return []


def owner_doubts(where: str, frame: pl.DataFrame, read: str) -> list[Doubt]:
    """Clinicians who follow one another, where an unread column names one a visit and several a day: the owner, it may
    be."""
    rows = frame.drop_nulls("provider")
    by = rows.group_by("provider").agg(n=pl.len(), first=pl.col("day").min(), last=pl.col("day").max()).sort("first")
    if not 2 <= by.height <= _MOST_OWNERS or (by["n"] < _LONG).any() or (by["first"] <= by["last"].shift(1)).any():
        return []
    few = [h for h in headings_of(frame) if any(_visits_with_one(frame.with_columns(text=of)) for of in _forms(h))]
    if not few:
        return []
    named = ", ".join(f'"{heading}"' for heading in few)
    return ask(
        "treating_clinician.owner",
        where,
        f'"{read}" is read as the clinician, and its {by.height} follow one another, never two at a time; '
        f"{named}, not read, may name who treated: one person a visit, several on many days.",
        *(of_ledger(f"columns.provider_id = {quoted(heading)}", "who did the work") for heading in few),
        of_ledger('values.provider_id = { "<text>" = "<clinician>" }', "with it, where several texts are one of them"),
        read=read,
    )


def _forms(heading: str) -> tuple[pl.Expr, pl.Expr]:
    """A cell, and its first word alone: `kl/jm` is a dentist and who assisted."""
    text = pl.col(OF + heading)
    return text, text.str.extract(_FIRST_WORD)


def _visits_with_one(rows: pl.DataFrame) -> bool:
    """Whether few texts are one at nearly every visit, and several over a day and over a patient's time."""
    filled = rows.filter(pl.col("text").fill_null("") != "")
    texts = filled["text"].unique()
    if filled.height < _NEARLY * rows.height or not 2 <= texts.len() <= _MOST_VISITING:
        return False
    if not texts.str.contains(r"\p{L}").all() or texts.str.len_chars().max() > _LONGEST:  # type: ignore[operator]
        return False
    visits = filled.filter("is_on_tooth").group_by("patient", "day").agg(n=pl.len(), k=pl.col("text").n_unique())
    days = filled.group_by("day").agg(n=pl.col("patient").n_unique(), k=pl.col("text").n_unique())
    people = filled.group_by("patient").agg(n=pl.len(), k=pl.col("text").n_unique())
    at_visit, on_day, of_one = (
        of.filter(pl.col("n") > 1).select((pl.col("k") > 1).mean()).item() or 0 for of in (visits, days, people)
    )
    return at_visit <= 1 - _VISITS and min(on_day, of_one) >= _ON_A_DAY


def named_twice_doubts(
    lists: Iterable[tuple[Path, pl.DataFrame]], providers: pl.Series, told: Sequence[str]
) -> list[Doubt]:
    """Lists beside the ledger that have a clinician of it, as it names them, on several rows with different names."""
    providers = providers.drop_nulls().unique()
    for path, cells in lists:
        rows = cells.select(pl.all().str.strip_chars())
        for key in rows.columns:
            if providers.len() < 2 or int(providers.is_in(rows[key].implode()).sum()) < 0.8 * providers.len():
                continue
            used = rows.filter(pl.col(key).is_in(providers.implode()), ~pl.col(key).is_in(list(told)))
            twice = used.unique().filter(pl.len().over(key) > 1)
            if twice.is_empty() or twice.height > used.height / 2 + 2:
                continue
            days = (pl.col(c).str.extract(_DAY, 1) for c in rows.columns)
            since = twice.group_by(key).agg(day=pl.coalesce(*days, pl.lit(None, pl.String)).max()).sort(key)
            lines = [
                of_ledger(
                    f"clinicians_renewed.{quoted(who)} = {{ {quoted(day or '<first day>')} = {quoted(who + ' 2')} }}",
                    f"from that day on {who} is another one",
                )
                for who, day in since.iter_rows()
            ]
            shown = ", ".join(since[key])
            evidence = f'the list {path.name} beside the ledger has {shown} on several rows of its column "{key}".'
            return ask("clinician_named_twice", "procedures", evidence, *lines)
    return []
