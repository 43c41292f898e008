"""The stages in their order, each reading what the stage before stored. Every stage is one transaction."""

import contextlib
import dataclasses
import datetime as dt
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.machine import clock
from pipeline.machine.beside import Beside
from pipeline.machine.errors import DataError
from pipeline.practice.codes import COULD_HOLD
from pipeline.practice.counts import count
from pipeline.practice.own_question import Ask
from pipeline.practice.pseudonyms import KEPT, NAMING, choose, crosswalk, key_path
from pipeline.practice.reasons import REASONS
from pipeline.practice.settings import Borrowing, Settings
from pipeline.practice.tables import (
    CROWN_DETAILS,
    CROWNS,
    ELSEWHERE,
    ELSEWHERE_HINTS,
    ENDO_COURSES,
    ENDO_DETAILS,
    FINDINGS,
    INPUT_TABLES,
    LOADS,
    NOTE_CHECKS,
    NOTE_TABLES,
    NOTE_VALUES,
    PATIENT_FOLLOWUP,
    PATIENTS,
    PROCEDURES,
    QUARANTINE,
    RUN_FIGURES,
    TOOTH_FOLLOWUP,
)
from pipeline.questions.analysis import Analysis
from pipeline.questions.asking.answer import ask_all
from pipeline.questions.comparisons import LinkedTables
from pipeline.questions.crown_rows import own_courses, own_crowns
from pipeline.questions.owner.last_run import noted, this_run
from pipeline.reading.config import code_table, contribution_files, members_file
from pipeline.reading.doubts.look import seen_of
from pipeline.reading.mended_files import open_files
from pipeline.reading.sources.mapping import resolve_columns
from pipeline.reading.worksheets.lists import recall_rows, write_recall_list, write_worksheet
from pipeline.reading.worksheets.note_sheets import sample_to_check, values_that_differ, values_to_confirm
from pipeline.reading.worksheets.recall_list import due_reviews, last_contacts
from pipeline.reading.worksheets.technique import crowns_without_details, endo_without_details, teeth_to_ask
from pipeline.release.disclosure import SMALLEST, STEP
from pipeline.release.memory import PAGES, POOLING, Remembered, records_of, remembered
from pipeline.release.memory_file import BEGIN_ANEW, memory_path, read_memory, release_id
from pipeline.release.pool.agreed import agreed_rules
from pipeline.release.pool.contribution import Contribution, parts_of
from pipeline.release.pool.evidence import others_of
from pipeline.release.pool.files import read_contribution, signed, write_contribution
from pipeline.release.pool.make import contribution, pooled_spells
from pipeline.release.pool.members import read_members, refuse_unlisted
from pipeline.release.pool.others_and_yours import Others
from pipeline.release.pool.plausible import impossible
from pipeline.release.pool.signing import practice_code, practice_key, signing_key_path
from pipeline.release.side_by_side import few_between
from pipeline.results import Results, UnknownCode, from_plain, to_plain
from pipeline.results.asked import Asked
from pipeline.results.owner import Owner
from pipeline.results.records import WHY_KEPT
from pipeline.stages.compare import ComparisonInput, RecountInput, StoreSummary, compare, main_alone
from pipeline.stages.ingest import ingest_stage
from pipeline.stages.run_link import LINK_COUNTS, link_input, link_rules, link_stage
from pipeline.stages.run_parts import compare_main_in_parts
from pipeline.stages.standing import ANSWERED, PRACTICE_CODE, RESULTS, SIGNING_KEYS, answers_stand, digest_of_answers
from pipeline.storing.own_tables import FIELD_NOTES
from pipeline.storing.store import Store, open_store
from pipeline.transforms.coded_details import Coded, coded_rows, telling_codes_of
from pipeline.transforms.events import done_rows, match_refunds
from pipeline.transforms.link import TABLES, event_codes
from pipeline.transforms.patient_numbers import under_stand_ins

Say = Callable[[str], None]


def everything(
    settings: Settings, *, today: dt.date, say: Say, keep_ids: bool = False, beside: Beside | None = None
) -> Results:
    """Ingest, link and compare; `beside` as for `compare_stage`."""
    ingest_stage(settings, today=today, say=say, keep_ids=keep_ids)
    link_stage(settings, say=say)
    return compare_stage(settings, say=say, today=today, beside=beside)


def compare_stage(
    settings: Settings,
    *,
    say: Say,
    today: dt.date | None = None,
    parts: int | None = None,
    workers: int = 1,
    cluster: str | None = None,
    beside: Beside | None = None,
) -> Results:
    """Compare what is linked, and keep the results; `today` (else the clock's) is noted as the day of the run.

    The longest work is done in the process of `beside`, where there are cores and memory for them.
    Questions that were answered of the same rows by the same program are not answered again.

    With `parts`, several `workers` or a `cluster`, or where the rows ask for more memory than the settings allow, the
    main comparison is made part by part, with the same figures; the other questions need all rows at once and are
    listed as not run.
    """
    memory, analysis, runs, answered = settings.machine.memory_mb, _analysis(settings), None, ""
    whole = not parts and workers == 1 and cluster is None
    with open_store(settings.practice.database, must_exist=True, memory_mb=memory) as store:
        store.require("link")
        if whole and answers_stand(store, settings):
            say("nothing that the answers rest on has changed since they were given: they stand")
            return _results_of(store)
        codes = code_table(settings)
        told = _summary(store, settings, codes)
        need = settings.machine.memory_to_compare(sum(told.filled[t.name].rows for t in (CROWNS, ENDO_COURSES)))
        if not whole or need > memory:
            if whole:
                say(f"all questions at once need {need:,} MB of memory, and {memory:,} are allowed: the main one alone")
            main = compare_main_in_parts(store, told, analysis, parts=parts, workers=workers, cluster=cluster, say=say)
            results = main_alone(
                told, main, analysis, why=f"[machine] memory_mb = {max(need, memory)}, without --parts"
            )
        else:
            others = _others(store, settings, told, today=today)
            others_too = beside is not None and 2 * need <= memory and (os.cpu_count() or 1) > 1
            results = compare(
                # Held by nobody else, so that the rows with the patients' names go when they have numbers.
                _comparison_input(store, settings, codes, told, others),
                analysis,
                say=say,
                others=beside if others_too else None,
            )
            # Where the second library was not heard it is asked the next time; of no failure it has nothing to say.
            heard = results.checks or not any(g.failures for c in results.comparisons[:1] for g in c.groups)
            answered = digest_of_answers(store, settings) if heard else ""
            runs, owner = _noted(store, results, told, today=today or clock.today())
            results = dataclasses.replace(results, owner=owner)
        with store.transaction():
            if runs is not None:
                store.replace(RUN_FIGURES, runs)
            store.save_text(RESULTS, json.dumps(to_plain(results)))
            store.save_text(ANSWERED, answered)
            store.mark_done("compare")
    return results


def worksheet_stage(settings: Settings, out: Path, *, today: dt.date, say: Say) -> Path:
    """Write the workbook of what the practice can fill in; returns its path.

    Root canals and crowns that lack details, and teeth with a sign that others treated them.
    """
    notation = settings.practice.tooth_notation
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("link")
        ids = written_ids(store, settings, say=say)
        endo = endo_without_details(
            own_courses(store.read(ENDO_COURSES)), store.read(ENDO_DETAILS), ids, notation=notation
        )
        every_crown = store.read(CROWNS)
        crowns = crowns_without_details(
            every_crown.filter(~pl.col("done_elsewhere")),
            store.read(CROWN_DETAILS),
            ids,
            notation=notation,
            crown_repost_days=settings.rules.crown_repost_days,
        )
        asked = teeth_to_ask(store.read(ELSEWHERE_HINTS), every_crown, store.read(ELSEWHERE), ids, notation=notation)
        notes, differing = _note_sheets(store, ids, notation)
    say(f"{count(endo.rows.height, 'root canal')} and {count(crowns.rows.height, 'crown')} lack details")
    say(f"{count(asked.rows.height, 'tooth', 'has')} a sign that others may have treated them")
    if unknown := endo.without_id + crowns.without_id + asked.without_id:
        say(f"{unknown:,} more are not listed: their patients are in none of the files that were read")
    return write_worksheet(
        out,
        endo.rows,
        crowns.rows,
        asked.rows,
        practice=settings.practice.name,
        notation=notation,
        made_on=today,
        notes=notes,
        differing=differing,
    )


def _note_sheets(
    store: Store, ids: pl.DataFrame, notation: str
) -> tuple[dict[str, pl.DataFrame] | None, pl.DataFrame | None]:
    """The sheets of chart notes by table, and the values that differ from what is recorded; None without notes."""
    if (values := store.read(NOTE_VALUES)).is_empty():
        return None, None
    sheets = {
        "note_answers": values_to_confirm(values, ids, notation=notation).rows,
        "note_checks": sample_to_check(values, ids, notation=notation).rows,
    }
    return sheets, values_that_differ(values, ids, notation=notation).rows


def recall_stage(settings: Settings, out: Path, *, on: dt.date | None, as_csv: bool, say: Say) -> Path:
    """Write the recall list for the day `on`, None for the data cut-off; returns its path."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("link")
        cutoff = json.loads(store.text(LINK_COUNTS) or "{}").get("cutoff")
        if on is None and cutoff is None:
            raise DataError("The data hold no date, so nothing is due. Give the day with --on.")
        day = on or dt.date.fromisoformat(cutoff)
        due = _due(store, settings, on=day)
        rows = recall_rows(due, written_ids(store, settings, say=say), notation=settings.practice.tooth_notation)
    say(f"{count(due.height, 'review', 'is')} due on {day}")
    return write_recall_list(out, rows, practice=settings.practice.name, on=day, as_csv=as_csv)


def _due(store: Store, settings: Settings, *, on: dt.date) -> pl.DataFrame:
    """The reviews of root canals that are due on a day."""
    return due_reviews(
        own_courses(store.read(ENDO_COURSES)),
        store.read(FINDINGS),
        store.read(TOOTH_FOLLOWUP),
        last_contacts(store.read(PATIENT_FOLLOWUP), store.read(PATIENTS)),
        on=on,
        recall_months=settings.rules.recall_months,
        uncertain_years=settings.rules.uncertain_years,
    )


def ask_stage(settings: Settings, asks: Sequence[Ask], *, say: Say) -> tuple[Asked, ...]:
    """Answer questions of the practice's own; each is noted in the database, where it widens all ranges."""
    with open_store(settings.practice.database, must_exist=True) as store:
        return ask_all(
            store,
            asks,
            _analysis(settings),
            say=say,
            course_gap_days=settings.rules.course_gap_days,
            crown_repost_days=settings.rules.crown_repost_days,
            coded=_coded(store, settings, code_table(settings)),
        )


def contribute_stage(settings: Settings, out: Path, *, today: dt.date, say: Say, new_key: bool = False) -> Path:
    """Write what the practice gives for pooling, from what was compared, signed; returns the file's path.

    `new_key` signs with a key that takes the place of the one used before, which was lost.
    """
    results = stored_results(settings)
    with open_store(settings.practice.database, must_exist=True) as store:
        store.require("compare")
        read = store.stand_ins.reader(store.read)
        spells = pooled_spells(LinkedTables(*(read(t) for t in (CROWNS, ENDO_COURSES, TOOTH_FOLLOWUP, PATIENTS))))
        with store.transaction():
            code = practice_code(store.text(PRACTICE_CODE), key=key_path(store.path, settings.practice.key_file))
            path = signing_key_path(store.path, settings.practice.signing_key_file)
            key, numbers = practice_key(path, _key_numbers(store), new_key=new_key, say=say)
            store.save_text(PRACTICE_CODE, code)
            store.save_text(SIGNING_KEYS, json.dumps(numbers))
        secret = key.secret_of("noise of marks")
        before = read_memory(memory_path(key_path(store.path, settings.practice.key_file)))
        earlier = [c for r in before.releases if r.kind == POOLING and (c := _contribution_of(r.figures))]
        with store.transaction():
            kept = remembered(
                store,
                results,
                kind=POOLING,
                key=key_path(store.path, settings.practice.key_file),
                today=today,
                make=lambda told: _text_of(contribution(told, spells, code=code, secret=secret, earlier=earlier)),
                readable=lambda text: _contribution_of(text) is not None,
                few_between=_few_between,
                seen=_given_before(out, code),
            )
    _say_standing(settings, kept, of="the figures are those", say=say)
    made = _contribution_of(kept.figures)
    assert made is not None
    given = signed(dataclasses.replace(made, code=code, former_keys=numbers[:-1]), key)
    if (fault := impossible(given)) is not None:
        say(f"whoever pools will refuse this file, as it holds what no practice can have: {fault}")
    say(
        f"signed; this practice's key number is {key.number}: read it to whoever pools over the telephone, for the list"
    )
    say(
        f"{count(len(given.contrasts), 'question')}; counts under {SMALLEST} are hidden, others told in steps of {STEP}"
    )
    say("nothing in the file is about a person, and it names neither the practice nor a clinician")
    return write_contribution(given, out)


def _key_numbers(store: Store) -> tuple[str, ...]:
    """The numbers of the keys that this practice signed with, the present one last."""
    return tuple(json.loads(store.text(SIGNING_KEYS) or "[]"))


def _given_before(folder: Path, code: str) -> list[str]:
    """The notes of what lies in a folder of this practice's files for pooling; those of another version have none."""
    notes = []
    for path in folder.glob(f"contribution-{code}-*.json"):
        with contextlib.suppress(DataError):
            notes.append(f" {release_id(_text_of(read_contribution(path)))}")
    return notes


def _text_of(given: Contribution) -> str:
    """A contribution to be kept, before it is signed."""
    return json.dumps(to_plain(dataclasses.replace(given, former_keys=(), key="", signature="")))


def _contribution_of(text: str) -> Contribution | None:
    """A contribution that was kept; None for one of another form, or that may no longer leave."""
    try:
        found: Contribution = from_plain(Contribution, json.loads(text))
    except (AttributeError, KeyError, TypeError, ValueError):
        return None
    return found


def _few_between(releases: Sequence[tuple[str, str]]) -> bool:
    given = [(by, parts_of(one)) for by, text in releases if (one := _contribution_of(text)) is not None]
    return bool(given) and bool(few_between(given))


def release_stage(settings: Settings, results: Results, *, today: dt.date, say: Say, **making: Any) -> Remembered:
    """The figures of shared pages and slides: made now, or those of an earlier release of the same or near records.

    `making` says how, as for `remembered`.
    """
    with open_store(settings.practice.database, must_exist=True) as store, store.transaction():
        key = key_path(store.path, settings.practice.key_file)
        found = remembered(store, results, kind=PAGES, key=key, today=today, **making)
    _say_standing(settings, found, of="shared pages keep the figures", say=say)
    return found


def _say_standing(settings: Settings, kept: Remembered, *, of: str, say: Say) -> None:
    if kept.first:
        say("no earlier release is known: figures of this practice that were shared before can be held against these")
    if (why := WHY_KEPT.get(kept.standing)) is not None:
        memory = memory_path(key_path(settings.practice.database, settings.practice.key_file))
        say(f"{of} of {kept.made_on}: {why}")
        say(
            f"{memory.name}: if nothing made so far has left the practice, write `{BEGIN_ANEW}` into it for new figures"
        )


def stored_results(settings: Settings) -> Results:
    """The results that the comparing stage kept."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("compare")
        return _results_of(store)


def _results_of(store: Store) -> Results:
    text = store.text(RESULTS)
    if text is None:
        raise DataError(f"{store.path.name} holds no results. Run `toothyears compare` first.")
    try:
        results: Results = from_plain(Results, json.loads(text))
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise DataError(
            f"{store.path.name} holds results as another version of toothyears wrote them. "
            "Run `toothyears compare` again."
        ) from error
    return results


def written_ids(store: Store, settings: Settings, *, say: Say) -> pl.DataFrame:
    """Which id as the practice writes it stands behind each stored patient: `patient_id, written_id`.

    The database does not hold it: the ids are read from the practice's own files again.
    """
    naming = store.text(NAMING)
    if naming == KEPT:
        ids = store.read(PROCEDURES, ["patient_id"])["patient_id"].unique().sort()
        return pl.DataFrame({"patient_id": ids, "written_id": ids})
    say("reading the patients' ids from the practice's files, for this list alone")
    path = key_path(settings.practice.database, settings.practice.key_file)
    pseudonyms, _ = choose(naming, keep_ids=False, path=path, say=say)
    assert pseudonyms is not None
    found = [pl.Series("written_id", [], dtype=pl.String)]
    codes = code_table(settings)
    for name in settings.tables:
        for source in open_files(settings, name).values():
            told = {} if source.spoken.fields else settings.tables[name].columns
            columns = resolve_columns(source.headings, told, table=name, file=name)
            answers = seen_of(settings, name, source, columns, codes, file=name).answers
            batches = (answers.ids(batch.rows).unique() for batch in source.batches(answers.patient_headings()))
            found.append(pl.concat([found[0], *(ids.alias("written_id") for ids in batches)]).unique())
    return crosswalk(pl.concat(found), pseudonyms)


def _analysis(settings: Settings) -> Analysis:
    return Analysis(**_part(Analysis, settings.analysis))


def _part(kind: type, whole: object) -> dict[str, Any]:
    """Of settings that hold more, what a dataclass asks for."""
    return {f.name: getattr(whole, f.name) for f in dataclasses.fields(kind)}


def _summary(store: Store, settings: Settings, codes: pl.DataFrame) -> StoreSummary:
    kept = json.loads(store.text(LINK_COUNTS) or "{}")
    patients_in_ledger, records_begin = store.patients_in_ledger()
    with store.transaction():  # before anything is compared: our own figures are held against those of others there
        records = records_of(store)
    return StoreSummary(
        practice=settings.practice.name,
        filled={t.name: store.filled(t) for t in (*INPUT_TABLES.values(), CROWNS, ENDO_COURSES)},
        unknown_codes=[UnknownCode(*row) for row in store.unknown_codes(codes).iter_rows()],
        patients_in_ledger=patients_in_ledger,
        records_begin=records_begin,
        loads=store.read(LOADS),
        quarantine=store.read(QUARANTINE),
        reasons={code: (reason.meaning, reason.what_to_do) for code, reason in REASONS.items()},
        link_counts=kept.get("counts", {}),
        changes=store.changes.counted(),
        linked_from=_day(kept.get("begin")),
        cutoff=_day(kept.get("cutoff")),
        rules=_in_words(dataclasses.asdict(settings.rules))
        | {
            "crown_date": settings.practice.crown_date,
            "root_canals_elsewhere": settings.practice.root_canals_elsewhere,
            "film_readers": ", ".join(settings.practice.film_readers) or "not set",
        },
        settings=_in_words(dataclasses.asdict(settings.analysis) | _part(Borrowing, settings.evidence)),
        left_out=store.read(FIELD_NOTES),
        other_texts=store.other_texts(),
        records=records,
        could_hold={
            field: store.filled_among(field, codes.filter(pl.col("event").is_in(events))["code"].to_list())
            for field, events in COULD_HOLD.items()
        },
    )


def _others(store: Store, settings: Settings, told: StoreSummary, *, today: dt.date | None = None) -> Others:
    """What other practices gave, read before anything is compared, so that a wrong file stops the run early."""
    code = practice_code(store.text(PRACTICE_CODE), key=key_path(store.path, settings.practice.key_file))
    told_by = settings.evidence
    given = [read_contribution(path, unsigned=told_by.unlisted, today=today) for path in contribution_files(settings)]
    rules = agreed_rules(told.rules, told.settings)
    members = read_members(members_file(settings)) if told_by.members is not None else None
    found = others_of(
        given, code=code, rules=rules, borrowing=settings.evidence, own_keys=_key_numbers(store), members=members
    )
    if members is None:
        refuse_unlisted(found.given, taken=told_by.unlisted)
    return found


def _comparison_input(
    store: Store, settings: Settings, codes: pl.DataFrame, told: StoreSummary, others: Others
) -> ComparisonInput:
    read = store.stand_ins.reader(store.read)
    every_crown, every_course = read(CROWNS), read(ENDO_COURSES)
    return ComparisonInput(
        **_part(StoreSummary, told),
        crowns=own_crowns(every_crown),
        every_crown=every_crown,
        endo_courses=own_courses(every_course),
        every_course=every_course,
        tooth_followup=read(TOOTH_FOLLOWUP),
        elsewhere_hints=read(ELSEWHERE_HINTS),
        inputs={
            name: read(table)
            for name, table in INPUT_TABLES.items()
            if table is not PROCEDURES and table not in NOTE_TABLES
        },
        codes=codes,
        recount=_recount_input(store, settings, codes, told),
        others=others,
        coded=_coded(store, settings, codes),
        note_values=store.read(NOTE_VALUES),
        note_checks=store.read(NOTE_CHECKS),
        reviews_due=None if told.cutoff is None else _due(store, settings, on=told.cutoff),
        film_readers=settings.practice.film_readers,
    )


def _noted(store: Store, results: Results, told: StoreSummary, *, today: dt.date) -> tuple[pl.DataFrame, Owner]:
    """The table of runs with this one in it, and the owner's sheet with what changed since the last."""
    run = this_run(
        told.loads,
        {**told.rules, **told.settings},
        program=results.versions.get("toothyears", ""),
        data_cutoff=told.cutoff,
    )
    return noted(store.read(RUN_FIGURES), run, results.owner, today=today)


def _coded(store: Store, settings: Settings, codes: pl.DataFrame) -> Coded:
    """What procedure codes tell of crowns and courses, from the rows with such codes alone."""
    telling = telling_codes_of(codes)
    found = store.procedures_of(telling, until=settings.rules.data_cutoff)
    rows = under_stand_ins(found, store.stand_ins.read()).lazy()
    refunds = match_refunds(rows, reversal_days=settings.rules.reversal_days)
    return Coded(coded_rows(done_rows(rows, refunds).collect(), codes), settings.analysis)


def _recount_input(store: Store, settings: Settings, codes: pl.DataFrame, told: StoreSummary) -> RecountInput | None:
    """The rows on which the main comparison is counted in other ways: of all patients, or of a sample of them."""
    crowns, most = told.link_counts.get("crowns", 0), settings.analysis.choices_crowns
    if not crowns:
        return None
    rules, share, of_crowns = link_rules(settings), None, None
    if crowns > most:
        rules, share, of_crowns = dataclasses.replace(rules, data_cutoff=told.cutoff), most / crowns, crowns
    with store.linking.gathered(event_codes(codes), until=rules.data_cutoff, share=share) as gathered:
        tables = link_input(gathered)
    stand_ins = store.stand_ins.read()
    named = {name: under_stand_ins(getattr(tables, name).collect(), stand_ins).lazy() for name in TABLES}
    tables = dataclasses.replace(tables, **named)  # type: ignore[arg-type]
    return RecountInput(tables, rules, told.linked_from, of_crowns=of_crowns)


def _day(text: str | None) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


def _in_words(values: Mapping[str, Any]) -> dict[str, str]:
    return {name: "not set" if value is None else str(value) for name, value in values.items()}
