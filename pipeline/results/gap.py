"""What a model lacks."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Gap:
    """How many rows of a model lack a characteristic that it is adjusted for."""

    label: str
    without: int
    rows: int

    @property
    def sentence(self) -> str:
        """`smoking: 1,187 of 3,506 rows without a value`."""
        return f"{self.label}: {self.without:,} of {self.rows:,} rows without a value"
