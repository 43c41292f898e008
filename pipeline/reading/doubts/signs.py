"""Signs that a ledger as a whole is not what it was taken for, whatever its columns and words are. Each is a count that
the trade knows the bounds of: a tooth is taken out once, practices are shut on some day of the week, patients come
back. Bounds are wide, so that a practice of an odd kind is not asked. Common practice, no source."""

import datetime as dt
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

import numpy as np
import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.counts import count
from pipeline.reading.doubts.cells import month_of, named_month
from pipeline.reading.doubts.doubt import Answer, Doubt, ask
from pipeline.reading.doubts.work_seen import CROWN, FILLED, ROOT_CANAL, STEPS, TAKEN, Whole, summed

_DAYS_OF_WEEK = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")
_HARDLY, _SUMMER, _WINTER = 0.01, range(4, 10), (12, 1, 2)  # whole months of summer time and without it
_EPOCH = dt.date(1970, 1, 1)
_FREE = 0.2  # share of later work without a fee, from which on nothing is said by it
_LONG, _LATE = 2_190, 913  # days
_MISSED = 12  # days of work that the months without any would have had
_QUADRANTS = ("upper right", "upper left", "lower left", "lower right")


@dataclass(frozen=True)
class Count:
    """`n` of `of` things, and what else the words of the sign name."""

    n: int
    of: int
    names: dict[str, object] = field(default_factory=dict)


def _days_since(before: int) -> pl.Expr:
    """Days since the work so many rows before, in the order of teeth and days; null where that is of another tooth."""
    same = [pl.col(of) == pl.col(of).shift(before) for of in ("patient", "tooth")]
    return pl.when(pl.all_horizontal(same)).then((pl.col("day") - pl.col("day").shift(before)).dt.total_days())


def again(kind: str, after: int = 0, within: int | None = None) -> Callable[[Whole], Count]:
    """Teeth with work of a kind on two days, more than `after` and at most `within` apart, among all with such work."""

    def counted(whole: Whole) -> Count:
        work = whole.work.filter(pl.col("kind") == kind)
        gaps = work.select("patient", "tooth", gap=_days_since(1))
        close = pl.col("gap") > after if within is None else pl.col("gap").is_between(after + 1, within)
        twice = gaps.filter(close)
        most = twice["gap"].mode().sort().first() if twice.height else None
        teeth = twice.select("patient", "tooth").n_unique() if twice.height else 0
        return Count(teeth, gaps["gap"].null_count(), {"gap": most})

    return counted


def in_two(kind: str, after: int, within: int) -> Callable[[Whole], Count]:
    """Teeth with work of a kind on just two days so many apart, both with a fee, among all with such work."""

    def counted(whole: Whole) -> Count:
        work = whole.work.filter(pl.col("kind") == kind)
        teeth = work.group_by("patient", "tooth").agg(
            days=pl.len(), gap=(pl.col("day").max() - pl.col("day").min()).dt.total_days(), paid=~pl.col("free").any()
        )
        two = teeth.filter("paid", pl.col("days") == 2, pl.col("gap").is_between(after, within))
        gap = two["gap"].sort()[two.height // 2] if two.height else 0
        names: dict[str, object] = {"gap": gap, "once": teeth.filter(pl.col("days") == 1).height}
        return Count(two.height, teeth.height, names)

    return counted


def in_parts(kind: str, within: int) -> Callable[[Whole], Count]:
    """Teeth with work of a kind on three days within so many, among all with such work."""

    def counted(whole: Whole) -> Count:
        work = whole.work.filter(pl.col("kind") == kind)
        parts = work.filter(_days_since(2) <= within).select("patient", "tooth").n_unique()
        return Count(parts, work.select(_days_since(1).null_count()).item())

    return counted


def free_at_first(whole: Whole) -> Count | None:
    """Crowned and root-filled teeth all of whose work is free and of the first day, where most other work has a fee."""
    first = whole.patients.select(patient=pl.col("id").hash(0), first="first")
    work = whole.work.filter(pl.col("kind").is_in([CROWN, ROOT_CANAL])).join(first, on="patient")
    teeth = work.group_by("patient", "tooth", "kind").agg(
        pl.col("free").all(), at_first=(pl.col("day") == pl.col("first")).all()
    )
    found = teeth.filter("free", "at_first").height
    charged = teeth.filter(~pl.col("at_first"))["free"]
    return Count(found, teeth.height) if charged.len() and charged.mean() <= _FREE else None  # type: ignore[operator]


def after_loss(whole: Whole) -> Count:
    """Teeth with work that needs them on a day after they were taken out."""
    gone = whole.work.filter(pl.col("kind") == TAKEN).group_by("patient", "tooth").agg(gone=pl.col("day").min())
    later = whole.work.filter(pl.col("kind") != TAKEN).join(gone, on=["patient", "tooth"])
    later = later.filter(pl.col("day") > pl.col("gone")).select("patient", "tooth").unique()
    return Count(later.height, gone.height)


def sundays(whole: Whole) -> Count | None:
    """Rows on Sundays, where hardly any is on some other day from Monday to Friday; or those of summer, where in winter
    none is on Sundays and that other day is worked on: a program that forgets summer time is a day off in summer."""
    by = summed([whole.days], dt.date.weekday)
    quiet, when = [d for d in range(5) if by[d] < _HARDLY * by.total()], ""
    if not quiet:
        of_month = summed([whole.days], lambda day: (day.month, day.weekday()))
        by, winter = (Counter({d: sum(of_month[m, d] for m in of) for d in range(7)}) for of in (_SUMMER, _WINTER))
        if winter[6] < _HARDLY * winter.total():
            quiet = [d for d in range(6) if by[d] < _HARDLY * by.total() and winter[d] >= 5 * _HARDLY * winter.total()]
        when = " from April to September"
    if not quiet or len(quiet) > 2:
        return None
    return Count(by[6], by.total(), {"quiet": " and ".join(_DAYS_OF_WEEK[d] for d in quiet), "when": when})


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
    ends = [(named_month(start), named_month(start + length - 1)) for start, length in runs[:4]]
    shown = ", ".join(begin if begin == end else f"{begin} to {end}" for begin, end in ends)
    more = f" and {count(len(runs) - 4, 'more time')}" if len(runs) > 4 else ""
    return Count(sum(n for _, n in runs), last - first + 1, {"months": shown + more, "usual": round(usual)})


def patients_lost(whole: Whole) -> Count | None:
    """Patients seen on both sides of that day on which fewest are, where at other times many are."""
    if not whole.is_whole or whole.patients.height < 30:
        return None
    first, last = (whole.patients[c].cast(pl.Int32).sort().to_numpy() for c in ("first", "last"))
    start, end = int(first[int(0.15 * len(first))]), int(last[int(0.85 * len(last))])
    months = [dt.date(m // 12, m % 12 + 1, 1) for m in sorted(whole.months)]
    borders = [(month, number) for month in months if start < (number := (month - _EPOCH).days) < end]
    if len(borders) < 6:
        return None
    before = np.searchsorted(first, [b for _, b in borders]).tolist()
    gone = np.searchsorted(last, [b for _, b in borders]).tolist()
    crossing = [seen - left for seen, left in zip(before, gone, strict=True)]
    fewest = min(range(len(borders)), key=lambda n: (crossing[n], n))
    usual = median(crossing)
    if usual < 10 or crossing[fewest] > 0.1 * usual:
        return None
    names = {"month": f"{borders[fewest][0]:%Y-%m}", "usual": round(usual), "few": crossing[fewest]}
    return Count(before[fewest], len(first), names)


def seen_once(whole: Whole) -> Count:
    """Patients who came on one day only."""
    once = whole.patients.filter(pl.col("first") == pl.col("last"))
    return Count(once.height, whole.patients.height)


def still_patients(whole: Whole) -> Count | None:
    """Patients seen in the last two years and a half, in a ledger of six years or more."""
    days = whole.patients.select(pl.col("first").min(), pl.col("last").max())
    first, last = days.row(0)
    if not whole.is_whole or first is None or (last - first).days < _LONG:
        return None
    since = last - dt.timedelta(_LATE)
    left = whole.patients.filter(pl.col("first") < since)
    still = left.filter(pl.col("last") >= since).height
    return Count(still, left.height, {"years": round((last - first).days / 365)})


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


@dataclass(frozen=True)
class Sign:
    """What is counted, from how many things and which number and share on it is asked about, and in which words."""

    id: str
    counted: Callable[[Whole], Count | None]
    among: int
    least: int
    share: float
    evidence: str
    lines: tuple[Answer, ...]


# What each row of `data/signs.csv` counts.
_COUNTED: dict[str, Callable[[Whole], Count | None]] = {
    "taken_out_twice": again(TAKEN),
    "treated_after_loss": after_loss,
    "crowned_twice": again(CROWN, 60, 400),  # rows up to 60 days apart are one crown
    "crown_in_two_rows": in_two(CROWN, 3, 60),
    "posted_in_parts": in_parts(CROWN, 400),
    "filled_twice": again(ROOT_CANAL, 180, 600),  # rows up to 180 days apart are one course
    "restored_twice": again(FILLED, within=120),
    "work_on_sundays": sundays,
    "days_and_months": swapped_weekends,
    "no_day_after_the_twelfth": up_to_twelve,
    "one_day_of_the_month": one_day_of_month,
    "months_missing": months_without,
    "patients_begin_anew": patients_lost,
    "patients_seen_once": seen_once,
    "no_patient_left": still_patients,
    "teeth_in_one_quadrant": quadrants,
    "quadrant_without_work": quadrant_without,
    "work_on_one_tooth": one_tooth,
    "hardly_any_molars": not_molars,
    "wisdom_teeth": wisdom,
    "no_tooth_lost": no_loss,
    "only_work_on_teeth": nothing_else,
    "free_at_first": free_at_first,
    "fees_far_apart": strange_fees,
}


def _sign(row: Mapping[str, str]) -> Sign:
    told = (row[c].split(" | ") for c in ("sections", "lines", "means"))
    lines = tuple(zip(*told, strict=True)) if row["lines"] else ()
    bounds = int(row["among"]), int(row["least"]), float(row["share"])
    return Sign(row["id"], _COUNTED[row["id"]], *bounds, row["evidence"], lines)


SIGNS = tuple(map(_sign, data_rows("signs")))


def sign_doubts(where: str, whole: Whole) -> list[Doubt]:
    """A question for each sign that stands."""
    found = []
    for sign in SIGNS:
        met = sign.counted(whole)
        if met is None or met.of < sign.among or met.n < sign.least or met.n < sign.share * met.of:
            continue
        evidence = sign.evidence.format(n=met.n, of=met.of, **met.names)
        found += ask(sign.id, where, evidence, *sign.lines)
    return found
