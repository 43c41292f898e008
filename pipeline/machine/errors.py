"""The errors that a user can mend, each with its exit status.

They are shown without a traceback. Anything else that escapes is a fault of ours and keeps its traceback.
A message holds file names, columns, line numbers and counts; never a patient's id, date or value.
"""


class PipelineError(Exception):
    """Base of every error that the user can mend: the text says what, where and what to do next."""

    exit_code = 1


class DataError(PipelineError):
    """The data stop the run. Nothing was lost and nothing is half-written. Exit status 1."""

    exit_code = 1


class TwoOrdersError(DataError):
    """A column has dates that only fit month/day and others that only fit day/month."""


class UnreadableError(DataError):
    """A reader failed on a file in a way that nobody thought of. Exit status 1."""


class BusyError(DataError):
    """Another process holds the practice's database. Exit status 1."""


class ConfigError(PipelineError):
    """The command line or PRACTICE.toml is wrong. Exit status 2."""

    exit_code = 2
