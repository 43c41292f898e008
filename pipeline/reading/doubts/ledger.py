"""Doubts about a ledger as a whole: is all of it there, once; on which days, of whom, and what do its codes mean?"""

from collections.abc import Sequence

import polars as pl

from pipeline.practice.codes import BUILT_IN
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.amounts import void_doubts
from pipeline.reading.doubts.clinicians import owner_doubts, treating_doubts
from pipeline.reading.doubts.codes import end_of_code_doubts, list_doubts, meaning_doubts
from pipeline.reading.doubts.days import weekday_doubts
from pipeline.reading.doubts.doubt import Doubt
from pipeline.reading.doubts.entries import listed_doubts
from pipeline.reading.doubts.fees import coin_doubts, fee_jumps, office_doubts
from pipeline.reading.doubts.files import overlap_doubts
from pipeline.reading.doubts.numbers_beside import (
    age_doubts,
    member_doubts,
    moved_doubts,
    numbered_member_doubts,
    other_number_doubts,
    prefix_doubts,
)
from pipeline.reading.doubts.people import shared_by_many, trial_records, word_among_numbers
from pipeline.reading.doubts.rows import NO_LOSS
from pipeline.reading.doubts.rows_held import crossed_doubts, slid_doubts, together_held, value_doubts
from pipeline.reading.doubts.second_day import crowded_days, day_group_doubts, fiscal_years, second_day_doubts
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.signs import sign_doubts
from pipeline.reading.doubts.texts_beside import named_tooth_doubts
from pipeline.reading.doubts.whole_export import selection_doubts, whole_doubts
from pipeline.reading.doubts.work_seen import Whole, together
from pipeline.reading.sources.made_columns import PARTS


def ledger_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """All such doubts, file by file."""
    found: list[Doubt] = []
    coins: dict[str, str | None] = {}
    own_codes = settings.practice.code_system not in BUILT_IN
    for one in seen:
        if one.is_ours or one.is_mended:
            continue
        where, told, marked = one.where, settings.tables[one.table], one.told
        lines = one.counts["rows"]
        rows, is_whole = lines - sum(one.reasons[reason] for reason in NO_LOSS), one.sections.is_whole
        is_alone = sum(other.table == one.table for other in seen) == 1
        found += whole_doubts(where, one.counted, rows=rows, lines=lines, is_whole=is_whole, is_alone=is_alone)
        name = next((h for h in reversed(one.who.named)), None)
        if not marked & set(one.who.named):
            found += trial_records(where, one.table, one.who.people, name)
        if one.table != "procedures":
            continue
        found += selection_doubts(where, one.counted.above)
        columns = one.answers.columns
        if (read := columns.get("service_date")) is not None:
            found += second_day_doubts(where, read, one.beside, has_status=one.has_status)
        if read not in marked:
            found += crowded_days(where, read, one.beside.rows, None if one.held is None else one.held.frame)
        parts = [h for made in told.made if made.how == PARTS and made.field == "service_date" for h in made.headings]
        found += fiscal_years(where, parts, told=told.year_begins)
        coins[where] = one.answers.fee_called
        named, renewed = set(settings.codes), set(told.codes_renewed)
        found += meaning_doubts(where, one.texts, named, is_own_list=own_codes, renewed=renewed)
        found += [] if own_codes else list_doubts(where, one.texts)
        if columns["patient_id"] not in marked and one.work is not None:
            patients = together(one.work.patient_pieces)
            found += shared_by_many(where, columns["patient_id"], patients)
            found += word_among_numbers(where, columns["patient_id"], patients)
    found += coin_doubts(coins, told=settings.tables["procedures"].fee_unit)
    whole = [one for one in seen if one.work is not None and not one.is_mended]
    works = [one.work for one in whole if one.work is not None]
    found += _of_rows(whole, settings)
    found += weekday_doubts([one for one in whole if one.sections.is_whole])
    found += overlap_doubts([one for one in whole if one.sections.is_whole])
    told = settings.tables["procedures"]
    months = [piece for work in works for piece in work.fees_by_month]
    found += fee_jumps("procedures", months, own_codes=own_codes, divided=told.fees_before)
    office = told.columns.get("site_id")
    if own_codes and office is not None and office not in told.code_from and works:
        pieces = [piece for work in works for piece in work.fees_by_office]
        found += office_doubts("procedures", office, pieces) if pieces else []
    found += sign_doubts("procedures", Whole(works, all(one.sections.is_whole for one in whole)))
    # Where the ends of codes part the visits, crowns on two days are no question of their own.
    known = settings.rules.crown_rows > 1 or any(d.id == "code_ends" for d in found)
    return [d for d in found if d.id != "crown_in_two_rows" or not known]


def _of_rows(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """Doubts in which rows are held beside one another, those of files with the same columns together."""
    found: list[Doubt] = []
    alike: dict[tuple[str, ...], list[Seen]] = {}
    for one in seen:
        if one.held is not None and one.held.height:
            alike.setdefault((*one.headings, *one.answers.columns), []).append(one)
    for files in alike.values():
        first, held = files[0], together_held([one.held for one in files if one.held is not None])
        where = first.where if len(files) == 1 else "procedures"
        frame, columns = held.frame, first.answers.columns
        marked = first.told
        found += value_doubts(where, frame, columns, told=marked, has_status=first.has_status)
        found += day_group_doubts(where, frame, columns.get("service_date", ""))
        found += crossed_doubts(where, frame)
        if "tooth" in columns and "tooth" not in first.made and not first.answers.notations:
            told_of = {heading for heading, _, _ in (*first.answers.marks, *first.answers.codes)}
            found += named_tooth_doubts(where, frame, columns["code"], first.answers.notation, told=told_of)
        if not first.answers.told.dependant:
            found += age_doubts(where, frame) + member_doubts(where, frame, told=marked)
            found += numbered_member_doubts(where, frame, told=marked)
        if not settings.practice.numbering:
            found += prefix_doubts(where, frame, held.columns)
        if not first.answers.merged:
            ids = pl.concat([one.who.people["id"] for one in files])
            found += other_number_doubts(where, frame, ids)
        if (clinician := columns.get("provider_id")) is not None:
            found += treating_doubts(where, frame, clinician) or owner_doubts(where, frame, clinician)
        if "status" in columns:
            found += void_doubts(where, held.whole)
        if "code" not in first.made and not any(h == columns["code"] for h, _, _ in first.answers.marks):
            found += end_of_code_doubts(where, frame, columns["code"])
        found += moved_doubts(where, frame)
        for one in files:
            if one.held is not None and one.listed.by_word and one.sections.is_whole:
                found += listed_doubts(one.where, one.listed, one.held.frame)
            if one.held is not None and one.held.toothless and one.sections.is_whole:
                found += slid_doubts(one.where, one.held)
    return found
