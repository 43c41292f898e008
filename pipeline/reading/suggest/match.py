"""Which table a file is and which column is which field: all columns weighed at once, each used at most once."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.optimize import linear_sum_assignment

from pipeline.machine.data_tables import data_rows
from pipeline.practice.fields import REQUIRED_FIELDS, input_fields
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.headings import EXACT, NOT_OURS, PART, fit, plain_heading, says_entered
from pipeline.reading.suggest.profile import CUT, Column, FileProfile, looks_like_teeth, tells
from pipeline.reading.suggest.ratings import Rating, rate
from pipeline.reading.suggest.shown import quoted, quoted_list
from pipeline.reading.suggest.who_treated import cleaner_column, visit_columns

SURE, LIKELY, ASK = "sure", "likely", "ask"
_IMPOSSIBLE = -1e6
_PRIOR = -1.0
_HEADING_WORTH = {EXACT: 3.5, PART: 2.0}
_SHORT_WORTH = 1.2
_TOLD = 8.0  # a list beside shows what the column is
_OTHER_HEADING = -1.0  # a heading that speaks for something else, in a file whose headings speak
_RIVAL = 1.0  # closer than this, two columns are both candidates
_FILLED = 0.95  # from this share on a column stands for itself
_FITS, _CONTRADICTS = 0.5, 0.2
_NAMESAKES = 1.2  # numbers for each name
_TELLS = 0.98  # share of the rows whose text follows from that of another column
# A column headed like one of these is never left out without a question.
_NEVER_DROPPED = ("patient_id", "tooth", "service_date", "exam_date")
_OF_PERSONS = frozenset(("name", "names", "namn", "nom", "nombre", "nome", "naam", "phone", "mobile", "tel", "telefon"))
_WORK = "treatment"
_FEWEST_WORDS, _TIMES_BACK, _FEW_BACK, _NEARLY_ALL, _MOST_WORDS = 4, 8, 3, 0.95, 0.7  # of words for work
_ERRORS_LEFT = 0.5  # of whether a row is on a tooth, for who knows its work
_ENOUGH_OF_NEEDED, _MOST_LEFT = 2, 6  # of patient, day and code; of columns that are shown for one of them
_WHY_NOT = {
    "patient_id": "no column holds a number that comes back on several days",
    "service_date": "no column can be read as days; a form of your own can be told with date_format",
    "code": "no column holds codes of a built-in list, nor words for work that come back beside teeth that are read. "
    "Name the column that says what was done: its texts are then listed for you to fill in",
}
# What reports may say once for a group of rows.
_GROUPED = ("patient_id", "service_date")
# What tells the tables apart: so many of these fields must be found.
_TELLING: dict[str, tuple[int, frozenset[str]]] = {
    "procedures": (2, frozenset({"service_date", "code"})),
    "patients": (1, frozenset(input_fields("patients")) - {"patient_id"}),
    "endo_details": (2, frozenset(input_fields("endo_details")) - {"patient_id", "tooth", "service_date"}),
    "crown_details": (2, frozenset(input_fields("crown_details")) - {"patient_id", "tooth"}),
    "findings": (1, frozenset({"pai", "symptomatic"})),
    "elsewhere": (2, frozenset({"event", "event_date"})),
    "notes": (2, frozenset({"note_date", "text"})),
}


@dataclass(frozen=True)
class FieldMatch:
    """One field: its column (None where none or no one column fits), why, how sure, and the columns that come near:
    `sure` if heading and values agree, `likely` if one of them says so and no other column comes near, `ask` if
    several fit, or a needed field has none."""

    field: str
    column: Column | None
    sureness: str
    why: str
    rivals: tuple[Column, ...] = ()
    seen: tuple[str, ...] = ()  # of each rival, what its values look like


@dataclass(frozen=True)
class TableMatch:
    """What a file was found to be: `table` is None if it is none of ours. `score` only ranks tables of one file."""

    table: str | None
    fields: tuple[FieldMatch, ...]
    score: float


@dataclass(frozen=True)
class _Weighed:
    """The columns of a file weighed for the fields of a table, by field and place: by their values, and by heading."""

    table: str
    file: FileProfile
    ratings: Mapping[tuple[str, int], Rating]
    fits: Mapping[tuple[str, int], float]

    def headed(self, name: str) -> list[Column]:
        """The filled columns whose heading is a word for a field and for no other kind of thing."""
        return [c for c in self.file.columns if c.heading and c.filled > 0 and self.fits[name, c.place] == EXACT]


_NONE = TableMatch(None, (), 0.0)


def match_file(file: FileProfile, *, hint: str = "") -> TableMatch:
    """The table and the columns of one file; `hint` is its name or that of its sheet, which weighs little."""
    speak = headings_speak(file)
    best = _NONE
    for table in _TELLING:
        found = _match_table(table, file, speak=speak)
        bonus = 2.0 if _is_named(table, hint) else 0.0
        if found is not None and found.score + bonus > best.score:
            best = TableMatch(table, found.fields, found.score + bonus)
    # Words for work on teeth make a ledger, also of what has a birth date or a sex on each row.
    worded = _by_words(file, speak=speak) if best.table in (None, "patients") else best
    return best if worded.table is None else worded


def likely_ledger(file: FileProfile) -> TableMatch:
    """The columns of a file taken for a ledger as two needed fields were found; the rest are asked for."""
    found = _match_table("procedures", file, speak=headings_speak(file), is_told=True)
    needed = REQUIRED_FIELDS["procedures"]
    there = {m.field: [c for c in (m.column, *m.rivals) if c] for m in found.fields} if found else {}
    there = {name: columns for name, columns in there.items() if columns}
    if found is None or len(there.keys() & set(needed)) < _ENOUGH_OF_NEEDED:
        return _NONE
    taken = {c.place for columns in there.values() for c in columns}
    left = tuple(c for c in file.columns if c.filled > 0 and c.place not in taken)
    fields = [
        replace(m, rivals=left[:_MOST_LEFT], seen=(), why=_WHY_NOT[m.field])
        if m.column is None and not m.rivals and m.field in _WHY_NOT
        else m
        for m in found.fields
    ]
    return TableMatch("procedures", tuple(fields), found.score)


def _by_words(file: FileProfile, *, speak: bool) -> TableMatch:
    """A ledger without a column of codes, whose work stands in words: those that come back, the longest of them."""
    called = (c for c in file.columns if c.fits("tooth") == EXACT)
    teeth = next(filter(looks_like_teeth, file.columns), None) or next(called, None)
    if teeth is None or not file.date_columns:
        return _NONE
    # Work is of a tooth or is not, whoever has it: so it is told from names, which may be longer.
    on_tooth = Column(teeth.place, teeth.name, "", teeth.texts.is_not_null().cast(pl.String))
    usual = max(on_tooth.filled, 1 - on_tooth.filled)  # right so often who knows nothing of the work
    says = lambda c: c.fits("code") > 0 or 1 - tells(c, on_tooth) <= _ERRORS_LEFT * (1 - usual)  # noqa: E731
    rank = lambda c: (c.fits("code"), tells(c, on_tooth) >= _NEARLY_ALL, _length(c))  # noqa: E731
    may_say = [c for c in file.columns if c is not teeth and (are_words(c) or _headed_as_work(c))]
    words = max(filter(says, may_say), key=rank, default=None)
    if words is None:
        return _NONE
    columns = [Column(c.place, c.name, _WORK if c is words else c.heading, c.texts, c.told) for c in file.columns]
    own = {c.place: c for c in file.columns}
    found = _match_table("procedures", FileProfile(columns), speak=speak)
    codes = None if found is None else next((m for m in found.fields if m.field == "code"), None)
    if found is None or codes is None or codes.column is None or codes.column.place != words.place:
        return _NONE
    why = "no column of codes was found, and these are words for work that come back"
    fields = tuple(
        replace(
            m,
            column=None if m.column is None else own[m.column.place],
            rivals=tuple(own[c.place] for c in m.rivals),
            sureness=LIKELY if m is codes else m.sureness,
            why=why if m is codes else m.why,
        )
        for m in found.fields
    )
    return TableMatch("procedures", fields, found.score)


def _headed_as_work(column: Column) -> bool:
    """Whether words under such a heading come back, be they cut short."""
    back = column.distinct <= max(_FEWEST_WORDS, column.n / _FEW_BACK)
    return column.fits("code") > 0 and back and column.matches(r"[\p{L}\p{M}]{2}") >= _NEARLY_ALL


def are_words(column: Column) -> bool:
    """Whether a column holds words that come back on many rows, as names of work do, and not marks or names."""
    few = _FEWEST_WORDS <= column.distinct <= max(_FEWEST_WORDS, column.n / _TIMES_BACK)
    # Among the words may be some that are cut short (PA, BW).
    words, short = r"[\p{L}\p{M}]{4}|\p{Han}{2}|\p{Hangul}{2}", r"^\p{Lu}{2,3}$"
    shares = column.matches(words), column.matches(f"{words}|{short}")
    is_text = column.filled >= _NEARLY_ALL and shares[0] >= _MOST_WORDS and shares[1] >= _NEARLY_ALL
    if not (few and is_text) or column.date_share >= _CONTRADICTS:
        return False
    return column.matches(r"^\p{Lu}\p{L}+, \p{Lu}\p{L}+$") < _FITS


def _length(column: Column) -> float:
    return float(column.common["text"].str.len_chars().mean() or 0)  # type: ignore[arg-type]


def match_worksheet(file: FileProfile, table: str) -> TableMatch:
    """A sheet of our own worksheet, filled in: its headings are the fields of `table`, and nothing is guessed."""
    by_heading = {c.heading: c for c in file.columns}
    why = "the heading of our own worksheet"
    fields = tuple(FieldMatch(f, by_heading[f], SURE, why) for f in input_fields(table) if f in by_heading)
    return TableMatch(table, fields, float(len(fields)))


def nearest_field(table: str, column: Column, file: FileProfile) -> tuple[str, float]:
    """The field of a table that a column comes nearest to, and how near: 1 by heading, or its rating by values."""
    rated = (
        (max(fit(column.heading, f) if column.heading else 0.0, rate(table, f, column, file)[0] or 0.0), f)
        for f in input_fields(table)
    )
    worth, field = max(rated, key=lambda r: r[0])
    return field, worth


def _match_table(table: str, file: FileProfile, *, speak: bool, is_told: bool = False) -> TableMatch | None:
    fields = input_fields(table)
    ratings = {(f, c.place): rate(table, f, c, file) for f in fields for c in file.columns}
    of = _Weighed(table, file, ratings, {(f, c.place): c.fits(f) for f in fields for c in file.columns})
    scores = _scores(fields, of, speak=speak)
    chosen = _assign(scores)
    needed, telling = _TELLING[table]
    by_field = {fields[f]: file.columns[c] for f, c in chosen.items()}
    used = {c.place for c in by_field.values()}
    # Headings win: a column that is called so counts although its values look otherwise, and is then asked about.
    called = {f for f in _NEVER_DROPPED if f in fields and any(c.place not in used for c in of.headed(f))}
    if not is_told and len(telling & (by_field.keys() | called)) < min(needed, len(telling)):
        return None
    has_patient = "patient_id" in by_field.keys() | called
    if not (is_told or has_patient or (table == "procedures" and len(by_field) >= 3)):
        return None
    matches = []
    for number, field in enumerate(fields):
        column = by_field.get(field)
        taken = {c for f, c in chosen.items() if f != number}
        match = _judge(of, field, column=column, scores=scores[number], taken=taken)
        if match is not None:
            matches.append(match)
    matches = [_not_dropped(m, of, matches) for m in _with_headed(of, matches)]
    matches = [_who_treated(m, matches, file) if m.field == "provider_id" else _numbered(m) for m in matches]
    if table == "procedures" and not any(m.field == "provider_id" for m in matches):
        matches += _goes_through_visits(matches, file)
    own = sum(scores[f, c] for f, c in chosen.items())
    return TableMatch(table, tuple(matches), float(own))


def _scores(fields: list[str], of: _Weighed, *, speak: bool) -> np.ndarray:
    """Logarithmic scores, field by column; above 0 is worth proposing."""
    file, fits = of.file, of.fits
    scores = np.full((len(fields), len(file.columns)), _IMPOSSIBLE)
    for c, column in enumerate(file.columns):
        not_ours = column.fits(NOT_OURS)
        best = max(fits[f, column.place] for f in fields)
        only_day = says_entered(column.heading) and all(says_entered(c.heading) for c in file.date_columns)
        for f, field in enumerate(fields):
            value, _ = of.ratings[field, column.place]
            if column.told[0] == field:
                scores[f, c] = _TOLD
                continue
            if value == 0.0:
                continue
            heading = fits[field, column.place]
            worth = _HEADING_WORTH.get(heading, _SHORT_WORTH) if heading else 0.0
            if only_day and field in ("service_date", "exam_date"):
                worth = _SHORT_WORTH
            elif not_ours == EXACT and heading < EXACT:
                worth = 3 * _OTHER_HEADING
            elif not heading and speak and (best >= PART or not_ours):
                worth = 2 * _OTHER_HEADING
            elif not heading and speak:
                worth = _OTHER_HEADING
            elif heading < best:
                worth -= 0.5
            scores[f, c] = _PRIOR + worth + _logit(value)
    return scores


def _assign(scores: np.ndarray) -> dict[int, int]:
    """Field to column with the greatest sum of scores; a field may go without (score 0)."""
    fields, columns = scores.shape
    padded = np.hstack([scores, np.zeros((fields, fields))])
    rows, places = linear_sum_assignment(padded, maximize=True)
    return {int(f): int(c) for f, c in zip(rows, places, strict=True) if c < columns and scores[f, c] > 0}


def _judge(
    of: _Weighed, field: str, *, column: Column | None, scores: np.ndarray, taken: set[int]
) -> FieldMatch | None:
    file, needed = of.file, field in REQUIRED_FIELDS[of.table]
    own = scores[file.columns.index(column)] if column is not None else 0.0
    least = max(own - _RIVAL, 0.0) if column else -1.5
    near = [c for n, c in enumerate(file.columns) if n not in taken and c is not column and scores[n] > least]
    if column is None:
        why = "no column was found for it"
        if field == "patient_id" and not near:
            near = [c for n, c in enumerate(file.columns) if n not in taken and _may_name(c, file)]
        if field in _GROUPED:
            why += (
                f'; or, if it stands in lines above the rows, put group_lines = ["{{{field}}} {{*}}"] in place of this '
                "line, in the form of those lines ({*} is anything)"
            )
        return FieldMatch(field, None, ASK, why, tuple(near)) if needed else None
    if field == "code" and near:
        short, *others = sorted((column, *near), key=lambda c: (_length(c), c.place))
        if all(tells(short, c) >= _TELLS for c in others):
            told = ", ".join(quoted(c.heading or c.name) for c in others)
            return FieldMatch(field, short, LIKELY, f"the texts of {told} follow from it, and it is shorter")
    value, said = of.ratings[field, column.place]
    heading = of.fits[field, column.place]
    said = f": {said}" if said else ""
    if near:
        column, *near = sorted((column, *near), key=lambda c: (-scores[file.columns.index(c)], c.place))
        why = "several columns fit it about as well"
        if field == "provider_id" and any(c.filled < _FILLED for c in (column, *near)):
            by_filled = sorted((column, *near), key=lambda c: c.filled)
            both = quoted_list(c.heading for c in by_filled)
            why += f"; or, where one stands in for the other, a list, of which the first that is filled counts: {both}"
        return FieldMatch(field, None, ASK, why, (column, *near))
    if column.told[0] == field:
        return FieldMatch(field, column, SURE, column.told[1])
    if heading >= PART and value is not None and value >= _FITS:
        return FieldMatch(field, column, SURE, f"the heading says so, and the values agree{said}")
    if heading and value is not None and value >= _FITS:
        return FieldMatch(field, column, LIKELY, f"the heading may be short for it, and the values fit{said}")
    if heading:
        is_against = value is not None and value <= _CONTRADICTS
        how = ", though the values look unusual for it" if is_against else "; the values neither help nor contradict"
        return FieldMatch(field, column, LIKELY, f"the heading says so{how}")
    if says_entered(column.heading):
        return FieldMatch(field, column, LIKELY, "the day of the entry, for the file has no other day")
    return FieldMatch(field, column, LIKELY, f"by the values alone{said}")


def _may_name(column: Column, file: FileProfile) -> bool:
    """Whether a column may say who the patient was though it is headed as a name or a telephone's number."""
    again = column.filled >= _FITS and column.unique < _NEARLY_ALL and file.spans_days(column) >= _FITS
    return again and bool(set(plain_heading(column.heading).split()) & _OF_PERSONS)


def _with_headed(of: _Weighed, matches: Sequence[FieldMatch]) -> list[FieldMatch]:
    """The matches, and those fields without a candidate that a heading names all the same: these are asked for."""
    table, file = of.table, of.file
    found = [m for m in matches if m.column is not None or m.rivals]
    there = {m.field for m in found}
    used = {m.column.place for m in found if m.column is not None}
    rivals = {c.place for m in found for c in m.rivals}
    for name in (f for f in _NEVER_DROPPED if f in input_fields(table) and f not in there):
        headed = [c for c in of.headed(name) if c.place not in used | rivals]
        if headed:
            why = "the heading says so, and the values do not look like it" + _cut(headed)
            found.append(FieldMatch(name, None, ASK, why, tuple(headed)))
    there = {m.field for m in found}
    if table == "procedures" and "tooth" not in there:
        taken = used | {c.place for m in found for c in m.rivals}
        if like := [c for c in file.columns if c.place not in taken and looks_like_teeth(c)]:
            why = "no column is headed so and holds teeth: the headings may stand over other columns than their own"
            found.append(FieldMatch("tooth", None, ASK, why, tuple(like)))
            there.add("tooth")
    found += [m for m in matches if m.field not in there]
    order = input_fields(table)
    return sorted(found, key=lambda m: order.index(m.field))


def _cut(columns: Sequence[Column]) -> str:
    """What to do where a spreadsheet wrote #### in place of the values."""
    if not any(c.matches(CUT) >= _FITS for c in columns):
        return ""
    return ": a spreadsheet wrote #### where its column was too narrow. Make it wider there and save the file again"


def _not_dropped(match: FieldMatch, of: _Weighed, matches: Sequence[FieldMatch]) -> FieldMatch:
    """A match with what its rivals look like; asked where an unused column is headed more like the field."""
    if match.column is not None and match.field in _NEVER_DROPPED:
        used = {m.column.place for m in matches if m.column is not None}
        own = of.fits[match.field, match.column.place]
        better = [c for c in of.headed(match.field) if c.place not in used and own < EXACT]
        if better:
            why = "another column fits by its values than by its heading"
            match = FieldMatch(match.field, None, ASK, why, (match.column, *better))
    return replace(match, seen=tuple(of.ratings[match.field, c.place][1] for c in match.rivals))


def _numbered(match: FieldMatch) -> FieldMatch:
    """The patient, by the number where it was that or a name, and each number has one name and nearly the reverse."""
    names = [c for c in match.rivals if c.matches(r"\d") <= 1 - _TELLS]
    numbers = [c for c in match.rivals if c.filled >= _TELLS and c.matches(r"\d") >= _TELLS]
    if match.field != "patient_id" or len(names) != 1:
        return match
    name = names[0]
    of_names = [c for c in numbers if name.distinct <= c.distinct <= _NAMESAKES * name.distinct
                and tells(c, name) >= _TELLS and tells(name, c) >= 1 / _NAMESAKES]  # fmt: skip
    if len(of_names) != 1 or len(names) + len(numbers) < len(match.rivals):
        return match
    number = of_names[0]
    return FieldMatch(match.field, number, LIKELY, f"each is of one name in {quoted(name.heading or name.name)}")


def _who_treated(match: FieldMatch, matches: Sequence[FieldMatch], file: FileProfile) -> FieldMatch:
    """The clinician, asked where the column has one text and another one shows who does the cleanings."""
    here = [c for c in (match.column, *match.rivals) if c is not None]
    alone = [c for c in here if c.distinct == 1]
    code = next((m.column for m in matches if m.field == "code"), None)
    used = {c.place for m in matches if m is not match for c in (m.column, *m.rivals) if c is not None}
    treats = cleaner_column(file, code, used | {c.place for c in alone}) if alone else None
    if treats is None:
        return match
    own = [c for c in here if c is not treats and c.place not in {a.place for a in alone}]
    why = "who treated? One column may be of the owner, in whose name all is billed"
    said = ("one text throughout",) * len(alone) + ("one of its texts stands on the cleanings alone",)
    return FieldMatch(match.field, None, ASK, why, (*alone, treats, *own), (*said, *[""] * len(own)))


def _goes_through_visits(matches: Sequence[FieldMatch], file: FileProfile) -> list[FieldMatch]:
    """The clinician, asked for where no column is known for it and some look as if they might say it."""
    by = {m.field: m.column for m in matches}
    patient, day, code = by.get("patient_id"), by.get("service_date"), by.get("code")
    used = {c.place for m in matches for c in (m.column, *m.rivals) if c is not None}
    columns = visit_columns(file, patient, day, code, used) if patient and day and code else []
    why = "one text goes through most visits: does it say who treated? Else take this line out"
    return [FieldMatch("provider_id", None, ASK, why, tuple(columns))] if columns else []


def _logit(value: float | None) -> float:
    if value is None:
        return 0.0
    bounded = min(max(value, 0.01), 0.99)
    return math.log(bounded / (1 - bounded))


def headings_speak(file: FileProfile) -> bool:
    """Whether the headings mean something to us: a third of them fit some field well."""
    every = {f for table in INPUT_TABLES for f in input_fields(table)} | {NOT_OURS}
    good = sum(max(fit(c.heading, f) for f in every) >= PART for c in file.columns if c.heading)
    return 3 * good >= len(file.columns)


def _is_named(table: str, hint: str) -> bool:
    words = {row["table"]: row["words"].split("|") for row in data_rows("words_of_files")}
    return any(word in hint.lower() for word in words[table])
