"""Contributions in, one `PooledResults` out: random effects for ratios and differences, one curve a group."""

import hashlib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.machine.errors import DataError
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, decide
from pipeline.release.disclosure import nth_letter
from pipeline.release.pool.agreed import RULES, Pooled, questions
from pipeline.release.pool.contribution import Contribution, Side
from pipeline.release.pool.curves import pooled_curve
from pipeline.release.pool.files import as_bytes
from pipeline.release.pool.likeness import same_practice
from pipeline.release.pool.members import refuse_strangers
from pipeline.release.pool.plausible import impossible
from pipeline.release.pool.sentences import CAUTIONS, notes, tells, write_verdict
from pipeline.release.pool.values import FEWEST, Kind, Of, pooled_value
from pipeline.results import Difference
from pipeline.results.pooled import (
    KEY,
    MEMBER,
    NOBODY,
    PooledComparison,
    PooledGroup,
    PooledMix,
    PooledPractice,
    PooledResults,
    PooledValue,
)
from pipeline.results.safety import spoken_code
from pipeline.stats.multiplicity import holm


def pool(given: Sequence[Contribution], *, members: Mapping[str, str] | None = None) -> PooledResults:
    """Combine what practices gave; their order changes nothing.

    `members` are the practices' names by their key numbers, where whoever pools has a list of them.

    Raises DataError below two practices, where one stands twice or is no member, holds what no practice can have, or
    where the rules behind the figures differ.
    """
    ordered = sorted(given, key=lambda c: c.code)
    if len(ordered) < FEWEST:
        raise DataError("Pooling needs the files of at least two practices.")
    refuse_impossible(ordered)
    refuse_twice(ordered)
    refuse_other_rules([c.rules for c in ordered])
    if members is not None:
        refuse_strangers(ordered, members)
    rules = dict(ordered[0].rules)
    letters = [nth_letter(i) for i in range(len(ordered))]
    listed = KEY if members is None else MEMBER
    practices = tuple(
        PooledPractice(
            letter, c.data_until, c.software, len(c.contrasts), hashlib.sha256(as_bytes(c)).hexdigest(),
            listed if c.key else NOBODY,
        )
        for letter, c in zip(letters, ordered, strict=True)
    )  # fmt: skip
    confidence, smallest = float(rules["confidence"]), float(rules["smallest_difference_per_100"])
    drafts = []
    for asked in questions().values():
        of = [(letter, x) for letter, c in zip(letters, ordered, strict=True) for x in c.contrasts if x.id == asked.id]
        if len(of) >= FEWEST:
            kinds: tuple[Kind, ...] = ("crude", "adjusted", "difference")
            values = {kind: pooled_value(kind, of, confidence, smallest) for kind in kinds}
            drafts.append(_Draft(asked, of, {kind: v for kind, v in values.items() if v is not None}))
    family = _family(drafts)
    comparisons = tuple(_comparison(d, rules, family.get(d.asked.id), len(family)) for d in drafts)
    return PooledResults(practices, comparisons, ordered[0].rules, CAUTIONS)


def refuse_twice(ordered: Sequence[Contribution]) -> None:
    """Raise DataError where the data of one practice would count twice."""
    for one, other in itertools.combinations(ordered, 2):
        if (why := same_practice(one, other)) is not None:
            raise DataError(
                f"Two of the files (practices {one.code} and {other.code}) {why}: the data of one practice would count "
                "twice. Give the later one of them only."
            )


def refuse_impossible(ordered: Sequence[Contribution]) -> None:
    """Raise DataError where a file holds what no practice can have."""
    for c in ordered:
        if (fault := impossible(c)) is not None:
            raise DataError(f"The file of practice {c.code} holds what no practice can have: {fault}.")


def refuse_other_rules(given: Sequence[tuple[tuple[str, str], ...]]) -> None:
    """Raise DataError where the rules behind the figures differ, or are not told."""
    first = dict(given[0])
    differing = [name for name in RULES if any(dict(rules).get(name) != first.get(name) for rules in given)]
    if differing:
        raise DataError(
            f"The practices count by different rules ({', '.join(differing)}), so their figures do not mean the same. "
            "Agree on these settings in PRACTICE.toml, compare again, and contribute again."
        )
    lacking = [name for name in RULES if name not in first]
    if lacking:
        raise DataError(f"The files do not say by which rules they count ({', '.join(lacking)}).")


@dataclass(frozen=True)
class _Draft:
    """A question before its verdict: the practices that told of it, and what was pooled."""

    asked: Pooled
    of: Sequence[Of]
    values: Mapping[Kind, PooledValue]


def _family(drafts: Sequence[_Draft]) -> dict[str, float]:
    """The p of every technique question with a pooled difference, corrected for all of them by Holm's rule.

    As within one practice a claim must stand on both scales, so p is the larger one of difference and ratio.
    """
    looks = {}
    for d in drafts:
        difference, ratio = d.values.get("difference"), d.values.get("adjusted")
        if d.asked.technique and difference is not None:
            looks[d.asked.id] = max(difference.p, ratio.p if ratio is not None else 1.0)
    return dict(zip(looks, holm(list(looks.values())).tolist(), strict=True)) if looks else {}


def _comparison(draft: _Draft, rules: dict[str, str], p_family: float | None, looks: int) -> PooledComparison:
    asked, of = draft.asked, draft.of
    confidence, smallest = float(rules["confidence"]), float(rules["smallest_difference_per_100"])
    horizon = float(rules["horizon_years"])
    groups = (
        _group(asked.group, asked.labels[0], [x.group for _, x in of], confidence),
        _group(asked.reference, asked.labels[1], [x.reference for _, x in of], confidence),
    )
    gap = draft.values.get("difference")
    d = None
    if gap is not None:
        d = Difference(asked.group, asked.reference, horizon, 0, gap.value, gap.low, gap.high, "pooled")
    ratio = draft.values.get("adjusted") or draft.values.get("crude")
    leads = gap or ratio
    parts = {p.letter for p in leads.parts} if leads is not None else set()
    used = [x for letter, x in of if letter in parts]
    failures = (sum(x.group.failures or 0 for x in used), sum(x.reference.failures or 0 for x in used))
    fewest = int(float(rules["min_failures"]))
    code = decide(d, failures, smallest=smallest, min_failures=fewest)
    if gap is None and ratio is not None and min(failures) >= fewest:
        code = CANNOT_TELL  # a claim must stand on both scales
    code = spoken_code(code, safety=asked.safety)
    withheld = code == DIFFERS and asked.technique and (p_family is None or p_family >= 1 - confidence)
    verdict = write_verdict(
        CANNOT_TELL if withheld else code,
        asked,
        gap,
        ratio,
        horizon=horizon,
        smallest=smallest,
        gave=sum(x.gap is not None for _, x in of),
        withheld_among=looks if withheld else 0,
    )
    return PooledComparison(
        asked.id, asked.title, asked.outcome, asked.clock, horizon, smallest, groups, tuple(draft.values.values()),
        tuple(_mix(letter, side) for letter, x in of for side in (x.group, x.reference)), verdict,
        notes([x for _, x in of], smallest, pooled=len(gap.parts) if gap is not None else 0), asked.technique,
        p_family, asked.safety, ratio is not None and code == CANNOT_TELL and not tells(gap, smallest),
    )  # fmt: skip


def _group(name: str, label: str, sides: Sequence[Side], confidence: float) -> PooledGroup:
    points, spread = pooled_curve([s.table for s in sides], confidence=confidence)
    told = [s for s in sides if s.teeth is not None and s.failures is not None]
    return PooledGroup(
        name, label, sum(s.teeth or 0 for s in told), sum(s.failures or 0 for s in told), len(told), points, spread
    )


def _mix(letter: str, side: Side) -> PooledMix:
    return PooledMix(letter, side.name, side.teeth, side.patients, side.failures, side.tooth_groups)
