"""Work that stands twice, once under a text that never stands alone: a bill of the laboratory, a part payment, a plan.

Where every crown under `LAB` follows another crown on the same tooth under another text of that column, it is no crown
of its own. Texts of all columns with few are looked at, read or not. Common practice, no source.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import polars as pl

from pipeline.reading.doubts.cells import OF, STANDS, headings_of, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, status_from
from pipeline.reading.doubts.standing import word_of
from pipeline.reading.doubts.work_seen import CROWN, ROOT_CANAL, TAKEN
from pipeline.reading.suggest.toml_quote import quoted

_MAJOR = (CROWN, ROOT_CANAL, TAKEN)
_MOST_HELD, _MOST_TEXTS, _MOST_NAMED = 100_000, 60, 24
_LEAST, _SHARE = 5, 0.9
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
        if heading not in told and 2 <= frame[OF + heading].n_unique() <= _MOST_TEXTS:
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
    return ask(
        "work_twice",
        where,
        f'crowns, root canals and extractions with these texts in the column "{heading}" hardly ever stand alone: '
        f"{shown} the same work on the same tooth under another text.",
        status_from(heading, made, "what each row is"),
    )


def _near(work: pl.DataFrame) -> pl.DataFrame:
    """Pairs of rows of a kind of work on one tooth with at most so many days between them, by their places: `one,
    other, apart` (days)."""
    placed = work.with_row_index("one")
    pairs = placed.join(placed.rename({"one": "other"}), on=_TOOTH, suffix="_2")
    apart = (pl.col("day_2") - pl.col("day")).dt.total_days()
    near = apart.is_between(-_WITHIN, _WITHIN) & (pl.col("one") != pl.col("other"))
    return pairs.filter(near).select("one", "other", apart=apart)


def _never_alone(rows: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """The texts nearly all of whose rows have one of another text on one side, `text, n, with, way`; `rows` has a row
    of work each, with its `text`, `pairs` the places of those that may be the same work."""
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
    met = every.join(pl.concat(found), on="text").filter(pl.col("n") >= _LEAST, pl.col("with") >= _SHARE * pl.col("n"))
    return met.sort("text", "with", descending=[False, True]).unique("text", keep="first", maintain_order=True)


def following_doubts(where: str, seen: DoubledWork) -> list[Doubt]:
    """Codes that the list does not know and that stand on teeth shortly after a crown alone: the day of its seat."""
    if not (seen.held and seen.others):
        return []
    crowns = seen.frame.filter(pl.col("kind") == CROWN).select("patient", "tooth", crown="day").unique()
    rows = pl.concat(seen.others).unique()
    if rows.height < _LEAST:
        return []
    apart = (pl.col("day") - pl.col("crown")).dt.total_days()
    after = rows.join(crowns, on=["patient", "tooth"]).filter(apart.is_between(1, _WITHIN)).with_columns(apart=apart)
    every = rows.group_by("code").agg(n=pl.len())
    near = after.group_by("code").agg(
        after=pl.struct("patient", "tooth", "day").n_unique(), apart=pl.col("apart").median()
    )
    met = near.join(every, on="code").filter(pl.col("n") >= _LEAST, pl.col("after") >= _SHARE * pl.col("n"))
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
