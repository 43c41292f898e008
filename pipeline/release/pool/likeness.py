"""Whether two files are more alike than two practices can be: in all figures, in nearly all, in their patients.

Two practices that work alike still differ by chance: counts by their square roots, ratios by their errors, half a year
of follow-up by half a year. Files that differ far less than that are of one practice, whatever their codes and keys
say: of the sum of squared differences, each over its variance, chance gives so little less often than once in ten
million pairs. Files that differ by more, as a later export or a part of a practice does, are known by their marks
(`marks.py`), and those of small practices by both together. Practices that share little or none of their patients are
neither.
"""

import itertools
import math
from collections.abc import Iterator, Sequence

from scipy.special import chdtr, chdtrc, ndtr

from pipeline.release.disclosure import STEP
from pipeline.release.pool.contribution import Contrast, Contribution, Side
from pipeline.release.pool.marks import go_together, sets_of, shared_patients
from pipeline.release.pool.signing import key_number

RAREST = 1e-7
# Marks that go together by more standard errors are of shared patients: by chance once in 15,000 pairs, of two sets.
FAR = 4.0
RAREST_OF_BOTH = 1e-6  # figures and marks together, by Fisher's rule
# A tooth stands in some questions and pairs at once, so that their differences come by chance together.
TOGETHER = 8
ROUNDING = (STEP**2 - 1) / 6  # variance of telling a count as one of the two steps of 5 around it
FEWEST_FIGURES = 12  # fewer may all be equal by chance, as small counts are rounded to the same
SHARED = 0.2  # a fifth of the patients in common is no chance, but may be colleagues who share some


def same_practice(one: Contribution, other: Contribution) -> str | None:
    """Why two files are taken for one practice's, in words; None where they are not."""
    if one.code == other.code:
        return "are of the same practice"
    if one.key and one.key == other.key:
        return "are signed with the same key, so they are of the same practice"
    if _numbers(one) & _numbers(other):
        return "are of the same practice: one key takes the place of the other"
    if _identical(one, other) or _replayed(one, other):
        return "hold the same figures under different codes"
    by_figures = _chance_of_figures(one, other)
    if by_figures < RAREST:
        return "hold nearly the same figures, more alike than two practices can be, under different codes"
    for ours, theirs in sets_of(one.marks, other.marks):
        far = go_together(ours, theirs)
        if far is not None and far < -FAR:
            return "hold marks that are each other's mirror, as no two practices' are"
        if far is not None and _are_shared(by_figures, far, shared := shared_patients(ours, theirs)):
            return f"rest on the same patients' work: about {10 * round(10 * shared)} of 100 are in both"
    return None


def _are_shared(by_figures: float, far: float, shared: float) -> bool:
    by_both = -2 * (math.log(by_figures) + math.log(max(float(ndtr(-far)), RAREST)))
    return bool((far > FAR and shared > SHARED) or chdtrc(4, by_both) < RAREST_OF_BOTH)


def _numbers(given: Contribution) -> set[str]:
    return {*given.former_keys, *([key_number(given.key)] if given.key else [])}


def _pairs(one: Contribution, other: Contribution) -> list[tuple[Contrast, Contrast]]:
    others = {c.id: c for c in other.contrasts}
    return [(c, others[c.id]) for c in one.contrasts if c.id in others]


def _identical(one: Contribution, other: Contribution) -> bool:
    """Equal in every figure of a question with a table, which has some twenty figures at least."""
    return any(a == b and a.group.table and a.reference.table for a, b in _pairs(one, other))


def _replayed(one: Contribution, other: Contribution) -> bool:
    """Whether questions without a table are equal to the last figure in more cases than chance gives.

    Any of the questions could be the equal ones, and teeth of one group are counted once for all outcomes.
    """
    pairs = _pairs(one, other)
    equal = [a for a, b in pairs if a == b]
    sides = {(a.asked.title, s.name): s for a in equal for s in (a.group, a.reference)}
    chances = [_equal_by_chance(s.teeth) for s in sides.values()]
    for a in equal:
        chances += [_equal_by_chance(s.failures) for s in (a.group, a.reference)]
        ratio = a.adjusted or a.crude
        chances += [ratio.step / (2 * math.sqrt(math.pi) * ratio.std_error)] if ratio is not None else []
    by_chance = math.fsum(math.log(min(1.0, c)) for c in chances) + len(equal) * math.log(max(1, len(pairs)))
    return bool(equal) and by_chance < math.log(RAREST)


def _equal_by_chance(count: int | None) -> float:
    """How often two counts about this large are the same after rounding."""
    return STEP / (2 * math.sqrt(math.pi * count)) if count else 1.0


def _chance_of_figures(one: Contribution, other: Contribution) -> float:
    """How often two practices come as near by chance: over every question by itself, and over all of them."""
    found = [_differences(a, b) for a, b in _pairs(one, other)]
    every = list(itertools.chain.from_iterable(found))
    chances = [_chance(math.fsum(squares), len(squares)) for squares in found]
    return min([*chances, _chance(math.fsum(every) / TOGETHER, len(every) / TOGETHER), 1.0])


def _chance(squares: float, cells: float) -> float:
    return float(chdtr(cells, squares)) if cells >= FEWEST_FIGURES else 1.0


def _differences(a: Contrast, b: Contrast) -> list[float]:
    """Squared differences over their variances, of figures that chance moves one by one."""
    out = [*_of_sides(a.group, b.group), *_of_sides(a.reference, b.reference)]
    one, other = (x.adjusted or x.crude for x in (a, b))
    if one is not None and other is not None:
        apart = (one.log_hazard_ratio - other.log_hazard_ratio) ** 2 + (one.step**2 + other.step**2) / 12
        out.append(apart / (one.std_error**2 + other.std_error**2))
    return out


def _of_sides(a: Side, b: Side) -> Iterator[float]:
    if a.table and b.table:
        yield from _of_counts(_leaving(a), _leaving(b))
    elif a.teeth is not None and b.teeth is not None:
        yield from _of_counts([a.teeth], [b.teeth])
    if a.failures is not None and b.failures is not None:
        yield from _of_counts([a.failures], [b.failures])


def _leaving(side: Side) -> list[int]:
    """By how much the number followed changes in each half-year, and how many are left."""
    numbers = [line.followed for line in side.table]
    return [*(abs(b - a) for a, b in itertools.pairwise(numbers)), numbers[-1]]


def _of_counts(one: Sequence[int], other: Sequence[int]) -> Iterator[float]:
    """As far as both go; a count varies by itself and by its rounding, behind which equal ones may differ."""
    for a, b in zip(one, other, strict=False):
        yield ((a - b) ** 2 + 2 * ROUNDING) / (a + b + 4 * ROUNDING)
