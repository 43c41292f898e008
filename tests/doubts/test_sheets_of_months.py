"""Sheets named as months say nothing of the work on them; other names may."""

from __future__ import annotations

from collections import Counter

import pytest

from pipeline.reading.doubts.unread_columns import Unread, unread_columns
from pipeline.reading.sources.source import SHEET


@pytest.mark.parametrize(
    ("sheets", "ids"),
    [(["Ene", "Feb", "Mar", "Abr"], []), (["Jan 19", "Mai", "Okt"], []), (["Ledger", "Aside"], ["columns_not_read"])],
)
def test_sheets_named_as_months_are_no_status(sheets: list[str], ids: list[str]):
    counts = Counter(dict.fromkeys(sheets, 40))
    assert [d.id for d in unread_columns("procedures", {SHEET: counts}, told=(), unread=Unread())] == ids
