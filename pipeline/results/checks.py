"""What the checks of recorded technique found: counts a rule, and counts a band. Nothing about a single row."""

from dataclasses import dataclass


@dataclass(frozen=True)
class TradeCheck:
    """One rule on one field: `rows` of the `checked` rows with a value break it.

    `kind` is `impossible` (it cannot be right as it stands) or `unusual` (it may be right: look at it). `source` names
    where the rule is from, or says `common practice, no source`. A rule with nothing to check has `checked` 0.
    """

    id: str
    table: str
    field: str
    kind: str
    checked: int
    rows: int
    sentence: str
    what_to_do: str
    source: str


@dataclass(frozen=True)
class TradeCount:
    """How often a value or a band of values was recorded, and what the trade calls it; `means` may be empty."""

    table: str
    field: str
    label: str
    rows: int
    of: int
    means: str
