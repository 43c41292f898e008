"""ASC X12: dental claims (837D) and remittances (835), read segment by segment."""

from pipeline.reading.sources.x12.file import SUFFIXES, X12File, open_x12
from pipeline.reading.sources.x12.segments import begins_interchange

__all__ = ["SUFFIXES", "X12File", "begins_interchange", "open_x12"]
