"""The records that results stand on, as far as what is shared of them hangs on that."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Records:
    """`digest` knows the same records again (keyed; empty where nobody made one).

    `teeth_of_one` and `failures_of_one` are the most teeth, and failures, that any one patient has among them.
    """

    digest: str = ""
    teeth_of_one: int = 1
    failures_of_one: int = 1
