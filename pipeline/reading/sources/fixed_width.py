"""Lines whose fields stand at fixed places, as programs print them: where the fields begin, and the lines cut there."""

import re
from collections import Counter
from collections.abc import Sequence

from pipeline.reading.headings import are_headings
from pipeline.reading.sources.text_notes import NOTE_PATTERN

# Stands between the fields once a line is cut: no text that can be typed has it.
BETWEEN = "\x1f"
_TAB = 8
_FITTING = 0.8  # share of the rows that must keep clear of the gaps
_LEAST_COLUMNS = 3
_LEAST_ROWS, _LEAST_BARE = 2, 5
_MOST_FIRSTS = 5
_MOST_BETWEEN = 2  # lines between headings and the first row
_AMOUNT = re.compile(r"[-+($€£]*\d[\d.,']*[.,]\d\d[-)]?")
_LEAST_NUMBERS = 2  # words with a digit that a row has at least
_RULE = set("-=_+|* ")  # a line of nothing else is drawn, not written


def cut_line(line: str, starts: Sequence[int]) -> str:
    """One line, with its line end, as fields with `BETWEEN` between them.

    `starts` are the places, from 1, at which fields begin. An amount that is longer than others begins before its
    place, for amounts end at one place. A line that has another letter on both sides of a place is no row of fields: it
    stays whole, as a single field, and so do all that are cut off before the second field.
    """
    text = line.rstrip("\r\n")
    end = line[len(text) :]
    text = text.replace("\x0c", "").expandtabs(_TAB).replace(BETWEEN, " ")
    places = _before_amounts(text, [start - 1 for start in starts])
    crossed = any(0 < p < len(text) and text[p] != " " and text[p - 1] != " " for p in places)
    if crossed or not set(text) - _RULE:
        return text.strip() + end
    fields = [text[a:b].strip() for a, b in zip(places, [*places[1:], len(text)], strict=True)]
    if (places and text[: places[0]].strip()) or sum(f != "" for f in fields) < 2:
        return text.strip() + end
    return BETWEEN.join(_quoted(f) for f in fields) + end


def _before_amounts(text: str, places: Sequence[int]) -> list[int]:
    """The places, those within an amount where the amount begins, if the field before it ends there."""
    found: list[int] = []
    for place in places:
        begin = text.rfind(" ", 0, place) + 1
        word = text[begin : place + 1 + len(text[place + 1 :].partition(" ")[0])]
        is_within = begin < place < len(text) and text[place] != " "
        moved = is_within and found and found[-1] < begin and _AMOUNT.fullmatch(word)
        found.append(begin if moved else place)
    return found


def find_starts(lines: Sequence[str]) -> list[int]:
    """Where the fields of printed lines begin, from 1; empty if the lines are not printed in columns. Rows are the
    lines with at least two words that hold a digit; the headings are the line above the first of them. Fields are
    parted by places that are blank in the headings and in nearly every row, and each has a heading."""
    texts = [line.rstrip("\r\n").replace("\x0c", "").expandtabs(_TAB).rstrip() for line in lines]
    texts = [t for t in texts if set(t) - _RULE]
    counts = Counter(texts)
    are_rows = [_is_row(t) and counts[t] == 1 for t in texts]  # what comes again is printed on each page
    rows = {n: t for n, t in enumerate(texts) if are_rows[n]}
    # A line with the time of printing looks like a row too, and has no headings above it.
    firsts = [n for n in range(1, len(texts)) if are_rows[n] and not are_rows[n - 1]][:_MOST_FIRSTS]
    below = ((_above(texts[:n]), [t for at, t in rows.items() if at >= n]) for n in firsts)
    found = [(above, _starts_below(above, of)) for above, of in below if len(of) >= _LEAST_ROWS]
    # A title may have as many words as some headings: what is known for headings goes first.
    ranked = sorted(found, key=lambda one: not _are_known(one[0]))
    return next((starts for _, starts in ranked if starts), [])


def _are_known(line: str) -> bool:
    return are_headings(re.split(r"\s{2,}", line.strip()))


def _above(texts: Sequence[str]) -> str:
    """The headings above a row: the line before it, or one above a line that says whose rows follow."""
    near = texts[: -_MOST_BETWEEN - 1 : -1]
    return next((t for t in near if _are_known(t)), texts[-1])


def _starts_below(above: str, rows: Sequence[str]) -> list[int]:
    """Where fields begin below the headings `above`; empty if these are none."""
    if len(above.split()) < _LEAST_COLUMNS:
        return []
    width = max(map(len, [above, *rows]))
    allowed = len(rows) * (1 - _FITTING) / 2
    is_blank = [
        not above[n : n + 1].strip() and sum(t[n : n + 1].strip() != "" for t in rows) <= allowed for n in range(width)
    ]
    begins = [n for n in range(width) if not is_blank[n] and (n == 0 or is_blank[n - 1])]
    starts: list[int] = []
    for place, end in zip(begins, [*begins[1:], width], strict=True):
        if above[place:end].strip() or not starts:
            starts.append(place)
    starts = [1, *(place + 1 for place in starts[1:])]
    fitting = sum(BETWEEN in cut_line(t, starts) for t in rows)
    return starts if len(starts) >= _LEAST_COLUMNS and fitting >= _FITTING * len(rows) else []


def find_bare_starts(lines: Sequence[str]) -> list[int]:
    """Where the fields of printed rows begin that have no headings; empty if blanks do not part them in every row."""
    texts = [line.rstrip("\r\n").replace("\x0c", "").expandtabs(_TAB).rstrip() for line in lines]
    rows = [t for t in texts if _is_row(t)]
    if len(rows) < _LEAST_BARE:
        return []
    width = max(map(len, rows))
    is_blank = [all(not t[n : n + 1].strip() for t in rows) for n in range(width)]
    begins = [n for n in range(width) if not is_blank[n] and (n == 0 or is_blank[n - 1])]
    starts = [1, *(place + 1 for place in begins[1:])]
    filled = [
        sum(t[a - 1 : b - 1].strip() != "" for t in rows) for a, b in zip(starts, [*starts[1:], width + 1], strict=True)
    ]
    return starts if len(starts) >= _LEAST_COLUMNS and min(filled) >= _LEAST_ROWS else []


def _is_row(text: str) -> bool:
    if NOTE_PATTERN.match(text):
        return False
    return sum(any(c.isdigit() for c in word) for word in text.split()) >= _LEAST_NUMBERS


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if '"' in text else text
