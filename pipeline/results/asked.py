"""What was found on the questions that a practice asked itself."""

from dataclasses import dataclass

from pipeline.results import Comparison, Difference, Verdict


@dataclass(frozen=True)
class AskedContrast:
    """One group against the reference. The limits and the verdict are those of the whole family of contrasts asked.

    `p` is that of the last hazard ratio of the pair (adjusted if there is one), `p_family` that times the family, at
    most 1; None where no model gave one.
    """

    group: str
    reference: str
    difference: Difference | None
    verdict: Verdict
    p: float | None
    p_family: float | None


@dataclass(frozen=True)
class Asked:
    """One question and its answer. `refused` says why there is none; then `comparison` is None.

    `family` counts the contrasts of all questions ever asked of this database, this one among them; `confidence` is
    that of each limit, so that all limits of the family together hold with the confidence of the settings. `safety` is
    true of a measure of safety: no zone is then drawn as too small to matter.
    """

    id: str
    title: str
    asked: dict[str, str]
    comparison: Comparison | None
    contrasts: tuple[AskedContrast, ...]
    family: int
    confidence: float
    notes: tuple[str, ...]
    refused: str = ""
    safety: bool = False
