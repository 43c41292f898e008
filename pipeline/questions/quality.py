"""Can these records be trusted: what was read, set aside, filled in and linked, each with what it means."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

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

# What each count of the linking step means for the results, and what to do where something can be done.
LINK_MEANINGS = {
    "rows_completed": "Rows of work done here: these alone are events of this practice.",
    "rows_planned": "Planned rows: never events.",
    "rows_void": "Void rows: left out.",
    "rows_reversed": "Rows taken back by a negative fee: left out together with their reversal.",
    "reversals_without_match": "Negative fees that match no row: they take nothing back. Check what they were for.",
    "rows_after_extraction": (
        "Rows that name a tooth after its extraction: a tooth number is wrong somewhere. The later row is set aside."
    ),
    "crown_rows": "Crown rows on permanent teeth, before rows of one crown are taken together.",
    "crown_rows_on_implants": "Crown rows on a position that holds an implant: the implant's crown, not a tooth's.",
    "rows_on_primary_teeth": "Rows on primary teeth: stored, and left out of the survival questions.",
    "rows_on_supernumerary_teeth": "Rows on supernumerary teeth: stored, and left out of the survival questions.",
    "root_canals_coded_for_another_tooth": (
        "Root canals whose code is for another class of tooth (a molar's on a premolar, say): counted on the tooth "
        "that the row names. Check the tooth numbers."
    ),
    "teeth_replanted": (
        "Extraction rows of a day on which the tooth was put back: no loss of the tooth, so the row is left out."
    ),
    "teeth_lost_between_visits": (
        "Teeth shown to be gone, by an implant, pontic or denture tooth in their place or by the chart, with no day of "
        "extraction: counted as lost halfway between the last day the tooth was there and the first it was gone. Where "
        "the day is known, post the extraction."
    ),
    "signs_of_loss_contradicted": (
        "Signs that a tooth was gone though later rows treat it: the sign is ignored. A tooth number is wrong "
        "somewhere; compare both rows with the chart."
    ),
    "crowns": "Single crowns made here: those that every figure of crowns counts.",
    "crowns_other_kinds": (
        "Retainers of bridges, onlays that cover the cusps and prefabricated crowns made here: they count as covering "
        "the tooth, and are in no figure of crowns."
    ),
    "seats_recorded": "Crowns whose seat date was recorded.",
    "seats_shifted_from_preparation": "Crowns whose seat was taken as the preparation plus the usual days at the lab.",
    "crowns_order_uncertain": (
        "Single crowns for which it is not sure whether the root canal came before the seat. Those with a label count "
        "as labelled; those without are in neither group. Other ways to count leave them out or take them both ways."
    ),
    "crowns_opened": "Single crowns opened for a root canal after the seat, here or elsewhere.",
    "crowns_reopened": (
        "Single crowns on root-filled teeth that were opened again for repeat treatment: they stay in their group."
    ),
    "crowns_renewed_after_opening": (
        "Single crowns that were opened and had a new crown soon after: counted as failed after the opening. Some were "
        "given up at the opening; another way to count takes them so."
    ),
    "crowns_remade_without_fee": (
        "Crowns that replaced one of ours at no charge: the first counts as failed. Where the second row was only the "
        "posting of the same crown, correct it at the source."
    ),
    "crowns_not_followed": "Crowns whose patient was not seen again after the seat: they say nothing about survival.",
    "endo_courses": "Courses of root canal treatment begun here.",
    "courses_never_completed": "Teeth opened with no filling on record: finished elsewhere, or given up.",
    "retreatments_coded_as_initial": "Repeat treatments posted as first treatments.",
    "rows_existing": "Rows for work done elsewhere: they say what was there, never what this practice did.",
    "root_canals_elsewhere_dated": (
        "Root canals that others did on a day that is known: they place the crown before or after the root canal."
    ),
    "root_canals_elsewhere_undated": (
        "Root canals that others did on a day that is not known: unless something else settles it, the crown is in "
        "neither group. Give the year in the worksheet's sheet of work done elsewhere."
    ),
    "courses_elsewhere": (
        "Root canals and repeat treatments by others on a known day: in no success rate of this practice."
    ),
    "crowns_from_elsewhere_unknown_age": (
        "Crowns done elsewhere at an unknown time: in no analysis that starts at the seat."
    ),
    "crowns_from_elsewhere_known_age": "Crowns done elsewhere at a known time: followed from the day first seen here.",
    "crowns_opened_elsewhere": "Single crowns of this practice that others opened: counted as opened from that day.",
    "crowns_timing_unknown": (
        "Single crowns with a root canal of which it is not known whether it came before the seat: in neither group. "
        "Fill in the worksheet's sheet of work done elsewhere."
    ),
    "retreatments_without_first_treatment": (
        "Repeat treatments of teeth whose first treatment is not in the records: it was done elsewhere or before they "
        "begin."
    ),
    "failures_elsewhere": (
        "Crowns and root canals that ended by what others did: counted as failures. A tooth with both is here twice."
    ),
    "late_refunds": (
        "Refunds of a crown or root canal too long after the work to take it back: a hint that it failed, which "
        "changes no figure. Say what happened in the worksheet's sheet of work done elsewhere."
    ),
    "hints_filling_on_crown": (
        "Fillings of one surface on a standing crown with no root canal near: the crown may have been opened "
        "elsewhere. They change no figure until the worksheet's sheet of work done elsewhere is filled in."
    ),
    "hints_undated_root_canal": (
        "Crowns of this practice that wait for the day of a root canal elsewhere: give the year, or say that there was "
        "nothing, in the worksheet's sheet of work done elsewhere."
    ),
}
# Those from this one on tell of work by others; the data-quality page shows them together.
_FIRST_OF_OTHERS = "rows_existing"
OF_OTHERS = frozenset(tuple(LINK_MEANINGS)[tuple(LINK_MEANINGS).index(_FIRST_OF_OTHERS) :])


# What is read from procedure codes where no detail is recorded, by the field that it fills.
CODED_MEANINGS = {
    "post": "Crowns whose post, or that there is none, is told by procedure codes alone.",
    "core": "Crowns whose core, or that there is none, is told by procedure codes alone.",
    "crown_lengthening": "Crowns of which codes tell whether the tooth was laid free for them.",
    "course_visits": "Root canals whose visits are counted from the days with a row, none being recorded.",
    "splint": "Root canals of which codes tell whether the tooth was held by a splint.",
    "perforation_repair": "Root canals of which codes tell whether a perforation was mended.",
    "film_3d": "Root canals of which codes tell whether a three-dimensional film was taken for them.",
}


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

    Parameters
    ----------
    loads, quarantine
        The stored tables of these names.
    reasons
        Reason code to its meaning and what to do about it.
    filled
        Counts of the stored input tables by name.
    unknown_codes
        Codes of the procedures that the code list in use does not hold, those with most rows first.
    link_counts
        What the linking step counted.
    changes
        Rows that later files change: `table_name, earlier, later, field, rows`.
    could_hold
        Fields that few rows of the ledger can hold: how many such rows there are, and in how many it is filled in.
    other_texts
        Texts of fields with usual words that are none of these: `table, field, rows, texts`.
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
        *(f'{_toml_text(c.code)} = "other"  # {c.rows:,} rows, {c.teeth:,} teeth' for c in ordered),
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
