"""The choices that a ledger leaves open, the ways to make each, and the words for them.

| choice | ways |
| --- | --- |
| `renewal_days` | a root canal done up to 0, 60, 120 or 180 days before the next crown belongs to that crown |
| `crown_date` | a crown without a recorded seat was posted at the seat, or 14, 21 or 28 days before it |
| `failure` | replacement, removal or loss; or the first recement or repair as well |
| `end_of_followup` | the patient's last contact; or death, else the last day of the data |
| `adjustment` | adjusted for what is recorded; or not |
| `uncertain_order` | crowns whose order of root canal and seat is uncertain: counted, or left out |
| `recorded_root_filled` | root-filled by the record, no root canal in the ledger by the seat: counted, or left out |

Following to the last day of the data takes patients who went elsewhere for patients without failures; stopping at the
last contact takes a visit for a failure as a reason to have been seen. Neither is right; the truth lies between.
"""

from __future__ import annotations

from pipeline.transforms.rules import LinkRules

RENEWAL_DAYS = (0, 60, 120, 180)
LAB_DAYS = (14, 21, 28)

# What each choice decides, in words that finish "first agree ...".
MEANINGS = {
    "renewal_days": "how soon before a new crown a root canal belongs to it",
    "crown_date": "what the posted date of a crown without a recorded seat means",
    "failure": "whether a recement or repair is a failure",
    "end_of_followup": "how long a patient who was not seen again is followed",
    "adjustment": "whether to adjust for what is recorded",
    "uncertain_order": "whether to count crowns whose order of root canal and seat is uncertain",
    "recorded_root_filled": "whether to count crowns recorded as root-filled with no root canal in the ledger",
}
SEAT = "posted at the seat"
STRICT, WIDE = "replacement, removal or loss", "also the first recement or repair"
CONTACT, CUTOFF = "last contact", "last day of the data"
ADJUSTED, CRUDE = "adjusted", "not adjusted"
COUNTED, LEFT_OUT = "counted", "left out"

Options = dict[str, list[str]]


def offered_options(rules: LinkRules) -> Options:
    """Every option of every choice; numbers in force that are not among the usual ones are added."""
    replacement = sorted({*RENEWAL_DAYS, rules.renewal_days})
    lab = sorted({*LAB_DAYS, *([rules.lab_days] if rules.posted_at_prep else [])})
    return {
        "renewal_days": [days_text(n) for n in replacement],
        "crown_date": [SEAT, *(prepared_text(n) for n in lab)],
        "failure": [STRICT, WIDE],
        "end_of_followup": [CONTACT, CUTOFF],
        "adjustment": [ADJUSTED, CRUDE],
        "uncertain_order": [COUNTED, LEFT_OUT],
        "recorded_root_filled": [COUNTED, LEFT_OUT],
    }


def main_options(rules: LinkRules) -> dict[str, str]:
    """The combination that the rules in force stand for."""
    return {
        "renewal_days": days_text(rules.renewal_days),
        "crown_date": prepared_text(rules.lab_days) if rules.posted_at_prep else SEAT,
        "failure": STRICT,
        "end_of_followup": CUTOFF if rules.followed == "cutoff" else CONTACT,
        "adjustment": ADJUSTED,
        "uncertain_order": COUNTED,
        "recorded_root_filled": COUNTED,
    }


def days_text(n: int) -> str:
    """An option of `renewal_days`."""
    return f"{n} days"


def prepared_text(lab_days: int) -> str:
    """An option of `crown_date`."""
    return f"posted at preparation, seated {lab_days} days later"
