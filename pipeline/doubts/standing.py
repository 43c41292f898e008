"""Whether a row stands, where no column of the file is its status: flags, words in a text, titles of sections.

A flag is a column such as `Deleted` or `Completed`. Words stand in a text such as `(TP) Crown` or `REVERSAL crown`.
Titles are lines between the rows such as `PLANNED TREATMENT`. All words are of the trade or of any language of ours,
from memory: common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.doubts.doubt import Doubt, accept
from pipeline.suggest.headings import plain_heading
from pipeline.suggest.toml_quote import quoted

# A row that takes back the one of the same work and the same fee: it is read as that work with a fee below 0.
REVERSAL = "reversal"
STATUS_WORDS = ("completed", "planned", "existing", "void", REVERSAL)
MOST_FLAGS = 12
_MOST_LETTERS = 16
_SOME = 2


def _set(words: str, between: str = " ") -> frozenset[str]:
    return frozenset(words.split(between))


# What yes and no make of a row in flags of these headings.
_KINDS: dict[tuple[str, str], str] = {
    ("void", "completed"): (
        "deleted|is deleted|isdeleted|del|removed|void|voided|is void|cancelled|canceled|cancelled flag|inactive|"
        "is inactive|reversed|storniert|geloescht|supprime|annule|anulado|eliminado|geannuleerd|verwijderd|annullato"
    ),
    ("completed", "planned"): (
        "completed|complete|is complete|iscomplete|done|is done|finished|performed|erledigt|fertig|abgeschlossen|"
        "termine|realise|realizado|hecho|terminado|uitgevoerd|gedaan|eseguito|completato"
    ),
    ("completed", "void"): "active|is active|isactive|valid|is valid|isvalid|current|aktiv|gueltig|actif|valide|activo",
    ("planned", "completed"): "planned|is planned|proposed|tx plan|tp|treatment plan|geplant|prevu|planificado|gepland",
    ("existing", "completed"): "existing|is existing|done elsewhere|elsewhere|outside|other office",
    ("", ""): "status|st|stat|state|sts|flag|procstatus|proc status|row status|line status|entry status|tx status",
}
_FLAGS = {heading: meant for meant, headings in _KINDS.items() for heading in headings.split("|")}
_YES = _set("y yes true t 1 -1 x ✓ ✔ ja j oui o si s wahr vrai verdadero waar vero on")
_NO = _set("n no false f 0 ✗ ✘ nein non nee falsch faux falso onwaar off")
_TEXTS = _set(
    "description|desc|procedure|procedure description|proc description|treatment|treatment description|service|"
    "service description|note|notes|remark|remarks|comment|comments|memo|details|particulars|leistung|bezeichnung|text|"
    "leistungstext|bemerkung|libelle|acte|designation|commentaire|descripcion|tratamiento|nota|omschrijving|opmerking|"
    "descrizione|descricao|prestazione",
    "|",
)
# Texts of a flag that say by themselves what a row is.
_SAID = {
    "completed": _set("c complete completed done finished ✓ ✔"),
    "planned": _set("p tp tx plan planned proposed"),
    "existing": _set("e ex eo existing"),
    "void": _set("d v x del deleted void voided cancelled canceled ✗ ✘"),
}
# Before a text, in brackets: what such a row is.
_TAGS = {
    "planned": "tp|tx|tx plan|plan|planned|proposed|pl",
    "existing": "ex|eo|ec|existing|exist",
    "void": "void|voided|del|deleted|cancelled|canceled|x",
    REVERSAL: "rev|reversal|reversed",
}
_OPENING = {
    "planned": "planned|proposed|treatment plan|tx plan|geplant|prevu|prévu|planificado|gepland",
    "existing": "existing",
}
_ANYWHERE = {
    "void": "void|voided|deleted|cancelled|canceled|entered in error|posted in error|geloescht|gelöscht|supprimé",
    REVERSAL: "reversal|reversed|storno|storniert|annulé|annulation|anulado|geannuleerd",
}
_TITLES = {
    "planned": "planned|proposed|treatment plan|treatment planned",
    "existing": "existing|existing other|existing elsewhere",
    "void": "deleted|void|voided|cancelled|canceled",
    "completed": "completed|complete|finished",
}
_TITLE_REST = r"(?:\s+(?:treatments?|work|procedures?|services?|restorations?|items?|entries|only))*"
_TITLE = re.compile(rf"(?i)^\W*({'|'.join('|'.join(_TITLES.values()).split('|'))}){_TITLE_REST}\W*$")


def flag_columns(headings: Iterable[str]) -> list[str]:
    """Headings that say whether a row stands."""
    return [h for h in headings if plain_heading(h) in _FLAGS]


def text_columns(headings: Iterable[str]) -> list[str]:
    """Headings of what was done, in words."""
    return [h for h in headings if plain_heading(h) in _TEXTS]


def phrases(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of texts in which a word says that a row may not stand."""
    found: Counter[tuple[str, str]] = Counter()
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    for text, n in counts.filter(pl.col(name).str.contains(_ANY_PHRASE)).iter_rows():
        for pattern, form, word in _PHRASES:
            if met := re.search(pattern, text):
                found[form.format(met.group(1).lower()), word] += n
                break
    return found


def titles(lines: Iterable[str]) -> Counter[tuple[str, str]]:
    """Lines between the rows that say of a section what its rows are: as templates of `group_lines`, and the word."""
    found: Counter[tuple[str, str]] = Counter()
    for line in lines:
        bare = line.strip(' ,;|\t"')
        if met := _TITLE.match(bare):
            found[bare[: met.start(1)] + "{status}" + bare[met.end(1) :], met.group(1)] += 1
    return found


def made_of(flag: str, texts: Iterable[str]) -> dict[str, str]:
    """What each text of a flag makes of a row, as far as its heading says; `planned` where nothing speaks."""
    yes, no = _FLAGS[plain_heading(flag)]
    if yes:
        known = {**dict.fromkeys(_YES, yes), **dict.fromkeys(_NO, no)}
    else:
        known = {text: word for word, said in _SAID.items() for text in said}
    # A tick box that is not empty is a yes: an initial or a date in `Deleted` says that it was.
    return {text: known.get(text.lower(), (yes if text else no)) or "planned" for text in texts}


def flag_doubts(
    where: str, flags: Mapping[str, Counter[str]], accepted: Sequence[str], *, told: Collection[str]
) -> list[Doubt]:
    """Flags of which no field is made though they tell rows apart; of those told, texts that were not."""
    found = []
    for heading, counts in flags.items():
        least = 1 if heading in told else 2
        if not least <= len(counts) <= MOST_FLAGS or any(len(text) > _MOST_LETTERS for text in counts):
            continue
        shown = ", ".join(f"{text or 'empty'} ({n:,} rows)" for text, n in _by_number(counts))
        made = {t: w for t, w in made_of(heading, sorted(counts)).items() if w != "completed"}
        if heading in told and not made:
            continue
        line = f"status_from.{quoted(heading)} = {_inline(made)}"
        found.append(
            Doubt(
                "status_not_read",
                where,
                f'column "{heading}" {"has more texts than are told" if heading in told else "is not read"}, and its '
                f"heading says whether a row stands: {shown}.",
                f"Which of these are work done here? Any other is {', '.join(STATUS_WORDS[1:-1])}.",
                (
                    (
                        "tables.procedures",
                        line,
                        f"each text that is no work done, and what it is; {_how(heading, told)}",
                    ),
                    accept("status_not_read", accepted, "no: every row is work done"),
                ),
            )
        )
    return found


def phrase_doubts(
    where: str, found: Mapping[str, Counter[tuple[str, str]]], accepted: Sequence[str], *, told: Collection[str]
) -> list[Doubt]:
    """Texts in which words say that a row may not stand, but for words that are told."""
    doubts = []
    for heading, counts in found.items():
        if sum(counts.values()) < _SOME:
            continue
        shown = ", ".join(f"{form.replace('*', '…')} ({n:,} rows)" for (form, _), n in _by_number(counts))
        line = f"status_from.{quoted(heading)} = {_inline(dict(mark for mark, _ in _by_number(counts)))}"
        doubts.append(
            Doubt(
                "status_in_text",
                where,
                f'words in the column "{heading}" say of rows that they may be no work done: {shown}.',
                f"What are these rows? Each is {', '.join(STATUS_WORDS[1:-1])}, or a {REVERSAL}, which takes back the "
                "row of the same work and fee. * stands for anything.",
                (
                    ("tables.procedures", line, _how(heading, told)),
                    accept("status_in_text", accepted, "no: every row is work done"),
                ),
            )
        )
    return doubts


def title_doubts(
    where: str, found: Mapping[tuple[str, str], int], accepted: Sequence[str], *, values: Iterable[str]
) -> list[Doubt]:
    """Titles of sections that say what the rows below them are, and that nothing reads; `values` are words mapped."""
    if not found:
        return []
    forms = ", ".join(sorted({quoted(form) for form, _ in found}))
    known = {text.lower() for text in values} | set(STATUS_WORDS)
    strange = {word: _meant(word) for _, word in sorted(found) if word.lower() not in known}
    lines = [("tables.procedures", f"group_lines = [{forms}]", "yes; such a line holds for the rows below it")]
    lines += [
        ("tables.procedures", "stacked_tables = true", "if the headings come again below each, or below the first")
    ]
    lines += [("tables.procedures", f"values.status.{quoted(w)} = {quoted(m)}", "") for w, m in strange.items()]
    return [
        Doubt(
            "status_in_titles",
            where,
            f"{sum(found.values()):,} lines between the rows say whether what stands below them was done, and are not "
            "read.",
            "Are the rows below such a line all of that kind?",
            (*lines, accept("status_in_titles", accepted, "no: every row is work done")),
        )
    ]


def _meant(word: str) -> str:
    return next(meaning for meaning, words in _TITLES.items() if word.lower() in words.split("|"))


def status_of(marks: Sequence[tuple[str, str, str]], status: pl.Expr) -> pl.Expr:
    """The status: the word of the first mark that a row bears, else the text of its own column.

    `marks` are (name of the column with the texts, pattern, word). A pattern is the whole text, `text*` its start,
    `*text` its end or `*text*` a part of it, in any case; an empty one is an empty cell.
    """
    found = status
    for column, pattern, word in reversed(marks):
        said = "completed" if word == REVERSAL else word
        found = pl.when(matches(pl.col(column), pattern)).then(pl.lit(said)).otherwise(found)
    return found


def matches(text: pl.Expr, pattern: str) -> pl.Expr:
    """Whether a text is of a pattern; see `status_of`."""
    plain = pattern.strip("*").lower()
    low = text.fill_null("").str.strip_chars().str.to_lowercase()
    if pattern.startswith("*") and pattern.endswith("*") and len(pattern) > 1:
        return low.str.contains(rf"(?:^|[^\p{{L}}]){re.escape(plain)}(?:$|[^\p{{L}}])")
    if pattern.endswith("*"):
        return low.str.starts_with(plain)
    if pattern.startswith("*"):
        return low.str.ends_with(plain)
    return low == plain


def _by_number(counts: Mapping[Any, int]) -> list[tuple[Any, int]]:
    """The commonest first; among equals by name, so that no order of rows shows."""
    return sorted(counts.items(), key=lambda item: (-item[1], item[0]))


def _how(heading: str, told: Collection[str]) -> str:
    return "correct the words, and add these to the line that is there" if heading in told else "correct the words"


def _inline(made: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f'{quoted(text)} = "{word}"' for text, word in made.items()) + " }"


def _phrases() -> tuple[tuple[str, str, str], ...]:
    tags = [(rf"(?i)^\s*([(\[]\s*(?:{words})\s*[)\]])", "{}*", word) for word, words in _TAGS.items()]
    first = [(rf"(?i)^\s*({words})\b", "{}*", word) for word, words in _OPENING.items()]
    inside = [(rf"(?i)\b({words})\b", "*{}*", word) for word, words in _ANYWHERE.items()]
    return tuple(tags + first + inside)


_PHRASES = _phrases()
_ANY_PHRASE = "|".join(pattern for pattern, _, _ in _PHRASES)
