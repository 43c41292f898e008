"""What others found, what ours adds, and the two together: one row a figure that means the same in both."""

from dataclasses import dataclass


@dataclass(frozen=True)
class EvidenceRange:
    """A value with its range: teeth with the event of 100, or a hazard ratio."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class EvidenceRow:
    """One figure. `kind`: share (of 100 with the event by `horizon_years`) or ratio (hazard ratio, group first).

    `about` says what is counted: event, start and teeth by the words of `questions/benchmarks.py`, or group, reference,
    outcome and clock of the comparison with the same id. `others` is what `studies` sources let one expect of a
    practice like theirs, `ours` ours alone, `together` both. `rests_on`: together, ours or others. `surprise` is the
    chance of ours lying so far out or farther if the practice is like theirs, `vague_weight` the weight that the
    component which says nothing has afterwards; `conflict` where the first is below 1 in 20 or the second above a half.
    `worth_before` is how many of our teeth the others' figures were worth before ours was looked at, a cautious figure,
    `worth` how many more of ours would have narrowed the range as much. What cannot be told is None.
    """

    id: str
    kind: str
    about: tuple[str, ...]
    horizon_years: float | None
    sources: tuple[str, ...]
    studies: int
    others: EvidenceRange
    ours: EvidenceRange | None
    together: EvidenceRange | None
    our_teeth: int | None
    our_failures: int | None
    worth_before: float | None
    worth: float | None
    surprise: float | None
    vague_weight: float | None
    conflict: bool
    rests_on: str
    verdict: str


@dataclass(frozen=True)
class Evidence:
    """All rows, and what they were made with.

    `between_shares` and `between_ratios` are the scales of the half-normal prior of the spread between practices, on
    the logarithm; `vague_weight` is that of the component which says nothing. `others_files` counts the contributions
    that were used, `own_files` those of this practice, which are left out. `left_out` says which figures lack what is
    needed.
    """

    rows: tuple[EvidenceRow, ...]
    confidence: float
    vague_weight: float
    between_shares: float
    between_ratios: float
    others_files: int
    own_files: int
    left_out: tuple[str, ...]
