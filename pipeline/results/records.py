"""The records that results stand on, as far as what is shared of them hangs on that."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Records:
    """`digest` knows the same records again (keyed; empty where nobody made one).

    `rounded_by` is that of the records by which all that this database shares is rounded: of those of its first
    release, so that nobody who waits for many releases can average the rounding away. `teeth_of_one` and
    `failures_of_one` are the most teeth, and failures, that any one patient has among them.
    """

    digest: str = ""
    teeth_of_one: int = 1
    failures_of_one: int = 1
    rounded_by: str = ""
