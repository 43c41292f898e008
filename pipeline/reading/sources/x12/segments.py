"""The segments of an X12 file, one after the other, in bounded memory.

Each interchange names its own separators in its first 106 characters (ISA), so they may change from one to the next.
Line breaks are no part of X12 unless one is the segment terminator; files are often wrapped at some width.
"""

import codecs
import gzip
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.machine.errors import DataError

ISA_LENGTH = 106
AGAIN = "Nothing of it was loaded. Ask for the file again, or export it again, and do not open it in an editor."
# Read at a time; no segment of a claim or remittance comes near this length (common practice, no source).
_CHUNK = 1 << 16
_AROUND = " \t\r\n\x1a"  # an old end-of-file mark may follow the last segment
# Where element separators stand in an ISA, counted from 0: its sixteen elements have fixed lengths.
_SEPARATORS_AT = (3, 6, 17, 20, 31, 34, 50, 53, 69, 76, 81, 83, 89, 99, 101, 103)


# How an interchange begins: its first element says by two digits whether the second one tells anything.
_BEGINS = re.compile(rb"(?:\xef\xbb\xbf)?\s*ISA([^\w\s])\s*\d\d\s*\1", re.IGNORECASE)
_GZIP = b"\x1f\x8b"


def begins_interchange(path: Path) -> bool:
    """Whether a file, gzipped or not, begins as X12 does, whatever its name; a file that cannot be opened does not."""
    if not path.is_file():
        return False
    try:
        with _open(path) as stream:
            return _BEGINS.match(stream.read(ISA_LENGTH)) is not None
    except (OSError, EOFError, zlib.error):
        return False


class Segments:
    """Iterates over the segments of a file as lists of elements without blanks around them.

    The first element is the segment's name, in capitals or not.

    `number` is the number of the segment in the file, from 1; `component` the separator within an element.

    Raises DataError if the file is no X12, is cut off, or holds anything beside interchanges.
    """

    def __init__(self, path: Path, *, encoding: str | None = None) -> None:
        self.path = path
        self.number = 0
        self.component = ":"
        self._encoding = encoding or "utf-8-sig"
        self._held = ""
        self._chunks: Iterator[str] = iter(())

    def __iter__(self) -> Iterator[list[str]]:
        """The segments from the start of the file."""
        self.number, self._held, self._chunks = 0, "", self._texts()
        while self._at_interchange():
            element, terminator = self._separators()
            for block in self._blocks(element, terminator):
                for segment in _without_blanks(block, element, terminator).split(terminator):
                    if segment:
                        self.number += 1
                        yield segment.split(element)

    def fail(self, what: str, then: str = AGAIN) -> DataError:
        """The error to raise at this segment."""
        return DataError(f"{self.path.name}: segment {self.number:,}: {what}.\n  {then}")

    def _at_interchange(self) -> bool:
        """Whether another interchange begins; blanks before it are skipped."""
        while not (held := self._held.lstrip(_AROUND)):
            self._held = ""
            if not self._more():
                if self.number:
                    return False
                raise self.fail("the file is empty")
        self._held = held
        return True

    def _blocks(self, element: str, terminator: str) -> Iterator[str]:
        """The interchange in pieces of whole segments."""
        is_wrapped = terminator not in "\r\n"
        # The last segment of an interchange; what follows may have other separators, so it stays as it is.
        name = "[\r\n]*".join(["I", "E", "A", re.escape(element)])
        end = re.compile(rf"(?:^|{re.escape(terminator)})\s*{name}", re.IGNORECASE)
        while True:
            flat = _unwrapped(self._held) if is_wrapped else self._held
            last = end.search(self._held) if "IEA" in flat.upper() else None  # the test before saves much time
            cut = self._held.find(terminator, last.end()) if last else self._held.rfind(terminator)
            if cut >= 0:
                block, self._held = self._held[:cut], self._held[cut + 1 :]
                yield _unwrapped(block) if is_wrapped else block
                if last:
                    return
            if len(self._held) > _CHUNK:
                raise self.fail(f"a segment of more than {_CHUNK:,} characters; its terminator is missing")
            if not self._more():
                raise self.fail("the file ends within an interchange, before its last segment (IEA)")

    def _separators(self) -> tuple[str, str]:
        """Element separator and segment terminator of the interchange that begins here; see also `component`."""
        while len(self._held) < 2 * ISA_LENGTH and self._more():
            pass
        if self._held[:3].upper() != "ISA":
            self.number += 1
            where = "text follows the last interchange" if self.number > 1 else "this is no X12 file, for it lacks ISA"
            raise self.fail(where)
        if "\n" in self._held[: ISA_LENGTH - 1] or "\r" in self._held[: ISA_LENGTH - 1]:
            places = [place for place, sign in enumerate(self._held[: 2 * ISA_LENGTH]) if sign not in "\r\n"]
            end = places[:ISA_LENGTH][-1] + 1
            self._held = _unwrapped(self._held[:end]) + self._held[end:]
        head = self._held[:ISA_LENGTH]
        element = head[3:4]
        if len(head) < ISA_LENGTH or any(head[place] != element for place in _SEPARATORS_AT):
            self.number += 1
            raise self.fail("the heading (ISA) does not have its fixed length of 106 characters")
        component, terminator = head[104], head[105]
        marks = (element, component, terminator)
        is_clear = head.count(element) == len(_SEPARATORS_AT) and head.count(terminator) == 1
        if len(set(marks)) < len(marks) or not is_clear or any(mark.isalnum() or mark == " " for mark in marks):
            self.number += 1
            raise self.fail("the heading (ISA) names separators that cannot be told apart")
        self.component = component
        return element, terminator

    def _more(self) -> bool:
        chunk = next(self._chunks, None)
        if chunk is None:
            return False
        self._held += chunk
        return True

    def _texts(self) -> Iterator[str]:
        try:
            decoder = codecs.getincrementaldecoder(self._encoding)()
            with _open(self.path) as stream:
                while data := stream.read(_CHUNK):
                    yield self._checked(decoder.decode(data))
            yield self._checked(decoder.decode(b"", final=True))
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise DataError(f"{self.path.name}: the compressed file is cut off or damaged.\n  {AGAIN}") from error
        except (UnicodeError, LookupError) as error:
            raise DataError(
                f"{self.path.name}: the text is not in the encoding {self._encoding}.\n"
                '  Name the right one under this table, e.g. encoding = "cp1252".'
            ) from error

    def _checked(self, text: str) -> str:
        if "\0" in text:
            raise self.fail("the file holds NUL characters, so it is no text")
        return text


def _without_blanks(block: str, element: str, terminator: str) -> str:
    """Segments without blanks around their elements; few files have any, so they are looked for first."""
    blanks = [blank for blank in _AROUND if blank in block and blank not in (element, terminator)]
    marks = (element, terminator)
    block = block.strip("".join(blanks))
    if any(mark + blank in block or blank + mark in block for blank in blanks for mark in marks):
        around = "[" + re.escape("".join(blanks)) + "]*"
        block = re.sub(f"{around}({re.escape(element)}|{re.escape(terminator)}){around}", r"\1", block)
    return block


def _unwrapped(text: str) -> str:
    return text.replace("\r", "").replace("\n", "")


def _open(path: Path) -> BinaryIO:
    with path.open("rb") as stream:
        is_packed = path.suffix.lower() == ".gz" or stream.read(2) == _GZIP
    return cast(BinaryIO, gzip.open(path, "rb")) if is_packed else path.open("rb")
