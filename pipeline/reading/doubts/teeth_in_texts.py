"""Texts that name the tooth beside crowns, root canals and extractions, and on some rows another one than the column of
teeth, or more: a column that holds one tooth only loses the second. Common practice, no source."""

from collections.abc import Collection

import polars as pl

from pipeline.practice.teeth import parse_teeth
from pipeline.reading.doubts.cells import OF, headings_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.work_seen import CROWN, ROOT_CANAL, TAKEN
from pipeline.reading.sources.made_columns import teeth_in
from pipeline.reading.suggest.toml_quote import quoted

_LEAST, _ENOUGH, _TELLS, _MOST, _MOST_TEXTS = 3, 20, 0.5, 0.6, 20_000
_BETWEEN = r"\s*(?:[,;&+/]|\b(?:and|und|et)\b)\s*"


def named_tooth_doubts(
    where: str, frame: pl.DataFrame, code: str, notation: str, *, told: Collection[str]
) -> list[Doubt]:
    """A question for each column whose texts name the tooth on most rows and differ on some; `frame` holds rows as
    `rows_held.SCHEMA`, `code` is the heading of the code, whose own text may name the tooth."""
    rows = frame.filter(pl.col("kind").is_in([CROWN, ROOT_CANAL, TAKEN])).drop_nulls("tooth")
    found: list[Doubt] = []
    for column, heading in [("code", code), *((OF + h, h) for h in headings_of(frame))]:
        if heading in told:
            continue
        texts = rows.select("row_number", "tooth", text=column).filter(pl.col("text") != "")
        if texts.height and texts["text"].n_unique() <= _MOST_TEXTS:
            found += _doubt(where, heading, texts, notation)
    return found


def _doubt(where: str, heading: str, texts: pl.DataFrame, notation: str) -> list[Doubt]:
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
