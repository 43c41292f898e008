"""The gate of one set of records: how they are rounded, which of their counts stand beside one another or are told as
one, what is told of a curve.

Root canals lost are among those that failed. A few that failed and were not lost are named by nothing told once; two
roundings of both counts may name them (7 of 30 practices).
"""

import hashlib
import itertools
import json
from collections import defaultdict
from collections.abc import Iterator, Sequence

from pipeline.practice.outcomes import ENDO_FAILURE, TOOTH_LOSS
from pipeline.questions.question import KEPT_BY_CROWN
from pipeline.release.disclosure import FAILURES, FOLLOWED, PATIENTS, TEETH, Gate, Rounding
from pipeline.results import HalfYear, Results, to_plain

ALL_LOSSES = "root canals by cause"


def gate_of(results: Results) -> Gate:
    """The gate of the records that results stand on; without their digest, of the files and the counts in them."""
    records = results.records
    counts = (results.counts, results.rates, *(c.groups for c in results.comparisons))
    files = sorted(f"{r.hash} {r.rows_read}" for r in results.quality.loads)
    key = hashlib.sha256(
        (records.rounded_by or records.digest or json.dumps([files, to_plain(counts)])).encode()
    ).digest()
    first: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    for group, n in _counted(results):
        first[group].append(n)
    return Gate(
        Rounding(key),
        teeth_of_one=records.teeth_of_one,
        failures_of_one=records.failures_of_one,
        beside=dict(_beside(results)),
        first=first,
    )


def _counted(results: Results) -> Iterator[tuple[tuple[str, str], int]]:
    """The counts that several questions tell of one group, by kind and group, in an order of their own.

    Those of the same root canals by what became of them, of crowns that were opened and those of them followed then,
    may differ by a few; in pages and files for pooling they are told as one. Numbers followed are of one clock: so long
    after the seat others are followed than so long after the opening.
    """
    for c in results.comparisons:
        for g in c.groups:
            yield (TEETH, g.name), g.crowns
            yield (PATIENTS, g.name), g.patients
            yield (FAILURES, f"{g.name} {c.outcome}"), g.failures
            for h in g.half_years:
                yield (FOLLOWED, f"{g.name} {c.clock} {h.months}"), h.followed
    for t in results.trials:
        for name, n in [*((a.arm, a.followed) for a in t.arms), *((c.arm, c.teeth) for c in t.curves)]:
            yield (TEETH, name), n
    for table in results.rates:
        if (table.by, table.outcome) == ("overall", TOOTH_LOSS.rate):
            yield from (((FAILURES, ALL_LOSSES), row.failures) for row in table.rows)


def _beside(results: Results) -> Iterator[tuple[tuple[str, str], int]]:
    """What is told beside root canals lost, by outcome and group: those that failed."""
    for t in results.rates:
        for row in t.rows if t.outcome == ENDO_FAILURE.rate else ():
            yield (FAILURES, f"{t.by} {row.name} {TOOTH_LOSS.rate}"), row.failures
            if t.by == "overall":
                yield (FAILURES, ALL_LOSSES), row.failures
    for c in results.comparisons:
        for group in c.groups if c.outcome == ENDO_FAILURE.id else ():
            if group.name != KEPT_BY_CROWN.late:  # a tooth lost with a crown may have failed before it had one
                yield (FAILURES, f"{group.name} {TOOTH_LOSS.id}"), group.failures
    for a in results.techniques:
        for g in a.groups if a.outcome == ENDO_FAILURE.id else ():
            yield (FAILURES, f"{a.question} {g.name} {TOOTH_LOSS.id}"), g.failures


def told_half_years(
    gate: Gate, group: str, half_years: Sequence[HalfYear], *, clock: str = "", teeth: int | None = None
) -> list[tuple[HalfYear, int, int | None]]:
    """The half-years of a group of which enough are followed, with those followed and the failures as all that is
    shared tells them; failures count from the first one told on. `clock` is that of the question; no more are followed
    than the `teeth` that the group is told to have, which may be those of another question, and numbers rise only where
    exact ones do.

    Numbers followed are those of the half-year itself: of any day that hangs on a failure they would say when it was,
    to whoever has those of other days. Nothing here hangs on where the settings have a curve begin or stop: of counts
    up to two such places the few between them would be known.
    """
    exact = [h.followed for h in half_years]
    numbers = gate.followed(exact, groups=[f"{group} {clock} {h.months}" for h in half_years])
    if teeth is not None:
        numbers = [n if n is None else min(n, teeth) for n in numbers]
    if exact == sorted(exact, reverse=True):  # some may be told as those of another question, and others not
        known = itertools.accumulate((n for n in numbers if n is not None), min)
        numbers = [n if n is None else next(known) for n in numbers]
    told = zip(half_years, numbers, strict=True)
    begun = itertools.dropwhile(lambda x: x[1] is None, told)
    kept = [(h, n) for h, n in itertools.takewhile(lambda x: x[1] is not None, begun) if n is not None]
    since = [_since(h, kept[0][0]) for h, _ in kept]
    followed, people = [n for _, n in kept], [h.failed_patients for h in since]
    running = gate.running([h.failed for h in since], followed, patients=people)
    return list(zip(since, followed, running, strict=True))


def _since(h: HalfYear, first: HalfYear) -> HalfYear:
    """A half-year, with failures since the first one."""
    counted = h.failed_patients is not None and first.failed_patients is not None
    people = (h.failed_patients or 0) - (first.failed_patients or 0) if counted else None
    return HalfYear(h.months, h.followed, h.failed - first.failed, people)
