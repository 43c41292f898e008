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
    "field_unknown": Reason(
        "The row names no field that a chart note can tell.",
        "Leave the column `field` of the worksheet as it came, or write the name of a field of endo_details, "
        "crown_details or findings.",
    ),
    "event_unknown": Reason(
        "The row does not say what was done elsewhere, or says it in a word that we do not know.",
        "Write root_canal, retreatment, surgery, crown, crown_removed, extraction or nothing, or map your word under "
        "values.event of this table.",
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
    "patient_contradicted": Reason(
        "Another row of the same file lists the same patient and says otherwise in this field; which of them is right "
        "cannot be told, so the field was left empty. What only one of the rows says was kept.",
        "Correct this row, or list the patient once in the practice software and export again.",
    ),
    "after_extraction": Reason(
        "The row names a tooth that was extracted before. Either this tooth number or that of the extraction is wrong.",
        "Compare both rows with the chart, correct the wrong tooth number and export again.",
    ),
    "predetermination": Reason(
        "The claim asks what would be paid. The work has not been done.",
        "Nothing: if it was done later, another claim says so.",
    ),
    "claim_frequency_unknown": Reason(
        "The claim is neither an original nor a replacement nor a void, so what it does is not known.",
        "Ask whoever made the file what the frequency code of the claim (CLM05-3) means.",
    ),
    "tooth_system_unknown": Reason(
        "The row does not say, in a way that we know, how its tooth is numbered; a number alone can mean two teeth.",
        "Ask whoever made the file which numbering it is. It is not guessed.",
    ),
    "code_system_unknown": Reason(
        "The procedure code is from a list that we do not know.",
        "If it is a code for dental work, ask whoever made the file to send the code of the practice's own list.",
    ),
    "sheet_not_read": Reason(
        "A sheet of the workbook has none of the headings, so none of its rows was read. It counts as one row here.",
        "If it holds rows of this table, name the sheets to read with sheets = [...] under this table.",
    ),
    "nothing_filled_in": Reason(
        "A line of the worksheet was left as it was handed out, so it tells nothing.",
        "Nothing. Once something is filled in on the line, it counts.",
    ),
    "corrected": Reason("A mended copy of this row was loaded.", "Nothing: the mended copy counts."),
    "mended_row_unknown": Reason(
        "A row of a file of mended rows does not say which row it mends.",
        "Leave the columns set_aside_file and set_aside_row as they were written. New work belongs in the export.",
    ),
    "tooth_is_area": Reason(
        "This code is about a tooth, and the row names a part of the mouth, such as a quadrant or an arch.",
        "Fill in the tooth, or the teeth with commas between them, and export again.",
    ),
    "tooth_list": Reason(
        "The row names several teeth, and what it says of them can be true of one only.",
        "Make one row of it for each tooth.",
    ),
    "totals_row": Reason("The row holds totals, not work that was done.", "Nothing: totals change no result."),
    "no_record": Reason(
        "The line is no FHIR record: it is cut off, is no JSON, has no resourceType, or says one thing twice.",
        "The value is the number of the line in the file. Export the file again; if it stays, ask whoever makes it.",
    ),
    "claim_use_unknown": Reason(
        "The claim does not say whether it is for work done or a request for approval.",
        "Ask whoever made the file to fill in the use of each claim.",
    ),
    "codings_disagree": Reason(
        "The record names its tooth or code in several lists, and they do not mean the same one.",
        "Compare with the chart and ask whoever made the file to correct the record.",
    ),
    "date_partial": Reason(
        "The date names only a year or a month, and a day that is not known is never made up.",
        "Look the day up, fill it in and export again.",
    ),
    "finding_not_final": Reason(
        "The finding is preliminary, cancelled or entered by mistake.",
        "Nothing, or make the finding final and export again.",
    ),
    "repeated_heading": Reason(
        "The line holds the headings again, as where several exports were put together in one file.",
        "Nothing: headings change no result.",
    ),
    "note_line": Reason(
        "The line is no row: it holds a page number, a total, a date of printing or another note.",
        "Nothing. If it is the end of a row that was broken in two, join the lines and load the file again.",
    ),
    "group_line": Reason(
        "The line says whose or of which day the rows below it are; they were given it.",
        "Nothing: it is no row of its own.",
    ),
    "other_table": Reason(
        "The row belongs to another table of the same sheet or file, with other headings.",
        "Nothing, if it is no table of procedures. Else give its columns the headings that are mapped.",
    ),
    "code_unclear": Reason(
        "The cell of the code names a code and says with it that the work was not done or taken back, or names "
        "several codes among other words.",
        "If the work was done, write the code alone. If not, give the row the status void or planned.",
    ),
    "several_codes": Reason(
        "The row names several codes together with several teeth, or with a fee below zero: which code goes with which "
        "tooth, or what is taken back, cannot be told.",
        "Make one row of it for each code.",
    ),
}
