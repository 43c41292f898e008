"""Months by name, in some twenty languages; no name or short form here means another month in another of them.

English, German, French, Spanish, Portuguese, Dutch, Italian, Hungarian, Swedish, Danish, Norwegian here; Indonesian,
Malay, Turkish, Polish, Czech, Finnish, Romanian, Russian, Greek, Arabic, Hebrew in `data/reading_words.csv`; Thai, of
which some short forms have points within, in `THAI`. `listopada` is another month in Polish than in Croatian, and so no
name. Accents and dots are left out before comparing.
"""

import unicodedata

import polars as pl

from pipeline.machine.data_tables import data_rows

_NAMES = {
    1: "jan january januar jaenner janner janvier janv enero ene janeiro januari gennaio gen",
    2: "feb february februar fevrier fev fevr febrero fevereiro februari febbraio febb febr",
    3: "mar march marz maerz mrz mars marzo marco maart mrt marc marcius marts",
    4: "apr april avril avr abril abr aprile aprilis",
    5: "may mai mayo maio mei maggio mag maj majus",
    6: "jun june juni juin junio junho giugno giu junius",
    7: "jul july juli juillet juil julio julho luglio lug julius",
    8: "aug august aout aou agosto ago augustus augusztus",
    9: "sep sept september septembre septiembre setiembre setembro set settembre sett szept szeptember",
    10: "oct october oktober okt octobre octubre outubro out ottobre ott",
    11: "nov november novembre noviembre novembro",
    12: "dec december dezember dez decembre diciembre dic dezembro dicembre des desember",
}
_FURTHER = {
    int(row["about"]): row["words"].split("|") for row in data_rows("reading_words") if row["list"] == "names of months"
}
_EVERY = [(name, month) for month, names in _NAMES.items() for name in (*names.split(), *_FURTHER[month])]
_ACCENTS = {
    **{c: unicodedata.normalize("NFD", c)[0] for name, _ in _EVERY for c in name if not c.isascii()},
    **dict(zip("áúäéûçèùàı", "auaeuceuai", strict=True)),
}
MONTHS: dict[str, int] = {"".join(_ACCENTS.get(c, c) for c in name): month for name, month in _EVERY}

_THAI_SHORT = "ม.ค ก.พ มี.ค เม.ย พ.ค มิ.ย ก.ค ส.ค ก.ย ต.ค พ.ย ธ.ค"
_THAI = "มกราคม กุมภาพันธ์ มีนาคม เมษายน พฤษภาคม มิถุนายน กรกฎาคม สิงหาคม กันยายน ตุลาคม พฤศจิกายน ธันวาคม"
_ENGLISH = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
THAI = {name: _ENGLISH[n % 12] for n, name in enumerate(f"{_THAI_SHORT} {_THAI}".split())}

_WORD = r"(\p{L}{3,})"
_DAY = r"(\d{1,2})(?:st|nd|rd|th|er|º|°)?"
_GAP = r"[.,]?(?:\s+|[-/.])(?:(?:de|del|of)\s+)?"
# Day, month, year by group number in each form.
_FORMS: tuple[tuple[str, tuple[int, int, int]], ...] = (
    (rf"^{_DAY}{_GAP}{_WORD}{_GAP}(\d{{4}})$", (1, 2, 3)),
    (rf"^{_WORD}{_GAP}{_DAY}{_GAP}(\d{{4}})$", (2, 1, 3)),
    (rf"^(\d{{4}}){_GAP}{_WORD}{_GAP}{_DAY}\.?$", (3, 2, 1)),
)
_SHORT = rf"^{_DAY}[-/\s.]{_WORD}[-/\s.](\d{{2}})$"


def named_date(text: pl.Expr) -> pl.Expr:
    """The date of `5 Mar 2020`, `05-MAR-2020`, `Mar 5, 2020`, `2020-Mar-05` or `5 de marzo de 2020`; else null."""
    low = text.str.to_lowercase()
    return pl.coalesce(_date(low, form, groups, low.str.extract(form, groups[2])) for form, groups in _FORMS)


def named_short_date(text: pl.Expr, year: pl.Expr) -> pl.Expr:
    """The date of `05-MAR-20`, day first as is usual for it (common practice, no source); `year` is its whole year."""
    return _date(text.str.to_lowercase(), _SHORT, (1, 2, 3), year)


def named_short_year(text: pl.Expr) -> pl.Expr:
    """The two digits of the year of `05-MAR-20`; null for other texts and for words that are no month."""
    low = text.str.to_lowercase()
    year = low.str.extract(_SHORT, 3).cast(pl.Int32, strict=False)
    return pl.when(_month(low.str.extract(_SHORT, 2)).is_not_null()).then(year)


def _month(word: pl.Expr) -> pl.Expr:
    plain = word.str.replace_many(list(_ACCENTS), list(_ACCENTS.values()))
    return plain.replace_strict(MONTHS, default=None, return_dtype=pl.Int32)


def _date(low: pl.Expr, form: str, groups: tuple[int, int, int], year: pl.Expr) -> pl.Expr:
    day, month = low.str.extract(form, groups[0]), _month(low.str.extract(form, groups[1]))
    written = year.cast(pl.String) + "-" + month.cast(pl.String).str.zfill(2) + "-" + day.str.zfill(2)
    return written.str.to_date("%Y-%m-%d", strict=False)
