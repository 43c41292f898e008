"""Forms of values in place of the values: no patient's data on the screen or in a PRACTICE.toml."""

import polars as pl

_LONGEST = 24


def masked(texts: pl.Expr) -> pl.Expr:
    """Digits as 9 and letters as x; other signs that could break a line as ?; the rest stays."""
    return (
        texts.str.strip_chars()
        .str.replace_all(r"\p{N}", "9")
        .str.replace_all(r"\p{L}", "x")
        .str.replace_all(r"[^9x .,:;/+()#%&@_\-]", "?")
        .str.slice(0, _LONGEST)
    )


def masked_text(text: str) -> str:
    """One text so masked."""
    return str(pl.select(masked(pl.lit(text))).item())


def masked_samples(counts: pl.DataFrame, *, at_most: int = 3) -> list[str]:
    """The commonest forms of a column; `counts` has one row per distinct text: `text, n`."""
    forms = counts.select(masked(pl.col("text")).alias("form"), "n").filter(pl.col("form") != "")
    return (
        forms.group_by("form")
        .agg(pl.col("n").sum())
        .sort(["n", "form"], descending=[True, False])["form"]
        .head(at_most)
        .to_list()
    )
