"""Every cell that is a total has a part by which it is looked for."""

import itertools

import polars as pl

from pipeline.transforms.totals import TOTAL_WORDS, is_total, may_be_total


def test_no_total_is_overlooked():
    words = [word.replace("?", "") for word in TOTAL_WORDS.split("|")] + ["Σ", "∑", "sub total", "Total for March 2019"]
    texts = [form(word) for form, word in itertools.product((str, str.upper, str.title, lambda w: f" {w}: 9"), words)]
    found = pl.DataFrame({"text": texts}).select(total=is_total(pl.col("text")), may=may_be_total(pl.col("text")))
    assert found["total"].sum() > len(words)
    assert found.filter("total", ~pl.col("may")).is_empty()
    assert not pl.select(may_be_total(pl.lit("D2740"))).item()
