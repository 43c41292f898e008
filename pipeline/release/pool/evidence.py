"""Others' figures for this practice: its own files among them left out, the same rules, nothing counted twice."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import polars as pl

from pipeline.practice.settings import Borrowing
from pipeline.release.pool.combine import refuse_impossible, refuse_other_rules, refuse_twice
from pipeline.release.pool.contribution import Contribution
from pipeline.release.pool.make import contribution
from pipeline.release.pool.members import refuse_strangers
from pipeline.release.pool.others_and_yours import Others, evidence
from pipeline.release.pool.signing import key_number
from pipeline.results import Results


def others_of(
    given: Sequence[Contribution],
    *,
    code: str,
    rules: tuple[tuple[str, str], ...],
    borrowing: Borrowing,
    own_keys: Sequence[str] = (),
    members: Mapping[str, str] | None = None,
) -> Others:
    """The files of others, told from this practice's own by its code or by the numbers of its keys.

    Raises DataError where one practice stands twice among the others, counts by other rules than this one, gives what
    no practice can have or, with a list of `members`, is none of them.
    """

    def is_own(c: Contribution) -> bool:
        return c.code == code or (bool(c.key) and key_number(c.key) in own_keys)

    others = sorted((c for c in given if not is_own(c)), key=lambda c: c.code)
    if others:
        if members is not None:
            refuse_strangers(others, members)
        refuse_impossible(others)
        refuse_twice(others)
        refuse_other_rules([rules, *(c.rules for c in others)])
    return Others(tuple(others), code, len(given) - len(others), borrowing)


def with_evidence(results: Results, others: Others, spells: Callable[[], Mapping[str, pl.DataFrame]]) -> Results:
    """The results with what others found beside ours.

    `spells` gives the follow-up behind what this practice would contribute, asked for only where others did: a file
    with the same figures or patients under another code is this practice's own, given before its code was lost.

    Raises DataError where a file holds the figures of this practice under another code.
    """
    if others.given:
        refuse_twice([contribution(results, spells(), code=others.code), *others.given])
    confidence = float(results.analysis["confidence"])
    return replace(results, evidence=evidence(results.benchmarks, results.comparisons, others, confidence=confidence))
