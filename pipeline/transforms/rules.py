"""The numbers and ways of the linking rules, each with its default and what it decides, in a clinician's words."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Rules:
    """The settings under `[rules]` of the TOML; `MEANINGS` says what each decides."""

    reversal_days: int = 60
    hint_days: int = 400
    course_gap_days: int = 180
    course_pair_days: int = 365
    crown_repost_days: int = 60
    crown_pair_days: int = 120
    lab_days: int = 21
    renewal_days: int = 120
    closure_days: int = 60
    recement_days: int = 90
    planned_crown_days: int = 30
    recall_months: int = 12
    uncertain_years: int = 4
    active_days: int = 548
    data_cutoff: dt.date | None = None  # None: the latest date in the data


@dataclass(frozen=True)
class LinkRules(Rules):
    """Every setting that decides how rows of a ledger become courses and crowns: the rules, and the way to count.

    - `posted_at_prep`: the posted date of a crown is its preparation (`[practice] crown_date = "prep"`).
    - `followed`: up to the patient's last contact; to the cut-off ("cutoff"); or to the cut-off for patients seen
      within `active_days` of it ("active"), since a last visit may itself be a failure.
    - `count_after_last_contact`: what others did after the last contact here counts.
    - `undated_endo`: a crown whose root canal elsewhere has no date is in neither group, or counts as
      "before_seat" or as "through_crown" (opened in the middle of its time in place).
    - `hints_open`: a hint of an opening elsewhere opens the crown.
    - `losses`: a tooth shown to be gone was lost in the "middle" of the time in question, at the "first_sign", or its
      loss is "not_counted" and it is followed to the last day on which it is known to be there.
    - `renewed_given_up`: a crown that was opened and renewed soon after was given up at the opening, not opened. Uses
      what came later; leans towards no harm of an opening.
    - `planned_ends`: a new crown that was planned shortly before the opening ends follow-up at the opening.
    - `reopening_ends`: a treatment through a crown whose root canal was done before the seat ends its follow-up. Leans
      towards harm of an opening.
    """

    posted_at_prep: bool = False
    followed: Literal["last_contact", "active", "cutoff"] = "last_contact"
    count_after_last_contact: bool = False
    undated_endo: Literal["neither", "before_seat", "through_crown"] = "neither"
    hints_open: bool = False
    losses: Literal["middle", "first_sign", "not_counted"] = "middle"
    renewed_given_up: bool = False
    planned_ends: bool = False
    reopening_ends: bool = False

    @property
    def reading(self) -> tuple[object, ...]:
        """The settings that decide how a ledger is read, before it is linked."""
        return (self.data_cutoff, self.reversal_days)


# What each setting under [rules] decides; the number is in days unless the words say otherwise.
MEANINGS: dict[str, str] = {
    "reversal_days": "A negative fee takes back the latest row like it at most this many days before it; "
    "a later one hints at a failure.",
    "hint_days": "A filling of one surface on a standing crown hints at an opening elsewhere, unless a root canal "
    "was done on that tooth within so many days of it.",
    "course_gap_days": "Rows of root canal treatment at most this far apart are one course; a post this long "
    "before the seat tells too.",
    "course_pair_days": "A later first-treatment row with a fee of 0, at most this long after a row with a fee and "
    "with no crown seated between, belongs to the same course.",
    "crown_repost_days": "Crown rows of one tooth at most this far apart, each from the one before, are one crown "
    "posted again.",
    "crown_pair_days": "Two crown rows at most this far apart of which exactly one has a fee of 0 are one crown, "
    "unless the tooth was opened between.",
    "lab_days": "Added to a posted date to reach the seat, where crowns are posted at preparation, in one row, and "
    "no seat is recorded.",
    "renewal_days": "A crown opened and replaced by one seated at most this long after the root canal is told as "
    "renewed after the opening. It has failed.",
    "closure_days": "A repair or a filling of one surface from the opening to so long after the root canal closes "
    "the opening, and is no complication.",
    "recement_days": "A crown found missing that is put back within so many days came off, and has not failed.",
    "planned_crown_days": "A new crown planned at most this long before an opening: one other way to count ends "
    "follow-up at that opening.",
    "recall_months": "Months after a root canal from which a film counts as its recall.",
    "uncertain_years": "Years after a root canal until which a lesion that is smaller and not gone counts as healing, "
    "not as a failure.",
    "active_days": "One other way to count follows patients seen within so many days of the last day of the data up "
    "to that day.",
    "data_cutoff": "The last day that counts; rows after it are not used. None: the last date in the data.",
}
assert tuple(MEANINGS) == tuple(f.name for f in dataclasses.fields(Rules))
