"""What no practice can have: figures of one file that contradict each other, in words. Pure functions of one file.

Limits are wide: counts are rounded, groups differ in who is in them, and one model is not the other. What they refuse
is what cannot come of any records. A made-up file that keeps all of them is possible; against it stand signatures.
"""

import datetime as dt
import itertools
import math
from collections.abc import Iterator, Sequence

from pipeline.questions.question import FREE_BY_CROWN, KEPT_BY_CROWN, SINCE_OPENING, SINCE_SEAT
from pipeline.release import disclosure
from pipeline.release.disclosure import SMALLEST, STEP
from pipeline.release.pool.agreed import TOOTH_GROUPS
from pipeline.release.pool.contribution import Contrast, Contribution, Gap, Line, Ratio, Side
from pipeline.release.pool.marks import NOISE, draws_of, spread_of
from pipeline.results import GRID_MONTHS

# Rounding of three counts that are subtracted or added.
SLACK = 3 * disclosure.SLACK
# Of two counts, each of which may be told as another question counts the group.
OF_OTHERS = SLACK + 2 * (disclosure.AS_FIRST - disclosure.SLACK)
MOST_TEETH_A_PATIENT = 32  # of all patients of a group on average
OLDEST_YEAR = 1980  # no follow-up of a practice's computer began before; common practice, no source
ROOM_OF_ERRORS = 0.5  # errors that allow for clustering may be smaller than those of counts alone, but not by half
FARTHEST_LOG = 1.5  # between a ratio of rates and one that follows the clock; four-and-a-half-fold
FARTHEST_PER_100 = 30  # between a difference read off two curves and one adjusted for who is in the groups
SURE = 4.0  # standard errors
LEAST_YEARS, MOST_YEARS = 0.5, 1.5  # of the tooth-years that the numbers followed give
# Of the spread that marks of half the patients of the largest group have; 256 marks tell it to within 9 of 100.
LEAST_SPREAD = 0.6
SHARE = 0.2  # by which two counts of the same teeth may differ beyond rounding


def impossible(given: Contribution, *, today: dt.date | None = None) -> str | None:
    """The first thing in a contribution that no practice can have; None where there is none.

    `today` is the day on which it is read: no data are of a later month.
    """
    return next(_faults(given, today), None)


def unmarked(given: Contribution) -> bool:
    """Whether a file has curves and no marks of the records behind them, which every file that we write has."""
    return not given.marks and any(c.group.table or c.reference.table for c in given.contrasts)


def _faults(given: Contribution, today: dt.date | None) -> Iterator[str]:
    if today is not None and given.data_until > f"{today:%Y-%m}":
        yield "its data end in a month that is still to come"
    months = (int(given.data_until[:4]) - OLDEST_YEAR) * 12
    horizon = float(dict(given.rules).get("horizon_years", 0))
    for c in given.contrasts:
        for fault in _of_contrast(c, months, horizon):
            yield f"in `{c.id}` {fault}"
    yield from _between(given.contrasts)
    patients = max((s.patients or 0 for c in given.contrasts for s in (c.group, c.reference)), default=0)
    draws = draws_of(given.marks)
    if given.marks and spread_of(draws) < LEAST_SPREAD * (len(draws) * NOISE**2 + patients / 2):
        yield "its marks are of fewer patients than it has"


def _of_contrast(c: Contrast, months: int, horizon: float) -> Iterator[str]:
    for side, late in zip((c.group, c.reference), c.asked.may_enter_late, strict=True):
        yield from _of_side(side, late, months)
    yield from _of_ratios(c)
    if c.gap is not None:
        yield from _of_gap(c, c.gap, horizon)


def _of_side(side: Side, late: bool, months: int) -> Iterator[str]:
    patients = SMALLEST if side.patients is None else side.patients + disclosure.SLACK
    if side.teeth is not None and side.teeth > patients * MOST_TEETH_A_PATIENT:
        yield "a patient has more teeth than a mouth"
    groups = [n for n in side.tooth_groups if n is not None]
    if side.teeth is not None and len(groups) == len(TOOTH_GROUPS) and abs(sum(groups) - side.teeth) > OF_OTHERS:
        yield "front teeth, premolars and molars are not the teeth"
    if not side.table:
        return
    table, teeth = side.table, side.teeth or 0
    if table[-1].months > months:
        yield "teeth are followed for longer than there are records"
    first = table[0]
    late = late and not (first.months == 0 and first.followed >= teeth)  # all are there from the start
    for line in table:
        if line.followed + (line.failures or 0) > teeth + OF_OTHERS:
            yield "more teeth have failed or are still followed than there are"
        if not late and (line.failures or 0) > first.followed - line.followed + OF_OTHERS:
            yield "more teeth have failed than are followed no longer"
    for before, after in itertools.pairwise(table):
        years = after.tooth_years - before.tooth_years
        if not late and not _half(after.followed) - SLACK <= years <= _half(before.followed) + SLACK:
            yield "tooth-years do not fit the numbers followed"
        if (after.failures or 0) - (before.failures or 0) > _most_failing(before, after, late, teeth):
            yield "more teeth fail in half a year than are followed"
    told = table[-1].tooth_years - first.tooth_years
    expected = math.fsum(_half(a.followed + b.followed) / 2 for a, b in itertools.pairwise(table))
    if not LEAST_YEARS * expected - 2 * SLACK <= told <= MOST_YEARS * expected + 2 * SLACK:
        yield "tooth-years do not fit the numbers followed"


def _half(followed: float) -> float:
    """Tooth-years of so many teeth over one step of the grid."""
    return followed * GRID_MONTHS / 12


def _most_failing(before: Line, after: Line, late: bool, teeth: int) -> float:
    """Failures of one step, and those held back before: a running count changes once 11 to 15 have happened.

    Or once twice as many have as one patient has, which is not told.
    """
    held = 2 * MOST_TEETH_A_PATIENT
    return (teeth if late else before.followed - after.followed) + held + OF_OTHERS


def _of_ratios(c: Contrast) -> Iterator[str]:
    ratios = [r for r in (c.crude, c.adjusted) if r is not None]
    failures = (c.group.failures, c.reference.failures)
    for r in ratios:
        fewest = math.sqrt(math.fsum(1 / ((n or 0) + STEP) for n in failures))
        if r.std_error < ROOM_OF_ERRORS * fewest:
            yield "the error of a ratio is smaller than so few failures allow"
    if len(ratios) == 2:
        crude, adjusted = ratios
        few, many = crude.adjusted_for, adjusted.adjusted_for
        if not set(few) <= set(many) and len(few) >= len(many):
            yield "the ratio with the fewest adjustments has more than the other"
        if abs(crude.log_hazard_ratio - adjusted.log_hazard_ratio) > FARTHEST_LOG + SURE * _both(crude, adjusted):
            yield "the adjusted ratio and the unadjusted one cannot be of the same teeth"
    rates = _rate(c.group), _rate(c.reference)
    if c.crude is not None and None not in rates:
        (one, one_error), (other, other_error) = (r for r in rates if r is not None)
        error = math.sqrt(c.crude.std_error**2 + one_error**2 + other_error**2)
        if abs(c.crude.log_hazard_ratio - (one - other)) > FARTHEST_LOG + SURE * error:
            yield "the ratio does not fit failures and tooth-years"


def _both(*ratios: Ratio) -> float:
    return math.sqrt(math.fsum(r.std_error**2 for r in ratios))


def _rate(side: Side) -> tuple[float, float] | None:
    """The logarithm of the failures a tooth-year of a table, with its error; None where the table tells of none."""
    if not side.table or not side.table[-1].failures or side.table[-1].tooth_years <= SLACK:
        return None
    years = side.table[-1].tooth_years - side.table[0].tooth_years
    failures = side.table[-1].failures
    return math.log(failures / max(years, STEP)), math.sqrt(1 / failures)


def _of_gap(c: Contrast, gap: Gap, horizon: float) -> Iterator[str]:
    counts = [(s.failures or 0, s.teeth or 1) for s in (c.group, c.reference)]
    # As small as the error could be if a fifth of the failures came by the horizon and clusters halved it.
    least = 100 * ROOM_OF_ERRORS**2 * math.sqrt(math.fsum(f / 5 / (n + STEP) ** 2 for f, n in counts))
    if gap.std_error < least:
        yield "the error of the difference is smaller than so few failures allow"
    rates = _rate(c.group), _rate(c.reference)
    if horizon > 0 and None not in rates:
        failed = [100 * -math.expm1(-math.exp(r[0]) * horizon) for r in rates if r is not None]
        if abs(gap.per_100 - (failed[0] - failed[1])) > FARTHEST_PER_100 + SURE * gap.std_error:
            yield "the difference does not fit failures and tooth-years"
    ratio = c.adjusted or c.crude
    if ratio is not None:
        by_ratio, by_gap = ratio.log_hazard_ratio / ratio.std_error, gap.per_100 / gap.std_error
        if min(abs(by_ratio), abs(by_gap)) > SURE and by_ratio * by_gap < 0:
            yield "ratio and difference are surely on opposite sides"
        if abs(by_gap) > SURE * (abs(by_ratio) + 4):
            yield "the difference is far surer than the ratio"


def _between(contrasts: Sequence[Contrast]) -> Iterator[str]:
    """What several questions say of the same teeth."""
    sides: dict[tuple[str, str], Side] = {}
    for c in contrasts:
        for side in (c.group, c.reference):
            known = sides.setdefault((c.asked.compared, side.name), side)
            told, before = ((s.teeth, s.patients, s.failures) for s in (side, known))
            if c.asked.technique and told != before:
                yield f"`{side.name}` of {c.asked.compared} has other counts in one pair than in another"
    for one, other, name in _SAME_TEETH:
        pair = sides.get((one, name)), sides.get((other, name))
        counts = [s.teeth for s in pair if s is not None and s.teeth is not None]
        if len(counts) == 2 and abs(counts[0] - counts[1]) > OF_OTHERS + SHARE * max(counts):
            yield f"`{name}` has other teeth in {one} than in {other}"
    for (compared, name), side in sides.items():
        whole = sides.get((compared.replace("_tooth_loss", "_endo_failure"), name))
        if compared.endswith("_tooth_loss") and whole is not None and not _part(side, whole):
            yield f"in {compared} more teeth of `{name}` were lost than failed"


_MAIN, _SINCE_ENDO = SINCE_SEAT.id, SINCE_OPENING.id
_SAME_TEETH = (
    (_MAIN, _SINCE_ENDO, "before_seat"),
    *((KEPT_BY_CROWN.id, FREE_BY_CROWN.id, name) for name in KEPT_BY_CROWN.labels),
)


def _part(part: Side, whole: Side) -> bool:
    if part.failures is None or whole.failures is None:
        return True
    return part.failures <= whole.failures * (1 + SHARE) + SLACK
