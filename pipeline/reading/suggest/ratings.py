"""How well the values of a column fit a field: from 0, they cannot, to 1; None where values can say nothing. The limits
only decide what is proposed to a person: common practice, no source."""

import re
from collections.abc import Callable

import polars as pl

from pipeline.practice.fields import RANGES, YEARS_OF, kind
from pipeline.practice.file_sizes import SIZES
from pipeline.practice.tables import INPUT_TABLES
from pipeline.reading.headings import EXACT
from pipeline.reading.suggest.profile import Column, FileProfile, looks_like_teeth, tells
from pipeline.reading.suggest.value_words import known_words
from pipeline.transforms.other_days import epoch_seconds
from pipeline.transforms.parsers import IN_MONEY

Rating = tuple[float | None, str]
_NEVER: Rating = (0.0, "")
_STRENGTHS = (0.5, 1, 1.25, 2, 2.5, 3, 4, 5, 5.25, 6, 8.25)
_MOST_NUMBERED = 12
_MOST_PEOPLE, _ONE_EACH, _ONE_OF_NAMES = 30, 0.98, 0.8  # two patients may have one name
_ALL_DIFFERENT, _MANY = 0.98, 50
_FEW_CODES = 3
_DOTTED = r"^[1-4][.][1-8]$"  # quadrant and place
_CODES, _TELLS = 5, 0.95  # different codes; share of the rows whose code follows from another column
_LIKELY = 0.5  # how well small numbers speak for a field that says nothing of it
_ID = re.compile(r"(?i)\b(?:id|key|no|number|nr|ref)\b|id$")
_PULP = r"(?i)pulp|necro|nekro|vital|previously|revers"
_APEX = r"(?i)apical|apikal|absc|abz|periodont|parodont|granulom"
_TEXTS = {
    "pulpal_diagnosis": _PULP,
    "apical_diagnosis": _APEX,
    "core": r"(?i)compos|amalgam|komposit|build|aufbau",
    "post": r"(?i)fib|cast|screw|faser|guss|titan",
    "cement": r"(?i)cement|ciment|zement|phosph|ionomer|adhesive|resin",
}


def rate(table: str, field: str, column: Column, file: FileProfile) -> Rating:
    """The rating of a column for a field of a table, and what in the values speaks for it."""
    if column.filled == 0 or column.n == 0:
        return _NEVER
    if (rule := _RULES.get(field)) is not None:
        return rule(table, column, file)
    how = kind(table, field)
    if how in ("words", "flag"):
        return _words(table, field, column)
    if how == "date":
        return _other_date(field, column, file)
    if field in RANGES and field not in YEARS_OF.values():
        return _small(table, field, column)
    return _text(field, column)


def _patient(table: str, column: Column, file: FileProfile) -> Rating:
    if column.filled < 0.9 or not _is_id(column, file):
        return _NEVER
    score = 0.5 if _is_prose(column) else 0.9
    if table == "patients":
        return (score, "each row has its own") if column.unique >= 0.98 else (0.02, "")
    if table != "procedures":
        return (score, "looks like a number that patients have") if column.unique > 0.2 else (0.1, "")
    if column.distinct >= 0.98 * file.distinct_rows and column.n >= 10:
        return 0.04, ""
    spans = file.spans_days(column)
    if spans < 0.2 and column.n >= 10:
        return 0.06, ""
    peers = [c for c in file.columns if _repeats(c, file)]
    if column not in peers or column.distinct < max(c.distinct for c in peers):
        return 0.12, ""
    return score, "comes back on several days, and no such column has more different ones"


def _repeats(column: Column, file: FileProfile) -> bool:
    """Whether a column may hold who or where: it comes back on several days and does not hang on the code."""
    is_id = column.filled >= 0.9 and column.unique < 0.98 and _is_id(column, file) and not _is_prose(column)
    return is_id and file.spans_days(column) >= 0.2


def _is_id(column: Column, file: FileProfile) -> bool:
    is_money = max(column.matches(r"^[+-]?\d+[.,]\d{1,2}$"), column.matches(IN_MONEY)) >= 0.3
    if column.date_share >= 0.5 or is_money or column.distinct < 2:
        return column.distinct >= 1 and column.n < 3 and column.date_share < 0.5
    if column is file.code_column or (column.serial_share >= 0.95 and file.main_date is column):
        return False
    codes = file.code_column
    if codes is not None and codes.distinct >= _CODES and tells(column, codes) >= _TELLS:
        return False  # a description
    if looks_like_teeth(column) and (column.filled < 0.97 or column.distinct > 20):
        return False
    return not (column.number_share >= 0.9 and file.code_lift(column) >= 3 and column.unique < 0.9)


def _is_prose(column: Column) -> bool:
    """Names and descriptions: letters with blanks or commas, and hardly a digit, or several words."""
    if column.matches(r"\p{L}{2}\S*\s+\S+\s+\S") >= 0.3:
        return True
    return column.matches(r"^[^\d]*\p{L}[^\d]*[\s,]+[^\d]*$") >= 0.5 or column.matches(r"^.{25,}$") >= 0.5


def _procedure_id(_table: str, column: Column, file: FileProfile) -> Rating:
    if column.filled < 0.95 or column.date_share >= 0.5 or column.n < 5 or _is_prose(column):
        return _NEVER
    if column.share(epoch_seconds(pl.col("text")).is_not_null()) >= 0.95 and not _ID.search(column.heading):
        return _NEVER  # moments of entry, told in seconds
    is_number = column.matches(r"\d") >= 0.9 and column.matches(r"[.,]\d{2}$") <= 0.5
    if column.distinct < 0.97 * file.distinct_rows or not is_number:
        return 0.02, ""
    if file.main_date is column:
        return 0.3, ""  # day numbers of a spreadsheet
    return 0.85, "each row has its own"


def _who_or_where(table: str, column: Column, file: FileProfile) -> list[Column]:
    """The columns that may be clinician and clinic, most different ones first."""
    if table not in file.few:
        found = [c for c in file.columns if _may_be_few(table, c, file)]
        file.few[table] = sorted(found, key=lambda c: (-c.distinct, c.place))
    return file.few[table]


def _may_be_few(table: str, column: Column, file: FileProfile) -> bool:
    most = max(3, min(200, column.n // 8))
    if not 2 <= column.distinct <= most or column.filled < 0.5 or column.date_share >= 0.5:
        return False
    is_work = column is file.code_column or column.fits("code") > column.fits("provider_id")
    if is_work or looks_like_teeth(column) or _surfaces(column) >= 0.9:
        return False
    if column.number_share >= 0.9 and (file.code_lift(column) >= 1.6 or column.matches(r"[.,]\d") > 0.2):
        return False
    if column.distinct > _MOST_NUMBERED and column.number_within(0, 110) >= 0.95:
        return False  # ages
    if column.distinct > _MOST_PEOPLE and any(_is_name_of(column, c) for c in file.columns if c is not column):
        return False  # names of patients
    fields = ("status", "reason") if table == "procedures" else ()
    known = [_words(table, f, column)[0] or 0.0 for f in fields]
    known += [_words("patients", f, column)[0] or 0.0 for f in ("sex", "smoker")]
    return max(known) < 0.5 and file.code_lift(column) < 3


def _is_name_of(column: Column, other: Column) -> bool:
    """Whether a column has one text for each of another one: the names of patients beside their numbers."""
    alike = column.distinct <= other.distinct <= 2 * column.distinct
    return alike and tells(other, column) >= _ONE_EACH and tells(column, other) >= _ONE_OF_NAMES


def _none_of_few(column: Column) -> Rating:
    if column.date_share >= 0.5:
        return _NEVER
    return (0.3, "") if column.distinct == 1 and column.number_share < 0.5 else (0.05, "")


def _provider(table: str, column: Column, file: FileProfile) -> Rating:
    few = _who_or_where(table, column, file)
    if column not in few:
        # Numbers of clinicians hang on the work where one of them does the cleanings: then the heading decides.
        is_called = column.fits("provider_id") == EXACT and 2 <= column.distinct <= _MOST_PEOPLE
        return (None, "") if is_called and column.matches(r"^\d{1,12}$") >= _TELLS else _none_of_few(column)
    short = column.matches(r"^\S{1,6}$") >= 0.9 or column.matches(r"(?i)^d(?:r|ra|re)\b") >= 0.5
    if column is few[0] and (short or len(few) > 1):
        return 0.8, "a few different ones come back throughout"
    return 0.3, ""


def _site(table: str, column: Column, file: FileProfile) -> Rating:
    few = _who_or_where(table, column, file)
    if column not in few:
        return _none_of_few(column)
    if len(few) == 2 and column is few[1]:
        return 0.78, "fewer different ones than the column that looks like clinicians"
    return 0.3, ""


def _service_date(_table: str, column: Column, file: FileProfile) -> Rating:
    numbered = column.serial_share if column.distinct >= 5 or column.n < 10 else 0.0
    share = column.date_share + 0.95 * numbered
    if share < 0.5:
        return _NEVER
    later = [c for c in file.date_columns if c is not column and c.filled >= 0.5]
    if column in file.date_columns and any(_years_between(column, c) > 10 for c in later):
        return 0.05, "lies many years before the other dates"
    what = "dates" if column.date_share >= column.serial_share else "day numbers of a spreadsheet"
    return (0.95 * share if column.filled >= 0.5 else 0.3), f"{share:.0%} are {what}"


def _birth_date(_table: str, column: Column, file: FileProfile) -> Rating:
    if column.date_share < 0.5:
        return (0.3, "") if column.matches(r"^(?:19|20)\d{2}$") >= 0.9 else _NEVER
    others = [c for c in file.date_columns if c is not column]
    earliest = bool(file.date_columns) and file.date_columns[0] is column
    old = float(column.days.median() or 0) < 11_000  # type: ignore[arg-type]  # the year 2000
    if earliest and old and all(_years_between(column, c) > 5 for c in others if c.filled >= 0.5):
        return 0.9, "the earliest dates, spread over a lifetime"
    return 0.08, ""


def _event_date(_table: str, column: Column, file: FileProfile) -> Rating:
    """Of work by others often only the year is known."""
    years = column.matches(r"^(?:19|20)\d{2}$")
    if years and years + column.date_share >= 0.9:
        return 0.7, "years, or dates and years"
    return _other_date("event_date", column, file)


def _years_between(first: Column, second: Column) -> float:
    return (float(second.days.median() or 0) - float(first.days.median() or 0)) / 365.25  # type: ignore[arg-type]


def _other_date(field: str, column: Column, file: FileProfile) -> Rating:
    if max(column.date_share, column.serial_share) < 0.5:
        return _NEVER
    rest = [c for c in file.date_columns if (_birth_date("", c, file)[0] or 0) < 0.5]
    full = [c for c in rest if c.filled >= 0.3]
    if field == "deceased_date":
        return (0.8, "few rows have it") if column.filled < 0.3 and column in rest and full else (0.1, "")
    is_contact = field.endswith("contact_date")
    early, late = ("first_contact_date", "last_contact_date") if is_contact else ("prep_date", "seat_date")
    if len(full) == 1 and full[0] is column:
        return 0.4, "the only such date"
    if len(full) != 2 or column not in full:
        return 0.3, ""
    # By row: where either is missing in some rows, their middle days may stand the other way round.
    ordered = next(((a, b) for a, b in (full, full[::-1]) if _comes_before(a, b)), None)
    if ordered is None:
        return 0.4, ""
    if field not in (early, late) or column is not ordered[field == late]:
        return 0.05, ""
    return 0.85, "the earlier of two dates" if field == early else "the later of two dates"


def _comes_before(a: Column, b: Column) -> bool:
    """Whether the dates of `a` lie on or before those of `b` in nearly every row, and before them in many."""
    apart = (b.days - a.days).drop_nulls()
    if not len(apart):
        return False
    return float((apart >= 0).mean() or 0) >= 0.95 and float((apart > 0).mean() or 0) >= 0.3  # type: ignore[arg-type]


def _code(_table: str, column: Column, file: FileProfile) -> Rating:
    if column.date_share >= 0.5:
        return _NEVER
    if column.unique >= _ALL_DIFFERENT and column.n >= _MANY:
        return _NEVER  # a number of the row: codes come back
    system, hits = max(column.codes.items(), key=lambda pair: pair[1])
    if column.matches(r"^\d(?:\.\d*)?$") >= 0.5 or (hits < 0.6 and column.matches(r"^\d+[.,]\d{1,2}$") >= 0.3):
        return 0.02, ""  # no list has many codes of one digit
    if column.distinct <= _FEW_CODES and column.n >= _MANY * column.distinct and hits < _TELLS:
        return 0.02, ""  # clinicians, say: so many rows are of more kinds of work
    if looks_like_teeth(column) and hits < 0.97:
        return 0.1, ""
    if looks_like_teeth(column) and column.matches(r"^[1-8][1-8]$") >= 0.95:
        return 0.25, ""
    if hits >= 0.4:
        return min(0.97, 0.45 + 0.6 * hits), f"{hits:.0%} are codes of the built-in list {system}"
    if column.matches(r"^[A-Za-z]{1,4}\d{2,4}[A-Za-z]?$") >= 0.9 and 3 <= column.distinct <= column.n / 2:
        return 0.55, "letters and digits that come back, as codes do"
    return (0.15, "") if column.filled < 0.5 or _is_prose(column) else (0.3, "")


def _tooth(_table: str, column: Column, file: FileProfile) -> Rating:
    best = max(column.teeth.values())
    if best < 0.6 or column.date_share >= 0.5:
        return _NEVER
    if column.number_within(1, 5) >= 0.99 and column.matches(_DOTTED) < _TELLS:
        return 0.15, ""
    if column is file.code_column and max(column.codes.values()) >= 0.97 and not looks_like_teeth(column):
        return 0.1, ""
    score = best if column.distinct >= 5 else 0.6 * best
    return (min(score, 0.95) if best >= 0.85 else 0.3), f"{best:.0%} are teeth"


def _surfaces(column: Column) -> float:
    bare = pl.col("text").str.replace_all(r"[\s,;/.\-]+", "")
    return column.share(bare.str.contains(r"(?i)^[modbflivpc5]{1,6}$"))


def _surface(_table: str, column: Column, _file: FileProfile) -> Rating:
    share = _surfaces(column)
    letters = set("".join(column.common["text"].head(200).to_list()).upper())
    if share < 0.8 or column.number_share > 0.5:
        return _NEVER
    mixed = column.matches(r"^\S{2,}") > 0 and len(letters & set("MODBLI")) >= 3
    return (0.9 * share, f"{share:.0%} are letters of surfaces") if mixed else (0.25, "")


def _fee(_table: str, column: Column, file: FileProfile) -> Rating:
    if column.number_share < 0.9 or column.date_share >= 0.5 or looks_like_teeth(column):
        return (0.02, "") if column.number_share < 0.9 else (0.1, "")
    if column is file.code_column or (column.unique >= 0.98 and column.n >= 20):
        return 0.05, ""
    cents = max(column.matches(r"[.,]\d{2}\D*$|^\(|^-"), column.matches(IN_MONEY))
    large = column.number_within(20, 100_000)
    if cents >= 0.5 and large >= 0.2:
        return 0.92, "amounts of money"
    if file.code_lift(column) >= 2 and large >= 0.4 and column.distinct >= 3:
        return 0.85, "numbers that hang on the code, as fees do"
    return 0.15, ""


def _birth_year(_table: str, column: Column, _file: FileProfile) -> Rating:
    share = column.number_within(1900, 2030) if column.matches(r"^\d{4}(?:\.0)?$") >= 0.9 else 0.0
    return (0.9 * share, "years") if share >= 0.9 and column.distinct > 2 else _NEVER


def _index(_table: str, column: Column, _file: FileProfile) -> Rating:
    if column.number_within(1, 5) < 0.97 or column.matches(r"^\d(?:\.0)?$") < 0.97:
        return _NEVER
    return (0.8, "whole numbers from 1 to 5") if column.distinct >= 4 else (0.4, "")


def _small(table: str, field: str, column: Column) -> Rating:
    """Numbers that lie where those of the field mostly do."""
    low, high, score = INPUT_TABLES[table].columns[field].likely or (*RANGES[field], _LIKELY)
    if column.number_within(low, high) < 0.95:
        return _NEVER
    is_whole = column.matches(r"^-?\d+(?:[.,]0+)?$") >= 0.99
    return (score, "small numbers") if is_whole == (kind(table, field) == "whole") else (0.35, "")


def _apical_size(_table: str, column: Column, _file: FileProfile) -> Rating:
    if column.number_within(6, 200) < 0.95:
        return _NEVER
    bare = pl.col("text").str.replace(r"\.0+$", "")
    share = column.share(bare.is_in([str(size) for size in SIZES]))
    return (0.9 * share, "sizes of files") if share >= 0.9 and column.distinct >= 3 else (0.3, "")


def _strength(_table: str, column: Column, _file: FileProfile) -> Rating:
    if column.number_within(0, 20) < 0.95:
        return _NEVER
    rows = column.numbers.filter(pl.col("value").is_in(_STRENGTHS))
    share = int(rows["n"].sum()) / max(int(column.numbers["n"].sum()), 1)
    typical = share >= 0.9 and column.matches(r"^(?:2[.,]5|5[.,]25|8[.,]25)") > 0 and column.distinct <= 8
    return (0.85, "strengths in percent") if typical else (0.3, "")


def _words(table: str, field: str, column: Column) -> Rating:
    known = known_words(table, field)
    met = column.words.keys() & known.keys()
    share = sum(column.words[word] for word in met) / max(sum(column.words.values()), 1)
    if kind(table, field) == "flag":
        if share < 0.9 or column.distinct > 6:
            return (0.0, "") if share < 0.5 else (0.2, "")
        return 0.6, "yes or no"
    if column.distinct > 60 or column.date_share >= 0.5:
        return _NEVER
    if column.number_share >= 0.9:
        return 0.1, ""
    meant = {known[word] for word in met}
    is_short = column.distinct <= 8 and column.matches(r"^\S{1,14}$") >= 0.95
    if field == "status" and meant & {"planned", "existing", "void"} and is_short:
        return 0.85, "few short words, some of them known for a status"
    if share >= 0.3 and len(meant) >= (1 if field in ("status", "reason") else 2):
        return min(0.95, 0.5 + share / 2), f"{share:.0%} are words of this field"
    return (0.3, "") if column.distinct <= 20 else (0.05, "")


def _text(field: str, column: Column) -> Rating:
    if column.date_share >= 0.5 or column.number_share >= 0.9:
        return _NEVER
    share = column.matches(_TEXTS[field]) if field in _TEXTS else 0.0
    if share >= 0.4 and column.distinct <= 60 and column.distinct >= 2:
        return (0.8 if field.endswith("diagnosis") else 0.6), "words of this field"
    return 0.3, ""


def _note(_table: str, column: Column, _file: FileProfile) -> Rating:
    """Chart notes are long, and hardly two are alike."""
    long = column.matches(r"^.{30,}") if column.date_share < 0.5 else 0.0
    return (0.9 * long, "long texts") if long >= 0.5 and column.unique >= 0.5 else (0.02, "")


_RULES: dict[str, Callable[[str, Column, FileProfile], Rating]] = {
    "patient_id": _patient,
    "procedure_id": _procedure_id,
    "provider_id": _provider,
    "site_id": _site,
    "service_date": _service_date,
    "exam_date": _service_date,
    "note_date": _service_date,
    "text": _note,
    "event_date": _event_date,
    "birth_date": _birth_date,
    "birth_year": _birth_year,
    "code": _code,
    "tooth": _tooth,
    "surface": _surface,
    "fee": _fee,
    "pai": _index,
    "preop_pai": _index,
    "master_apical_size_iso": _apical_size,
    "naocl_percent": _strength,
}
