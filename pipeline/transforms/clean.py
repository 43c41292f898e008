"""Text rows of one file to typed rows, rows that must be set aside, and counts of fields that were left out.

Every row that goes in comes out once: typed, or with the first fault found in it. Only a procedure that names several
teeth comes out as several rows, one a tooth. An optional field whose text cannot be read becomes null and is counted;
a field that decides what the row means sets the row aside.
"""

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial

import polars as pl

from pipeline.practice.codes import TOOTH_LEVEL, TOOTH_OPTIONAL, normal_code
from pipeline.practice.fields import (
    NOTE_FIELDS,
    RANGES,
    YEARS_OF,
    input_fields,
    kind,
    normal_word,
    normal_words,
    word_lookup,
)
from pipeline.practice.tables import Table
from pipeline.transforms.cell_forms import FORMS, READ_AS
from pipeline.transforms.code_cells import UNCLEAR, read_codes
from pipeline.transforms.dates import FIRST_DAY, NO_DAY, DateForm, parse_dates
from pipeline.transforms.parsers import parse_fees, parse_flags, parse_numbers, parse_words
from pipeline.transforms.text_cache import TextCache
from pipeline.transforms.tooth_lists import AREA, parse_tooth_lists
from pipeline.transforms.totals import is_total, may_be_total

ROW = "row_number"
YEAR_ALONE = r"^(\d{4})(?:\.0+)?$"
REJECT_SCHEMA = {ROW: pl.Int64(), "field": pl.String(), "value": pl.String(), "reason": pl.String()}
NOTE_SCHEMA: dict[str, pl.DataType] = {"field": pl.String(), "note": pl.String(), "rows": pl.Int64()}
# Work on a day that has not come yet can only be planned; these dates say when work was done.
DONE_ON = {"procedures": "service_date", "endo_details": "service_date", "findings": "exam_date"}
DONE_ON |= dict.fromkeys(("notes", "note_answers", "note_checks"), "note_date")
_ON_TEETH = ("endo_details", "crown_details", "findings", "elsewhere")


Caches = dict[tuple[object, ...], TextCache]


@dataclass(frozen=True)
class Reading:
    """How the text of one file is to be understood.

    `values` maps, per field, words of the file to ours; `dates` gives the form of each date field that is text and
    `decimals` the decimal sign of fields with numbers, where it is not a point; `codes` is `code, event`; `today` is
    the last day on which work can have been done. One reading serves all batches of a file: it remembers what the
    texts met so far were read as. Readings of several files of a table may share `caches`, if they have the same
    `values`, `codes`, `code_system` and `today`: what else a text is read by is told apart there.
    """

    table: Table
    notation: str
    code_system: str
    codes: pl.DataFrame
    today: dt.date
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    dates: Mapping[str, DateForm] = field(default_factory=dict)
    decimals: Mapping[str, str] = field(default_factory=dict)
    renewed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # see `codes_renewed` of a table's settings
    clinicians_renewed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # likewise
    period: tuple[dt.date | None, dt.date | None] = (None, None)  # of other days another file counts
    statuses: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # see `status_renewed`
    divisors: Mapping[str, str] = field(default_factory=dict)  # see `fees_before`
    caches: Caches = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def known_codes(self) -> frozenset[str]:
        """The codes of the list."""
        return frozenset(self.codes["code"])


@dataclass(frozen=True)
class Cleaned:
    """`rows` typed, without `load_id`; `rejects` (row_number, field, value, reason); `notes` (field, note, rows)."""

    rows: pl.DataFrame
    rejects: pl.DataFrame
    notes: pl.DataFrame


def clean(raw: pl.DataFrame, reading: Reading) -> Cleaned:
    """Type one batch of rows.

    `raw` holds `row_number` and any of the table's input fields, as text or, for dates, as dates; what is absent is
    null throughout. len(rows) + len(rejects) = len(raw) + the further teeth of rows that name several; `part` numbers
    the teeth of a row from 1, in the order written, and each part has an equal share of the row's fee.
    """
    table = reading.table
    raw, typed = _split_codes(raw, _typed(raw, reading), reading)
    if reading.renewed and "code" in typed.columns:
        typed = _with_renewed_codes(typed, reading)
    rules = [*_rules(table.name, reading.today), *_other_days(reading)]
    rule = typed.select(
        pl.coalesce(pl.when(wrong).then(pl.lit(n, pl.Int32)) for n, (_, _, wrong) in enumerate(rules))
    ).to_series()
    if "of_several" in typed.columns:  # of a row that names several codes nothing is loaded if one of them is at fault
        of_row = typed.select(ROW, "of_several", rule.alias("rule"))
        whole = pl.when("of_several").then(pl.col("rule").max().over(ROW)).otherwise("rule")
        rule = of_row.select(whole.alias("rule")).to_series()
    kept = typed.filter(rule.is_null()) if rule.null_count() < len(rule) else typed
    rows = _one_row_a_tooth(kept) if table.name == "procedures" else kept.with_columns(_FIRST_PART)
    if reading.clinicians_renewed and "provider_id" in rows.columns:
        who = pl.col("provider_id")
        rows = rows.with_columns(provider_id=_renewed(who, who, reading.clinicians_renewed, str.strip))
    rows = _by_day(rows, raw, reading) if reading.statuses or reading.divisors else rows
    return Cleaned(
        rows=rows.select(pl.col(n).cast(t) for n, t in table.schema.items() if n != "load_id"),
        rejects=_rejects(raw, typed, rule, rules, reading),
        notes=_count_notes(kept, table.name),
    )


def _with_renewed_codes(typed: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Codes as they are meant on the day of the work, and whether those that changed are about teeth."""
    code, normal = pl.col("code"), partial(normal_code, system=reading.code_system)
    rows = typed.with_columns(renewed=_renewed(code, code, reading.renewed, normal))
    about = _about_teeth(reading.codes.select(renewed="code", event="event").unique("renewed"))
    rows = rows.join(about, on="renewed", how="left", suffix="_new", maintain_order="left")
    is_new = code != pl.col("renewed")
    new = {c: pl.when(is_new).then(f"{c}_new").otherwise(c) for c in ("needs_tooth", "many_teeth")}
    return rows.with_columns(**new, code="renewed").select(typed.columns)


def _about_teeth(codes: pl.DataFrame) -> pl.DataFrame:
    """Of codes, in place of their event, `needs_tooth`: true where one is about one tooth, false where about none, else
    null; and `many_teeth`: whether a row of it may name several, which is so where we know that it is about teeth."""
    event = pl.col("event")
    needs = pl.when(event.is_in(TOOTH_LEVEL)).then(True).when(~event.is_in(TOOTH_OPTIONAL)).then(False)
    many = (event.is_in(TOOTH_LEVEL) | event.is_in(TOOTH_OPTIONAL)).fill_null(False)
    return codes.with_columns(needs_tooth=needs, many_teeth=many).drop("event")


def _renewed(
    text: pl.Expr, found: pl.Expr, renewed: Mapping[str, Mapping[str, str]], normal: Callable[[str], str]
) -> pl.Expr:
    """What was found of texts, or, of a text that was given another meaning, the one that held on the day of the
    work."""
    day = pl.col("service_date")
    for old, by_day in renewed.items():
        for since, new in sorted(by_day.items()):
            is_new = (text == normal(old)) & (day >= dt.date.fromisoformat(since))
            found = pl.when(is_new).then(pl.lit(normal(new))).otherwise(found)
    return found


def _other_days(reading: Reading) -> list[tuple[str | None, str, pl.Expr]]:
    """The rule that leaves out rows of days that count from another file."""
    first, last = reading.period
    day = pl.col(DONE_ON.get(reading.table.name, ""))
    out = [day < first] if first is not None else []
    out += [day > last] if last is not None else []
    return [(DONE_ON[reading.table.name], "in_other_file", pl.any_horizontal(out).fill_null(False))] if out else []


def _by_day(rows: pl.DataFrame, raw: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """The rows with texts of the status and fees as they are meant on the day of the work."""
    day, status, fee = pl.col("service_date"), pl.col("status"), pl.col("fee")
    if reading.statuses and "status" in raw.columns:
        own = raw.select(ROW, own=pl.col("status").cast(pl.String).str.strip_chars().str.to_lowercase()).unique(ROW)
        rows = rows.join(own, on=ROW, how="left", maintain_order="left")
        status = _renewed(pl.col("own"), status, reading.statuses, lambda word: word.strip().lower())
    for until, divisor in sorted(reading.divisors.items(), reverse=True):
        old = (pl.col("fee") / float(divisor)).round(2)
        fee = pl.when(day < dt.date.fromisoformat(until)).then(old).otherwise(fee)
    return rows.with_columns(status=status, fee=fee)


def map_values(texts: pl.Series, words: Mapping[str, str]) -> pl.Series:
    """Put the practice's words for a field into ours; other texts stay. An empty word means missing.

    A word with a `*` on either side is a form of teeth: `JF*` as `UR*` reads JF6 as UR6, also within a list.
    """
    if forms := {source: word for source, word in words.items() if "*" in source and "*" in word}:
        texts = _in_our_forms(texts, forms)
        words = {source: word for source, word in words.items() if source not in forms}
    if not words:
        return texts.replace("", None).alias("text")
    normal = {normal_word(source): word for source, word in words.items()}
    mapped = normal_words(pl.col("text")).replace_strict(normal, default=None, return_dtype=pl.String)
    return pl.DataFrame({"text": texts}).select(pl.coalesce(mapped, "text").replace("", None))["text"]


def _in_our_forms(texts: pl.Series, forms: Mapping[str, str]) -> pl.Series:
    """Texts with the numbers behind some words put behind ours, all words at once: one may be the other's meaning."""
    parts = {f"f{n}": (*source.split("*", 1), word) for n, (source, word) in enumerate(forms.items())}
    longest = sorted(parts.items(), key=lambda part: -len(part[1][0]))
    every = "|".join(
        rf"(?P<{name}>{re.escape(before.strip())}\s*(?P<{name}n>\d+|[A-E]\b){re.escape(behind.strip())})"
        for name, (before, behind, _) in longest
    )
    pattern = re.compile(rf"(?<![^\W\d_])(?:{every})", re.IGNORECASE)

    def ours(found: re.Match[str]) -> str:
        name = next(n for n in parts if found[n] is not None)
        return parts[name][2].replace("*", found[f"{name}n"], 1)

    different = texts.drop_nulls().unique()
    read = [pattern.sub(ours, text) for text in different]
    return texts.replace(dict(zip(different, read, strict=True)))


def trimmed(column: str) -> pl.Expr:
    """A text column without blanks around; empty text is null."""
    return pl.col(column).str.strip_chars().replace("", None)


_FIRST_PART = pl.lit(1, pl.UInt8).alias("part")
# The results of reading a field that become columns of the typed rows, by their name there; {} is the field.
_RESULTS = {
    "value": "{}",
    "note": "{}:note",
    "tooth_fdi": "tooth_fdi",
    "supernumerary": "supernumerary",
    "fault": "tooth:fault",
    "all_fdi": "all_fdi",
    "all_supernumerary": "all_supernumerary",
    "needs_tooth": "needs_tooth",
    "surfaces": "tooth:surfaces",
    "form": "{}:form",
    "code_fault": "code:fault",
    "all_codes": "all_codes",
    "many_teeth": "many_teeth",
    "year": "{}:year",
}


def _typed(raw: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Each field typed, and what was wrong with its text as `<field>:note` where anything was."""
    table = reading.table.name
    fields = input_fields(table)
    texts = {f: c for f in fields if f in raw.columns and (c := _cache(f, raw, reading)) is not None}
    numbered = raw.select(cache.numbering(name).alias(name) for name, cache in texts.items())
    columns: list[pl.Series] = []
    for name, cache in texts.items():
        numbers = cache.numbered(numbered[name])
        columns += cache.get(numbers, {result: column.format(name) for result, column in _RESULTS.items()})
    plain = [f for f in fields if f in raw.columns and f not in texts]
    as_is = (trimmed(f) if raw.schema[f] == pl.String else pl.col(f) for f in plain)
    frame = raw.select(ROW, *as_is).hstack(columns)
    for name in (f for f in plain if raw.schema[f] != pl.String and kind(table, f) == "date"):
        frame = frame.with_columns(pl.col(name).cast(pl.Date)).with_columns(_plausible(name, name, None, reading))
    frame = _with_absent(frame, reading)
    if table == "procedures":
        return _with_defaults(frame)
    for name in (n for n in YEARS_OF if n in fields):
        frame = _with_year(frame, name)
    return frame


def _cache(name: str, raw: pl.DataFrame, reading: Reading) -> TextCache | None:
    """What remembers the texts of a field; None for fields that are taken as they stand."""
    if raw.schema[name] != pl.String:
        return None
    is_plain = kind(reading.table.name, name) in ("text", "id") and name != "surface"
    if is_plain and not reading.values.get(name) and not reading.table.columns[name].usual:
        return None
    how = (name, reading.table.name, reading.notation, reading.dates.get(name), reading.decimals.get(name))
    if how not in reading.caches:
        reading.caches[how] = TextCache(partial(_read, name=name, reading=reading))
    return reading.caches[how]


def _read(written: pl.Series, *, name: str, reading: Reading) -> pl.DataFrame:
    """What the texts of a field mean: `text`, trimmed and with the practice's words put into ours, and the results."""
    words = reading.values.get(name, {})
    text = pl.DataFrame({"text": written}).select(trimmed("text")).to_series()
    text = _in_our_words(text, words) if words else text
    table = reading.table.name
    if name == "tooth":
        found = parse_tooth_lists(text, notation=reading.notation).with_columns(text.alias("value"))
    elif name == "code":
        found = _read_codes(text, reading)
    elif (parse := _parser(table, name, reading)) is not None:
        found = parse(text).select(pl.col("value").cast(reading.table.columns[name].dtype), "note")
    elif name == "surface":
        bare = pl.col("surface").str.to_uppercase().str.replace_all(r"[\s,;/.\-]+", "")
        found = pl.DataFrame({"surface": text}).select(bare.alias("value"))
    else:
        value = pl.col("value")
        usual = word_lookup(table, name) if reading.table.columns[name].usual else {}
        ours = normal_words(value).replace_strict(usual, default=None, return_dtype=pl.String) if usual else value
        found = pl.DataFrame({"value": text}).select(pl.coalesce(ours, "value"))
    found = found.with_columns(text.alias("text"))
    if kind(table, name) == "date":
        found = found.with_columns(_plausible(name, "value", "note", reading))
    if name in YEARS_OF:
        found = found.with_columns(year=pl.col("text").str.extract(YEAR_ALONE).cast(pl.Float64, strict=False))
    return found


def _parser(table: str, name: str, reading: Reading) -> Callable[[pl.Series], pl.DataFrame] | None:
    how = kind(table, name)
    low, high = RANGES.get(name, (float("-inf"), float("inf")))
    decimal = reading.decimals.get(name, ".")
    parsers: dict[str, Callable[[pl.Series], pl.DataFrame]] = {
        "words": lambda t: parse_words(t, word_lookup(table, name)),
        "flag": parse_flags,
        "whole": lambda t: parse_numbers(t, low=low, high=high, whole=True, decimal=decimal),
        "number": lambda t: parse_numbers(t, low=low, high=high, whole=False, decimal=decimal),
        "fee": lambda t: parse_fees(t, decimal=decimal),
        "date": lambda t: parse_dates(t, reading.dates.get(name, DateForm())),
    }
    return parsers.get(how)


def _read_codes(text: pl.Series, reading: Reading) -> pl.DataFrame:
    """Codes in normal form, and whether they are about teeth.

    A code that the list does not know, and one for a bridge, may name a tooth and need not.
    """
    read = read_codes(text, known=reading.known_codes, system=reading.code_system).rename({"fault": "code_fault"})
    events = reading.codes.select(value="code", event="event")
    found = _about_teeth(read.join(events, on="value", how="left", maintain_order="left"))
    return found.select("value", "form", "code_fault", "all_codes", "needs_tooth", "many_teeth")


def _with_absent(frame: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Every column that the rules and the table name; those that the file does not give are null."""
    table = reading.table
    dtypes = {f: table.columns[f].dtype for f in input_fields(table.name)}
    if "tooth" in dtypes:
        dtypes |= {"tooth_fdi": pl.UInt8(), "supernumerary": pl.Boolean(), "tooth:fault": pl.String()}
    if table.name == "procedures":
        dtypes |= {"all_fdi": pl.List(pl.UInt8()), "all_supernumerary": pl.List(pl.Boolean())}
        dtypes |= {"code:fault": pl.String(), "code:form": pl.String(), "tooth:surfaces": pl.String()}
        dtypes |= {"needs_tooth": pl.Boolean(), "many_teeth": pl.Boolean(), "status:note": pl.String()}
    dtypes |= {f"{f}:year": pl.Float64() for f in YEARS_OF if f in dtypes}
    dtypes |= {f"{f}:note": pl.String() for f in dtypes if f in table.columns and f"{f}:note" not in dtypes}
    absent = {n: t for n, t in dtypes.items() if n not in frame.columns}
    return frame.with_columns(pl.lit(None, t).alias(n) for n, t in absent.items())


def _with_defaults(frame: pl.DataFrame) -> pl.DataFrame:
    """The default status, and no tooth where the code is about none."""
    about_tooth = pl.col("needs_tooth").fill_null(True)
    several = pl.col("all_fdi").is_not_null() & pl.col("many_teeth")
    unread = about_tooth & pl.col("tooth").is_not_null() & pl.col("tooth_fdi").is_null() & ~several.fill_null(False)
    return frame.with_columns(
        pl.when(about_tooth).then("tooth_fdi"),
        (pl.col("supernumerary") & about_tooth).fill_null(False),
        pl.when(several).then("all_fdi").alias("all_fdi"),
        pl.when(unread).then(pl.lit("unreadable")).alias("tooth:note"),
        pl.coalesce("surface", pl.when(about_tooth).then("tooth:surfaces")).alias("surface"),
        pl.col("status").fill_null(pl.when(pl.col("status:note").is_null()).then(pl.lit("completed"))),
    )


_SEVERAL = "several"


def _split_codes(raw: pl.DataFrame, typed: pl.DataFrame, reading: Reading) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows that name several codes once for each, with `of_several`; both frames as they are where there is none.

    The fee is of all codes together, so each of them has none. What cannot be shared out (several teeth, a fee below
    zero) is marked as a fault of the code.
    """
    if "all_codes" not in typed.columns or typed["all_codes"].null_count() == typed.height:
        return raw, typed
    codes = typed["all_codes"]
    several = codes.is_not_null()
    each = pl.when(several).then(codes).otherwise(pl.concat_list("code"))
    raw = raw.with_columns(code=each, of_several=several).explode("code")
    is_part = raw["of_several"]
    raw = raw.drop("of_several")
    shared = pl.col("of_several") & (pl.col("all_fdi").is_not_null() | (pl.col("fee") < 0).fill_null(False))
    typed = _typed(raw, reading).with_columns(is_part)
    return raw, typed.with_columns(
        pl.when(shared).then(pl.lit(_SEVERAL)).otherwise("code:fault").alias("code:fault"),
        pl.when("of_several").then(pl.lit(_SEVERAL)).otherwise("code:form").alias("code:form"),
        fee=pl.when(~pl.col("of_several")).then("fee"),
    )


def _one_row_a_tooth(kept: pl.DataFrame) -> pl.DataFrame:
    """Rows that name several teeth once for each, with `part`; the other rows as they are, with part 1."""
    if "of_several" in kept.columns:
        alone = _one_row_a_tooth(kept.filter(~pl.col("of_several")).drop("of_several"))
        parts = kept.filter("of_several").with_columns(pl.lit(1).alias("n"))
        parts = parts.with_columns(pl.col("n").cum_sum().over(ROW).cast(pl.UInt8()).alias("part")).drop("n")
        return pl.concat([alone, parts], how="diagonal_relaxed").sort(ROW, "part")
    if kept["all_fdi"].null_count() == kept.height:
        return kept.with_columns(_FIRST_PART)
    several = pl.col("all_fdi").is_not_null()
    part = pl.when(several).then(pl.int_ranges(1, pl.col("all_fdi").list.len() + 1)).otherwise(pl.lit([1]))
    return (
        kept.with_columns(
            tooth_fdi=pl.when(several).then("all_fdi").otherwise(pl.concat_list("tooth_fdi")),
            supernumerary=pl.when(several).then("all_supernumerary").otherwise(pl.concat_list("supernumerary")),
            fee=pl.when(several).then(pl.col("fee") / pl.col("all_fdi").list.len()).otherwise("fee"),
            part=part.cast(pl.List(pl.UInt8)),
        )
        .drop("all_fdi", "all_supernumerary")
        .explode("tooth_fdi", "supernumerary", "part")
    )


def _with_year(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """The year from the date where there is one; a date that is only a year counts as the year."""
    field = YEARS_OF[name]
    low, high = RANGES[field]
    year = pl.col(f"{name}:year")
    only_year = year.is_between(low, high)
    known = pl.coalesce(pl.col(name).dt.year(), field, pl.when(only_year).then(year.cast(pl.Int32)))
    return frame.with_columns(
        known.cast(pl.Int32).alias(field),
        pl.when(~only_year.fill_null(False)).then(pl.col(f"{name}:note")).alias(f"{name}:note"),
    )


def _plausible(name: str, value: str, note: str | None, reading: Reading) -> list[pl.Expr]:
    """The dates `value` of a field and their notes; dates before 1900 are left out with a note, and those not come yet
    where they may be left out. The days that programs write for none are none."""
    none = pl.col(value).is_in(NO_DAY).fill_null(False)
    early = pl.col(value) < (pl.date(1880, 1, 1) if name == "birth_date" else FIRST_DAY)
    late = pl.col(value) > reading.today if name != DONE_ON.get(reading.table.name) else pl.lit(False)
    wrong = (early | late).fill_null(False) & ~none
    said = pl.lit(None, pl.String) if note is None else pl.col(note)
    return [
        pl.when(~wrong & ~none).then(value).alias(value),
        pl.when(wrong).then(pl.lit("implausible")).otherwise(said).alias(note or f"{name}:note"),
    ]


def _rules(table: str, today: dt.date) -> list[tuple[str | None, str, pl.Expr]]:
    """Field, reason and condition of each fault that sets a row of `table` aside, in the order they are looked for.

    An empty row and one of totals are told from these faults afterwards, by `_rejects`.
    """
    rules: list[tuple[str | None, str, pl.Expr]] = [("patient_id", "patient_missing", pl.col("patient_id").is_null())]
    needs_tooth = pl.lit(table in _ON_TEETH)
    may_lack_date, may_lie_ahead = pl.lit(False), pl.lit(False)
    if table == "procedures":
        rules += [
            ("code", "code_unclear", pl.col("code:fault") == UNCLEAR),
            ("code", "several_codes", pl.col("code:fault") == _SEVERAL),
            ("code", "code_missing", pl.col("code").is_null()),
            ("status", "unknown_status", pl.col("status").is_null()),
        ]
        needs_tooth = pl.col("needs_tooth").fill_null(False)
        may_lack_date = pl.col("status").is_in(["existing", "planned"])
        may_lie_ahead = pl.col("status") == "planned"
    if name := DONE_ON.get(table):
        note = pl.col(f"{name}:note")
        rules += [
            (name, "date_unreadable", note == "unreadable"),
            (name, "date_implausible", note == "implausible"),
            (name, "date_missing", pl.col(name).is_null() & ~may_lack_date),
            (name, "date_in_future", (pl.col(name) > today) & ~may_lie_ahead),
        ]
    if table in ("note_answers", "note_checks"):
        rules.append(("field", "field_unknown", ~pl.col("field").is_in(NOTE_FIELDS).fill_null(False)))
    if table == "elsewhere":
        rules.append(("event", "event_unknown", pl.col("event").is_null()))
    if table != "patients" and not table.startswith("note"):
        unread = needs_tooth & pl.col("tooth_fdi").is_null()
        rules += [
            ("tooth", "tooth_missing", needs_tooth & pl.col("tooth").is_null()),
            ("tooth", "tooth_is_area", unread & (pl.col("tooth:fault") == AREA)),
        ]
        if table == "procedures":
            rules.append(("tooth", "tooth_unknown", unread & pl.col("all_fdi").is_null()))
        else:
            rules += [
                ("tooth", "tooth_unknown", unread & pl.col("tooth:fault").is_not_null()),
                ("tooth", "tooth_list", unread),
            ]
    if table == "procedures":
        rules.append(("fee", "fee_unreadable", pl.col("fee:note").is_not_null()))
    return rules


def _rejects(
    raw: pl.DataFrame,
    typed: pl.DataFrame,
    rule: pl.Series,
    rules: list[tuple[str | None, str, pl.Expr]],
    reading: Reading,
) -> pl.DataFrame:
    """`row_number, field, value, reason` of the rows that break a rule, with the number of the first in `rule`.

    A row without anything in it is `row_empty`; one without patient, code or date in which some cell says that it is a
    total is `totals_row`.
    """
    is_wrong = rule.is_not_null()
    if not is_wrong.any():
        return pl.DataFrame(schema=REJECT_SCHEMA)
    texts = _texts(raw.filter(is_wrong), reading)
    fields = [f for f in input_fields(reading.table.name) if f in texts.columns]
    first = {n: (f, reason) for n, (f, reason, _) in enumerate(rules)}
    needed = [f for f in ("patient_id", "code", DONE_ON.get(reading.table.name)) if f in typed.columns]
    lacks = typed.filter(is_wrong).select(pl.any_horizontal(pl.col(f).is_null() for f in needed)).to_series()
    frame = texts.with_columns(rule.drop_nulls().alias("rule"), lacks.alias("lacks"))
    if "of_several" in typed.columns:
        frame = frame.unique(ROW, keep="first", maintain_order=True)
    number = pl.col("rule")
    empty = pl.all_horizontal(pl.col(f).is_null() for f in fields) if fields else pl.lit(True)
    total = pl.lit(False)
    if frame.filter("lacks").select(pl.any_horizontal(may_be_total(pl.col(f)) for f in fields).any())[0, 0]:
        total = pl.col("lacks") & pl.any_horizontal(is_total(pl.col(f)) for f in fields)
    whole_row = empty | total
    value = pl.coalesce(
        pl.when(number == n).then(f if f in fields else pl.lit(None, pl.String)) for n, (f, _) in first.items()
    )
    of, why = (number.replace_strict({n: told[i] for n, told in first.items()}, return_dtype=pl.String) for i in (0, 1))
    return frame.select(
        pl.col(ROW).cast(pl.Int64),
        field=pl.when(~whole_row).then(of),
        value=pl.when(~whole_row).then(value),
        reason=pl.when(empty).then(pl.lit("row_empty")).when(total).then(pl.lit("totals_row")).otherwise(why),
    )


def _texts(raw: pl.DataFrame, reading: Reading) -> pl.DataFrame:
    """Row number and every input field as text, trimmed and with the practice's words put into ours."""
    present = [f for f in input_fields(reading.table.name) if f in raw.columns]
    frame = raw.select(ROW, *(trimmed(f) if raw.schema[f] == pl.String else pl.col(f).cast(pl.String) for f in present))
    for name in present:
        if (words := reading.values.get(name)) and raw.schema[name] == pl.String:
            frame = frame.with_columns(_in_our_words(frame[name], words).alias(name))
    return frame


def _in_our_words(texts: pl.Series, words: Mapping[str, str]) -> pl.Series:
    """`map_values`, and the word for an empty cell where there is one."""
    blank = next((word for source, word in words.items() if not normal_word(source)), None)
    mapped = map_values(texts, words)
    return mapped.fill_null(blank) if blank is not None else mapped


def _count_notes(kept: pl.DataFrame, table: str) -> pl.DataFrame:
    notes = [(name, pl.col(f"{name}:note")) for name in input_fields(table)]
    if "code:form" in kept.columns:
        form = pl.col("code:form")
        notes.append(("code", READ_AS + pl.when(form.is_in([f.name for f in FORMS if f.counted])).then(form)))
    found = [
        kept.select(field=pl.lit(name), note=note)
        .drop_nulls("note")
        .group_by("field", "note")
        .agg(rows=pl.len().cast(pl.Int64))
        for name, note in notes
        if kept[note.meta.root_names()[0]].null_count() < kept.height
    ]
    return pl.concat([pl.DataFrame(schema=NOTE_SCHEMA), *found]).sort("field", "note")
