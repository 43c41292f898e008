"""Which encoding a text is likely in that is not UTF-8: the one in which its letters stand as letters do in words.

A guess to be shown and agreed to, never applied to a load unasked. Letters count for an encoding where they are small
inside words, or capitals at their start, and more where the languages of its users write them often; signs inside words
and capitals after small letters count against it. For East Asia, what counts is how many of the letters are in the
first, common part of the encoding's own table.
"""

import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.machine.errors import DataError

# The order decides where two encodings give the same text, as two of DOS often do.
_WESTERN, _CENTRAL, _TURKEY = "windows-1252", "windows-1250", "windows-1254"
_SINGLE = (
    _WESTERN,
    "cp850",
    "cp437",
    "mac_roman",
    _CENTRAL,
    *("cp852", "windows-1251", "cp866", "koi8_r", "windows-1253"),
    _TURKEY,
)
_DOUBLE = ("cp932", "euc_jp", "gb18030", "big5", "euc_kr")
# Letters that Latin, Cyrillic and Greek texts are full of; from memory.
_OFTEN = set("äöüßéèêëàâáçñóòôíìîïúùûãõåæøœłśćżźńąęóčšžřěýůďťňőűășțşğı") | set("абвгдежзийклмнопрстуфхцчшщъыьэюя")
_OFTEN |= set("αβγδεζηθικλμνξοπρστυφχψωςάέήίόύώ")
# Six letters of Iceland stand where Turkish ones do, and only Icelandic has vowels with these accents beside them.
_TURKISH, _ICELANDIC, _ACUTE = set("ğışĞİŞ"), set("ðýþÐÝÞ"), set("áíóúæ")
_FEWEST_TURKISH, _FEWEST_UNLIKE, _FEWEST_LETTERS = 2, 2, 3  # different ones, and all of them
# What languages write beyond ASCII, in small letters; a text of Windows-1250 read as Windows-1252 fits none of them.
_ALPHABETS = {
    _WESTERN: [
        *("äöüßéèàâç", "áéíóúüñç", "àâæçéèêëîïôùûüÿœ", "àèéìíîòóùú", "áâãàçéêíóôõúü", "äëéèêïöüóáúí"),
        *("æøåéèêóòôâàäöü", "åäöéèàüáæø", "áéíóúýðþæö", "äöõüšž", "àçéèíïóòúü"),
    ],
    _CENTRAL: ["áčďéěíňóřšťúůýž", "áäčďéíĺľňóôŕšťúýž", "ąćęłńóśźż", "áéíóöőúüű", "čćđšž", "äöüáéčšž", "ăâîşţ"],
}
_MOSTLY, _HARDLY = 0.95, 0.9
_PLAIN_SIGNS = set("°§€№ºª’‘“”„–—…·«»£²³½´`×") | {"\xa0", "\u3000"}
_NAMES = {"cp932": "shift_jis"}
_LEAST = 0.5
_SHOWN = 12


class EncodingUnknownError(DataError):
    """A text is in another encoding than told or found; `likely` is one that it may be in. Exit status 1."""

    likely: str | None = None


@dataclass(frozen=True)
class Likely:
    """`encoding`, and the letters beyond ASCII that the text then holds, in no order that tells a word."""

    encoding: str
    letters: str


def likely_encoding(sample: bytes) -> Likely | None:
    """The likeliest encoding of a piece of a text; None if in none of them it reads like words."""
    lines = sample.splitlines(keepends=True)
    beyond = b"".join(line for line in lines if not line.isascii())[:200_000]
    # A piece may be cut within a letter; lines are whole, but for the last.
    beyond = beyond[: beyond.rfind(b"\n") + 1] or beyond
    rated: list[tuple[float, int, str, str]] = []
    for place, name in enumerate((*_SINGLE, *_DOUBLE)):
        try:
            text = beyond.decode(name)
        except UnicodeDecodeError:
            continue
        letters = [c for c in text if not c.isascii()]
        if letters:
            worth = _double(text, name) if name in _DOUBLE else _single(text)
            if name in (_WESTERN, _TURKEY) and is_central(beyond):
                worth /= 2
            if name == (_TURKEY if not _ACUTE.isdisjoint(text.lower()) else _WESTERN if _has(text, _ICELANDIC) else ""):
                worth -= 1
            rated.append((worth, -place, name, "".join(sorted(set(letters)))))
    worth, _, name, shown = max(rated, default=(0.0, 0, "", ""))
    return Likely(_NAMES.get(name, name), shown[:_SHOWN]) if worth >= _LEAST else None


def is_turkish(sample: bytes) -> bool:
    """Whether a text that Windows-1252 could be is rather in the encoding of Turkey."""
    found = likely_encoding(sample)
    return found is not None and found.encoding == _TURKEY and _has(sample.decode(_TURKEY, "replace"), _TURKISH)


def is_central(sample: bytes) -> bool:
    """Whether letters that Windows-1252 could hold are those of no one of its languages, but of one of Windows-1250."""
    counts = {n: sample.count(n) for n in range(0x80, 0x100) if n in sample}
    unlike = [n for n in counts if bytes([n]).decode(_CENTRAL, "replace") != bytes([n]).decode(_WESTERN, "replace")]
    if len(unlike) < _FEWEST_UNLIKE or sum(counts[n] for n in unlike) < _FEWEST_LETTERS:
        return False
    return _covered(counts, _CENTRAL) >= _MOSTLY and _covered(counts, _WESTERN) < _HARDLY


def _covered(counts: Mapping[int, int], encoding: str) -> float:
    """Share of the letters beyond ASCII that are of the language of an encoding that has most of them."""
    letters: Counter[str] = Counter()
    for n, times in counts.items():
        letter = bytes([n]).decode(encoding, "replace").lower()
        if letter not in _PLAIN_SIGNS:
            letters[letter] += times
    of = [sum(n for letter, n in letters.items() if letter in alphabet) for alphabet in _ALPHABETS[encoding]]
    return max(of) / max(letters.total(), 1)


def _has(text: str, letters: set[str]) -> bool:
    return len(letters & set(text)) >= _FEWEST_TURKISH and sum(map(text.count, letters)) >= _FEWEST_LETTERS


def _single(text: str) -> float:
    total = worth = 0.0
    for before, letter, after in zip(f" {text}", text, f"{text[1:]} ", strict=False):
        if letter.isascii():
            continue
        total += 1
        if letter in _PLAIN_SIGNS:
            worth += 0.0 if before.isalpha() and after.isalpha() else 0.6
        elif not letter.isalpha() or ("Ͱ" <= letter <= "ԯ" and _is_latin(before) and _is_latin(after)):
            worth -= 1  # no word mixes Greek or Cyrillic letters with Latin ones
        elif (letter.islower() and not before.isupper()) or not before.isalpha() or before.isupper():
            worth += 1 if letter.lower() in _OFTEN else 0.2
        else:
            worth -= 0.5  # a capital after a small letter
    return worth / total if total else 0.0


def _is_latin(letters: str) -> bool:
    return any(letter.isascii() and letter.isalpha() for letter in letters)


def _double(text: str, name: str) -> float:
    """By bytes, so that an encoding of two bytes a letter is held against those of one."""
    total = worth = 0.0
    for letter in text:
        if letter.isascii():
            continue
        raw = letter.encode(name)
        total += len(raw)
        kind = unicodedata.name(letter, "")
        if kind.startswith("HANGUL SYLLABLE"):
            worth += 1.1 * len(raw)
        elif kind.startswith(("HIRAGANA", "KATAKANA", "FULLWIDTH", "IDEOGRAPHIC")):
            worth += 1.5 * len(raw) if len(raw) > 1 else -1
        elif kind.startswith("CJK UNIFIED") and _is_common(raw, name):
            worth += len(raw)
        elif not kind.startswith("CJK UNIFIED"):
            worth -= len(raw)
    return worth / total if total else 0.0


def _is_common(raw: bytes, name: str) -> bool:
    """Whether a letter of two bytes stands in the part of its table that holds the common ones."""
    low, high = {"cp932": (0x88, 0x97), "euc_jp": (0xB0, 0xCF), "gb18030": (0xB0, 0xD7), "big5": (0xA4, 0xC6)}.get(
        name, (0xFF, 0)
    )
    return len(raw) == 2 and low <= raw[0] <= high
