"""Texts are read once and remembered: every later batch must get what it would have got alone."""

from __future__ import annotations

import gc

import polars as pl

from pipeline.transforms import text_cache
from pipeline.transforms.text_cache import TextCache


def look_up(cache: TextCache, *texts: str | None) -> list[str]:
    frame = pl.DataFrame({"field": texts}, schema={"field": pl.String})
    numbers = cache.numbered(frame.select(cache.numbering("field"))["field"])
    return cache.get(numbers, {"value": "read", "note": "none"})[0].to_list()


def counting_cache(asked: list[str]) -> TextCache:
    def parse(texts: pl.Series) -> pl.DataFrame:
        asked.extend(texts)
        return pl.DataFrame({"value": "<" + texts + ">"})

    return TextCache(parse)


def test_each_text_is_read_once_in_all_batches():
    asked: list[str] = []
    cache = counting_cache(asked)
    assert look_up(cache, "a", "b", "a", None, "") == ["<a>", "<b>", "<a>", "<>", "<>"]
    gc.collect()  # the numbering must outlive the first batch
    assert look_up(cache, "c", "b", "", "a") == ["<c>", "<b>", "<>", "<a>"]
    assert look_up(cache) == []
    assert look_up(cache, "b") == ["<b>"]
    assert sorted(asked) == ["", "a", "b", "c"]


def test_a_column_of_ever_new_texts_does_not_fill_the_memory(monkeypatch):
    monkeypatch.setattr(text_cache, "MAX_TEXTS", 10)
    asked: list[str] = []
    cache = counting_cache(asked)
    for batch in range(5):
        texts = [f"{batch}-{n}" for n in range(8)] + ["again"]
        assert look_up(cache, *texts) == [f"<{t}>" for t in texts]
    assert asked.count("again") == 3  # forgotten after the second and the fourth batch
    assert look_up(counting_cache([])) == []
