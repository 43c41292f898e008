"""The forms in which a cell is written and still understood: one table, and nothing that is not in it.

A cell is first read as it is written. Only a text that means nothing so is tried against the forms of its field, in the
order of the table. The forms of `any` are taken off every cell before, for they are signs of a spreadsheet or of a web
page and no part of the text. README.md shows this table; a test holds the two together.
"""

from typing import NamedTuple

import polars as pl

from pipeline.practice.counts import count


class Form(NamedTuple):
    """One form: the field it is for (`any`, `tooth`, `code`, `fee`), an example, what that is read as, and the rule.

    `pattern` is a regular expression and `becomes` what takes its place; forms that need more than that leave both
    empty and are read by the module of their field. `counted` says whether `check` and the data-quality page count the
    rows that were read so.
    """

    name: str
    field: str
    example: str
    read_as: str
    rule: str
    pattern: str = ""
    becomes: str = ""
    counted: bool = False


READ_AS = "read_as_"  # begins the notes that count the rows read by a form

_HIDDEN = r"[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]"
_BLANKS = r"[\u00a0\u2000-\u200a\u202f\u205f\u3000]"
# Signs of full width, and the digits of Arabic (two forms), Devanagari, Bengali and Thai.
_DIGITS = [0x0660, 0x06F0, 0x0966, 0x09E6, 0x0E50]
_WIDE = [chr(n) for n in range(0xFF01, 0xFF5F)] + [chr(zero + n) for zero in _DIGITS for n in range(10)]
_NARROW = [chr(n - 0xFEE0) for n in range(0xFF01, 0xFF5F)] + [str(n) for _ in _DIGITS for n in range(10)]
_APOSTROPHE = r"^\s*['‘’`]([A-Za-z]{0,4}[-_. ]?\d.*)$"
_SINGLE = r"^\s*['‘’‚](.*)['‘’]\s*$"
# In small letters alone: DO. may be two surfaces.
_DITTO = (
    r"""(?i)^\s*(?:["”″〃〟]|''|""|´´|,,|-\s*["”〃]\s*-|(?-i:do\.)|ditto|dito|idem|id\.|s\.\s?o\.|as above|"""
    r"j\.\s?w\.|jak wyżej|ídem|dtto|d:o|同上)\s*$"
)
# In capital letters alone, as databases write it: Null may be somebody's name.
_NULL = r"^\s*(?:NULL|[(<\[](?i:null)[)>\]]|\\N)\s*$"
_FORMULA = r'^\s*=\s*"(.*)"\s*$'

FORMS: tuple[Form, ...] = (
    Form("hidden", "any", "14 with a zero-width sign", "14", "signs without width are no part of a text", _HIDDEN),
    Form("blanks", "any", "14 and a no-break space", "14", "every kind of blank is a blank", _BLANKS, " "),
    Form("wide", "any", "１４ (full width)", "14",
         "full-width letters, digits and signs are the usual ones; so are Arabic, Indian and Thai digits"),
    Form("formula", "any", '="14"', "14", "a text put into a formula to keep it as it is", _FORMULA, "${1}"),
    Form("single_quotes", "any", "'Crown'", "Crown", "single quotation marks around a whole cell", _SINGLE, "${1}"),
    Form("apostrophe", "any", "'14", "14", "an apostrophe before a number or a short code marks a text",
         _APOSTROPHE, "${1}"),
    Form("ditto", "any", "〃", "empty",
         "a mark or word for the same again (do., ditto) is no value; `ditto_marks` and `fill_down` take that above",
         _DITTO),
    Form("null", "any", "NULL", "empty", "what databases write where there is nothing: NULL, (null), \\N", _NULL),
    Form("word", "tooth", "Tooth #14", "14", "a word for tooth or number before it, or brackets around it",
         r"(?i)^(?:tooth|teeth|tth|th|zahn|dent|diente|dente|tand|no|nr|n°|num)\b[\s.:#]*(.+)$", "${1}"),
    Form("brackets", "tooth", "(14)", "14", "brackets around it, or a point or colon after it",
         r"^[(\[]?\s*([^()\[\]]*?)\s*[)\].:]+$", "${1}"),
    Form("surfaces", "tooth", "14MOD", "14, surfaces MOD",
         "a tooth with the surfaces right behind it, or two or more letters of surfaces after a blank or sign; "
         "one letter after a blank (14 D) is not read so, nor what may be a number with a letter for a digit (2O)"),
    Form("named", "tooth", "upper right 6", "16 in fdi, UR6 in palmer",
         "the quadrant in words or letters and the place from the midline. In universal it is read only where the "
         "number has one meaning: upper right 6 may be number 6"),
    Form("corner", "tooth", "6⏌", "16 in fdi, UR6 in palmer",
         "Palmer's corner, seen from in front: the upright stroke is the midline, the level one parts the jaws"),
    Form("signs", "tooth", "+6", "UL6",
         "palmer: Haderup's signs, a plus for the upper jaw and a minus for the lower, towards the midline: 6+, +6, "
         "-6, 6-; a zero before the place is a primary tooth"),
    Form("tooth_name", "tooth", "upper right first molar", "16", "the name of a permanent tooth"),
    Form("sign_after_d", "code", "D-2740", "D2740", "cdt: a sign between the letter and the number",
         r"(?i)^D[-._](\d{4})$", "D${1}"),
    Form("suffix", "code", "D2740.1", "D2740", "cdt: a mark of the practice's own behind the code",
         r"(?i)^(D?\d{4})\.\d{1,2}$", "${1}", True),
    Form("zero_for_d", "code", "02740", "D2740", "cdt: the form with a zero in place of the D",
         r"^0(\d{4})$", "D${1}", True),
    Form("list_name", "code", "CDT 2740", "D2740", "cdt: the name of the list before the number",
         r"(?i)^(?:CDT|ADA)[\s\-:#]*D?(\d{4})$", "D${1}"),
    Form("lost_zero", "code", "120", "D0120",
         "zeros lost at the front are put back, if the code list has just one such code and none without them",
         counted=True),
    Form("words", "code", "D2740 - Crown", "D2740",
         "one code with words before or after it; not where the words say void, planned and the like", counted=True),
    Form("several", "code", "D2740; D2950", "a row each",
         "codes with signs or blanks between them, every one in the list: one row a code, without the fee, which is "
         "of them all", counted=True),
    Form("credit", "fee", "1350.00CR", "-1350.00", "CR is a credit: below zero", r"(?i)^(.*\d)CR\.?$", "${1}-"),
    Form("debit", "fee", "1350.00DR", "1350.00", "DR or DB is a charge", r"(?i)^(.*\d)(?:DR|DB)\.?$", "${1}"),
    Form("angles", "fee", "<1350.00>", "-1350.00", "brackets of any kind are below zero", r"^<(.*)>$", "-${1}"),
)  # fmt: skip

_MARKED = (
    rf"{_HIDDEN}|{_BLANKS}|[\uff01-\uff5e\u0660-\u0669\u06f0-\u06f9\u0966-\u096f\u09e6-\u09ef\u0e50-\u0e59]|"
    r"""^\s*(?:=\s*"|['‘’‚`"”″´,-]|[〃〟]|(?i:ditto|dito|idem|id\.|s\.|as above|j\.|jak w|ídem|dtto|d:o|同上)|do\.|"""
    r"""NULL|[(<\[](?i:null)[)>\]]|\\N)"""
)


def forms_of(field: str) -> list[Form]:
    """The forms of a field that are a pattern, in their order."""
    return [form for form in FORMS if form.field == field and form.pattern]


def has_marks(texts: pl.Series) -> bool:
    """Whether any cell of a column may have a form of `any`."""
    return bool(texts.str.contains(_MARKED).any())


def columns_with_marks(rows: pl.DataFrame) -> set[str]:
    """The text columns for which `has_marks` holds, all looked at in one query."""
    found = rows.select(pl.col(pl.String).str.contains(_MARKED).any())
    return {name for name, any_ in zip(found.columns, found.row(0), strict=True) if any_} if found.width else set()


def is_ditto(text: pl.Expr) -> pl.Expr:
    """Whether cells hold a mark or a word for the same as above."""
    return text.str.contains(_DITTO).fill_null(False)


def without_marks(texts: pl.Series) -> pl.Series:
    """A column of text without the forms of `any`."""
    text = texts.str.replace_many(_WIDE, _NARROW)
    for form in forms_of("any"):
        text = text.str.replace_all(form.pattern, form.becomes)
    return text


def plain_cells(texts: pl.Series) -> pl.Series:
    """The same, of a column few of whose cells have a mark."""
    places = texts.str.contains(_MARKED).arg_true()
    return texts.clone().scatter(places, without_marks(texts.gather(places)))


def rewritten(text: pl.Expr, field: str) -> pl.Expr:
    """A column by every form of a field that is a pattern, one after the other."""
    for form in forms_of(field):
        text = text.str.replace(form.pattern, form.becomes)
    return text


def read_by_form(note: str, rows: int) -> str | None:
    """What a note of `clean` says of rows that were read by a form; None if it is another note."""
    form = next((f for f in FORMS if note == READ_AS + f.name), None)
    if form is None:
        return None
    return f"{count(rows, 'row', 'was')} read as `{form.example}` is: {form.read_as} ({form.rule})"
