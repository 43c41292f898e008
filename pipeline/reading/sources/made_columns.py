"""Columns that are made of others: a date of three columns, a tooth of two, of a text, or of a column for each tooth.

Each way is told in PRACTICE.toml, none applied unasked. The source gets a column of the field's name, so that
what is made is seen, set aside and mended like any other cell. README.md shows the forms; nothing else is read.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.fields import kind
from pipeline.practice.table_settings import Made
from pipeline.reading.sources.grouped import stem
from pipeline.reading.sources.source import Around, Batch

PARTS, RANGE, LIST, FLAGS, TEXT, WORDS, FIRST = "parts", "range", "list", "flags", "text", "words", "first"
# How a key of a table makes a field.
KEYS = {"tooth_range": RANGE, "tooth_list": LIST, "tooth_flags": FLAGS, "tooth_in_text": TEXT}
# Headings of a column for each quadrant, in which the places stand.
_QUADRANTS = {
    word: quadrant
    for quadrant, words in {
        "UR": "UR UPPERRIGHT RIGHTUPPER OR OBENRECHTS RECHTSOBEN HD HAUTDROIT SUPDER SUPERIORDERECHO",
        "UL": "UL UPPERLEFT LEFTUPPER OL OBENLINKS LINKSOBEN HG HAUTGAUCHE SUPIZQ SUPERIORIZQUIERDO",
        "LL": "LL LOWERLEFT LEFTLOWER UNTENLINKS LINKSUNTEN BG BASGAUCHE INFIZQ INFERIORIZQUIERDO",
        "LR": "LR LOWERRIGHT RIGHTLOWER UNTENRECHTS RECHTSUNTEN BD BASDROIT INFDER INFERIORDERECHO",
    }.items()
    for word in words.split()
}
PLACES = r"^[1-8](?:\.0+)?(?:[\s,;+&/]*[1-8])*$"
_BLANKS = re.compile(r"\s+|\(\s*\)")
FILE = "(file)"  # stands for the name of the file where a heading may
_MONTH_AND_DAY = _TWO = 2
_WHOLE_DAY = r"^(?:\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}|\d{4}[-/.]\d{1,2}[-/.]\d{1,2})(?:\D|$)"
DAY_IN_TEXT = (
    r"(?:^|[^\w/.-])(\d{1,2}[-/.]\d{1,2}[-/.](?:19|20)\d{2}|(?:19|20)\d{2}[-/.]\d{1,2}[-/.]\d{1,2})(?:[^\w/-]|$)"
)
_DAY_ALONE = r"^0?(\d{1,2})(?:\.0+|\.|st|nd|rd|th)?$"
_NAMED_MONTH = r"(\p{L}{3,})\.?[\s_'’-]*((?:19|20)\d{2}|\d{2})(?:\D|$)"
_YEAR_MONTH = r"(?:^|\D)((?:19|20)\d{2})[-_./ ]?(0[1-9]|1[0-2]|[1-9])(?:\D|$)"
_MONTH_YEAR = r"(?:^|\D)(0?[1-9]|1[0-2])[-_./ ]((?:19|20)\d{2})(?:\D|$)"
_YEAR_IN_TEXT = r"(?:^|\D)((?:19|20)\d{2})(?:\D|$)"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
TICKS = r"(?i)^(?:x+|[1✓✔☑✗✘●•*+]|y|yes|true|ja|j|oui|o|si|sí|s)$"
NO_TICKS = r"(?i)^(?:|0|-|n|no|nein|non|nee|false|☐|○)$"
# A word for tooth or the number sign, then numbers, letters of primary teeth or quadrants with places.
# Nor a number that counts: `#2 of 4 visits`, and in a list `#18, 2 visits`.
_NOT_OF = r"(?!\d|\s*(?:of|out of|von|sur|de|van)\s+\d)"
_NO_COUNT = (
    r"(?!\s*(?:visits?|surfaces?|canals?|units?|app(?:oin)?tm?e?n?ts?|sessions?|films?|mm|h(?:ou)?rs?|min(?:ute)?s?|years?|"
    r"months?|weeks?|days?|sitzung(?:en)?|termine?|flächen?|kan[aä]le?n?|jahre?|séances?|cana(?:l|ux)|faces?|ans|mois|"
    r"sesi[oó]n(?:es)?|visitas?|conductos?|caras?|meses|vlakken|zitting(?:en)?)\b)"
)
_ONE = r"(?:\d{1,2}|[UL][RL]\s?[1-8A-E]|[A-T](?![A-Za-z]))"
_WORD = (
    r"(?:\b(?:tooth|teeth|tth|th|zahn|zähne|zahne|dents?|dientes?|piezas?|dentes?|dente|denti|elementos?|elementen?|tanden|tand|"
    r"tann|tenner|tænder|zęby?|zębów|zęba|ząb|zuby?|zubu|diş|dişi|dişler|fog|fogak|hammas|hampaat|zob|zub|gigi)\b"
)
IN_TEXT = re.compile(
    rf"(?i){_WORD}\s*(?:nos?\b|nr\b|number\b|numbers\b)?[\s.:#°]*|#\s*)"
    rf"({_ONE}{_NOT_OF}(?:\s*(?:[,&+/]|-|\band\b|\bto\b|\bund\b|\bbis\b|\bet\b)\s*"
    rf"(?:#\s*{_ONE}|{_ONE}{_NO_COUNT})(?![\w%]){_NOT_OF})*)(?![\w%])"
)
# Where no sign and no word says so, numbers that stand in brackets alone: `Extraction (16, 17)`.
_ALONE = r"(?:\d{1,2}|[UL][RL]\s?[1-8A-E])"
IN_BRACKETS = re.compile(rf"(?i)\(\s*({_ALONE}(?:\s*(?:[,&+/]|-|\band\b)\s*{_ALONE})*)\s*\)")

# A code with the tooth behind a sign or in brackets, surfaces behind that: `D2740.14`, `D2391:14:MOD`, `D2740 (14)`.
BEHIND_CODE = re.compile(
    rf"(?i)^([A-Z]{{0,3}}\d{{3,5}})\s*[.:/#(]\s*#?(?:0+|({_ONE}))(?:[.:/ -]([MODBLIFVP]{{1,5}}))?\s*\)?$"
)


def made_of(
    raw: Mapping[str, Any],
    columns: Mapping[str, str],
    parts: Mapping[str, tuple[str, ...]],
    firsts: Mapping[str, tuple[str, ...]],
    where: str,
) -> tuple[Made, ...]:
    """What a table of PRACTICE.toml says is made of other columns; `parts` are dates told as three headings, `firsts`
    fields told as headings of which the first that is filled counts. Raises ConfigError if a field is told twice, or a
    way has not what it needs."""
    found = [Made(name, PARTS, headings) for name, headings in parts.items()]
    found += [Made(name, FIRST, headings) for name, headings in firsts.items()]
    for key, how in KEYS.items():
        if (told := raw.get(key)) is None:
            continue
        if how in (RANGE, LIST):
            is_list = isinstance(told, list) and all(isinstance(h, str) and h.strip() for h in told)
            if not is_list or len(told) < 2 or (how == RANGE and len(told) > 2):
                what = "two" if how == RANGE else "two or more"
                example = '["Tooth From", "Tooth To"]' if how == RANGE else '["Tooth 1", "Tooth 2"]'
                raise ConfigError(f"{where} {key} must list {what} headings, e.g. {example}.")
            found.append(Made("tooth", how, tuple(h.strip() for h in told)))
        elif not isinstance(told, str) or not told.strip() or (how == FLAGS and "{tooth}" not in told):
            example = "T{tooth}" if how == FLAGS else "Description"
            raise ConfigError(f'{where} {key} must be a text such as "{example}".')
        else:
            found.append(Made("tooth", how, (told.strip(),)))
    if (text := raw.get("tooth_in_text")) is not None and columns.get("code") == text:
        found.append(Made("code", WORDS, (text.strip(),)))
        columns = {name: heading for name, heading in columns.items() if name != "code"}
    names = [made.field for made in found]
    for name in names:
        if name in columns or names.count(name) > 1:
            raise ConfigError(f"{where} says twice where {name} comes from. Keep one of the two lines.")
    return tuple(found)


def date_parts(columns: Mapping[str, Any], table: str, where: str) -> dict[str, tuple[str, ...]]:
    """The dates that are told as a list of headings: year, month and day, or month with year and day. Raises
    ConfigError if a list has another length or stands for another kind of field."""
    found = {}
    for name, told in columns.items():
        if not isinstance(told, list) or kind(table, name) != "date":
            continue
        texts = all(isinstance(h, str) and h.strip() for h in told)
        if len(told) not in (2, 3) or not texts:
            raise ConfigError(
                f"{where} columns.{name} must be one heading; only a date may have three, those of its year, month and "
                'day in this order, e.g. ["Year", "Month", "Day"], or two, of its month with the year and of its day, '
                'e.g. ["(sheet)", "Day"], or of two whole days of which the first that is filled counts, alone or in a '
                'text, e.g. ["Moved to", "Date"].'
            )
        found[name] = tuple(h.strip() for h in told)
    return found


def first_filled(columns: Mapping[str, Any], parts: Mapping[str, Any], where: str) -> dict[str, tuple[str, ...]]:
    """The fields that are told as a list of headings: the first of these that is filled in a row counts. Raises
    ConfigError if a list has fewer than two headings."""
    found = {}
    for name, told in columns.items():
        if not isinstance(told, list) or name in parts:
            continue
        if len(told) < _TWO or not all(isinstance(h, str) and h.strip() for h in told):
            raise ConfigError(
                f"{where} columns.{name} must be one heading, or two and more of which the first that is filled in a "
                'row counts, e.g. ["Treated by", "Visit with"].'
            )
        found[name] = tuple(h.strip() for h in told)
    return found


def headings_of(made: Sequence[Made]) -> tuple[str, ...]:
    """The headings that a file must have for what is made; those of flags are known from the file only."""
    return tuple(h for one in made if one.how != FLAGS for h in one.headings if h != FILE)


def flag_headings(pattern: str, headings: Sequence[str]) -> dict[str, str]:
    """Headings of a column for each tooth, each with the tooth that it names; `pattern` is one as `T{tooth}`."""
    before, after = (re.escape(part.strip()) for part in pattern.split("{tooth}", 1))
    form = re.compile(rf"{before}\s*(\d{{1,2}}|[A-Ta-t]|[UL][RL][1-8A-E])\s*{after}")
    return {h: match[1].upper() for h in headings if (match := form.fullmatch(h.strip()))}


# A number behind one of these and the number sign is no tooth.
_COUNTED = re.compile(
    r"(?i)\b(?:visit|claim|check|cheque|invoice|receipt|ref|ticket|order|case|file|size|pin|quad|quadrant|page|unit|"
    r"apt|room|chair|op|lot|appt|box)s?\W*$"
)


@dataclass
class MadeColumns(Around):
    """A source with columns that are made of others; see `pipeline.reading.sources.source.Source`."""

    made: tuple[Made, ...]
    file: str

    def __post_init__(self) -> None:
        there = self.source.headings
        for one in self.made:
            if one.field in there:
                raise DataError(
                    f'{self.file}: has a column "{one.field}" itself, and the TOML says that it is made of others. '
                    "Keep one of the two."
                )
            if absent := [h for h in self._of(one) if h not in there and h != FILE]:
                raise DataError(
                    f'{self.file}: has no column "{absent[0]}", of which {one.field} is to be made. Correct the name '
                    "in the TOML."
                )
            if not self._of(one):
                raise DataError(
                    f'{self.file}: no column is headed like "{one.headings[0]}", with the number of a tooth in place '
                    "of {tooth}. Correct tooth_flags in the TOML."
                )

    @property
    def added(self) -> Sequence[str]:
        """The fields that are made."""
        return [one.field for one in self.made]

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        own = [one for one in self.made if headings is None or one.field in headings]
        beside = [h for one in own for h in self._of(one) if h != FILE]
        for batch in self.source.batches(self.within(headings, *beside)):
            columns = [self._column(one, batch.rows) for one in own]
            yield replace(batch, rows=batch.rows.with_columns(columns)).only(headings)

    def _of(self, one: Made) -> list[str]:
        if one.how == FLAGS:
            return list(flag_headings(one.headings[0], self.source.headings))
        return list(one.headings)

    def _cells(self, heading: str, rows: pl.DataFrame) -> pl.Series:
        if heading == FILE:
            return pl.repeat(stem(self.file), rows.height, dtype=pl.String, eager=True)
        return rows.get_column(heading).cast(pl.String).str.strip_chars().replace("", None)

    def _column(self, one: Made, rows: pl.DataFrame) -> pl.Series:
        cells = [self._cells(h, rows) for h in self._of(one)]
        if one.how == PARTS:
            return dates_in_parts(one.headings, cells).alias(one.field)
        if one.how == FIRST:
            frame = pl.DataFrame({str(n): cell for n, cell in enumerate(cells)})
            return frame.select(pl.coalesce(pl.all())).to_series().alias(one.field)
        if one.how == RANGE:
            return teeth_between(*cells).alias(one.field)
        if one.how == LIST:
            cells = [_in_quadrant(c, h) for c, h in zip(cells, self._of(one), strict=True)]
            return _joined(c.alias(str(n)) for n, c in enumerate(cells)).alias(one.field)
        if one.how == TEXT:
            return teeth_in(cells[0]).alias(one.field)
        if one.how == WORDS:
            return words_beside_teeth(cells[0]).alias(one.field)
        named = flag_headings(one.headings[0], self.source.headings)
        return teeth_ticked(dict(zip(named.values(), cells, strict=True))).alias(one.field)


def quadrant_of(heading: str) -> str | None:
    """The quadrant that the heading of a column of places names, as Palmer writes it."""
    return _QUADRANTS.get(re.sub(r"[\s./_-]+", "", heading).upper().removesuffix("QUADRANT").removesuffix("QUAD"))


def _in_quadrant(cells: pl.Series, heading: str) -> pl.Series:
    """Places in the quadrant that a heading names, with its letters before each; any other text as it is."""
    if (quadrant := quadrant_of(heading)) is None:
        return cells
    text = pl.col("text")
    each = text.str.extract_all("[1-8]").list.eval(pl.lit(quadrant) + pl.element()).list.join(", ")
    is_places = text.str.contains(PLACES)
    return pl.DataFrame({"text": cells}).select(pl.when(is_places).then(each).otherwise(text)).to_series()


def day_in(texts: pl.Series) -> pl.Series:
    """The day, with its year whole, that a text holds; null where it holds none or several."""
    text = pl.col("text")
    day = pl.when(text.str.count_matches(DAY_IN_TEXT) == 1).then(text.str.extract(DAY_IN_TEXT))
    return pl.DataFrame({"text": texts}).select(day).to_series()


def dates_in_parts(headings: Sequence[str], cells: Sequence[pl.Series]) -> pl.Series:
    """Written dates of three parts, or of two: a month with its year and a day, or two whole days."""
    if len(cells) != _MONTH_AND_DAY:
        return dates_of(*cells)
    made = dates_of_month(*cells)
    if headings[0].startswith("("):  # a name, see `FILE`
        return made
    # Two whole days: the first that is filled, within a text too.
    own = cells[0].zip_with(cells[0].str.contains(_WHOLE_DAY).fill_null(False), day_in(cells[0]))
    return own.zip_with(own.is_not_null(), made)


def dates_of_month(month: pl.Series, day: pl.Series) -> pl.Series:
    """Written dates of a text that names a month and a year, or a year alone, and of what stands for the day. A day
    that is a whole date stays as it is; beside a year alone it may be a day and a month."""
    m, d = pl.col("m"), pl.col("d")
    word = m.str.extract(_NAMED_MONTH, 1)
    year = pl.coalesce(m.str.extract(_NAMED_MONTH, 2), m.str.extract(_YEAR_MONTH, 1), m.str.extract(_MONTH_YEAR, 2))
    number = pl.coalesce(m.str.extract(_YEAR_MONTH, 2), m.str.extract(_MONTH_YEAR, 1))
    plain = d.str.extract(_DAY_ALONE, 1)
    by_name = pl.concat_str(plain, word, year, separator="-")
    by_number = pl.concat_str(year, number.str.zfill(2), plain.str.zfill(2), separator="-")
    alone = m.str.extract(_YEAR_IN_TEXT, 1)
    bare = d.str.strip_chars_end(".-/ ")  # `14.03.`
    sign = bare.str.extract(r"^\w+([-/. ])\w+$", 1)
    behind = pl.when(plain.is_null() & number.is_null() & word.is_null()).then(pl.concat_str(bare, sign, alone))
    frame = pl.DataFrame({"m": month, "d": day})
    whole = pl.when(d.str.contains(r"\d{4}|^\w+[-/. ]\w+[-/. ]\w+")).then(d)
    return frame.select(pl.coalesce(whole, by_name, by_number, behind, d)).to_series()


def dates_of(year: pl.Series, month: pl.Series, day: pl.Series) -> pl.Series:
    """Written dates of years, months (by number or name) and days; one with a part missing is no date, none is null. A
    year may stand within a text."""
    parts = pl.DataFrame(
        {n: c.str.replace(r"^(\d+)\.0+$", "${1}") for n, c in zip("ymd", (year, month, day), strict=True)}
    ).with_columns(y=pl.coalesce(pl.col("y").str.extract(_YEAR_IN_TEXT, 1), "y"))
    y, m, d = (pl.col(n).fill_null("") for n in "ymd")
    number = pl.col("m").cast(pl.Int32, strict=False)
    name = (number - 1).replace_strict(dict(enumerate(_MONTHS)), default=None, return_dtype=pl.String)
    named = pl.concat_str(d, pl.coalesce(name, m), y, separator=" ")
    by_number = pl.concat_str(y, m.str.zfill(2), d.str.zfill(2), separator="-")
    short = pl.col("y").str.len_chars() <= 2  # with the month by name only the century is open
    short_named = pl.concat_str(d, pl.coalesce(name, m), y.str.zfill(2), separator="-")
    whole = pl.when(short).then(short_named).when(number.is_not_null()).then(by_number).otherwise(named)
    return parts.select(pl.when(~pl.all_horizontal(pl.all().is_null())).then(whole)).to_series()


def teeth_between(first: pl.Series, last: pl.Series) -> pl.Series:
    """One tooth where both columns name the same or one is empty, else both with a dash: the teeth between them."""
    frame = pl.DataFrame({"a": first, "b": last})
    same = pl.col("a").str.to_uppercase() == pl.col("b").str.to_uppercase()
    both = pl.concat_str("a", "b", separator=" - ")
    return frame.select(pl.when(same | pl.col("b").is_null()).then("a").otherwise(pl.coalesce(both, "b"))).to_series()


def teeth_in(texts: pl.Series) -> pl.Series:
    """The teeth that texts name after the number sign or a word for tooth, or a code after a sign (`D2740.14`), else
    in brackets alone, as written; null where none is.

    A text that names different ones in places apart (`Crown #14, shade #4`) does not say on which the work was done:
    it stays whole, is no tooth that can be read, and so sets its row aside.
    """
    distinct = texts.unique().drop_nulls()
    found = {text: _told(text) for text in distinct}
    return texts.replace_strict(found, default=None, return_dtype=pl.String)


def words_beside_teeth(texts: pl.Series) -> pl.Series:
    """Texts without the teeth that they name, so that a description is the same for every tooth."""
    distinct = texts.unique().drop_nulls()
    found = {text: _BLANKS.sub(" ", _cut(text)).strip(" .,;:-/()") or None for text in distinct}
    return texts.replace_strict(found, default=None, return_dtype=pl.String)


def teeth_ticked(columns: Mapping[str, pl.Series]) -> pl.Series:
    """The teeth whose columns hold a tick; what else stands in one (surfaces, say) stands behind its tooth."""
    each: list[pl.Series] = []
    for tooth, cells in columns.items():
        text = pl.col(tooth)
        behind = pl.concat_str(pl.lit(tooth), text, separator=" ")
        ticked = pl.when(text.str.contains(TICKS)).then(pl.lit(tooth)).when(~text.str.contains(NO_TICKS)).then(behind)
        each.append(pl.DataFrame({tooth: cells}).select(ticked.alias(tooth)).to_series())
    return _joined(each)


def _joined(columns: Iterable[pl.Series]) -> pl.Series:
    """What stands in the columns of each row, with commas between; null where nothing does."""
    both = pl.concat_str(pl.all(), separator=", ", ignore_nulls=True).replace("", None)
    return pl.DataFrame(list(columns)).select(both).to_series()


def _found(text: str) -> list[re.Match[str]]:
    found = [match for match in IN_TEXT.finditer(text) if not _COUNTED.search(text[: match.start()])]
    return found or list(IN_BRACKETS.finditer(text))


def _told(text: str) -> str | None:
    if behind := BEHIND_CODE.match(text):
        return behind[2] and behind[2] + (behind[3] or "")
    named = {match[1].strip() for match in _found(text)}
    return text if len(named) > 1 else next(iter(named), None)


def _cut(text: str) -> str:
    if behind := BEHIND_CODE.match(text):
        return behind[1]
    for match in reversed(_found(text)):
        text = f"{text[: match.start()]} {text[match.end() :]}"
    return text
