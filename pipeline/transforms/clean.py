"""Text rows of one file to typed rows, rows that must be set aside, and counts of fields that were left out.

Every row that goes in comes out once: typed, or with the first fault found in it. An optional field whose text cannot
be read becomes null and is counted; a field that decides what the row means sets the row aside.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

import polars as pl

from pipeline.codes import TOOTH_LEVEL, TOOTH_OPTIONAL, normalise_code
from pipeline.fields import RANGES, input_fields, kind, normal_word, normal_words, word_lookup
from pipeline.tables import Table
from pipeline.teeth import parse_teeth
from pipeline.transforms.dates import FIRST_DAY, DateForm, parse_dates
from pipeline.transforms.parsers import parse_fees, parse_flags, parse_numbers, parse_words

ROW = "row_number"
YEAR_ALONE = r"^(\d{4})(?:\.0+)?$"
REJECT_SCHEMA: dict[str, pl.DataType] = {
    ROW: pl.Int64(),
    "field": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
}
NOTE_SCHEMA: dict[str, pl.DataType] = {"field": pl.String(), "note": pl.String(), "rows": pl.Int64()}

# Work on a day that has not come yet can only be planned; these dates say when work was done.
_DONE_ON = {"procedures": "service_date", "endo_details": "service_date", "findings": "exam_date"}
_ON_TEETH = ("endo_details", "crown_details", "findings")


@dataclass(frozen=True)
class Reading:
    """How the text of one file is to be understood.

    `values` maps, per field, words of the file to ours; `dates` gives the form of each date field that is text;
    `codes` is `code, event`; `today` is the last day on which work can have been done.
    """

    table: Table
    notation: str
    code_system: str
    codes: pl.DataFrame
    today: dt.date
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    dates: Mapping[str, DateForm] = field(default_factory=dict)


@dataclass(frozen=True)
class Cleaned:
    """`rows` typed, without `load_id`; `rejects` (row_number, field, value, reason); `notes` (field, note, rows)."""

    rows: pl.DataFrame
    rejects: pl.DataFrame
    notes: pl.DataFrame


def clean(raw: pl.DataFrame, reading: Reading) -> Cleaned:
    """Type one batch of rows.

    `raw` holds `row_number` and any of the table's input fields, as text or, for dates, as dates; what is absent is
    null throughout. len(rows) + len(rejects) = len(raw).
    """
    table = reading.table
    typed = _typed(_texts(raw, reading), reading).with_columns(pl.lit(1, pl.UInt8).alias("part"))
    faults = _first_fault(typed, _rules(table.name, reading.today))
    is_kept = faults["reason"].is_null()
    kept = typed.filter(is_kept)
    columns = {n: t for n, t in table.schema.items() if n != "load_id"}
    return Cleaned(
        rows=kept.select(pl.col(n).cast(t) for n, t in columns.items()),
        rejects=faults.filter(~is_kept).cast(REJECT_SCHEMA),  # type: ignore[arg-type]
        notes=_count_notes(kept, table.name),
    )


def map_values(texts: pl.Series, words: Mapping[str, str]) -> pl.Series:
    """Put the practice's words for a field into ours; other texts stay. An empty word means missing."""
    normal = {normal_word(source): word for source, word in words.items()}
    mapped = normal_words(pl.col("text")).replace_strict(normal, default=None, return_dtype=pl.String)
    return pl.DataFrame({"text": texts}).select(pl.coalesce(mapped, "text").replace("", None))["text"]


def trimmed(column: str) -> pl.Expr:
    """A text column without blanks around; empty text is null."""
    text = pl.col(column).str.strip_chars()
    return pl.when(text.str.len_bytes() > 0).then(text).alias(column)


def _texts(raw: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Row number and every input field, trimmed and with the practice's words put into ours."""
    present = [f for f in input_fields(reading.table.name) if f in raw.columns]
    frame = raw.select(ROW, *(trimmed(f) if raw.schema[f] == pl.String else pl.col(f) for f in present))
    for name in present:
        words = reading.values.get(name)
        if words and frame.schema[name] == pl.String:
            frame = _lookup(frame, name, partial(_mapped, words=words))
            blank = next((word for source, word in words.items() if not normal_word(source)), None)
            frame = frame.with_columns(pl.col(name).fill_null(pl.lit(blank, pl.String)))
    absent = [f for f in input_fields(reading.table.name) if f not in raw.columns]
    return frame.with_columns(pl.lit(None, pl.String).alias(f) for f in absent)


def _mapped(texts: pl.Series, *, words: Mapping[str, str]) -> pl.DataFrame:
    return pl.DataFrame({"text": texts, "value": map_values(texts, words)})


def _typed(texts: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Each field typed; its text kept as `<field>:text`, what was wrong with it as `<field>:note`."""
    table = reading.table.name
    frame = texts.with_columns(pl.col(f).alias(f"{f}:text") for f in input_fields(table))
    for name in input_fields(table):
        if (parse := _parser(table, name, reading)) is not None and frame.schema[name] == pl.String:
            frame = _lookup(frame, name, parse)
        elif name == "tooth":
            frame = _with_tooth(frame, reading)
    frame = _with_plausible_dates(frame, table, reading.today)
    if table == "procedures":
        return _with_code(frame, reading)
    return _with_birth_year(frame) if table == "patients" else frame


def _parser(table: str, name: str, reading: Reading) -> Callable[[pl.Series], pl.DataFrame] | None:
    how = kind(table, name)
    low, high = RANGES.get(name, (float("-inf"), float("inf")))
    parsers: dict[str, Callable[[pl.Series], pl.DataFrame]] = {
        "words": lambda t: parse_words(t, word_lookup(table, name)),
        "flag": parse_flags,
        "whole": lambda t: parse_numbers(t, low=low, high=high, whole=True),
        "number": lambda t: parse_numbers(t, low=low, high=high, whole=False),
        "fee": parse_fees,
        "date": lambda t: parse_dates(t, reading.dates.get(name, DateForm())),
    }
    return parsers.get(how)


def _lookup(frame: pl.DataFrame, name: str, parse: Callable[[pl.Series], pl.DataFrame]) -> pl.DataFrame:
    """Parse the distinct texts of a column and put the results back: a ledger repeats few texts many times."""
    found = parse(frame[name].unique().drop_nulls())
    found = found.rename({"note": f"{name}:note", "value": f"{name}:value"}, strict=False)
    joined = frame.join(found, left_on=name, right_on="text", how="left", maintain_order="left")
    return joined.drop(name).rename({f"{name}:value": name})


def _with_tooth(frame: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    found = parse_teeth(frame["tooth"].unique().drop_nulls(), notation=reading.notation)
    return frame.join(found, left_on="tooth", right_on="text", how="left", maintain_order="left").with_columns(
        pl.col("supernumerary").fill_null(False)
    )


def _with_code(frame: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Codes in normal form, `needs_tooth`, the default status, and no tooth where the code is about none.

    A code that the list does not know, and one for a bridge, may name a tooth and need not.
    """
    needs = (
        pl.when(pl.col("event").is_in(TOOTH_LEVEL)).then(True).when(~pl.col("event").is_in(TOOTH_OPTIONAL)).then(False)
    )
    written = pl.DataFrame({"text": frame["code"].unique().drop_nulls()}, schema={"text": pl.String()})
    known = (
        written.with_columns(normalise_code(pl.col("text"), system=reading.code_system).alias("normal"))
        .join(reading.codes.select("code", "event"), left_on="normal", right_on="code", how="left")
        .select("text", "normal", needs.alias("needs_tooth"))
    )
    about_tooth = pl.col("needs_tooth").fill_null(True)
    unread = about_tooth & pl.col("tooth").is_not_null() & pl.col("tooth_fdi").is_null()
    return (
        frame.join(known, left_on="code", right_on="text", how="left", maintain_order="left")
        .drop("code")
        .rename({"normal": "code"})
        .with_columns(
            pl.when(about_tooth).then("tooth_fdi"),
            pl.col("supernumerary") & about_tooth,
            pl.when(unread).then(pl.lit("unreadable")).alias("tooth:note"),
            pl.col("surface").str.to_uppercase().str.replace_all(r"[\s,;/.\-]+", ""),
            pl.col("status").fill_null(pl.when(pl.col("status:note").is_null()).then(pl.lit("completed"))),
        )
    )


def _with_birth_year(frame: pl.DataFrame) -> pl.DataFrame:
    """The year of birth from the date where there is one; a birth date that is only a year counts as the year."""
    year = pl.col("birth_date:text").cast(pl.String).str.extract(YEAR_ALONE).cast(pl.Float64)
    low, high = RANGES["birth_year"]
    only_year = year.is_between(low, high)
    return frame.with_columns(
        pl.coalesce(
            pl.col("birth_date").dt.year().cast(pl.Float64), pl.col("birth_year"), pl.when(only_year).then(year)
        )
        .cast(pl.Int32)
        .alias("birth_year"),
        pl.when(~only_year.fill_null(False)).then(pl.col("birth_date:note")).alias("birth_date:note"),
    )


def _with_plausible_dates(frame: pl.DataFrame, table: str, today: dt.date) -> pl.DataFrame:
    """Note dates before 1900; those that may be left out, and those not come yet, are left out."""
    for name in input_fields(table):
        if kind(table, name) != "date":
            continue
        if f"{name}:note" not in frame.columns:  # the source gave dates, not text
            frame = frame.with_columns(pl.col(name).cast(pl.Date), pl.lit(None, pl.String).alias(f"{name}:note"))
        early = pl.col(name) < (pl.date(1880, 1, 1) if name == "birth_date" else FIRST_DAY)
        late = pl.col(name) > today if name != _DONE_ON.get(table) else pl.lit(False)
        wrong = (early | late).fill_null(False)
        frame = frame.with_columns(
            pl.when(~wrong).then(name).alias(name),
            pl.when(wrong).then(pl.lit("implausible")).otherwise(f"{name}:note").alias(f"{name}:note"),
        )
    return frame


def _rules(table: str, today: dt.date) -> list[tuple[str | None, str, pl.Expr]]:
    """Field, reason and condition of each fault that sets a row of `table` aside, in the order they are looked for."""
    nothing = pl.all_horizontal(pl.col(f"{f}:text").is_null() for f in input_fields(table))
    rules: list[tuple[str | None, str, pl.Expr]] = [
        (None, "row_empty", nothing),
        ("patient_id", "patient_missing", pl.col("patient_id").is_null()),
    ]
    needs_tooth = pl.lit(table in _ON_TEETH)
    may_lack_date, may_lie_ahead = pl.lit(False), pl.lit(False)
    if table == "procedures":
        rules += [
            ("code", "code_missing", pl.col("code").is_null()),
            ("status", "unknown_status", pl.col("status").is_null()),
        ]
        needs_tooth = pl.col("needs_tooth").fill_null(False)
        may_lack_date = pl.col("status").is_in(["existing", "planned"])
        may_lie_ahead = pl.col("status") == "planned"
    if name := _DONE_ON.get(table):
        note = pl.col(f"{name}:note")
        rules += [
            (name, "date_unreadable", note == "unreadable"),
            (name, "date_implausible", note == "implausible"),
            (name, "date_missing", pl.col(name).is_null() & ~may_lack_date),
            (name, "date_in_future", (pl.col(name) > today) & ~may_lie_ahead),
        ]
    if table != "patients":
        rules += [
            ("tooth", "tooth_missing", needs_tooth & pl.col("tooth").is_null()),
            ("tooth", "tooth_unknown", needs_tooth & pl.col("tooth_fdi").is_null()),
        ]
    if table == "procedures":
        rules.append(("fee", "fee_unreadable", pl.col("fee:note").is_not_null()))
    return rules


def _first_fault(typed: pl.DataFrame, rules: list[tuple[str | None, str, pl.Expr]]) -> pl.DataFrame:
    """`row_number, field, value, reason` of each row; reason is null where no rule is broken."""
    number = pl.coalesce(
        pl.when(condition).then(pl.lit(n, pl.Int32)) for n, (_, _, condition) in enumerate(rules)
    ).alias("rule")
    found = typed.select(ROW, number, *(pl.col(f"{f}:text").cast(pl.String) for f in {f for f, _, _ in rules if f}))
    value = pl.coalesce(
        pl.when(pl.col("rule") == n).then(pl.col(f"{f}:text")) if f else pl.lit(None, pl.String)
        for n, (f, _, _) in enumerate(rules)
    )
    names = pl.DataFrame(
        {"rule": range(len(rules)), "field": [r[0] for r in rules], "reason": [r[1] for r in rules]},
        schema={"rule": pl.Int32(), "field": pl.String(), "reason": pl.String()},
    )
    return (
        found.with_columns(value.alias("value"))
        .join(names, on="rule", how="left", maintain_order="left")
        .select(*REJECT_SCHEMA)
    )


def _count_notes(kept: pl.DataFrame, table: str) -> pl.DataFrame:
    found = [
        kept.select(pl.lit(name).alias("field"), pl.col(f"{name}:note").alias("note"))
        .drop_nulls("note")
        .group_by("field", "note")
        .agg(pl.len().cast(pl.Int64).alias("rows"))
        for name in input_fields(table)
        if f"{name}:note" in kept.columns
    ]
    return pl.concat([pl.DataFrame(schema=NOTE_SCHEMA), *found]).sort("field", "note")
