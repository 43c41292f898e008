"""Columns under any heading all of whose texts say whether a row stands: `Section` with `Done` and `Planned`. Those
that nothing reads and that have a dozen texts at most in the first rows are looked at; others cost nothing."""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.fields import normal_word, word_lookup
from pipeline.practice.tables import STATUS_WORDS
from pipeline.reading.doubts.cells import MONTH, named_month
from pipeline.reading.doubts.doubt import Answer, Doubt, ask, commonest, in_rows, inline, of_ledger, status_from
from pipeline.reading.doubts.marked_cells import SIGNS
from pipeline.reading.doubts.standing import MOST_FLAGS, word_of
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.shown import quoted

_LOOK_AT = 2_000
_UNNAMED = re.compile(r"column \d+")
# Of these the texts say nothing of the work: a claim, a bill or a patient may be pending or cancelled too.
_OTHERS = word_list("headings of other states")
# Where a clinician or a clinic is named: none of this practice's.
_NO_ONE_HERE = word_list("no one here")
# Of these one word of several is enough: `outside endodontist`.
_PLAINLY_AWAY = word_list("away")
_LEAST_UNCHARGED, _CHARGED = 5, 0.8
_INITIALS, _ALIKE = re.compile(r"[A-Z]{2,3}"), 0.5
_ENOUGH_ROWS, _FEW_OF_ROWS, _MOST_OF_ROWS = 100, 0.2, 0.6


def few_texts(rows: pl.DataFrame, headings: Iterable[str]) -> dict[str, Counter[str]]:
    """The headings of those columns that may be such, each with an empty count, from the first rows of a file."""
    found = {}
    for heading in headings:
        if (heading.startswith("(") and heading != SHEET) or _OTHERS & set(plain_heading(heading).split()):
            continue
        column = rows.get_column(heading).head(_LOOK_AT)
        if column.dtype == pl.String and 1 <= column.n_unique() <= MOST_FLAGS + 1:
            found[heading] = Counter[str]()
    return found


def status_word_doubts(
    where: str, columns: Mapping[str, Counter[str]], *, told: Collection[str], has_status: bool
) -> list[Doubt]:
    """Such columns, but for those whose texts all say that the work was done."""
    found: list[Doubt] = []
    for heading, counts in columns.items():
        texts = [text for text in counts if text]
        is_sign = len(texts) == 1 and texts[0] in SIGNS and 2 * counts[texts[0]] < counts.total()
        if is_sign and _UNNAMED.fullmatch(heading):
            found += _margin(where, heading, counts)
            continue
        said = {text: word_of(text) for text in texts}
        if not said or len(said) > MOST_FLAGS or not all(said.values()):
            continue
        made = {text: word for text, word in sorted(said.items()) if word != "completed"}
        if not any(len(text) > 1 for text in made):
            continue
        again = "; add these to the line that is there" if heading in told else ""
        lines = [status_from(heading, made, f"correct the words{again}")]
        if counts[""] and not has_status:
            lines += [
                of_ledger(
                    f"columns.status = {quoted(heading)}",
                    'with fill_down = ["status"] and values.status, if it stands on the first row of a group only',
                )
            ]
        evidence = (
            f'column "{heading}" is not read as the status, and all its texts are words for whether work was done: '
            f"{in_rows(counts)}."
        )
        found += ask("status_not_read.words", where, evidence, *lines)
    return found


def among_others(
    where: str,
    heading: str,
    counts: Counter[str],
    charged: Mapping[tuple[str, bool], int] | None = None,
    held: pl.DataFrame | None = None,
) -> list[Doubt]:
    """Texts of a column of clinicians or clinics that say that work was done elsewhere, or not at all, or whose work is
    never `charged`; in rows `held`, initials of whoever does the work that others do are a clinician's."""
    made = {text: word for text in sorted(counts) if len(text) > 1 and (word := word_of(text)) not in ("", "completed")}
    if held is not None:
        made = {t: word for t, word in made.items() if not works_as_others(held, t)}
    plain = {text: plain_heading(text) for text in counts if text not in made}
    made |= {t: "existing" for t, p in plain.items() if p in _NO_ONE_HERE or _PLAINLY_AWAY & set(p.split())}
    free = {text: n for text, n in uncharged(charged or {}).items() if text not in made}
    made |= dict.fromkeys(free, "existing")
    if not made:
        return []
    never = " of crowns, root canals, fillings or extractions, none with a fee"
    each = {text: count(counts[text], "row") for text in made} | {t: count(n, "row") + never for t, n in free.items()}
    shown = ", ".join(f"{text} ({each[text]})" for text in sorted(made))
    evidence = f'column "{heading}" says who or where, and of rows that they may be no work done here: {shown}.'
    return ask("status_in_text.who", where, evidence, status_from(heading, made, "correct the words"))


def works_as_others(held: pl.DataFrame, who: str) -> bool:
    """Whether initials are of a clinician: by examinations, or by the share of codes in common with the others."""
    if not _INITIALS.fullmatch(who):
        return False
    own = held.filter(pl.col("provider") == who)["is_on_tooth"]
    if own.len() and float(own.mean()) <= _ALIKE:  # type: ignore[arg-type]
        return True
    codes = held.group_by("code", own=pl.col("provider") == who).len().drop_nulls("own")
    share = codes.with_columns(pl.col("len") / pl.col("len").sum().over("own"))
    both = share.group_by("code").agg(sides=pl.len(), least=pl.col("len").min())
    return float(both.filter(pl.col("sides") == 2)["least"].sum()) >= _ALIKE


def uncharged(charged: Mapping[tuple[str, bool], int]) -> dict[str, int]:
    """The texts none of whose work has a fee, with its rows, where nearly all other work has one."""
    without = {text: n for (text, has_fee), n in sorted(charged.items()) if not has_fee and (text, True) not in charged}
    free = {text: n for text, n in without.items() if n >= _LEAST_UNCHARGED}
    paid = sum(n for (t, has_fee), n in charged.items() if has_fee)
    others = paid + sum(n for (t, has_fee), n in charged.items() if not has_fee and t not in free)
    return free if paid and paid >= _CHARGED * others else {}


def _margin(where: str, heading: str, counts: Counter[str]) -> list[Doubt]:
    """A sign in the margin of some rows, in a column without a heading."""
    sign = next(text for text in counts if text)
    evidence = (
        f'a column without a heading ("{heading}") holds nothing but the sign {sign}, in {counts[sign]:,} of '
        f"{count(counts.total(), 'row')}."
    )
    return ask("status_not_read.margin", where, evidence, status_from(heading, {"*": "void"}, "correct the word"))


def mostly_empty(where: str, heading: str, counts: Counter[str], made: Mapping[str, str]) -> list[Doubt]:
    """A status that most rows leave empty though others say completed; `made` is what PRACTICE.toml makes of a text."""
    done = sum(n for text, n in counts.items() if text and (made.get(text) or word_of(text)) == "completed")
    empty = counts[""]
    if not done or 2 * empty <= counts.total() or len(counts) > MOST_FLAGS + 1:
        return []
    return ask(
        "status_mostly_empty",
        where,
        f'column "{heading}" is the status, and {empty:,} of {counts.total():,} rows leave it empty, though '
        f"{done:,} say that work was done.",
        of_ledger('fill_down = ["status"]', "it holds for the rows below it too; add it to such a line that is there"),
    )


def untold_statuses(seen: Sequence[Mapping[str, int]], made: Mapping[str, str]) -> Counter[str]:
    """Texts of the status that neither PRACTICE.toml (`made`) nor we know; none where they are too many to be words."""
    known = {*word_lookup("procedures", "status"), *map(normal_word, made)}
    every = sum(map(Counter, seen), Counter[str]())
    counts = Counter({text: n for text, n in every.items() if text and normal_word(text) not in known})
    return counts if len(counts) <= MOST_FLAGS else Counter()


def told_as(statuses: Mapping[str, int]) -> list[Answer]:
    """The line that says what such texts mean."""
    if not statuses:
        return []
    made = inline({text: "<its word>" for text, _ in commonest(statuses)})
    means = f"what each of {in_rows(statuses)} means: {', '.join(STATUS_WORDS[:-1])}"
    return [of_ledger(f"values.status = {made}", f"{means}; add these to such lines that are there")]


def months_of(own: pl.Series, fields: pl.DataFrame, cleaned: pl.DataFrame) -> Counter[tuple[str, int]]:
    """Rows by text of the status and month of the work."""
    if "row_number" not in fields.columns:
        return Counter()
    texts = pl.DataFrame([fields["row_number"], own.alias("text")]).drop_nulls()
    days = cleaned.select("row_number", month=MONTH).drop_nulls().unique("row_number")
    counts = texts.join(days, on="row_number").group_by("text", "month").len()
    return Counter({(text, month): n for text, month, n in counts.iter_rows()})


def _change_places(months: Counter[tuple[str, int]], rows_of: Counter[str]) -> list[tuple[str, int]]:
    """Of the two commonest texts, either with the month from which it has most rows where before the other one had."""
    two = sorted(rows_of, key=lambda text: (-rows_of[text], text))[:2]
    if len(two) < 2 or rows_of[two[1]] < max(_ENOUGH_ROWS, _FEW_OF_ROWS / 2 * rows_of.total()):  # both are common
        return []
    found = []
    for text, other in (two, two[::-1]):
        fitting = {m: _apart(months, text, other, m) for _, m in months}
        month = max(sorted(fitting), key=fitting.__getitem__)
        if fitting[month] >= _CHARGED * (rows_of[text] + rows_of[other]):
            found.append((other, month))
    return found


def _apart(months: Counter[tuple[str, int]], text: str, other: str, month: int) -> int:
    """Rows of a text before a month, and of another from then on."""
    return sum(n for (t, m), n in months.items() if t == (text if m < month else other))


def renewed_doubts(
    where: str, months: Counter[tuple[str, int]], told: Collection[str], *, heading: str | None = None
) -> list[Doubt]:
    """Texts of the status that fall from most rows to few, or rise so, in the month in which another one begins or
    takes their place; of one that is told by its marks alone, its `heading`."""
    every, found, first = Counter[int](), [], dict[str, int]()
    rows_of = Counter[str]()
    for (text, month), n in months.items():
        every[month] += n
        rows_of[text] += n
        first[text] = min(month, first.get(text, month))
    begins = [*sorted(first.items(), key=lambda one: (one[1], one[0])), *_change_places(months, rows_of)]
    for text in sorted(first.keys() - set(told)):
        for other, month in begins:
            sides = [0, 0]
            rows = [sum(n for m, n in every.items() if (m >= month) == later) for later in (False, True)]
            for (t, m), n in months.items():
                sides[m >= month] += n * (t == text)
            begun = sum(n for (t, _), n in months.items() if t == other)
            least = max(_ENOUGH_ROWS, _FEW_OF_ROWS / 2 * sum(rows))
            if other == text or min(*rows, begun) < least or 4 * begun < rows[1] or min(sides) < _LEAST_UNCHARGED:
                continue
            few, most = sorted((sides[0] / rows[0], sides[1] / rows[1]))
            if few > _FEW_OF_ROWS or most < _MOST_OF_ROWS:
                continue
            since = f"{named_month(month)}-01"
            found += ask(
                "status_renewed",
                where,
                f"the status {text} has {sides[0]:,} of {rows[0]:,} rows before {since} and {sides[1]:,} of "
                f"{rows[1]:,} from then on, when {other} begins or takes its place.",
                *(
                    [of_ledger(f"columns.status = {quoted(heading)}", "in place of status_from of it")]
                    if heading
                    else ()
                ),
                of_ledger(
                    f'status_renewed.{quoted(text)} = {{ "{since}" = "void" }}',
                    f"yes: what it means from that day on, {', '.join(STATUS_WORDS[:-1])}; values.status "
                    "has what it meant before",
                ),
            )
            break
    return found
