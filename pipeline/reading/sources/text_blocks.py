"""Text cut into blocks of whole lines of bounded size, and the lines of a block."""

import io
from collections.abc import Callable, Iterator
from itertools import chain

import numpy as np

from pipeline.machine.errors import DataError

MAX_LINE_BYTES = 1_000_000
# So many lines back a place is sought where no quotation mark is open.
_MAX_LINES_BACK = 200


class Blocks:
    """Blocks of whole lines from pieces of UTF-8 text; single lines can be taken from what comes next. Every block ends
    with a line end, one that the last line of the file lacks added. Where it can be seen, a block is not cut inside
    quotation marks. `line` says which line of the file a place in the text is in, for messages."""

    def __init__(self, pieces: Iterator[bytes], *, file: str, line: Callable[[int], int]) -> None:
        self._blocks = _blocks(pieces, file, line)
        self._opened: io.StringIO | None = None

    def block(self) -> bytes | None:
        """The next block, or what is left of one that lines were taken from; None at the end."""
        if self._opened is not None:
            rest, self._opened = self._opened.read(), None
            if rest:
                return rest.encode()
        return next(self._blocks, None)

    def line(self) -> str:
        """The next line; empty at the end."""
        while True:
            if self._opened is None:
                if (block := next(self._blocks, None)) is None:
                    return ""
                self._opened = as_lines(block)
            if line := self._opened.readline():
                return line
            self._opened = None


def as_lines(block: bytes) -> io.StringIO:
    """The lines of a block, each with its line end as it is: LF, CR LF or CR."""
    return io.StringIO(block.decode(), newline="")


def changed_lines(pieces: Iterator[bytes], change: Callable[[str], str]) -> Iterator[bytes]:
    """UTF-8 text, in pieces of any size, with every line, which comes with its line end, changed."""
    held = b""
    for piece in chain(pieces, [None]):
        whole, found, held = (held + piece).rpartition(b"\n") if piece is not None else (held, b"", b"")
        if whole or found:
            yield "".join(map(change, as_lines(whole + found))).encode()


def count_lines(block: bytes) -> int:
    """How many line ends a block has, whichever of LF, CR LF or CR they are."""
    return _count(block, b"\n") or _count(block, b"\r")


def long_line(file: str, number: int) -> DataError:
    """What to say of a line that is too long to be a row."""
    return DataError(
        f"{file}: line {number:,} is longer than 1 MB, so line breaks are missing there, or this is no text file.\n"
        "  Export it again as CSV, one row a line."
    )


def _blocks(pieces: Iterator[bytes], file: str, line: Callable[[int], int]) -> Iterator[bytes]:
    held, done = b"", 0
    for piece in pieces:
        text = held + piece if held else piece
        _refuse_long_lines(text, done, file, line)
        cut = _place_to_cut(text)
        if cut:
            yield text[:cut]
        held = text[cut:]
        done += cut
    if held:
        yield held if held.endswith((b"\n", b"\r")) else held + b"\n"


def _place_to_cut(text: bytes) -> int:
    """After the last line end, or an earlier one before which every quotation mark has its partner; 0 if none."""
    line_end = b"\n" if b"\n" in text else b"\r"
    # A CR at the very end may be half of a CR LF.
    whole = cut = text.rfind(line_end, 0, len(text) if line_end == b"\n" else len(text) - 1) + 1
    marks = _count(memoryview(text)[:cut], b'"') if b'"' in text else 0
    for _ in range(_MAX_LINES_BACK):
        if marks % 2 == 0 or cut <= 0:
            break
        before = text.rfind(line_end, 0, text.rfind(b'"', 0, cut)) + 1
        marks -= text.count(b'"', before, cut)
        cut = before
    return cut if cut > 0 and marks % 2 == 0 else whole


def _refuse_long_lines(text: bytes, done: int, file: str, line: Callable[[int], int]) -> None:
    line_end = b"\n" if b"\n" in text else b"\r"
    start = 0
    while len(text) - start > MAX_LINE_BYTES:
        end = text.rfind(line_end, start, start + MAX_LINE_BYTES)
        if end < 0:
            end = text.rfind(b"\r", start, start + MAX_LINE_BYTES)
        if end < 0:
            raise long_line(file, line(done + start))
        start = end + 1


def _count(text: bytes | memoryview, letter: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(text, np.uint8) == letter[0]))
