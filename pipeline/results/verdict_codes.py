"""The four verdicts by their codes."""

TOO_EARLY = "too_early"
LITTLE_DIFFERENCE = "little_difference"
DIFFERS = "differs"
CANNOT_TELL = "cannot_tell"
