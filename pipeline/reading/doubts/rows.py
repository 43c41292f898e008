"""Doubts about whole rows: columns that no field takes though they change what a row means, and rows that are lost."""

from collections import Counter
from collections.abc import Mapping, Sequence

from pipeline.practice.counts import count
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.after_export import after_export
from pipeline.reading.doubts.amount_words import amount_word_doubts
from pipeline.reading.doubts.amounts_beside import credits_beside, estimates_beside
from pipeline.reading.doubts.audit_trail import trail_doubts
from pipeline.reading.doubts.below_zero import below_zero_doubts
from pipeline.reading.doubts.currencies import currency_doubts, says_currency
from pipeline.reading.doubts.doubled_work import doubled_doubts, following_doubts
from pipeline.reading.doubts.doubt import Doubt, ask, commonest, named_in
from pipeline.reading.doubts.entry_references import reference_doubts
from pipeline.reading.doubts.marked_cells import mark_doubts
from pipeline.reading.doubts.partly_filled import partly_filled_doubts
from pipeline.reading.doubts.row_ids import again_doubts, keys_of_several
from pipeline.reading.doubts.sections import legend_doubts, remark_doubts, section_doubts, unmet_names
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.standing import flag_doubts, pattern_doubts, phrase_doubts, word_of
from pipeline.reading.doubts.status_words import (
    among_others,
    mostly_empty,
    renewed_doubts,
    status_word_doubts,
    told_as,
    untold_statuses,
    works_as_others,
)
from pipeline.reading.doubts.unread_columns import unread_columns
from pipeline.reading.doubts.words_beside import word_doubts
from pipeline.reading.sources.joined import prefix
from pipeline.reading.sources.sections import SECTION
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.toml_quote import quoted

_ALIKE_ROWS = 5
_MOST_SYSTEMS = 3
MANY, LEAST_ROWS, LEAST_LOST = 0.05, 20, 3
# Rows that are set aside for good reason: they never were rows of this table, or another one counts in their place.
NO_LOSS = (
    "row_empty",
    "totals_row",
    "note_line",
    "repeated_heading",
    "group_line",
    "other_table",
    "no_record",
    "nothing_filled_in",
    "predetermination",
    "corrected",
    "superseded",
    "in_other_file",
    "sheet_not_read",
    "finding_not_final",
)


def row_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """All doubts about rows and columns."""
    found: list[Doubt] = []
    for one in seen:
        where, told, columns = one.where, settings.tables[one.table], one.answers.columns
        marked, has_status, has_fee = one.told, one.has_status, one.has_fee
        found += mapped_twice(where, one.table, columns)
        if told.ditto_marks is None:
            found += ditto_marks(where, one, told.fill_down)
        found += cut_cells(where, one)
        found += credits_beside(where, one)
        if not has_status:
            found += estimates_beside(where, one)
        found += further_procedures(where, one)
        found += sheets_alike(where, one)
        found += flag_doubts(where, one.flags, told=marked, has_status=has_status, has_fee=has_fee)
        words = {h: counts for h, counts in one.words.items() if h not in one.kinds and h != SHEET}
        spoken = status_word_doubts(where, words, told=marked, has_status=has_status)
        found += spoken
        if not has_status:
            listed = [h for h in words for join in told.joined if h.startswith(prefix(join))]
            named_so = [h for h in (*one.who_or_where, *listed) if h in words and not named_in(spoken, [h])]
            charged = {} if one.work is None else {columns.get(f): n for f, n in one.work.charged.items()}
            held = None if one.held is None else one.held.frame
            by_others = [d for h in named_so for d in among_others(where, h, words[h], charged.get(h), held)]
            # A list of the clinicians says in words what their initials leave open.
            by_others = [d for d in by_others if named_in([d], listed)] or by_others
            spoken += by_others
            found += by_others
        found += after_export(where, one.exported_on, one.counts["dated"], one.counts["after"], has_status=has_status)
        trail = trail_doubts(
            where,
            one.audit,
            key=columns.get("procedure_id"),
            told={pattern: word for heading, pattern, word in one.answers.marks if heading == one.audit.heading},
            has_fee=has_fee,
        )
        found += trail
        # What a deleted row means hangs on the rest of the trail.
        said = {h: c for h, c in one.phrases.items() if h != one.audit.heading}
        found += phrase_doubts(where, said, told=marked)
        if one.statuses and not one.is_mended:
            made = told.values.get("status", {})
            found += mostly_empty(where, columns["status"], one.statuses, made)
        found += mark_doubts(where, one.marks)
        asked_of = marked | named_in(found, one.headings)
        if not has_status:
            found += partly_filled_doubts(where, one.partly_filled, date=columns.get("service_date"), told=asked_of)
        found += again_doubts(where, one.entry, one.counts)
        found += reference_doubts(where, one.references, told=asked_of, has_fee=has_fee)
        found += amount_word_doubts(where, one.amount_words, told=asked_of)
        if not (marked or has_status):
            found += legend_doubts(where, one.sections)
        if one.doubled is not None:
            worded = word_doubts(where, one.doubled, one.answers)
            worded = [d for d in worded if not named_in([d], asked_of - marked)]
            found += worded
            asked_of |= named_in(worded, one.headings)
            found += doubled_doubts(where, one.doubled, told=asked_of)
            found += following_doubts(where, one.doubled)
            found += one.of_amounts
        others = {s.file: n for s in seen if s is not one and s.table == one.table and (n := s.sections.silent[""])}
        n_rows = one.counts["records"]
        named = section_doubts(where, one.sections, n_rows=n_rows, has_fee=has_fee, files=others)
        found += named or remark_doubts(where, one.sections, has_fee=has_fee)
        if not (one.is_mended or one.is_ours):
            asked = {h for h, said in one.phrases.items() if said} | (
                {SHEET} if named or SECTION in marked or "sheets_alike" in settings.practice.accepted else set()
            )
            asked |= {one.audit.heading or ""}
            asked |= named_in(spoken, words) | asked_of | {*one.flags, *one.phrases, *one.amounts, *one.beside.headings}
            asked |= {h for h, texts in words.items() if says_currency(h, texts)}
            asked |= {*one.estimates, *one.credits, *one.quadrant_lists, *one.who.dependants, one.entry or ""}
            # Of a status one text is the usual one, and of clinicians none is.
            asked |= {
                h
                for h in one.who_or_where
                if h in words
                and (2 * max(words[h].values(), default=0) <= words[h].total() or _are_initials(words[h], one))
            }
            found += unread_columns(
                where, one.words, told=marked, unread=one.not_read, asked=asked, has_fee=has_fee, has_status=has_status
            )
        found += below_zero_doubts(where, one.amounts, rows=n_rows, has_fee=has_fee, told=marked)
    months = sum((s.status_months for s in seen), Counter[tuple[str, int]]())
    found += renewed_doubts("procedures", months, settings.tables["procedures"].status_renewed)
    for heading in sorted({h for s in seen for h in s.mark_months}):
        months = sum((s.mark_months.get(heading, Counter()) for s in seen), Counter[tuple[str, int]]())
        found += renewed_doubts("procedures", months, (), heading=heading)
    charged_in = [s for s in seen if s.table == "procedures" and s.has_fee]
    fees = {s.where: (s.answers.columns["fee"], s.currencies) for s in charged_in}
    found += currency_doubts(fees, {s.where: s.words for s in charged_in})
    marks = settings.tables["procedures"].status_from
    ledgers = [s for s in seen if s.table == "procedures"]
    found += unmet_names({s.file: s.sections for s in ledgers}, list(marks.get(SECTION, {})))
    if all(s.sections.is_whole for s in ledgers):
        of_columns = {heading: made for heading, made in marks.items() if heading != SECTION}
        met = sum((s.met for s in ledgers), Counter[tuple[str, str]]())
        met.update({key: 0 for s in ledgers for key in s.met})
        found += pattern_doubts(met, of_columns, sum(s.counts["rows"] for s in ledgers))
    for table in dict.fromkeys(s.table for s in seen):
        of = [s for s in seen if s.table == table]
        found += set_aside(
            table,
            sum((s.reasons for s in of), Counter()),
            sum(s.counts["rows"] for s in of),
            systems=sum((s.tooth_systems for s in of), Counter()),
            statuses=untold_statuses([s.statuses for s in of], settings.tables[table].values.get("status", {})),
            lists=() if settings.tables[table].cell_lists else _lists(settings.tables[table].columns),
        )
        keyed = [s for s in of if "procedure_id" in s.answers.columns and not s.is_ours and s.audit.heading is None]
        # Of a column that is read as something else too it is asked already what it is.
        keyed = [s for s in keyed if list(s.answers.columns.values()).count(s.answers.columns["procedure_id"]) == 1]
        if keyed:
            heading = keyed[0].answers.columns["procedure_id"]
            found += keys_of_several(table, heading, [s.row_ids for s in keyed])
        found += unknown_codes(table, sum((s.unknown for s in of), Counter()), sum(s.counts["coded"] for s in of))
    return found


def mapped_twice(where: str, table: str, columns: Mapping[str, str]) -> list[Doubt]:
    """One column that is read as two fields."""
    fields: dict[str, list[str]] = {}
    for name, heading in columns.items():
        fields.setdefault(heading, []).append(name)
    return [
        doubt
        for heading, names in fields.items()
        if len(names) > 1
        for doubt in ask(
            "one_column_twice",
            where,
            f'column "{heading}" is read as {" and as ".join(names)}.',
            "One column holds one thing. Which is it?",
            (f"tables.{table}", f'columns.{names[-1]} = "<its heading>"', "or leave that field out"),
            so="it is both",
        )
    ]


def ditto_marks(where: str, seen: Seen, filled_down: Sequence[str]) -> list[Doubt]:
    """Marks for the same as above in columns that are read, and that `fill_down` does not fill."""
    n = sum(seen.dittos[heading] for name, heading in seen.answers.columns.items() if name not in filled_down)
    if not n:
        return []
    return ask(
        "ditto_marks",
        where,
        f"{count(n, 'cell', 'holds')} a mark or word for the same again (ditto, do., a quotation mark) in "
        "columns that are read.",
        "Does such a mark stand for what the cell above it says?",
        (f"tables.{seen.table}", 'ditto_marks = "above"', "yes: each is read as the cell above it"),
        (f"tables.{seen.table}", 'ditto_marks = "empty"', "no: nothing was meant, the cell is empty"),
    )


def cut_cells(where: str, seen: Seen) -> list[Doubt]:
    """Cells full of number signs, which a spreadsheet shows where a column is too narrow."""
    cut = [(name, n) for name, n in sorted(seen.cut.items()) if n]
    if not cut:
        return []
    n, each = sum(n for _, n in cut), ", ".join(f'"{seen.answers.columns.get(name, name)}"' for name, _ in cut)
    return ask(
        "cut_cells",
        where,
        f"{count(n, 'cell', 'holds')} nothing but ####, in the columns {each}: what a spreadsheet shows where a "
        "column is too narrow. The values themselves are not in this file.",
        "Make these columns wider in the spreadsheet and save the file as text again.",
        so="go on without these values",
    )


def further_procedures(where: str, seen: Seen) -> list[Doubt]:
    """Several procedures side by side in one row, of which one column is read."""
    n = seen.counts["further"]
    if not n:
        return []
    code = seen.answers.columns["code"]
    others = ", ".join(f'"{h}"' for h in seen.further)
    return ask(
        "several_procedures_in_a_row",
        where,
        f'beside "{code}" the columns {others} hold {count(n, "more code")}, which nothing reads.',
        "Are there several procedures in one row? One row a procedure is needed: export the list of procedures "
        "instead, or save a copy of the file for each set of columns, all under the same headings.",
        so="the others are no procedures, or may be left out",
    )


def sheets_alike(where: str, seen: Seen) -> list[Doubt]:
    """Two sheets of a workbook with mostly the same rows: one is a copy of the other, kept or edited."""
    names = sorted(seen.sheets)
    for n, a in enumerate(names):
        for b in names[n + 1 :]:
            both, least = len(seen.sheets[a] & seen.sheets[b]), min(len(seen.sheets[a]), len(seen.sheets[b]))
            if both < _ALIKE_ROWS or 2 * both < least:
                continue
            return ask(
                "sheets_alike",
                where,
                f'sheets "{a}" and "{b}" have {count(both, "row")} in common, of {least:,} of the shorter one.',
                "Is one a copy of the other? Then each piece of work would count twice.",
                (f"tables.{seen.table}", f'sheets = ["{a}"]', "the sheets that are to be read"),
                so="no: both hold work of their own",
            )
    return []


def set_aside(
    table: str,
    reasons: Mapping[str, int],
    rows: int,
    *,
    systems: Mapping[str, int] | None = None,
    statuses: Mapping[str, int] | None = None,
    lists: Sequence[str] = (),
) -> list[Doubt]:
    """More rows than a few cannot be loaded; `systems` are addresses of tooth numberings that are not known, `statuses`
    texts of the status that nothing says the meaning of."""
    lost = {r: n for r, n in reasons.items() if r not in NO_LOSS}
    n = sum(lost.values())
    if rows < LEAST_ROWS or n < LEAST_LOST or n <= MANY * rows:
        return []
    why = commonest(lost)
    each = "; ".join(f"{n:,}: {REASONS[r].meaning if r in REASONS else r} {_next(r)}" for r, n in why[:3])
    return ask(
        "rows_set_aside",
        table,
        f"{n:,} of {rows:,} rows ({n / rows:.0%}) cannot be loaded and would be set aside. {each}",
        "A column or a form may have been told wrongly. If the rows themselves are at fault:",
        *(
            (
                "standards",
                f'tooth_systems.{quoted(address)} = "fdi"',
                f"or universal or palmer: how the {count(times, 'tooth')} under this address are numbered",
            )
            for address, times in sorted((systems or {}).items(), key=lambda item: -item[1])[:_MOST_SYSTEMS]
        ),
        *(
            (
                (
                    f"tables.{table}",
                    f"cell_lists = [{', '.join(map(quoted, lists))}]",
                    "the first code goes with the first tooth, and so on; add the column of fees if it has several too",
                ),
            )
            if lists and "several_codes" in lost
            else ()
        ),
        *told_as(statuses or {}),
        so="go on without them; they are listed with the reason, to be mended",
    )


def _lists(columns: Mapping[str, str]) -> list[str]:
    """The columns of codes and teeth, if both are there."""
    return [columns[name] for name in ("code", "tooth")] if {"code", "tooth"} <= set(columns) else []


def unknown_codes(table: str, unknown: Mapping[str, int], rows: int) -> list[Doubt]:
    """More rows than a few have a code that the list does not know."""
    n = sum(unknown.values())
    if rows < LEAST_ROWS or n < LEAST_LOST or n <= MANY * rows:
        return []
    top = commonest(unknown)[:10]
    shown = ", ".join(f"{code} ({times:,})" for code, times in top if times > 1) or "each in one row"
    first = next((code for code, _ in top), "")
    return ask(
        "unknown_codes",
        table,
        f"{n:,} of {rows:,} rows ({n / rows:.0%}) have a code that is not known: {shown}.",
        "Are crowns, root canals or extractions among them?",
        ("codes", f'"{first}" = "crown_placement"', "name the event of each that matters, likewise"),
        ("codes", f'"{first}" = "bookkeeping"', "so, where it is a payment, an adjustment or a note"),
        so="no: they count as contacts with the patient",
    )


def _next(reason: str) -> str:
    return REASONS[reason].what_to_do if reason in REASONS else ""


def _are_initials(texts: Counter[str], seen: Seen) -> bool:
    """Whether a text that is a word for work not done elsewhere is here a clinician's initials."""
    words = [text for text in texts if word_of(text) not in ("", "completed")]
    return seen.held is not None and any(works_as_others(seen.held.frame, text) for text in words)
