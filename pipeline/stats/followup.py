"""How complete follow-up is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.kaplan_meier import Quantile, kaplan_meier
from pipeline.stats.spells import Ints, Values, whole_numbers


@dataclass(frozen=True)
class Completeness:
    """How much of the follow-up that could have been was seen.

    - `median_days`: median potential follow-up by reverse Kaplan-Meier [Schemper 1996], with limits.
    - `lost`, `share_lost`: rows whose follow-up ended without an event before the day it could have reached, other
      than by death.
    - `clarks_c`: days observed over days that could have been observed [Clark 2002], between 0 and 1; NaN without any.
    """

    rows: int
    median_days: Quantile
    lost: int
    share_lost: float
    clarks_c: float


def completeness(
    exit_days: Values,
    event: Values,
    possible_days: Values,
    *,
    entry_days: Values | None = None,
    died: Values | None = None,
    confidence: float = 0.95,
) -> Completeness:
    """Completeness of follow-up of one group.

    `possible_days` is the day up to which each row could have been followed, on the same clock; rows that failed or
    `died` could not past that. ValueError if a row is followed past it, and as `read_spells` does.
    """
    ended = _ended(exit_days, event)
    reverse = kaplan_meier(exit_days, ended, entry_days=entry_days, confidence=confidence)
    leaves, entry, possible = _days(exit_days, possible_days, entry_days)
    closed = ~ended if died is None else ~ended | (whole_numbers(died, "died") != 0)
    lost = ~closed & (leaves < possible)
    observed = int((leaves - entry).sum())
    could = int((np.where(closed, leaves, possible) - entry).sum())
    return Completeness(
        rows=len(leaves),
        median_days=reverse.median(),
        lost=int(lost.sum()),
        share_lost=float(lost.mean()),
        clarks_c=observed / could if could else float("nan"),
    )


def _ended(exit_days: Values, event: Values) -> NDArray[np.bool_]:
    """Where follow-up ended without an event; day counts and order are checked by the estimators."""
    failed = whole_numbers(event, "event")
    if len(failed) != len(whole_numbers(exit_days, "exit_days")):
        raise ValueError("event and exit_days differ in length")
    return np.asarray(failed == 0, dtype=np.bool_)


def _days(exit_days: Values, possible_days: Values, entry_days: Values | None) -> tuple[Ints, Ints, Ints]:
    """Exit, entry (day 0 where none) and possible day of each row, in the order given."""
    leaves, possible = whole_numbers(exit_days, "exit_days"), whole_numbers(possible_days, "possible_days")
    if len(possible) != len(leaves):
        raise ValueError("possible_days and exit_days differ in length")
    past = int(np.sum(leaves > possible))
    if past:
        raise ValueError(f"{past} of {len(leaves)} rows are followed past their possible day")
    entry = np.zeros_like(leaves) if entry_days is None else np.maximum(whole_numbers(entry_days, "entry_days"), 0)
    return leaves, entry, possible
