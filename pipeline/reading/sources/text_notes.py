"""Lines of a text file that are no rows of it: headings again, totals, page numbers and other notes."""

import re
from collections.abc import Sequence

import polars as pl

from pipeline.machine.errors import DataError

# From so many columns on, a line that says something in one of them only is a note.
_MANY_COLUMNS = 3
_LOOK_AT = 1_000
# A file that was put behind another brings its mark along, and with it the quotation marks of its first heading.
_AROUND = '\ufeff" \t\r\n'
# What notes begin with, in seven languages; from memory.
_TOTAL = (
    r"(?:grand |sub[ -]?)?totals?|sub[ -]?total|sum|summe|gesamt\w*|zwischensumme|endsumme|totaal|total général|"
    r"totaux|somme|soma|suma|totale|subtotale|somma|tot\."
)
_NOTE = (
    r"(?i)^[\s*#=\-_(]*(?:page|seite|pagina|página|pág\.?|blz\.?|bladzijde|printed|print date|run date|report|"
    r"gedruckt|druckdatum|erstellt|stand vom|ausdruck|imprimé|édité|impreso|impresso|stampato|afgedrukt|"
    r"end of|ende der|fin de|number of|anzahl|records?|rows?|count|\d+ (?:rows?|records?|datensätze|zeilen)|"
    rf"{_TOTAL})(?:$|[\s:=.,\d/])"
)
# Lines that are such notes, and those of them that hold totals.
NOTE_LINE = _NOTE
TOTAL_LINE = rf"(?i)^[\s*#=\-_(]*(?:{_TOTAL})(?:$|[\s:=.,\d/])"
NOTE_PATTERN = re.compile(_NOTE)


def line_reason(fields: Sequence[str] | None, said: Sequence[str]) -> str | None:
    """Why a record of the wrong width is no row; None if it may be a row that is broken. `said` are the headings as the
    file has them; `fields` is None where a record cannot be cut into fields."""
    if fields is None:
        return None
    filled = [text for cell in fields if (text := cell.strip(_AROUND))]
    headings = [text.strip() for text in said if text.strip()]
    if headings and filled == headings:
        return "repeated_heading"
    is_short = len(fields) < len(said) or not said
    starts_so = bool(filled) and NOTE_PATTERN.match(filled[0]) is not None
    if is_short and len(said) >= _MANY_COLUMNS and (len(filled) == 1 or (starts_so and len(filled) <= len(said) / 2)):
        return "note_line"
    return None


def notes_among(rows: pl.DataFrame, headings: Sequence[str], said: Sequence[str]) -> pl.Series | None:
    """Why full-width rows are no rows, one text or null a row; None, at little cost, if all of them may be rows. `rows`
    may have only some of the columns; then a row is a heading if all of these say so."""
    texts = {name: text.strip() for name, text in zip(headings, said, strict=False)}
    shown = {name: text for name in rows.columns if (text := texts.get(name, ""))}
    again, note = pl.lit(False), pl.lit(False)
    is_found = False
    if shown:
        first, text = next(iter(shown.items()))
        if rows[first].str.contains(text, literal=True).any():
            is_found = True
            again = pl.all_horizontal(
                pl.col(n).str.strip_chars(_AROUND) == pl.lit(t) for n, t in texts.items() if n in rows
            )
    if len(headings) >= _MANY_COLUMNS and rows.width == len(headings):
        last = rows.columns[-2:]
        bare = rows.select(pl.all_horizontal(pl.col(c) == "" for c in last).arg_true()).to_series()
        if len(bare):
            few = rows[bare]
            one = few.select(pl.sum_horizontal(pl.all().str.strip_chars() != "") == 1).to_series()
            words = few.select(pl.any_horizontal(pl.all().str.contains(_NOTE))).to_series()
            if (places := bare.filter(one & words)).len():
                is_found = True
                note = pl.int_range(pl.len()).is_in(places.implode())
    if not is_found:
        return None
    reason = pl.when(again).then(pl.lit("repeated_heading")).when(note).then(pl.lit("note_line"))
    reasons = rows.select(reason.alias("reason")).to_series()
    return reasons if reasons.null_count() < rows.height else None


def refuse_other_headings(rows: pl.DataFrame, numbers: pl.Series, said: Sequence[str], *, file: str) -> None:
    """Refuse other headings among the rows, as those of a second export: its fields would be read as the wrong ones.
    Raises DataError if most cells of a row are headings, but not those of their columns."""
    headings = [text.strip() for text in said]
    known = {text for text in headings if text}
    # A first row of numbers is no row of headings, and the next one may be alike.
    words = sum(not any(c.isdigit() for c in text) for text in known)
    if len(known) < _MANY_COLUMNS or rows.width != len(said) or 2 * words <= len(known):
        return
    maybe = rows.select(pl.first().is_in([*known, *said]).arg_true()).to_series()
    for place in maybe.head(_LOOK_AT):
        cells = [text.strip() for text in rows.row(place)]
        if cells != headings and len(known.intersection(cells)) > len(known) / 2:
            raise DataError(
                f"{file}: row {numbers[place]:,} holds headings again, but not as at the top: other ones, or in "
                "another order.\n  Two exports seem to be put together here. Cut the file in two there, and name both."
            )
