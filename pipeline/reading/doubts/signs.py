"""Signs that a ledger as a whole is not what it was taken for, whatever its columns and words are.

Each is a count that the trade knows the bounds of: a tooth is taken out once, practices are shut on some day of the
week, patients come back. Bounds are wide, so that a practice of an odd kind is not asked, and no sign needs the
knowledge of any export. All of them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger
from pipeline.reading.doubts.sign_counts import (
    Count,
    after_loss,
    again,
    free_at_first,
    in_parts,
    in_two,
    months_without,
    no_loss,
    not_molars,
    nothing_else,
    one_day_of_month,
    one_tooth,
    patients_lost,
    quadrant_without,
    quadrants,
    seen_once,
    still_patients,
    strange_fees,
    sundays,
    swapped_weekends,
    up_to_twelve,
    wisdom,
)
from pipeline.reading.doubts.work_seen import CROWN, FILLED, ROOT_CANAL, TAKEN, Whole

TABLE = "tables.procedures"


@dataclass(frozen=True)
class Sign:
    """A sign: what is counted, from how many things on (`among`) and from which number and share on it is asked about,
    what is then said and asked, which lines may mend it, and what it means if it is so."""

    id: str
    counted: Callable[[Whole], Count | None]
    among: int
    least: int
    share: float
    evidence: str
    question: str
    so: str
    lines: tuple[tuple[str, str, str], ...] = ()


_TWICE = (
    "Is one of the two a plan, an estimate, an entry that was taken back, or the same work out of another program or "
    "list? Find the column or file that tells them apart: "
)
_TELL = (of_ledger('status_from."<column>" = { "<its text>" = "planned" }', "or void: what such a row is"),)
SIGNS: tuple[Sign, ...] = (
    Sign(
        "taken_out_twice",
        again(TAKEN),
        4,
        2,
        0.1,
        "{n:,} of {of:,} teeth that were taken out were taken out on two days, most often {gap:,} days apart.",
        _TWICE + "or does one patient number stand for several people?",
        "the days are as they were written",
        _TELL,
    ),
    Sign(
        "treated_after_loss",
        after_loss,
        10,
        4,
        0.15,
        "{n:,} of {of:,} teeth that were taken out have a crown, root canal or filling on a later day.",
        "Was the work that was taken for done only planned, are several people under one number, or are days or teeth "
        "read wrongly?",
        "the ledger has such slips",
        _TELL,
    ),
    Sign(
        "crowned_twice",
        again(CROWN, 60, 400),  # rows up to 60 days apart are one crown
        10,
        3,
        0.12,
        "{n:,} of {of:,} crowned teeth have a second crown 60 to 400 days after the first, most often {gap:,} days.",
        _TWICE + "or are the day of preparation and that of the seat both posted as the crown?",
        "both rows are work done",
        _TELL,
    ),
    Sign(
        "crown_in_two_rows",
        in_two(CROWN, 3, 60),
        10,
        8,
        0.4,
        "{n:,} of {of:,} crowned teeth have a crown on two days some {gap:,} days apart, each with a fee, and {once:,} "
        "on one day only.",
        "Is each crown charged in two parts, at its preparation and at its seat? Then one with a single row was "
        "prepared and not seated.",
        "the second row is a correction or a second posting, and one row is a crown",
        (("rules", "crown_rows = 2", "yes: a crown has rows on two days, and is seated on the second"),),
    ),
    Sign(
        "posted_in_parts",
        in_parts(CROWN, 400),
        20,
        5,
        0.05,
        "{n:,} of {of:,} crowned teeth have crowns on three days or more within a year.",
        "Is a crown posted again with each part that is paid, or with each visit? Find the text that tells such rows "
        "apart from the crown itself: ",
        "all rows are crowns",
        _TELL,
    ),
    Sign(
        "filled_twice",
        again(ROOT_CANAL, 180, 600),  # rows up to 180 days apart are one course
        10,
        3,
        0.15,
        "{n:,} of {of:,} root canals come again 180 to 600 days after the first, most often {gap:,} days.",
        _TWICE + "or is each visit of a root canal posted under its code?",
        "both rows are work done",
        _TELL,
    ),
    Sign(
        "restored_twice",
        again(FILLED, within=120),
        15,
        4,
        0.2,
        "{n:,} of {of:,} filled teeth have a filling on two days at most 120 days apart, most often {gap:,} days.",
        _TWICE + "or is it something else?",
        "both rows are work done",
        _TELL,
    ),
    Sign(
        "work_on_sundays",
        sundays,
        150,
        15,
        0.08,
        "{n:,} of {of:,} rows are on Sundays, and hardly any on {quiet}.",
        "Are all days one day off, as where a program tells them in the time of another place? Compare a row or two "
        "with the chart.",
        "the practice works on Sundays",
        (
            of_ledger('late_stamps = "next_day"', "if they are stamps at an hour of the evening before"),
            ("practice", 'time_zone = "<Area/City>"', "if they are told in universal time"),
        ),
    ),
    Sign(
        "days_and_months",
        swapped_weekends,
        60,
        12,
        0.15,
        "{n:,} of {of:,} rows on the first twelve days of a month are on weekends, of the others {late:,} of "
        "{late_of:,}.",
        "Did a spreadsheet take the day for the month wherever it could? Export the days as text again, year first.",
        "the days are right",
        (of_ledger('swapped_dates = "mend"', "yes: turn day and month of days up to the twelfth about"),),
    ),
    Sign(
        "no_day_after_the_twelfth",
        up_to_twelve,
        30,
        30,
        0.0,
        "none of {of:,} different days is after the twelfth of its month.",
        "Were day and month taken for one another, and the rows of other days lost? Export the days as text again, "
        "year first.",
        "the days are right",
    ),
    Sign(
        "one_day_of_the_month",
        one_day_of_month,
        60,
        40,
        0.6,
        "{n:,} of {of:,} rows are on the {day} day of a month.",
        "Is the day of the work not known, only its month, or is this the day of a bill or a statement? If another "
        "column has the day of the work, read that one.",
        "the work was done on these days, or its month is all that is known",
        (of_ledger('columns.service_date = "<column>"', "the day of the work"),),
    ),
    Sign(
        "months_missing",
        months_without,
        12,
        1,
        0.0,
        "{n:,} of {of:,} months hold nothing ({months}), and of others some {usual:,} days.",
        "Is a file or a page missing, or was a period left out of the export?",
        "nothing was done in these months; whatever is missing counts as never done",
    ),
    Sign(
        "patients_begin_anew",
        patients_lost,
        30,
        10,
        0.1,
        "of {n:,} patients seen before {month} only {few:,} were seen after it; at other times it is {usual:,}.",
        "Were patients given new numbers then, as where the program or its owner changed? Then no work after it is "
        "joined to what was done before.",
        "the practice had other patients from then on, or the numbers hold",
        (("practice", 'patient_ids = "without_ending"', "or numbers, if the new ones only have more signs"),),
    ),
    Sign(
        "patients_seen_once",
        seen_once,
        60,
        60,
        0.97,
        "{n:,} of {of:,} patients were seen on one day only.",
        "Is the number that of a visit, a bill or a row, and not that of the patient?",
        "they are patients, and came once",
        (of_ledger('columns.patient_id = "<column>"', "the number of the patient"),),
    ),
    Sign(
        "no_patient_left",
        still_patients,
        100,
        100,
        0.985,
        "{n:,} of {of:,} patients of {years} years, but for those of the last two and a half, were seen within these.",
        "Was the export made of active patients only? Patients leave: of those who did no tooth would be seen to be "
        "lost. Make the export again with all patients.",
        "hardly any patient left, or no other export can be had",
    ),
    Sign(
        "teeth_in_one_quadrant",
        quadrants,
        60,
        45,
        0.7,
        "{n:,} of {of:,} crowns, root canals, extractions and fillings are on teeth of the {quadrant}.",
        "Are the teeth numbered otherwise than told?",
        "that is where the work was",
    ),
    Sign(
        "quadrant_without_work",
        quadrant_without,
        100,
        100,
        0.0,
        "of {of:,} crowns, root canals, extractions and fillings none is on a tooth of the {quadrant}.",
        "Are the teeth numbered otherwise than told, or was part of the ledger left out?",
        "no work was done there",
    ),
    Sign(
        "work_on_one_tooth",
        one_tooth,
        80,
        30,
        0.35,
        "{n:,} of {of:,} crowns, root canals, extractions and fillings are on tooth {tooth} (FDI).",
        "Is this number put in where no tooth was named, or is the column another thing?",
        "the work was on this tooth",
    ),
    Sign(
        "hardly_any_molars",
        not_molars,
        60,
        60,
        0.92,
        "{n:,} of {of:,} crowns and root canals are on other teeth than first and second molars.",
        "Are the teeth numbered otherwise than told? Compare a row or two with the chart.",
        "that is where the work was",
    ),
    Sign(
        "wisdom_teeth",
        wisdom,
        40,
        12,
        0.3,
        "{n:,} of {of:,} crowns and root canals are on third molars.",
        "Are the teeth numbered otherwise than told? Compare a row or two with the chart.",
        "that is where the work was",
    ),
    Sign(
        "no_tooth_lost",
        no_loss,
        60,
        60,
        0.0,
        "there are {n:,} crowns and root canals over years, and no tooth was taken out.",
        "Was the export made of some procedures only? Without the extractions no tooth is seen to be lost.",
        "no tooth is taken out here",
    ),
    Sign(
        "only_work_on_teeth",
        nothing_else,
        100,
        100,
        0.98,
        "{n:,} of {of:,} rows are work on a tooth.",
        "Was the export made of some procedures only? Patients are followed up to their last visit of any kind, so "
        "examinations and cleanings are needed too.",
        "it holds all that was done, or there is no more to be had: follow-up ends at the last such work",
    ),
    Sign(
        "free_at_first",
        free_at_first,
        20,
        8,
        0.1,
        "{n:,} of {of:,} crowned or root-filled teeth have that work on the patient's first day and without a fee, "
        "where nearly all other such work has one.",
        "Was work charted there that others had done before?",
        "it was done here, and not charged for",
        (
            of_ledger(
                'status_from."<column of fees>" = { "" = "existing" }', "yes: write 0.00 for the empty text if it is so"
            ),
        ),
    ),
    Sign(
        "fees_far_apart",
        strange_fees,
        40,
        5,
        0.03,
        "{n:,} of {of:,} fees are some twenty times those of most rows of the same code, or a twentieth.",
        "Are some amounts in the smallest coin, in another currency, or of another kind than the fee?",
        "the fees are as they stand",
        (of_ledger('fee_unit = "cent"', "if all of a file are in the smallest coin"),),
    ),
)


def sign_doubts(where: str, whole: Whole) -> list[Doubt]:
    """A question for each sign that stands."""
    found = []
    for sign in SIGNS:
        met = sign.counted(whole)
        if met is None or met.of < sign.among or met.n < sign.least or met.n < sign.share * met.of:
            continue
        evidence = sign.evidence.format(n=met.n, of=met.of, **met.names)
        found += ask(sign.id, where, evidence, sign.question, *sign.lines, so=f"no: {sign.so}")
    return found
