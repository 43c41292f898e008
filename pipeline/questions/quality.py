"""Can these records be trusted: what was read, set aside, filled in and linked, each with what it means."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.counts import count
from pipeline.practice.tables import Filled
from pipeline.results import (
    FileChange,
    FilledIn,
    FlowStep,
    LinkNote,
    LoadRow,
    OtherTexts,
    Quality,
    QuarantineRow,
    UnknownCode,
)

_COUNTS = data_rows("link_counts")
# What each count of the linking step means for the results, and what to do where something can be done.
LINK_MEANINGS = {row["count"]: row["meaning"] for row in _COUNTS if row["told"] != "from codes"}
# Those that tell of work by others; the data-quality page shows them together.
OF_OTHERS = frozenset(row["count"] for row in _COUNTS if row["told"] == "by others")
# What is read from procedure codes where no detail is recorded, by the field that it fills.
CODED_MEANINGS = {row["count"]: row["meaning"] for row in _COUNTS if row["told"] == "from codes"}


def with_coded_counts(quality: Quality, from_codes: Mapping[str, int]) -> Quality:
    """The figures with a line for each field that is read from codes; `from_codes` counts crowns or courses."""
    notes = (
        LinkNote(f"{name}_from_codes", from_codes[name], meaning)
        for name, meaning in CODED_MEANINGS.items()
        if from_codes.get(name)
    )
    return replace(quality, links=(*quality.links, *notes))


def make_quality(
    *,
    loads: pl.DataFrame,
    quarantine: pl.DataFrame,
    reasons: Mapping[str, tuple[str, str]],
    filled: Mapping[str, Filled],
    unknown_codes: Sequence[UnknownCode],
    link_counts: Mapping[str, int],
    changes: pl.DataFrame | None = None,
    other_texts: pl.DataFrame | None = None,
    could_hold: Mapping[str, tuple[int, int]] | None = None,
) -> Quality:
    """Gather the data-quality figures.

    - `loads`, `quarantine`: The stored tables of these names.
    - `reasons`: Reason code to its meaning and what to do about it.
    - `filled`: Counts of the stored input tables by name.
    - `unknown_codes`: Codes of the procedures that the code list in use does not hold, those with most rows first.
    - `link_counts`: What the linking step counted.
    - `changes`: Rows that later files change: `table_name, earlier, later, field, rows`.
    - `could_hold`: Fields that few rows of the ledger can hold: how many such rows there are, and in how many it is
      filled in.
    - `other_texts`: Texts of fields with usual words that are none of these: `table, field, rows, texts`.
    """
    return Quality(
        loads=_loads(loads, quarantine),
        quarantine=_set_aside(quarantine, reasons),
        filled_in=_filled_in(filled, could_hold or {}),
        links=tuple(
            LinkNote(name, link_counts[name], meaning, name in OF_OTHERS)
            for name, meaning in LINK_MEANINGS.items()
            if link_counts.get(name)
        ),
        unknown_codes=tuple(unknown_codes),
        flow=_row_flow(loads, link_counts),
        codes_advice=unknown_codes_advice(unknown_codes),
        changes=_changes(changes),
        other_texts=() if other_texts is None else tuple(OtherTexts(*row) for row in other_texts.iter_rows()),
    )


def unknown_codes_advice(unknown: Sequence[UnknownCode]) -> tuple[str, ...]:
    """Lines to paste into PRACTICE.toml so that the unknown codes get a meaning, those with most rows first.

    Each gives its code the meaning that it has without the line, a contact and nothing more, to be replaced.
    """
    if not unknown:
        return ()
    ordered = sorted(unknown, key=lambda c: (-c.rows, c.code))
    return (
        "[codes]",
        "# Replace other: crown, root_canal, retreatment, extraction, implant, direct_restoration, exam, ...",
        *(f'{_toml_text(c.code)} = "other"  # {count(c.rows, "row")}, {count(c.teeth, "tooth")}' for c in ordered),
    )


def _toml_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _loads(loads: pl.DataFrame, quarantine: pl.DataFrame) -> tuple[LoadRow, ...]:
    mended = quarantine.filter(pl.col("reason") == "corrected").group_by("file", "table_name").agg(mended=pl.len())
    # Two files of one name cannot be told apart in `quarantine`; the count then stands with the later one.
    last = loads.group_by("file", "table_name").agg(pl.col("load_id").max())
    named = loads.join(
        last.join(mended, on=["file", "table_name"]).select("load_id", "mended"), on="load_id", how="left"
    )
    columns = ("file", "hash", "table_name", "rows_read", "loaded", "duplicate", "quarantined", "reversed")
    rows = named.sort("load_id").select(*columns, pl.col("mended").fill_null(0))
    return tuple(LoadRow(*row) for row in rows.iter_rows())


def _changes(changes: pl.DataFrame | None) -> tuple[FileChange, ...]:
    if changes is None:
        return ()
    rows = changes.select("table_name", "earlier", "later", "field", "rows")
    return tuple(FileChange(*row) for row in rows.sort(pl.all()).iter_rows())


def _set_aside(quarantine: pl.DataFrame, reasons: Mapping[str, tuple[str, str]]) -> tuple[QuarantineRow, ...]:
    counted = (
        quarantine.group_by("table_name", pl.col("field").fill_null(""), "reason", "stage")
        .len()
        .sort(["len", "table_name", "field", "reason"], descending=[True, False, False, False])
    )
    rows = []
    for table, field, reason, stage, n in counted.iter_rows():
        meaning, what_to_do = reasons.get(reason, (reason, ""))
        rows.append(QuarantineRow(table, field, reason, stage, n, meaning, what_to_do))
    return tuple(rows)


def _filled_in(tables: Mapping[str, Filled], could_hold: Mapping[str, tuple[int, int]]) -> tuple[FilledIn, ...]:
    plumbing = {"load_id", "row_number", "part", "supernumerary"}
    return tuple(
        FilledIn(name, field, *(could_hold.get(field, (table.rows, n)) if name == "procedures" else (table.rows, n)))
        for name, table in tables.items()
        if table.rows
        for field, n in table.by_column.items()
        if field not in plumbing
    )


def _row_flow(loads: pl.DataFrame, counts: Mapping[str, int]) -> tuple[FlowStep, ...]:
    ledger = loads.filter(pl.col("table_name") == "procedures")
    read = int(ledger["rows_read"].sum())
    twice, aside = int(ledger["duplicate"].sum()), int(ledger["quarantined"].sum())
    back = int(ledger["reversed"].sum())
    left = read - twice - aside - back
    steps = [
        FlowStep("Procedure rows read", read, 0, "", "rows"),
        FlowStep("Read once", read - twice, twice, "the same row in two files", "rows"),
        FlowStep("Readable and possible", left + back, aside, "set aside, see below", "rows"),
    ]
    if back:
        steps.append(FlowStep("Not taken back", left, back, "claims that a later one voids or replaces", "rows"))
    undone = sum(counts.get(f"rows_{s}", 0) for s in ("planned", "existing", "void"))
    taken_back = 2 * counts.get("rows_reversed", 0) + counts.get("reversals_without_match", 0)
    steps.append(FlowStep("Done here", left - undone, undone, "planned, void, or done elsewhere", "rows"))
    steps.append(
        FlowStep("Standing", left - undone - taken_back, taken_back, "reversals and what they took back", "rows")
    )
    return tuple(steps)
