"""Signs that a ledger as a whole is not what it was taken for, whatever its columns and words are.

Each is a count that the trade knows the bounds of: a tooth is taken out once, practices are shut on some day of the
week, patients come back. Bounds are wide, so that a practice of an odd kind is not asked, and no sign needs the
knowledge of any export. All of them are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, accept
from pipeline.reading.doubts.work_seen import CROWN, FILLED, ROOT_CANAL, STEPS, TAKEN, Whole, month_of, summed

TABLE = "tables.procedures"
_DAYS_OF_WEEK = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")
_EPOCH = dt.date(1970, 1, 1)
_MISSED = 12  # days of work that the months without any would have had
_QUADRANTS = ("upper right", "upper left", "lower left", "lower right")


@dataclass(frozen=True)
class Count:
    """`n` of `of` things, and what else the words of the sign name."""

    n: int
    of: int
    names: dict[str, object] = field(default_factory=dict)


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


def again(kind: str, after: int = 0, within: int | None = None) -> Callable[[Whole], Count]:
    """Teeth with work of a kind on two days, more than so many days apart and at most so many, among all with such
    work."""

    def counted(whole: Whole) -> Count:
        work = whole.work.filter(pl.col("kind") == kind).sort("patient", "tooth", "day")
        gaps = work.select("patient", "tooth", gap=pl.col("day").diff().dt.total_days().over("patient", "tooth"))
        close = pl.col("gap") > after if within is None else pl.col("gap").is_between(after + 1, within)
        twice = gaps.filter(close)
        most = twice["gap"].mode().sort().first() if twice.height else None
        teeth = twice.select("patient", "tooth").n_unique() if twice.height else 0
        return Count(teeth, work.select("patient", "tooth").n_unique() if work.height else 0, {"gap": most})

    return counted


def after_loss(whole: Whole) -> Count:
    """Teeth with work that needs them on a day after they were taken out."""
    gone = whole.work.filter(pl.col("kind") == TAKEN).group_by("patient", "tooth").agg(gone=pl.col("day").min())
    later = whole.work.filter(pl.col("kind") != TAKEN).join(gone, on=["patient", "tooth"])
    later = later.filter(pl.col("day") > pl.col("gone")).select("patient", "tooth").unique()
    return Count(later.height, gone.height)


def sundays(whole: Whole) -> Count | None:
    """Rows on Sundays, where hardly any is on some other day from Monday to Friday."""
    by = summed([whole.days], dt.date.weekday)
    quiet = [d for d in range(5) if by[d] < 0.01 * by.total()]
    if not quiet or len(quiet) > 2:
        return None
    return Count(by[6], by.total(), {"quiet": " and ".join(_DAYS_OF_WEEK[d] for d in quiet)})


def swapped_weekends(whole: Whole) -> Count | None:
    """Rows on weekends among those of the first twelve days of a month, where later days have hardly any."""
    rows, weekend = Counter[bool](), Counter[bool]()
    for day, n in whole.days.items():
        rows[day.day <= 12] += n
        weekend[day.day <= 12] += n * (day.weekday() >= 5)
    if rows[False] < 60 or weekend[False] * 4 * rows[True] > weekend[True] * rows[False]:
        return None
    return Count(weekend[True], rows[True], {"late": weekend[False], "late_of": rows[False]})


def up_to_twelve(whole: Whole) -> Count | None:
    """Different days, where none is after the twelfth of its month."""
    first = sum(day.day <= 12 for day in whole.days)
    return Count(first, first) if first == len(whole.days) and len({d.day for d in whole.days}) > 1 else None


def one_day_of_month(whole: Whole) -> Count | None:
    """Rows on one day of the month, in several months."""
    by = summed([whole.days], lambda day: 0 if (day + dt.timedelta(1)).day == 1 else day.day)
    if not by or len(whole.months) < 6:
        return None
    usual, n = _most(by)
    return Count(n, by.total(), {"day": "last" if usual == 0 else f"{usual}."})


def months_without(whole: Whole) -> Count | None:
    """Months without a row between the first and the last, where others have many."""
    if not whole.is_whole or not whole.months:
        return None
    first, last = min(whole.months), max(whole.months)
    days = Counter(map(month_of, whole.days))
    usual = median(days[m] for m in range(first, last + 1))
    there = sorted(days)
    runs = [(a + 1, b - a - 1) for a, b in pairwise(there) if b - a > 1]
    runs = [(start, length) for start, length in runs if length * usual >= _MISSED]
    if not runs:
        return None
    shown = ", ".join(
        _month(start) if length == 1 else f"{_month(start)} to {_month(start + length - 1)}"
        for start, length in runs[:4]
    )
    more = f" and {len(runs) - 4} more times" if len(runs) > 4 else ""
    return Count(sum(n for _, n in runs), last - first + 1, {"months": shown + more, "usual": round(usual)})


def _month(number: int) -> str:
    return f"{number // 12}-{number % 12 + 1:02d}"


def patients_lost(whole: Whole) -> Count | None:
    """Patients seen on both sides of that day on which fewest are, where at other times many are."""
    if not whole.is_whole or whole.patients.height < 30:
        return None
    first, last = (whole.patients[c].cast(pl.Int32).sort() for c in ("first", "last"))
    start, end = first[int(0.15 * first.len())], last[int(0.85 * last.len())]
    borders = [
        (month, number)
        for m in sorted(whole.months)
        if start < (number := ((month := dt.date(m // 12, m % 12 + 1, 1)) - _EPOCH).days) < end
    ]
    if len(borders) < 6:
        return None
    before = [int(first.search_sorted(b)) for _, b in borders]
    crossing = [n - int(last.search_sorted(b)) for n, (_, b) in zip(before, borders, strict=True)]
    fewest = min(range(len(borders)), key=lambda n: (crossing[n], n))
    usual = median(crossing)
    if usual < 10 or crossing[fewest] > 0.1 * usual:
        return None
    names = {"month": f"{borders[fewest][0]:%Y-%m}", "usual": round(usual), "few": crossing[fewest]}
    return Count(before[fewest], first.len(), names)


def seen_once(whole: Whole) -> Count:
    """Patients who came on one day only."""
    once = whole.patients.filter(pl.col("first") == pl.col("last"))
    return Count(once.height, whole.patients.height)


def _most(by: Counter[int]) -> tuple[int, int]:
    """What is counted most, the first of equals, and its count."""
    return max(by.items(), key=lambda one: (one[1], -one[0]))


def _by_quadrant(whole: Whole) -> Counter[int]:
    return summed([whole.places], lambda place: place[1] // 10)


def quadrants(whole: Whole) -> Count | None:
    """Rows on teeth of the quadrant with most of them."""
    by = _by_quadrant(whole)
    if not by:
        return None
    most, n = _most(by)
    return Count(n, by.total(), {"quadrant": _QUADRANTS[most - 1]})


def quadrant_without(whole: Whole) -> Count | None:
    """Rows on teeth, where a quadrant has none."""
    by = _by_quadrant(whole)
    absent = [_QUADRANTS[q - 1] for q in range(1, 5) if not by[q]]
    return Count(by.total(), by.total(), {"quadrant": " and ".join(absent)}) if absent else None


def one_tooth(whole: Whole) -> Count | None:
    """Rows on the tooth with most of them."""
    by = summed([whole.places], lambda place: place[1])
    if not by:
        return None
    tooth, n = _most(by)
    return Count(n, by.total(), {"tooth": tooth})


def _positions(whole: Whole, positions: Sequence[int]) -> tuple[int, int]:
    of = Counter[int]()
    for (kind, tooth), n in whole.places.items():
        if kind in (CROWN, ROOT_CANAL):
            of[tooth % 10] += n
    return sum(of[p] for p in positions), of.total()


def not_molars(whole: Whole) -> Count:
    """Crowns and root canals on other teeth than the first two molars."""
    molars, every = _positions(whole, (6, 7))
    return Count(every - molars, every)


def wisdom(whole: Whole) -> Count:
    """Crowns and root canals on third molars."""
    return Count(*_positions(whole, (8,)))


def no_loss(whole: Whole) -> Count | None:
    """Crowns and root canals over years, where no tooth was ever taken out."""
    if any(kind == TAKEN for kind, _ in whole.places) or len(whole.months) < 36:
        return None
    n = sum(n for (kind, _), n in whole.places.items() if kind in (CROWN, ROOT_CANAL))
    return Count(n, n)


def nothing_else(whole: Whole) -> Count:
    """Rows that name a tooth among all rows."""
    return Count(sum(f.on_teeth for f in whole.files), whole.rows)


def strange_fees(whole: Whole) -> Count:
    """Rows whose fee is some twenty times that of most rows of their code, or a twentieth."""
    by: dict[str, Counter[int]] = {}
    for (code, size), n in whole.fees.items():
        by.setdefault(code, Counter())[size] += n
    far = every = 0
    for sizes in by.values():
        if sizes.total() < 10:
            continue
        usual = _middle(sizes)
        far += sum(n for size, n in sizes.items() if abs(size - usual) > 1.25 * STEPS)
        every += sizes.total()
    return Count(far, every)


def _middle(counts: Counter[int]) -> int:
    seen = 0
    for size in sorted(counts):
        seen += counts[size]
        if 2 * seen >= counts.total():
            return size
    return 0


_TWICE = (
    "Is one of the two a plan, an estimate, an entry that was taken back, or the same work out of another program or "
    "list? Find the column or file that tells them apart: "
)
_TELL = ((TABLE, 'status_from."<column>" = { "<its text>" = "planned" }', "or void: what such a row is"),)
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
            (TABLE, 'late_stamps = "next_day"', "if they are stamps at an hour of the evening before"),
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
        ((TABLE, 'swapped_dates = "mend"', "yes: turn day and month of days up to the twelfth about"),),
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
        ((TABLE, 'columns.service_date = "<column>"', "the day of the work"),),
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
        (("practice", 'patient_ids = "without ending"', "or numbers, if the new ones only have more signs"),),
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
        ((TABLE, 'columns.patient_id = "<column>"', "the number of the patient"),),
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
        "fees_far_apart",
        strange_fees,
        40,
        5,
        0.03,
        "{n:,} of {of:,} fees are some twenty times those of most rows of the same code, or a twentieth.",
        "Are some amounts in the smallest coin, in another currency, or of another kind than the fee?",
        "the fees are as they stand",
        ((TABLE, 'fee_unit = "cent"', "if all of a file are in the smallest coin"),),
    ),
)


def sign_doubts(where: str, whole: Whole, accepted: Sequence[str]) -> list[Doubt]:
    """A question for each sign that stands."""
    found = []
    for sign in SIGNS:
        met = sign.counted(whole)
        if met is None or met.of < sign.among or met.n < sign.least or met.n < sign.share * met.of:
            continue
        evidence = sign.evidence.format(n=met.n, of=met.of, **met.names)
        lines = (*sign.lines, accept(sign.id, accepted, f"no: {sign.so}"))
        found.append(Doubt(sign.id, where, evidence, sign.question, lines))
    return found
