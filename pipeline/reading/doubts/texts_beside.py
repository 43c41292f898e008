"""Texts beside crowns, root canals and extractions: one that never stands alone, so that work stands twice (a bill of
the laboratory, a part payment, a plan), words for other work than the code, another tooth than the column of teeth.

Descriptions are read as suggest reads those of own codes; of notes, which tell of much else, only plain words count
(`data/beside_words.csv`). All words are from memory: common practice, no source.
"""

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.tables import STATUS_WORDS
from pipeline.practice.teeth import parse_teeth
from pipeline.reading.doubts.answers import Answers
from pipeline.reading.doubts.cells import OF, STANDS, headings_of, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, inline, of_ledger, status_from
from pipeline.reading.doubts.entries import described
from pipeline.reading.doubts.standing import matches, word_of
from pipeline.reading.doubts.work_seen import CROWN, KINDS, ROOT_CANAL, TAKEN
from pipeline.reading.sources.made_columns import teeth_in, words_beside_teeth
from pipeline.reading.suggest.code_words import NOT_DONE, meaning
from pipeline.reading.suggest.shown import quoted

_MAJOR = (CROWN, ROOT_CANAL, TAKEN)
_MOST_HELD, _MOST_TEXTS_TWICE, _MOST_NAMED = 100_000, 60, 24
_LEAST_TWICE, _SHARE_TWICE = 5, 0.9
_WITHIN = 120  # days between the two rows
_TOOTH = ("patient", "tooth", "kind")


@dataclass
class DoubledWork:
    """Crowns, root canals and extractions that were done, with the texts beside them; `kinds` is `code, kind`."""

    kinds: pl.DataFrame
    known: pl.Series  # codes of the list
    held: list[pl.DataFrame] = field(default_factory=list)
    others: list[pl.DataFrame] = field(default_factory=list)  # rows of codes that are not known, on a tooth
    rows: int = 0

    def add(self, rows: pl.DataFrame, headings: Sequence[str], numbers: pl.Series, cleaned: pl.DataFrame) -> None:
        """Take in a batch: its cells, their row numbers, and the typed rows."""
        if self.rows >= _MOST_HELD:
            return
        is_done = STANDS & pl.col("service_date").is_not_null() & (pl.col("fee").fill_null(0) >= 0)
        on_tooth = cleaned.lazy().filter(is_done, pl.col("tooth_fdi").is_not_null())
        named = {"patient": "patient_id", "tooth": "tooth_fdi", "day": "service_date"}
        of = on_tooth.select("row_number", "code", **named).collect()
        self.others.append(of.filter(~pl.col("code").is_in(self.known.implode())).drop("row_number"))
        of = of.join(self.kinds.filter(pl.col("kind").is_in(_MAJOR)), on="code")
        work = of.select("row_number", "kind", "patient", "tooth", "day")
        if work.is_empty():
            return
        texts = [text_of(rows, h).fill_null("").alias(OF + h) for h in headings]
        beside = pl.DataFrame([numbers.alias("row_number"), *texts])
        self.held.append(work.join(beside, on="row_number", how="left"))
        self.rows += work.height

    @cached_property
    def frame(self) -> pl.DataFrame:
        """A row per piece of work, with the texts beside it as `OF` and the heading; to be read once all are in."""
        held = pl.concat(self.held, how="diagonal") if self.held else pl.DataFrame()
        return held.with_columns(pl.col(f"^{OF}.*$").fill_null("")) if self.held else held


def doubled_doubts(where: str, seen: DoubledWork, *, told: Collection[str]) -> list[Doubt]:
    """One question for the first column, by how many rows it is of, with such texts; none of a column that is told."""
    if not seen.held:
        return []
    frame = seen.frame
    pairs = _near(frame.select(*_TOOTH, "day"))
    found: dict[str, pl.DataFrame] = {}
    for heading in headings_of(frame) if pairs.height else ():
        if heading not in told and 2 <= frame[OF + heading].n_unique() <= _MOST_TEXTS_TWICE:
            texts = _never_alone(frame.select("row_number", text=OF + heading), pairs)
            if texts.height:
                found[heading] = texts
    if not found:
        return []
    heading, texts = max(found.items(), key=lambda one: (int(one[1]["n"].sum()), one[0]))
    rows = texts.sort("n", "text", descending=[True, False]).head(_MOST_NAMED).rows(named=True)
    shown = ", ".join(f"{r['text'] or 'empty'} ({r['with']:,} of {r['n']:,} rows, {r['way']})" for r in rows)
    words = {r["text"]: word_of(r["text"]) for r in rows}
    made = {t: w if w not in ("", "completed") else "<its word>" for t, w in words.items()}
    evidence = (
        f'crowns, root canals and extractions with these texts in the column "{heading}" hardly ever stand alone: '
        f"{shown} the same work on the same tooth under another text."
    )
    return ask("work_twice", where, evidence, status_from(heading, made, "what each row is"))


def _near(work: pl.DataFrame) -> pl.DataFrame:
    """Pairs of rows of a kind of work on one tooth with few days between them, by their places: `one, other, apart`."""
    placed = work.with_row_index("one")
    pairs = placed.join(placed.rename({"one": "other"}), on=_TOOTH, suffix="_2")
    apart = (pl.col("day_2") - pl.col("day")).dt.total_days()
    near = apart.is_between(-_WITHIN, _WITHIN) & (pl.col("one") != pl.col("other"))
    return pairs.filter(near).select("one", "other", apart=apart)


def _never_alone(rows: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Texts nearly all of whose rows have one of another text on one side, `text, n, with, way`; `pairs` are places."""
    beside = pairs.select(
        "apart",
        pl.lit(rows["row_number"]).gather(pl.col("one")).alias("row_number"),
        pl.lit(rows["text"]).gather(pl.col("one")).alias("text"),
        pl.lit(rows["text"]).gather(pl.col("other")).alias("text_2"),
    ).filter(pl.col("text") != pl.col("text_2"))
    if beside.is_empty():
        return beside
    apart = pl.col("apart")
    sides = {"shortly before": apart.is_between(1, _WITHIN), "shortly after": apart.is_between(-_WITHIN, -1)}
    sides["on the day of"] = apart == 0
    every = rows.group_by("text").agg(n=pl.len())
    found = [
        beside.filter(test).group_by("text").agg(pl.col("row_number").n_unique().alias("with"), way=pl.lit(way).first())
        for way, test in sides.items()
    ]
    met = every.join(pl.concat(found), on="text").filter(
        pl.col("n") >= _LEAST_TWICE, pl.col("with") >= _SHARE_TWICE * pl.col("n")
    )
    return met.sort("text", "with", descending=[False, True]).unique("text", keep="first", maintain_order=True)


def following_doubts(where: str, seen: DoubledWork) -> list[Doubt]:
    """Codes that the list does not know and that stand on teeth shortly after a crown alone: the day of its seat."""
    if not (seen.held and seen.others):
        return []
    crowns = seen.frame.filter(pl.col("kind") == CROWN).select("patient", "tooth", crown="day").unique()
    rows = pl.concat(seen.others).unique()
    if rows.height < _LEAST_TWICE:
        return []
    apart = (pl.col("day") - pl.col("crown")).dt.total_days()
    after = rows.join(crowns, on=["patient", "tooth"]).filter(apart.is_between(1, _WITHIN)).with_columns(apart=apart)
    every = rows.group_by("code").agg(n=pl.len())
    near = after.group_by("code").agg(
        after=pl.struct("patient", "tooth", "day").n_unique(), apart=pl.col("apart").median()
    )
    met = near.join(every, on="code").filter(pl.col("n") >= _LEAST_TWICE, pl.col("after") >= _SHARE_TWICE * pl.col("n"))
    return [
        doubt
        for code, after, apart, n in met.sort("code").iter_rows()
        for doubt in ask(
            "code_after_crowns",
            where,
            f"{after:,} of {n:,} rows of the code {code}, which the list of codes does not know, stand on a tooth that "
            f"was crowned before, most often some {apart:.0f} days; {crowns.height:,} teeth were crowned in all.",
            ("codes", f'{quoted(code)} = "crown_placement"', "yes: both rows are one crown, seated on the later day"),
            ("codes", f'{quoted(code)} = "other"', "no: a contact and nothing more, or what else it is"),
        )
    ]


_LEAST, _MOST, _MOST_TEXTS, _FEW = 3, 0.6, 20_000, 12
_NOT_DONE = "not done"
_FREE = re.compile(r"(?i)\bno[ -](?:charge|fee|cost)\b|\bold\b|\bwarranty\b|\bno\.? ?(?=\d)")
_LETTERS = str.maketrans({"ł": "l", "ø": "o", "ß": "s", "đ": "d", "ı": "i"})
# Of these words beside a work say nothing against it.
_FITS = {
    CROWN: {"prepared", "again", "steel", "lengthened"},
    ROOT_CANAL: {"again", "removed"},
    TAKEN: {"buried", "removed"},
}
_OF_KIND = {CROWN: ("bridge_retainer_crown",), ROOT_CANAL: (), TAKEN: ("extraction_primary",)}
_EVENT_OF_WORD = {
    kind: {row["beside"]: row["becomes"] for row in data_rows("work_beside") if row["kind"] == kind} for kind in _FITS
}


def word_doubts(where: str, seen: DoubledWork, answers: Answers) -> list[Doubt]:
    """A question for each column with such words, but for those of which PRACTICE.toml says what they mean."""
    found: list[Doubt] = []
    frame = seen.frame
    for heading in headings_of(frame):
        texts = frame.select("kind", "tooth", text=OF + heading).filter(pl.col("text") != "")
        told = [matches(pl.col("text"), p) for h, p, _ in (*answers.marks, *answers.codes) if h == heading]
        texts = texts.filter(~pl.any_horizontal(told)) if told else texts
        if not texts.height or texts["text"].n_unique() > _MOST_TEXTS:
            continue
        counts = texts.group_by("kind", "text").len("n").sort("kind", "text")
        said = _edited(counts) if described([heading]) else _noted(counts)
        found += _work_doubt(where, heading, said, _others(counts, said)) if said else []
    return found


def _edited(texts: pl.DataFrame) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of descriptions that name other work than their code."""
    found: Counter[tuple[str, str]] = Counter()
    whole = set(texts["text"])
    bare = texts.with_columns(bare=words_beside_teeth(texts["text"])).drop_nulls("bare")
    counts = bare.group_by("kind", "bare").agg(pl.col("n").sum()).sort("kind", "bare")
    every = dict(counts.group_by("kind").agg(pl.col("n").sum()).iter_rows())
    for kind, text, n in counts.iter_rows():
        word = _other(kind, text)
        if word and n >= _LEAST and (n <= _MOST * every[kind] or word in _OF_KIND[kind]):
            found[text if text in whole else f"{text}*", word] += n
    return found


def _other(kind: str, text: str) -> str:
    """The event that a description says in place of a kind of work, or that it was not done; else empty."""
    said = meaning(_FREE.sub(" ", text))
    beside = set(said.beside) - _FITS[kind]
    if beside & NOT_DONE:
        return _NOT_DONE
    # A preparation may be the day that crowns are posted on, and sutures may come with an extraction.
    events = [event for event in said.events if event not in ("other", "restorative_other")]
    is_kind = any(KINDS.get(event) == kind for event in events)
    if events and not is_kind:
        return events[0]
    beside -= {"sutures"} if is_kind else set()
    return next((_EVENT_OF_WORD[kind][word] for word in sorted(beside) if word in _EVENT_OF_WORD[kind]), "")


def _noted(texts: pl.DataFrame) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of notes."""
    found: Counter[tuple[str, str]] = Counter()
    for kind, text, n in texts.iter_rows():
        low = text.lower()
        plain = "".join(unicodedata.normalize("NFKD", c)[0] for c in low).translate(_LETTERS)
        for says, words in _words():
            if (says == _NOT_DONE or says in _OF_KIND[kind]) and (met := words.search(plain)):
                found[f"*{low[slice(*met.span())]}*", says] += n
                break
    return found if _LEAST <= found.total() <= _MOST * int(texts["n"].sum()) else Counter()


@cache
def _words() -> tuple[tuple[str, re.Pattern[str]], ...]:
    by: dict[str, list[str]] = {}
    for row in data_rows("beside_words"):
        by.setdefault(row["says"], []).append(row["words"])
    return tuple((says, re.compile(rf"\b(?:{'|'.join(words)})\b")) for says, words in by.items())


def _others(texts: pl.DataFrame, said: Counter[tuple[str, str]]) -> str:
    """The other texts of a column of few, for one of them may say the same in other words."""
    counts = texts.group_by("text").agg(pl.col("n").sum()).sort("n", "text", descending=[True, False])
    is_said = pl.any_horizontal(matches(pl.col("text"), pattern) for pattern, _ in said)
    others = counts.filter(~is_said)
    if not others.height or counts.height > _FEW:
        return ""
    return f" Its other texts: {', '.join(f'{text} ({n:,})' for text, n in others.iter_rows())}."


def _work_doubt(where: str, heading: str, said: Counter[tuple[str, str]], others: str) -> list[Doubt]:
    listed = commonest(said)[:_MOST_NAMED]
    shown = ", ".join(f"{pattern.replace('*', '…')} ({n:,} rows)" for (pattern, _), n in listed)
    undone = {p: "planned" for (p, word), _ in listed if word == _NOT_DONE}
    other = {p: word for (p, word), _ in listed if word != _NOT_DONE}
    line = f"code_from.{quoted(heading)} = {inline(other)}"
    return ask(
        "other_work_in_text",
        where,
        f'words in the column "{heading}", which nothing reads, say of crowns, root canals and extractions that they '
        f"were not done, or were other work than their code says: {shown}.{others}",
        of_ledger(line, "what was done instead, as an event or a code of the list") if other else None,
        status_from(heading, undone, f"what was not done: each is {', '.join(STATUS_WORDS[1:-1])}"),
    )


_ENOUGH, _TELLS = 20, 0.5
_BETWEEN = r"\s*(?:[,;&+/]|\b(?:and|und|et)\b)\s*"


def named_tooth_doubts(
    where: str, frame: pl.DataFrame, code: str, notation: str, *, told: Collection[str]
) -> list[Doubt]:
    """A question for each column, also that of `code`, whose texts name the tooth on most rows and differ on some."""
    rows = frame.filter(pl.col("kind").is_in([CROWN, ROOT_CANAL, TAKEN])).drop_nulls("tooth")
    found: list[Doubt] = []
    for column, heading in [("code", code), *((OF + h, h) for h in headings_of(frame))]:
        if heading in told:
            continue
        texts = rows.select("row_number", "tooth", text=column).filter(pl.col("text") != "")
        if texts.height and texts["text"].n_unique() <= _MOST_TEXTS:
            found += _tooth_doubt(where, heading, texts, notation)
    return found


def _tooth_doubt(where: str, heading: str, texts: pl.DataFrame, notation: str) -> list[Doubt]:
    named = texts.with_columns(named=teeth_in(texts["text"])).drop_nulls("named")
    named = named.filter(pl.col("text").str.contains(r"#|\p{L}{3}"))  # an amount may look like a code and a tooth
    if named.height < max(_ENOUGH, _TELLS * texts.height):
        return []
    teeth = _teeth_of(named["named"].unique(), notation)
    both = named.group_by("row_number").agg(pl.col("named").first(), pl.col("tooth").unique())
    both = both.join(teeth, on="named")
    other = both.filter(pl.col("teeth").list.set_intersection("tooth").list.len() == 0).height
    more = both.filter(pl.col("teeth").list.set_difference("tooth").list.len() > 0).height - other
    if max(other, more) < _LEAST or other > _MOST * both.height:
        return []
    seen = [f"on {other:,} of them another one than the column of teeth"] if other >= _LEAST else []
    seen += [f"on {more:,} of them one more than that column"] if more >= _LEAST else []
    return ask(
        "other_tooth_in_text",
        where,
        f'the column "{heading}" names a tooth beside {both.height:,} crowns, root canals and extractions, and '
        f"{' and '.join(seen)}.",
        of_ledger(f"tooth_in_text = {quoted(heading)}", "the text: in place of columns.tooth"),
    )


def _teeth_of(named: pl.Series, notation: str) -> pl.DataFrame:
    """`named, teeth`: the teeth that each text names, but for texts of which not all can be read."""
    parts = named.to_frame("named").with_columns(part=pl.col("named").str.replace_all(_BETWEEN, "|").str.split("|"))
    parts = parts.explode("part")
    fdi = parse_teeth(parts["part"].unique(), notation=notation).select("tooth_fdi", part="text")
    read = parts.join(fdi, on="part").group_by("named").agg(teeth="tooth_fdi")
    return read.filter(~pl.col("teeth").list.eval(pl.element().is_null()).list.any())
