"""Counts as they may leave the practice: as the gate tells them, and nothing else."""

from dataclasses import dataclass

from dashboards.formats import whole
from pipeline.release.disclosure import LOWEST_TOLD, STEP, is_rounded


@dataclass(frozen=True)
class ReleasedCount:
    """A count in steps of 5, or None where it is hidden. A hidden count does not say whether it is small."""

    value: int | None

    def __post_init__(self) -> None:
        if not is_rounded(self.value) or (self.value is not None and self.value < LOWEST_TOLD):
            raise ValueError(f"a released count is hidden, or at least {LOWEST_TOLD} and a multiple of {STEP}")

    def __str__(self) -> str:
        return "hidden" if self.value is None else whole(self.value)
