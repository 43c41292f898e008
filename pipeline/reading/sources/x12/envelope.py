"""The envelopes of an X12 file: interchange (ISA, IEA), group (GS, GE) and transaction (ST, SE).

Each closing segment counts what it closes and repeats its control number. A file that was cut off or edited shows in
these, so every one is checked; a fault refuses the file.
"""

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.reading.sources.x12.segments import AGAIN, Segments

DENTAL_CLAIM = "005010X224"
REMITTANCE = "005010X221"
_PICK = "Take this file out of the list, or ask the sender for dental claims (837D) and remittances (835) only."


@dataclass
class Envelope:
    """Follows the envelopes while the segments pass; the attributes describe the one that is open. `kind` is `837` or
    `835`, and empty between transactions; `transaction` numbers them within the interchange. `sent` says when the group
    was made, and then the number of the interchange: sortable text, for later claims act on earlier ones."""

    segments: Segments
    kind: str = ""
    sent: str = ""
    interchange: str = ""
    _group: str = ""
    transaction: int = 0
    _transaction: str = ""
    _version: str = ""
    _is_open: bool = False
    _in_group: bool = False
    _first_segment: int = 0
    _groups: int = 0
    _transactions: int = 0

    def handlers(self) -> dict[str, Callable[[list[str]], None]]:
        """What to do at each envelope segment."""
        return {"ISA": self._isa, "GS": self._gs, "ST": self._st, "SE": self._se, "GE": self._ge, "IEA": self._iea}

    def _isa(self, segment: list[str]) -> None:
        self._must(not self._is_open, "an interchange begins within another one")
        if segment[15].upper() == "T":
            raise self.segments.fail(
                "the heading (ISA15) says T: this is a test file, whose claims are not real",
                "Take it out of the list of files and use the production file.",
            )
        self._must(segment[15].upper() == "P", "the heading (ISA15) says neither production (P) nor test (T)")
        self._is_open, self._groups, self.interchange, self.transaction = True, 0, segment[13].strip(), 0

    def _gs(self, segment: list[str]) -> None:
        self._must(self._is_open and not self._in_group, "a group (GS) begins where none may")
        self._groups += 1
        self._in_group, self._transactions = True, 0
        self._group, self._version = element(segment, 6), element(segment, 8)
        day, time = element(segment, 4), element(segment, 5).ljust(6, "0")[:6]
        self._must(
            day.isdecimal() and len(day) == 8 and time.isdecimal(), "the group (GS) does not say when it was made"
        )
        self.sent = f"{iso(day)}T{time[:2]}:{time[2:4]}:{time[4:]} {self.interchange.zfill(9)}"

    def _st(self, segment: list[str]) -> None:
        self._must(self._in_group and not self.kind, "a transaction (ST) begins where none may")
        self._transactions += 1
        self.transaction += 1
        self._transaction, self._first_segment = element(segment, 2), self.segments.number
        kind, version = element(segment, 1), element(segment, 3) or self._version
        wanted = {"837": DENTAL_CLAIM, "835": REMITTANCE}.get(kind)
        if wanted is None:
            raise self.segments.fail("this transaction (ST) is neither claims (837) nor a remittance (835)", _PICK)
        if not version.upper().startswith(wanted):
            raise self.segments.fail(
                f"this {kind} does not follow the guide {wanted}, the only one that is read", _PICK
            )
        self.kind = kind

    def _se(self, segment: list[str]) -> None:
        found = self.segments.number - self._first_segment + 1
        self._must(bool(self.kind), "a transaction ends (SE) that never began")
        self._close("transaction", "segments", segment, found, self._transaction)
        self.kind = ""

    def _ge(self, segment: list[str]) -> None:
        self._must(self._in_group and not self.kind, "a group ends (GE) where none may")
        self._close("group", "transactions", segment, self._transactions, self._group)
        self._in_group = False

    def _iea(self, segment: list[str]) -> None:
        self._must(self._is_open and not self._in_group, "an interchange ends (IEA) before its group does")
        self._close("interchange", "groups", segment, self._groups, self.interchange)
        self._is_open = False

    def _close(self, what: str, of: str, segment: list[str], found: int, control: str) -> None:
        told, number = element(segment, 1), element(segment, 2)
        if not (told.isascii() and told.isdecimal() and int(told[:12]) == found):
            raise self.segments.fail(f"the {what} has {found:,} {of}, but its end ({segment[0]}01) gives another count")
        self._must(number == control, f"the control number at the end of the {what} ({segment[0]}02) is not its own")

    def _must(self, is_right: bool, otherwise: str) -> None:
        if not is_right:
            raise self.segments.fail(otherwise, AGAIN)


def element(segment: list[str], place: int) -> str:
    """An element of a segment, from 1; empty where the segment ends before it."""
    return segment[place] if place < len(segment) else ""


def iso(day: str) -> str:
    """A day written CCYYMMDD with hyphens."""
    return f"{day[:4]}-{day[4:6]}-{day[6:8]}"
