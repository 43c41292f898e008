"""What would load wrongly without a word is asked first: doubts found in a look at the mapped files, and their answers.
A doubt is found from sums that reading gathers anyway, so both `check` and `ingest` find the same ones; nothing is
loaded while one stands open. Each is answered by a line of PRACTICE.toml."""

from collections.abc import Sequence

from pipeline.practice.settings import Settings
from pipeline.reading.doubts.days import day_doubts
from pipeline.reading.doubts.doubt import Doubt, OpenDoubtsError, refuse_doubts
from pipeline.reading.doubts.files import file_doubts
from pipeline.reading.doubts.ledger import ledger_doubts
from pipeline.reading.doubts.patients import patient_doubts
from pipeline.reading.doubts.rows import row_doubts
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.teeth import tooth_doubts

KINDS = (patient_doubts, tooth_doubts, day_doubts, ledger_doubts, row_doubts, file_doubts)


def find_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """The doubts that PRACTICE.toml does not answer yet; `seen` has one element a file."""
    found = [doubt for kind in KINDS for doubt in kind(seen, settings)]
    accepted = settings.practice.accepted
    return [doubt.with_acceptance(accepted) for doubt in found if doubt.id not in accepted]


__all__ = ["Doubt", "OpenDoubtsError", "Seen", "find_doubts", "refuse_doubts"]
