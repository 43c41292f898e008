"""Measures of safety: what is never said of them, and the sentence that stands with them instead.

A rubber dam keeps instruments and fluids out of the airway, and strength and pressure of an irrigant decide what it
does beyond the root. Records of how long teeth last hold none of that, so a narrow range of failures is no finding
that the measure hardly matters. Every place that words a verdict asks `spoken_code` first.
"""

from pipeline.results.verdict_codes import CANNOT_TELL, LITTLE_DIFFERENCE

# Columns that record a measure of safety, under the names that a table may give them.
SAFETY_FIELDS = frozenset({"rubber_dam", "naocl_percent", "naocl_ratio", "irrigant_pressure"})
UNMEASURED = (
    "These records do not measure aspiration, extrusion of irrigant or pain, on which the safety of patients hangs: no "
    "figure here is a ground to depart from standards of care, which stand."
)
NEXT_STEP = "More records of this kind would not settle what they do not measure."


def spoken_code(code: str, *, safety: bool) -> str:
    """The verdict as it may be said: of a measure of safety never that its ways differ little."""
    return CANNOT_TELL if safety and code == LITTLE_DIFFERENCE else code


def with_caution(sentence: str, *, safety: bool) -> str:
    """The sentence, for a measure of safety followed by what the records do not measure."""
    return f"{sentence} {UNMEASURED}".strip() if safety else sentence
