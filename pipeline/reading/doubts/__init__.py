"""What would load wrongly without a word is asked first: doubts found in a look at the mapped files, and their answers.

A doubt is found from sums that reading gathers anyway, so both `check` and `ingest` find the same ones; nothing is
loaded while one stands open. Each is answered by a line of PRACTICE.toml.
"""

from pipeline.reading.doubts.doubt import ACCEPTABLE, Doubt, OpenDoubtsError, refuse_doubts
from pipeline.reading.doubts.find import find_doubts
from pipeline.reading.doubts.seen import Seen

__all__ = ["ACCEPTABLE", "Doubt", "OpenDoubtsError", "Seen", "find_doubts", "refuse_doubts"]
