"""Doubts about whole rows: columns that no field takes though they change what a row means, and rows that are lost."""

from collections import Counter
from collections.abc import Mapping, Sequence

from pipeline.practice.counts import count
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.amounts import amount_word_doubts, below_zero_doubts, currency_doubts, says_currency
from pipeline.reading.doubts.audit_trail import trail_doubts
from pipeline.reading.doubts.days import after_export
from pipeline.reading.doubts.doubt import Answer, Doubt, ask, commonest, named_in
from pipeline.reading.doubts.entries import again_doubts, keys_of_several, reference_doubts
from pipeline.reading.doubts.marked_cells import mark_doubts
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
from pipeline.reading.doubts.texts_beside import doubled_doubts, following_doubts, word_doubts
from pipeline.reading.doubts.unread_columns import partly_filled_doubts, unread_columns
from pipeline.reading.sources.joined import prefix
from pipeline.reading.sources.sections import SECTION
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.shown import quoted

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
        verbs = {pattern: word for heading, pattern, word in one.answers.marks if heading == one.audit.heading}
        found += trail_doubts(where, one.audit, key=columns.get("procedure_id"), told=verbs, has_fee=has_fee)
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
            is_sheet_told = named or SECTION in marked or "sheets_alike" in settings.practice.accepted
            asked = {one.audit.heading or "", *(h for h, said in one.phrases.items() if said)}
            asked |= {SHEET} if is_sheet_told else set()
            asked |= named_in(spoken, words) | asked_of | {*one.flags, *one.phrases, *one.amounts, *one.beside.headings}
            asked |= {h for h, texts in words.items() if says_currency(h, texts)}
            asked |= {*one.estimates, *one.credits, *one.quadrant_lists, *one.who.dependants, one.entry or ""}
            # Of a status one text is the usual one, and of clinicians none is.
            for h in (h for h in one.who_or_where if h in words):
                has_usual = 2 * max(words[h].values(), default=0) > words[h].total()
                asked |= set() if has_usual and not _are_initials(words[h], one) else {h}
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
        of, told = [s for s in seen if s.table == table], settings.tables[table]
        lists = [told.columns[name] for name in ("code", "tooth") if name in told.columns]
        found += set_aside(
            table,
            sum((s.reasons for s in of), Counter()),
            sum(s.counts["rows"] for s in of),
            systems=sum((s.tooth_systems for s in of), Counter()),
            statuses=untold_statuses([s.statuses for s in of], told.values.get("status", {})),
            lists=lists if len(lists) > 1 and not told.cell_lists else (),
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
            (f"tables.{table}", f'columns.{names[-1]} = "<its heading>"', "or leave that field out"),
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
    )


def further_procedures(where: str, seen: Seen) -> list[Doubt]:
    """Several procedures side by side in one row, of which one column is read."""
    n = seen.counts["further"]
    if not n:
        return []
    code = seen.answers.columns["code"]
    others = ", ".join(f'"{h}"' for h in seen.further)
    evidence = f'beside "{code}" the columns {others} hold {count(n, "more code")}, which nothing reads.'
    return ask("several_procedures_in_a_row", where, evidence)


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
                (f"tables.{seen.table}", f'sheets = ["{a}"]', "the sheets that are to be read"),
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
    """More rows than a few cannot be loaded; `systems` are unknown numberings of teeth, `statuses` untold texts."""
    lost = {r: n for r, n in reasons.items() if r not in NO_LOSS}
    n = sum(lost.values())
    if rows < LEAST_ROWS or n < LEAST_LOST or n <= MANY * rows:
        return []
    why = commonest(lost)
    told = {r: f"{REASONS[r].meaning} {REASONS[r].what_to_do}" if r in REASONS else f"{r} " for r in lost}
    each = "; ".join(f"{n:,}: {told[r]}" for r, n in why[:3])
    answers: list[Answer] = []
    for address, times in sorted((systems or {}).items(), key=lambda item: -item[1])[:_MOST_SYSTEMS]:
        means = f"or universal or palmer: how the {count(times, 'tooth')} under this address are numbered"
        answers.append(("standards", f'tooth_systems.{quoted(address)} = "fdi"', means))
    if lists and "several_codes" in lost:
        means = "the first code goes with the first tooth, and so on; add the column of fees if it has several too"
        answers.append((f"tables.{table}", f"cell_lists = [{', '.join(map(quoted, lists))}]", means))
    evidence = f"{n:,} of {rows:,} rows ({n / rows:.0%}) cannot be loaded and would be set aside. {each}"
    return ask("rows_set_aside", table, evidence, *answers, *told_as(statuses or {}))


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
        ("codes", f'"{first}" = "crown_placement"', "name the event of each that matters, likewise"),
        ("codes", f'"{first}" = "bookkeeping"', "so, where it is a payment, an adjustment or a note"),
    )


def _are_initials(texts: Counter[str], seen: Seen) -> bool:
    """Whether a text that is a word for work not done elsewhere is here a clinician's initials."""
    words = [text for text in texts if word_of(text) not in ("", "completed")]
    return seen.held is not None and any(works_as_others(seen.held.frame, text) for text in words)


def credits_beside(where: str, seen: Seen) -> list[Doubt]:
    """A column of credits that is not read: a charge that was taken back would count as work done."""
    n = seen.counts["credit"]
    if not n:
        return []
    heading, rows = seen.credits[0], seen.counts["rows"]
    fee = "" if "fee" in seen.answers.columns else " Name the column of charges as columns.fee too."
    return ask(
        "credits",
        where,
        f'{n:,} of {rows:,} rows have an amount in the column "{heading}", a procedure code and no charge.',
        (f"tables.{seen.table}", f'credit = "{heading}"', "yes: such a row takes back what it matches"),
        fee=fee,
    )


def estimates_beside(where: str, seen: Seen) -> list[Doubt]:
    """Rows with an amount under a heading of estimates and none in the column of fees: they may be plans."""
    n = seen.counts["estimate"]
    fee = seen.answers.columns.get("fee")
    if not n or fee is None or any(heading == fee for heading, _, _ in seen.answers.marks):
        return []
    heading, rows = seen.estimates[0], seen.counts["rows"]
    means = "yes: a row without a charge is planned"
    return ask(
        "estimates",
        where,
        f'{n:,} of {rows:,} rows have a procedure code, an amount in the column "{heading}" and none in "{fee}".',
        (f"tables.{seen.table}", f'status_from.{quoted(fee)} = {{ "" = "planned" }}', means),
    )
