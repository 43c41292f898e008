"""What stands against codes: descriptions of other work beside them, and ends behind their numbers that may be stages
of the work (`D2740.1` prepared, `D2740.2` seated). Common practice, no source."""

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.reading.doubts.doubt import Doubt, ask, in_rows, of_ledger, status_from
from pipeline.reading.doubts.standing import matches, words_of
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.suggest.code_words import likely_events, told_otherwise
from pipeline.reading.suggest.shown import quoted

# Of these a wrong one changes a figure.
_MATTERS = words_of(
    "crown_placement endo_initial endo_retreatment apical_surgery extraction crown_removal "
    "crown_prefabricated crown_interim bridge_retainer implant onlay"
)
_TEXTS = word_list("headings of descriptions") | {"text"}
_LEAST, _SHARE = 3, 0.1
_MOST = 20_000
ANY = "*"  # stands for the code of the row itself


@dataclass
class CodeTexts:
    """Rows by code and description, of the first column of descriptions."""

    heading: str | None = None
    rows: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, rows: pl.DataFrame, codes: pl.Series) -> None:
        """Take in some rows with the cells of their code."""
        if self.heading is None or len(self.rows) > _MOST:
            return
        both = pl.DataFrame({"code": codes.cast(pl.String), "text": rows.get_column(self.heading).cast(pl.String)})
        both = both.select(pl.all().str.strip_chars().replace("", None)).drop_nulls()
        for code, text, n in both.group_by("code", "text").len().iter_rows():
            self.rows[code, text] += n


def text_heading(headings: Sequence[str], code: str | None) -> str | None:
    """The column of descriptions beside that of codes."""
    called = {h: plain_heading(h) for h in headings if h != code}  # also in two languages, `Text / Libellé`
    return next((h for h, plain in called.items() if plain in _TEXTS or (plain and {*plain.split()} <= _TEXTS)), None)


def meaning_doubts(
    where: str, seen: CodeTexts, named: Collection[str], *, is_own_list: bool, renewed: Collection[str] = ()
) -> list[Doubt]:
    """Codes beside descriptions of two kinds; of a list of the trade those `named` anew, and none told as `renewed`."""
    kinds: dict[str, Counter[str]] = defaultdict(Counter)
    for (code, text), n in seen.rows.items():
        likely = likely_events(text)
        if len(likely) == 1 and code not in renewed and (is_own_list or code.upper() in named):
            kinds[code][likely[0]] += n
    found = {}
    for code, events in sorted(kinds.items()):
        some = {event: n for event, n in events.items() if n >= max(_LEAST, _SHARE * events.total())}
        if len(some) > 1 and _MATTERS & set(some):
            found[code] = some
    if not found or seen.heading is None:
        return []
    first, counts = next(iter(found.items()))
    each = in_rows(counts)
    means = "yes: and under [codes], or in the practice's list, each description with its event"
    evidence = (
        f"{count(len(found), 'code', 'stands')} beside descriptions of two kinds of work in the column "
        f'"{seen.heading}": {first} as {each}.'
    )
    return ask("code_meanings", where, evidence, of_ledger(f"columns.code = {quoted(seen.heading)}", means))


def list_doubts(where: str, seen: CodeTexts) -> list[Doubt]:
    """Codes of a built-in list most of which stand beside descriptions of other work: the practice's own look so."""
    rows = [(code, text, n) for (code, text), n in seen.rows.items()]
    pairs = pl.DataFrame(rows, {"code": pl.String(), "text": pl.String(), "rows": pl.Int64()}, orient="row")
    against = told_otherwise(pairs)
    if against is None or seen.heading is None:
        return []
    means = "yes: a list of them with code,event, as suggest writes it with the words beside each"
    evidence = f'{against}, in the column "{seen.heading}".'
    return ask("code_meanings.list", where, evidence, ("practice", 'code_system = "practice-codes.csv"', means))


def code_of(told: Sequence[tuple[str, str, str]]) -> pl.Expr:
    """The code: that of the first pattern of `told` (column, pattern, code) that a row fits, `*` in it the own one."""
    own = pl.col("code").cast(pl.String)
    found = own
    for column, pattern, code in reversed(told):
        before, _, behind = code.partition(ANY)
        new = pl.concat_str(pl.lit(before), own, pl.lit(behind)) if ANY in code else pl.lit(code)
        found = pl.when(matches(pl.col(column), pattern)).then(new).otherwise(found)
    return found


_WITHIN, _LEAST_STAGED, _SHARE_STAGED, _STEM, _MOST_ENDS = 180, 5, 0.3, 3, 6


def end_of_code_doubts(where: str, frame: pl.DataFrame, code: str) -> list[Doubt]:
    """Work most of which stands under several ends of one code on different days, in their order."""
    ended = frame.drop_nulls("end").with_columns(stem=pl.col("code").str.head(_STEM))
    ends = ended.drop_nulls(["kind", "tooth"]).group_by("patient", "tooth", "stem", "end").agg(pl.col("day").min())
    teeth = (
        ends.sort("patient", "tooth", "stem", "end")
        .group_by("patient", "tooth", "stem", maintain_order=True)
        .agg(n=pl.len(), in_turn=(pl.col("day").diff().drop_nulls().dt.total_days().is_between(1, _WITHIN)).all())
    )
    made: dict[str, str] = {}
    several = alone = 0
    for (stem,), of in sorted(teeth.group_by("stem")):
        staged = of.filter(pl.col("n") > 1, pl.col("in_turn")).height
        if staged < max(_LEAST_STAGED, _SHARE_STAGED * of.height):
            continue
        seen = sorted(ends.filter(pl.col("stem") == stem)["end"].unique())
        several, alone = several + staged, alone + of.filter(pl.col("n") == 1).height
        if len(seen) <= _MOST_ENDS:
            before = ended.filter(pl.col("stem") == stem, pl.col("end").is_in(seen[:-1]))
            made |= dict.fromkeys(sorted(before["ended"].unique()), "planned")
    if not made:
        return []
    evidence = (
        f'in the column "{code}" crowns and root canals have ends behind their codes; {several:,} teeth have several '
        f"of them, one after the other on different days, and {alone:,} one only."
    )
    return ask("code_ends", where, evidence, status_from(code, made, "yes: all but the last end; correct the texts"))
