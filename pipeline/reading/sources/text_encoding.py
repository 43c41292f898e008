"""Text of any usual encoding as UTF-8, in one reading; nothing is read that is not sure to be what was written.

A mark at the start of a file (UTF-8, UTF-16, UTF-32) says how it is written, else PRACTICE.toml does. Where neither
does, it is UTF-8; and if its first letter beyond ASCII is not, Windows-1252, the usual encoding of exports of Western
European programs, but only if all of it can be that: no byte that Windows-1252 lacks, and none of the combinations
that texts in other old encodings give (a sign inside a word, four accented letters in a row, Icelandic letters
without their accents, which are Turkish, or letters of no one western language that one of Central Europe has).
Anything else is refused. What cannot be told apart so are single letters of old encodings that Windows-1252 has
other letters for; the remark that the source leaves says what was assumed.
"""

import codecs
import re
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.reading.sources.likely_encoding import EncodingUnknownError, is_central, is_turkish, likely_encoding
from pipeline.reading.sources.plain_bytes import CHUNK_BYTES, line_at, read_chunks

_MARKS = (  # the longer ones first: the mark of UTF-32 begins with that of UTF-16
    (b"\xff\xfe\x00\x00", "utf-32-le"),
    (b"\x00\x00\xfe\xff", "utf-32-be"),
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)
_WESTERN = "windows-1252"
_SAMPLE = 1 << 18
_LEAST_SEEN, _MOSTLY = 20, 0.9
# Words of other encodings read as Windows-1252: the umlauts of DOS and of old Macs, and Cyrillic or Greek.
_NOT_WESTERN = re.compile(
    rb"[A-Za-z][\x82-\x89\x8b\x93-\x95\x98\x99\x9b\xa1-\xa9\xab-\xb3\xb6\xb8\xb9\xbb-\xbf][A-Za-z]"
    rb"|[A-Za-z][\x8a\x8c\x8e\x9f][a-z]|[\xc0-\xff]{4}|[\x81\x8d\x8f\x90\x9d]"
)
# Where Windows-1254 has other letters than Windows-1252.
_TURKISH = re.compile(rb"[\xd0\xdd\xde\xf0\xfd\xfe]")
# Where Windows-1250 has other letters than Windows-1252.
_CENTRAL = re.compile(
    rb"[\xa3\xa5\xaa\xaf\xb3\xb9\xba\xbc\xbe\xbf\xc0\xc3\xc5\xc6\xc8\xca\xcc\xcf-\xd2\xd5\xd8\xd9\xdb\xde"
    rb"\xe0\xe3\xe5\xe6\xe8\xea\xec\xef-\xf2\xf5\xf8\xf9\xfb\xfe]"
)
# Each byte by what matters for that: a sign, a capital of other encodings, another letter beyond ASCII, or none at all.
_CLASSES = bytes(
    ord("x")
    if n in b"\x81\x8d\x8f\x90\x9d"
    else ord("C")
    if n in b"\x8a\x8c\x8e\x9f"
    else ord("h")
    if n >= 0xC0
    else ord("s")
    if n >= 0x80
    else ord(" ")
    for n in range(256)
)


def _is_of_mainframe(sample: bytes) -> bool:
    """Whether most bytes are blanks, digits and capitals of EBCDIC, which in ASCII would be signs."""
    known = sum(n == 0x40 or n >= 0xF0 or 0xC1 <= n <= 0xE9 for n in sample)
    return len(sample) >= _LEAST_SEEN and known > _MOSTLY * len(sample) and b" " not in sample


class TextBytes:
    """A file's text as UTF-8, from the start each time that it is asked for. `remark` is None, or a line about the
    encoding that the user should see; it is there once all has been read."""

    def __init__(self, path: Path, told: str | None) -> None:
        self.path, self._told = path, codecs.lookup(told).name if told else None
        self.remark: str | None = None

    def chunks(self, *, size: int = CHUNK_BYTES) -> Iterator[bytes]:
        """The text, encoded in UTF-8 without a mark; only the last piece is sure to end with a whole letter. Raises
        DataError if the text is not in the encoding that is told or found, or holds NUL characters."""
        raw = read_chunks(self.path, size=size)
        first = next(raw, b"")
        mark, encoding = next(((m, e) for m, e in _MARKS if first.startswith(m)), (b"", self._told))
        if mark and self._told and encoding and not self._told.replace("_", "-").startswith(encoding[:6]):
            self.remark = f"the mark at its start says {encoding[:6]}, so it is read as that, not as {self._told}"
        raw = chain([first[len(mark) :]], raw)
        is_utf8 = encoding is None or encoding in ("utf-8", "utf-8-sig")
        told = encoding is not None
        texts = self._utf8(raw, len(mark), sure=told, told=told) if is_utf8 else self._decoded(raw, str(encoding))
        done = 0
        for text in texts:
            if b"\0" in text:
                raise self._nul(text, done, encoding)
            done += len(text)
            yield text

    def _utf8(self, raw: Iterator[bytes], offset: int, *, sure: bool, told: bool) -> Iterator[bytes]:
        cut = b""  # a letter that goes on in the next piece
        for chunk in raw:
            piece = cut + chunk if cut else chunk
            cut = b""
            if not piece.isascii():
                try:
                    _, length = codecs.utf_8_decode(piece, "strict", False)
                except UnicodeDecodeError as error:
                    if sure or not piece[: error.start].isascii():
                        both = not told and self._reads_as_western(offset + error.start)
                        raise self._no_text("UTF-8", offset + error.start, both=both) from error
                    yield from self._western(chain([piece], raw), offset)
                    return
                sure = sure or (length > 0 and not piece[:length].isascii())
                piece, cut = piece[:length], piece[length:]
            offset += len(piece)
            yield piece
        if cut and sure:
            raise self._no_text("UTF-8", offset)
        if cut:
            yield from self._western(iter([cut]), offset)

    def _western(self, raw: Iterator[bytes], offset: int) -> Iterator[bytes]:
        self.remark = (
            f'it is not UTF-8 and was read as {_WESTERN}; if letters look wrong, write encoding = "..." under its table'
        )
        before, asked = b"", set()
        for chunk in raw:
            for letters, is_other in ((_TURKISH, is_turkish), (_CENTRAL, is_central)):
                if is_other not in asked and (letter := letters.search(chunk)):
                    asked.add(is_other)
                    if is_other(self._around(offset + letter.start())):
                        raise self._no_text("UTF-8", offset + letter.start())
            classes = (before + chunk).translate(_CLASSES)
            # The pattern is slow, and most texts have no byte that it could be about.
            if any(c in classes for c in (b"x", b"C", b"s", b"hhhh")) and (odd := _NOT_WESTERN.search(before + chunk)):
                raise self._no_text("UTF-8", offset - len(before) + odd.start())
            before = chunk[-3:]
            offset += len(chunk)
            yield chunk.decode(_WESTERN).encode()

    def _decoded(self, raw: Iterator[bytes], encoding: str) -> Iterator[bytes]:
        decoder = codecs.getincrementaldecoder(encoding)("strict")
        offset, is_first = 0, True
        for chunk in chain(raw, [b""]):
            try:
                text = decoder.decode(chunk, final=not chunk)
            except UnicodeError as error:
                raise self._no_text(encoding, offset + getattr(error, "start", 0)) from error
            offset += len(chunk)
            if is_first:
                text = text.removeprefix("\ufeff")
            is_first = is_first and not text
            try:
                yield text.encode()
            except UnicodeEncodeError as error:
                raise self._no_text(encoding, offset) from error

    def _reads_as_western(self, offset: int) -> bool:
        """Whether the line at a place in the file can be words in Windows-1252."""
        found = likely_encoding(self._around(offset).splitlines()[0] + b"\n")
        return found is not None and found.encoding == _WESTERN

    def _around(self, offset: int) -> bytes:
        """The file from the line at a place on."""
        held, done = b"", 0
        for chunk in read_chunks(self.path):
            if done + len(chunk) > offset:
                start = 0 if held else chunk.rfind(b"\n", 0, offset - done) + 1
                held += chunk[start : start + _SAMPLE - len(held)]
                if len(held) >= _SAMPLE:
                    break
            done += len(chunk)
        return held

    def _no_text(self, encoding: str, offset: int, *, both: bool = False) -> DataError:
        line_end = b"\n\0" if encoding.startswith("utf-16") else b"\n"
        line = line_at(read_chunks(self.path), offset, line_end=line_end)
        if both:
            return DataError(
                f"{self.path.name}: two encodings are mixed in it: the lines above line {line:,} are UTF-8, and that "
                f"line is {_WESTERN}. Two exports were put together.\n  Cut the file in two there and name both, or "
                f'export it again. (encoding = "{_WESTERN}" would read the letters above as signs.)'
            )
        likely = None if encoding.startswith("utf-16") else likely_encoding(self._around(offset))
        if likely is not None and likely.encoding == encoding:
            likely = None
        if _is_of_mainframe(self._around(offset)):
            return DataError(
                f"{self.path.name}: the file is not {encoding} text, and its bytes are as those of EBCDIC, the writing "
                "of mainframes and midrange machines.\n  Let its program export text in ASCII or UTF-8 with a line end "
                'behind each record. If it has line ends, write encoding = "cp037" (or "cp500") under its table.'
            )
        example = likely.encoding if likely else "utf-8" if encoding == _WESTERN else _WESTERN
        seen = f" In {example} its letters beyond ASCII would be {' '.join(likely.letters)}." if likely else ""
        error = EncodingUnknownError(
            f"{self.path.name}: the file is not {encoding} text, first at line {line:,}.{seen}\n"
            f'  Export it as UTF-8, or say under its table how it is written, e.g. encoding = "{example}" (to '
            f"`suggest` with --encoding {example}); "
            'for DOS programs "cp850", for old Macs "mac_roman", for Central Europe "windows-1250".'
        )
        error.likely = likely.encoding if likely else None
        return error

    def _nul(self, text: bytes, done: int, encoding: str | None) -> DataError:
        line = (
            ""
            if encoding and encoding != "utf-8"
            else f" in line {line_at(read_chunks(self.path), done + text.index(0)):,}"
        )
        if encoding is None and text[:4096].count(0) > min(len(text), 4096) // 4:
            little = text[1:2] == b"\0"
            error = EncodingUnknownError(
                f"{self.path.name}: holds NUL bytes, as UTF-16 text does, but has no mark at its start that says so.\n"
                f'  Write encoding = "utf-16-{"le" if little else "be"}" under its table (to `suggest` it is '
                "given with --encoding), or export it as UTF-8."
            )
            error.likely = "utf-16-le" if little else "utf-16-be"
            return error
        return DataError(
            f"{self.path.name}: holds NUL bytes{line}, so it is no text file that can be read.\n"
            "  The file is damaged, or is of another kind than its name says. Export it again as CSV in UTF-8."
        )
