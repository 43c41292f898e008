"""What every look at the rows of a file asks of them: the text of a cell, the month of a day, whether work was done,
and headings of columns that no field takes and that yet tell what a row means (in seven languages, from memory)."""

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any

import polars as pl

from pipeline.reading.headings import plain_heading, word_list

# Of typed rows: none is known to be planned, void or done elsewhere.
STANDS = pl.col("status").cast(pl.String).fill_null("completed") == "completed"
# Before the heading of a cell, in frames that hold cells beside typed rows.
OF = "of:"
MONTH = 12 * pl.col("service_date").dt.year().cast(pl.Int32) + pl.col("service_date").dt.month() - 1


def text_of(rows: pl.DataFrame, heading: str) -> pl.Series:
    """The cells of a column as texts without blanks around them."""
    return rows.get_column(heading).cast(pl.String).str.strip_chars()


def tally(texts: pl.Series) -> dict[Any, int]:
    """The rows of each value of a column."""
    return dict(texts.value_counts(name="n").iter_rows())


def read_once(texts: pl.Series, read: Callable[[pl.Expr], pl.Expr]) -> pl.Series:
    """What `read` makes of each cell of a column with few texts, each of which is read once."""
    text = texts.cast(pl.String).cast(pl.Categorical(pl.Categories.random())).alias("text")
    found = pl.DataFrame([text.unique()]).with_columns(read(pl.col("text").cast(pl.String)).alias("read"))
    return text.to_frame().join(found, on="text", how="left", maintain_order="left").get_column("read")


def headings_of(frame: pl.DataFrame) -> list[str]:
    """The headings of the cells that a frame holds."""
    return [name.removeprefix(OF) for name in frame.columns if name.startswith(OF)]


def month_of(day: dt.date) -> int:
    """The month of a day, counted from the year 0, as `MONTH` is."""
    return 12 * day.year + day.month - 1


def named_month(number: int) -> str:
    """Such a month as `2019-03`."""
    return f"{number // 12}-{number % 12 + 1:02d}"


def headed(headings: Sequence[str], what: str) -> list[str]:
    """The headings of a kind of `data/reading_words.csv`: first_name, account, born, jaw, credit and so on."""
    words = word_list(what.replace("_", " "))
    return [h for h in headings if plain_heading(h) in words]


_OTHERS = word_list("headings of other people")


def is_of_others(heading: str) -> bool:
    """Whether a column with the number of another patient names a relative, an account or who referred them."""
    return bool(_OTHERS & set(plain_heading(heading).split()))
