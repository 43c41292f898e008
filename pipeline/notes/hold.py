"""Chart notes on their way into the store: read batch by batch, then held against ledger, details and answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import polars as pl

from pipeline.notes.settled import Rules, held
from pipeline.practice.counts import count
from pipeline.practice.read_tables import READ_VALUES
from pipeline.practice.settings import Settings
from pipeline.practice.tables import NOTE_ANSWERS
from pipeline.storing.store import Store

# What reads notes is loaded where there are notes: its many patterns take a tenth of the time of a start.
if TYPE_CHECKING:
    from pipeline.notes.vocabulary import Vocabulary

# Events whose row says that this kind of work was done on the tooth that day.
_EVENTS = {
    "endo_details": ("endo_initial", "endo_initial_stage", "endo_initial_addon", "endo_emergency", "endo_incomplete",
                     "endo_retreatment", "endo_retreatment_stage", "endo_adjunct", "endo_adjunct_obstruction",
                     "endo_adjunct_fragment", "endo_other", "pulpotomy"),
    "crown_details": ("crown_placement", "crown_prefabricated", "bridge_retainer_crown", "onlay", "core", "post_core",
                      "crown_interim"),
}  # fmt: skip


@dataclass(frozen=True)
class NoteReader:
    """What it takes to read a practice's notes."""

    words: Vocabulary
    notation: str

    def values(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows of `notes` with their text, typed, to rows of `READ_VALUES`."""
        from pipeline.notes.read import read_note

        found: list[tuple[object, ...]] = []
        wanted = rows.select("patient_id", "note_date", "tooth_fdi", "supernumerary", "text", "load_id", "row_number")
        for patient, day, tooth, extra, text, load_id, row in wanted.iter_rows():
            if not text or extra:
                continue
            permanent = tooth if tooth is not None and tooth < 50 else None
            for v in read_note(text, self.words, notation=self.notation, tooth=permanent, day=day):
                found.append(
                    (patient, day, v.tooth, v.table, v.field, v.value, v.sure, v.evidence, v.rule,
                     v.tooth_from or None, v.start, v.end, load_id, row)
                )  # fmt: skip
        return pl.DataFrame(found, schema=READ_VALUES.schema, orient="row")


def reader_of(settings: Settings) -> NoteReader:
    """The reader of a practice, with its own words."""
    own = tuple((name, tuple(sorted(words.items()))) for name, words in sorted(settings.notes.words.items()))
    return NoteReader(_words(own), settings.practice.tooth_notation)


@lru_cache(maxsize=4)
def _words(own: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]) -> Vocabulary:
    from pipeline.notes.vocabulary import vocabulary

    return vocabulary({name: dict(words) for name, words in own})


def hold_notes(store: Store, settings: Settings, codes: pl.DataFrame, *, say: Callable[[str], None]) -> None:
    """Hold what notes say against the ledger, what is recorded and what the practice answered; store what comes of it.

    To be called in the transaction that stores the rows, whenever any of these may have changed.
    """
    values = store.notes.read_values()
    events = {event: table for table, of_table in _EVENTS.items() for event in of_table}
    telling = codes.filter(pl.col("event").is_in(list(events))).select(
        "code", work=pl.col("event").replace_strict(events, return_dtype=pl.String)
    )
    days = store.notes.work_of_days(telling["code"].to_list()).join(telling, on="code")
    rules = Rules(
        course_gap_days=settings.rules.course_gap_days,
        crown_repost_days=settings.rules.crown_repost_days,
        stock=settings.notes.naocl_stock_percent,
        notation=settings.practice.tooth_notation,
    )
    found, noted = held(
        values, days.select("patient_id", "note_date", "tooth_fdi", "work"), store.notes.recorded(),
        store.read(NOTE_ANSWERS), rules=rules,
    )  # fmt: skip
    store.notes.replace(found, noted)
    if found.height:
        counts = dict(found.group_by("outcome").len().rows())
        asked = counts.get("unsure", 0) + counts.get("no_tooth", 0)
        say(
            f"notes: {count(found.height, 'value')} read, {counts.get('used', 0):,} of them fill a field that was not "
            f"recorded, {counts.get('differs', 0):,} differ from what is, {asked:,} wait for the worksheet"
        )
        ratios = found.filter(pl.col("field") == "naocl_ratio").height
        if ratios and rules.stock is None:
            say(
                f"notes: {ratios:,} give the hypochlorite as a ratio; tell the strength of the stock: "
                "[notes] naocl_stock_percent = 5.25"
            )
