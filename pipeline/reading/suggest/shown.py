"""Texts and values of a file as they may stand in a proposal or on the screen: quoted, or their forms alone."""

import re
from collections.abc import Iterable

import polars as pl

# Signs that cannot be seen, or that a TOML string must not hold.
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u200b-\u200f\u202a-\u202e\ufeff]")


def quoted(text: str) -> str:
    """A TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + _UNSEEN.sub(lambda m: f"\\u{ord(m.group()):04X}", escaped) + '"'


def quoted_list(texts: Iterable[str]) -> str:
    """A TOML list of such strings, in one line."""
    return f"[{', '.join(map(quoted, texts))}]"


def plain(text: str) -> str:
    """Text that can stand in a comment."""
    return _UNSEEN.sub(" ", text)


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
