"""Why a row was set aside, in words for the front desk: what the code means and what to do about it.

The one list of reason codes. A stage that sets a row aside uses a code of this list.
"""

from __future__ import annotations

from typing import NamedTuple


class Reason(NamedTuple):
    """One reason: what it means, and what to do so that the row counts next time."""

    meaning: str
    what_to_do: str


REASONS: dict[str, Reason] = {
    "malformed_line": Reason(
        "The line does not have as many fields as the heading, or a quotation mark in it is never closed.",
        "Open the file in a text editor, mend the line (often a stray quotation mark or line break) and load it again.",
    ),
    "row_empty": Reason("The row holds nothing.", "Nothing: empty rows change no result."),
    "patient_missing": Reason(
        "The row names no patient.", "Fill in the patient in the practice software and export again."
    ),
    "code_missing": Reason(
        "The row names no procedure code.",
        "If it is a note or a payment, nothing. If work was done, give it its code and export again.",
    ),
    "unknown_status": Reason(
        "The status is a word that we were not told the meaning of.",
        "Add the word under values.status of this table: completed, planned, existing or void.",
    ),
    "date_missing": Reason(
        "Work that was done must have a date, and this row has none.",
        "Look the date up and fill it in. If it was done elsewhere at an unknown time, its status is existing.",
    ),
    "date_unreadable": Reason(
        "The date does not have the form that the dates of this column have.",
        "Correct the date, or tell us the form with date_format under this table.",
    ),
    "date_implausible": Reason("The date lies before 1900.", "Look the date up and correct it."),
    "date_in_future": Reason(
        "The row says that the work is done, but its date has not come yet.",
        "Correct the date, or the status if the work is only planned.",
    ),
    "tooth_missing": Reason(
        "This code is about one tooth, and the row names none.", "Fill in the tooth and export again."
    ),
    "tooth_unknown": Reason(
        "The tooth is none that the practice's tooth numbering knows.",
        "Correct the tooth. If nearly all rows of a file are here, tooth_notation may be wrong.",
    ),
    "fee_unreadable": Reason(
        "The fee is no number that can be read. It matters, for a negative fee takes a row back.",
        "Write fees like 1200.00 or -1200.00.",
    ),
    "superseded": Reason(
        "A later row or file has the same key with other content; the later one counts.",
        "Nothing, if the later one is the right one.",
    ),
    "after_extraction": Reason(
        "The row names a tooth that was extracted before. Either this tooth number or that of the extraction is wrong.",
        "Compare both rows with the chart, correct the wrong tooth number and export again.",
    ),
}
