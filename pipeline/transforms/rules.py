"""The ways to count, beside the numbers of the linking rules (`practice.settings.Rules`)."""

from dataclasses import dataclass
from typing import Literal

from pipeline.practice.settings import Rules


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
