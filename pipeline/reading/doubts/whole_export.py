"""Whether a file holds all of an export, once: by the pages and rows that its own lines count, and the rows with which
a spreadsheet or program stops. Words in eight languages, from memory: common practice, no source."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import polars as pl

from pipeline.machine.private_files import MARK_IN_WORDS
from pipeline.practice.counts import count
from pipeline.reading.doubts.doubt import Doubt, ask
from pipeline.reading.headings import word_list

_PAGE = re.compile(
    r"(?i)\b(?:page|pg|seite|pagina|página|pág|blz|bladzijde|side|sida|strona)[\s.:#]*(\d{1,5})\b"
    r"(?:\s*(?:of|von|de|di|van|sur|av|z|/)\s*(\d{1,5})\b)?"
)
_THINGS = (
    "records?|rows?|entries|lines?|transactions?|procedures?|datens[äa]tze|zeilen|buchungen|lignes|enregistrements|"
    "registros|filas|l[ií]neas|regels|righe|linhas"
)
_COUNT = re.compile(
    rf"(?i)^\W*(?:total\s+)?(?:(?:number|no\.?|count|anzahl|nombre|n[úu]mero|aantal|numero)\s+(?:of\s+|de\s+|di\s+)?)?"
    rf"(?:{_THINGS})(?:\s+(?:exported|printed|listed|written|in\s+\w+(?:\s+\w+)?))?\s*[:=]?\s*(\d[\d,.' ]*)\W*$"
)
_COUNTED = re.compile(
    rf"(?i)^\W*(?:total\s*[:=]?\s*)?(\d[\d,.' ]*?)\s+(?:{_THINGS})(?:\s+(?:exported|printed|listed|written))?\W*$"
)
_KEPT = r"(?i)\d"  # lines without a number say neither
_MOST_LINES = 20_000
# As many rows as a spreadsheet's sheet holds, with the line of headings or without; and where programs stop.
SHEETS = (65_535, 65_536, 1_048_575, 1_048_576)
ENDS = (*SHEETS, *(n * 10**e for e in (3, 4, 5) for n in (1, 2, 2.5, 5)), 1_000_000)
# Lines above the headings that say of what the export was made, but for a period and for all.
_SELECTED = re.compile(
    r"(?i)\b(?:select(?:ion|ed)|filter(?:ed)?|criteri(?:a|on)|exclud(?:e|es|ed|ing)|only|active patients|"
    r"auswahl|gefiltert|nur|ausgenommen|s[ée]lection|filtr[ée]|filtre|crit[èe]res?|seulement|uniquement|sauf|"
    r"selecci[óo]n|filtro|s[óo]lo|excepto|selectie|alleen|behalve|selezione|solo|eccetto|sele[çc][ãa]o|apenas|somente|urval|endast)\b"
)
_OF_ALL = re.compile(
    r"(?i)\b(?:all|none|no filter|any|alle|alles|kein\w*|tous|toutes|aucun\w*|todos|todas|ningun\w*|geen|tutt[ie]|"
    r"nessun\w*|nenhum\w*|alla|inga)\b"
)
_PLAIN = word_list("plain words of a selection")
_SHOWN, _LONGEST = 5, 120
BROKEN = "malformed_line"
_SIBLINGS = 3  # so many files read alike show how each of them ends


@dataclass(frozen=True)
class End:
    """How a text ends: with a line, with a row that is broken off, or with a line that is no row."""

    is_line: bool
    is_broken: bool
    is_closed: bool


@dataclass
class Counted:
    """Lines of one file that are no rows, in their order, as far as they may count pages or rows."""

    above: Sequence[str] = ()
    lines: list[tuple[int, str]] = field(default_factory=list)
    every: int | None = None  # all lines of the file, where only some were looked at
    last: tuple[int, str] = (0, "")  # the number of the last line that holds anything, and why it is no row

    def ends(self, numbers: pl.Series, lines: pl.DataFrame) -> None:
        """Take in the row numbers of some rows, and the `row_number` and `reason` of lines that are none."""
        none = lines.select("row_number", why=pl.col("reason").fill_null(BROKEN)).filter(pl.col("why") != "row_empty")
        if (row := numbers.max()) is not None and row not in lines["row_number"]:
            self.last = max(self.last, (int(row), ""))  # type: ignore[arg-type]
        if none.height:
            self.last = max(self.last, none.sort("row_number", "why").row(-1))

    def add(self, numbers: pl.Series, texts: pl.Series) -> None:
        """Take in the row numbers and texts of some lines."""
        if len(self.lines) < _MOST_LINES:
            found = pl.DataFrame({"n": numbers, "text": texts}).filter(pl.col("text").str.contains(_KEPT))
            self.lines += [(n, text) for n, text in found.iter_rows() if _says(text)]

    def pages(self) -> tuple[list[int], int | None]:
        """The pages in their order, a footer like its header once, and how many there are said to be."""
        texts = [*self.above, *(text for _, text in sorted(self.lines))]
        met = [m for text in texts if (m := _PAGE.search(text))]
        of = {int(m[2]) for m in met if m[2]}
        return [int(m[1]) for m in met], next(iter(of)) if len(of) == 1 else None

    def told(self) -> list[int]:
        """The numbers of rows that lines tell."""
        pieces = (piece for _, text in self.lines for piece in _pieces(text))
        found = (_COUNT.match(piece) or _COUNTED.match(piece) for piece in pieces)
        return [int(digits) for m in found if m and (digits := re.sub(r"\D", "", m[1])) and len(digits) <= 9]


def whole_doubts(where: str, counted: Counted, *, rows: int, lines: int, is_whole: bool, is_alone: bool) -> list[Doubt]:
    """What a file says of itself and does not hold, by its `rows` and all `lines` below the headings. Of several files
    of a table (not `is_alone`) one may well end after a round number of rows."""
    found = page_doubts(where, *counted.pages(), is_whole=is_whole)
    every = counted.every or lines if is_whole else counted.every
    if every in (ENDS if is_alone else SHEETS):
        found += ask(
            "not_whole.sheet",
            where,
            f"it ends after {count(every, 'row')}, "
            + ("as many as a sheet of a spreadsheet holds." if every in SHEETS else "where a program may stop."),
        )
    if not is_whole:
        return found
    told = max(counted.told(), default=0)
    # Who counts may count the headings and the last line too.
    if told > rows + 2 + (lines - rows):
        said = f"a line of it says that there are {count(told, 'row')}, and there are {rows:,}."
        found += ask("not_whole.counted", where, said)
    return found


def selection_doubts(where: str, above: Iterable[str]) -> list[Doubt]:
    """Lines above the headings that say that only some of the rows or patients were taken."""
    met = [line for line in above if _SELECTED.search(line) and not _OF_ALL.search(line) and MARK_IN_WORDS not in line]
    met = [line for line in met if len(re.findall(r"[^\W\d_]{3,}", line)) > 1]  # a heading and a period is no choice
    if not met:
        return []
    shown = " | ".join(re.sub(r"[^\W_]+", _plain, line)[:_LONGEST] for line in met[:_SHOWN])
    return ask("selection_above", where, f'lines above the headings say of what the export was made: "{shown}".')


def _plain(word: re.Match[str]) -> str:
    return word[0] if word[0].lower() in _PLAIN else re.sub(r"\d", "9", re.sub(r"[^\W\d_]", "x", word[0]))


def end_doubts(ends: Mapping[str, End]) -> list[Doubt]:
    """Texts that end in the middle of a line, or otherwise than all others that are read alike; by where they are."""
    found: list[Doubt] = []
    for where, end in ends.items():
        others = [other for name, other in ends.items() if name != where]
        known = len(ends) >= _SIBLINGS
        why = []
        if end.is_broken and not end.is_line:
            why.append("its last line breaks off in the middle")
        elif known and not end.is_line and all(other.is_line for other in others):
            why.append(f"it ends within a line, and the other {count(len(others), 'file')} do not")
        if known and not end.is_closed and all(other.is_closed for other in others):
            why.append(
                f"the other {count(len(others), 'file', 'has')} a last line that is no row (a count, a total), and "
                "it has none"
            )
        if why:
            found += ask("not_whole.end", where, f"{' and '.join(why)}.")
    return found


def page_doubts(where: str, pages: Sequence[int], of: int | None, *, is_whole: bool) -> list[Doubt]:
    """A page that is there twice, or not at all, where nearly all others follow one another."""
    pages = _once_each(pages)
    steps = [b - a for a, b in pairwise(pages)]
    follow = sum(step == 1 or b == 1 for step, b in zip(steps, pages[1:], strict=True))
    if len(steps) < 2 or 2 * follow < len(steps):
        return []
    starts_anew = 1 in pages[1:]
    twice = sorted({page for page in pages if pages.count(page) > 1}) if not starts_anew else []
    gaps = [(a, b) for a, b in pairwise(pages) if b > a + 1]
    absent = [page for a, b in gaps for page in range(a + 1, b) if page not in pages]
    if is_whole and of is not None and not starts_anew:
        absent += [page for page in range(pages[-1] + 1, of + 1) if page not in pages]
    found: list[Doubt] = []
    if twice:
        evidence = f"{_pages(twice)} there twice, and so would be the work on {'it' if len(twice) == 1 else 'them'}."
        found += ask("pages_twice", where, evidence)
    if absent:
        found += ask("not_whole.pages", where, f"{_pages(absent)} not in it.")
    return found


def _pages(pages: Sequence[int]) -> str:
    shown = ", ".join(str(page) for page in pages[:_SHOWN])
    more = f" and {len(pages) - _SHOWN} more" if len(pages) > _SHOWN else ""
    return f"page {shown} is" if len(pages) == 1 else f"pages {shown}{more} are"


def _once_each(pages: Sequence[int]) -> list[int]:
    """Pages without the second of each pair, where most are told twice (at their head and at their foot)."""
    pairs = sum(a == b for a, b in pairwise(pages))
    if 2 * pairs >= len(set(pages)):
        return [page for n, page in enumerate(pages) if n == 0 or pages[n - 1] != page]
    return list(pages)


def _says(text: str) -> bool:
    return bool(_PAGE.search(text)) or any(_COUNT.match(p) or _COUNTED.match(p) for p in _pieces(text))


def _pieces(text: str) -> Iterable[str]:
    """A line and its cells: those that separators or several blanks part."""
    return [text, *(piece for piece in re.split(r"\s*[\t|;,\"]\s*|\s{2,}", text) if piece)]
