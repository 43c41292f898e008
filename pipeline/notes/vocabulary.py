"""The words of the trade as data (`pipeline/data/note_words.csv`) and those that a practice adds, made to be found.

Phrases are written as in `phrases.py`. `needs` names a condition on what stands around (`conditions.py`); `negated` is
what the phrase says where it is denied, empty where it then says nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from pipeline.machine.data_tables import data_rows
from pipeline.notes.phrases import Branch, Run, groups_of, spelled_out
from pipeline.notes.text import Note, words_of

_SHORTEST_REPAIRED = 6  # letters; shorter words are too often others of their own
_SHORTEST_SWAPPED = 4  # two neighbours swapped, or a vowel left out, make another word of its own less often
_SHORTEST_TWICE = 10  # letters of a word that two slips may stand in
TOOTH_WORD = re.compile(r"(?:[1-4][1-8]|[ul][lr][1-8])$")
_SHORTEST_JOINED = 7  # letters of a word that may be written in two parts
# Between these and what is said of them the number of the tooth may stand: "crown #30 came off".
_OF_A_TOOTH = words_of("crown crowns crn crns cap pfm fgc onlay rct endo")
_SAID_TEETH = words_of(
    "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen "
    "eighteen nineteen twenty thirty"
)
# Words that are a slip away from one of the vocabulary and mean something else.
_NO_SLIPS = words_of(
    "three seven eight barrier carried carries carrying condense condenser completes prepares retreats restores "
    "patients patience lining finish diner angel trail quite quiet causal casual marital martial form united "
    "placing palced caries dentine dentist scaled scaling sealant sealants heated treats spaced paces places bended "
    "issued bounded bonder founded rounder closes closer pasted posted carving coping copings chipped cropped "
    "cats clod coed fist lien lots pots sped thur zone isnt hadn casp abel roto seta comb cors cres clan fond fund "
    "ging pint pont peri prop pros lose loos sals scot shad sins sond ther wars wers wold mult intr "
    "irritation irritated "
    "acting advice banded bending biased binding bounding breach cases cased cleaner cleanly clearing collection "
    "compensation competed completion connection content contiguous contracts conversation crowded decides "
    "defines delivers denial detective excerpt excessively exiting explorer feeding field firing fixing fling "
    "follower formed forms gong heading health hearing infection infections inflated intent latter linear linked "
    "literal literally locking manager matter messing packet paints panning parent parsed paused perforated "
    "perforation permission picked planting presses prints propagation property provable quotes radical reached "
    "reader reads receiver remained remote resign resort sealing section selling serves shading shared sharing "
    "sheets shingle singly slated snipped spelling staple stated states stating stepped stopped swapped tamper "
    "tempted tenter throughput trapping usable waited warmed wasted worker whole fills fells sells shops tests "
    "weeded"
)
# Words of the vocabulary that are everyday ones: a slip from one of them is more often another everyday word.
_EVERYDAY = words_of(
    "there their these those after still being right while where today again since either other another option "
    "options before placed during present prior though through until would could should about maybe under pulled "
    "plans planned "
    "different possible think thinks tooth teeth years months weeks mother father sister brother friend spouse three "
    "first second third fourth normal great other's return returns office doctor visit visits number needed needs "
    "asking asked wants chance place closed sealed filled level light large small heavy final field chart charts"
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the vocabulary."""

    kind: str  # term, material, crown_material, role, class or context
    field: str
    value: str
    needs: str
    sure: bool
    negated: str
    rule: str


@dataclass(frozen=True, slots=True)
class Match:
    """A phrase found: its line and the tokens from `first` up to, not including, `last`."""

    entry: Entry
    first: int
    last: int


@dataclass(frozen=True)
class Vocabulary:
    """All phrases as a tree of words, the classes of single words, and how near misses are spelt."""

    tree: Branch[Entry]
    classes: Mapping[str, frozenset[str]]
    repairs: Repairs = field(repr=False)

    def read(self, text: str) -> Note:
        """A note's tokens with slips of the pen put right."""
        return Note(text, self.repairs)

    def matches(self, words: list[str]) -> list[Match]:
        """Every phrase that stands in `words`, those within a longer one of the same field left out."""
        found: list[Match] = []
        tree, n = self.tree, len(words)
        for first in range(n):
            branch = tree.get(words[first])
            place = first
            while branch is not None:
                place += 1
                if ended := branch.ended():
                    found += [Match(entry, first, place) for entry in ended]
                if place >= n:
                    break
                if words[place - 1] in _OF_A_TOOTH and (past := _past_tooth(words, place)):
                    self._walk(words, branch.get(words[past]), first, past, found)
                branch = branch.get(words[place])
        return _longest(found)

    def _walk(self, words: list[str], branch: Branch[Entry] | None, first: int, place: int, found: list[Match]) -> None:
        """The phrases that go on behind a tooth that is named within them."""
        while branch is not None:
            place += 1
            if ended := branch.ended():
                found += [Match(entry, first, place) for entry in ended]
            branch = branch.get(words[place]) if place < len(words) else None

    def knows(self, word: str) -> bool:
        """Whether a word is of the trade, or a slip away from one."""
        return self.repairs.knows(word)

    def classes_of(self, words: Iterable[str]) -> set[str]:
        """The classes that any of the words belongs to."""
        found: set[str] = set()
        known = self.classes
        for word in words:
            if (names := known.get(word)) is not None:
                found |= names
        return found


def vocabulary(own: Mapping[str, Mapping[str, str]] | None = None) -> Vocabulary:
    """The vocabulary with the practice's own words: field to phrase to value; an own phrase goes before ours."""
    entries = list(_shipped())
    for name, phrases in (own or {}).items():
        for phrase, value in phrases.items():
            plain = " ".join(Note(phrase, {}).words)
            entries.append((Entry("term", name, value, "", True, "", "own_words"), plain))
    phrases_of: list[tuple[Entry, tuple[tuple[Run, ...], ...]]] = []
    classes: dict[str, set[str]] = {}
    heard: dict[Run, str] = {}
    for entry, phrase in entries:
        if entry.kind == "heard":
            heard |= dict.fromkeys(spelled_out(phrase), entry.value)
        elif entry.kind == "class":
            for words in spelled_out(phrase):
                if len(words) == 1:
                    classes.setdefault(words[0], set()).add(entry.field)
                else:
                    phrases_of.append((entry, ((words,),)))
        elif phrase:
            phrases_of.append((entry, groups_of(phrase)))
    known = {word for _, groups in phrases_of for group in groups for run in group for word in run} | classes.keys()
    return Vocabulary(Branch(phrases_of), {w: frozenset(c) for w, c in classes.items()}, Repairs(known, heard))


class Repairs(dict[str, str]):
    """Long words that are one slip (a letter more, less, other, or two swapped) from exactly one word that we know."""

    def __init__(self, known: Iterable[str], heard: Mapping[tuple[str, ...], str] | None = None) -> None:
        super().__init__()
        self._known = frozenset(known)
        self._long = frozenset(w for w in self._known if len(w) >= _SHORTEST_JOINED and w.isalpha())
        self._heard = {run: said for run, said in (heard or {}).items() if len(run) > 1}
        self._heard_first = {run[0]: max(len(r) for r in self._heard if r[0] == run[0]) for run in self._heard}
        for run, said in (heard or {}).items():
            if len(run) == 1 and run[0] not in self._known:
                self[run[0]] = said
        self._near: dict[str, set[str]] = {}
        self._longest: dict[str, list[str]] = {}
        for word in self._known:
            if len(word) >= _SHORTEST_SWAPPED and word.isalpha():
                for form in _one_less(word):
                    self._near.setdefault(form, set()).add(word)
                if len(word) >= _SHORTEST_TWICE - 1:
                    self._longest.setdefault(word[0], []).append(word)

    def joined(self, words: list[str]) -> list[tuple[int, int, str]]:
        """Runs of words that a dictation took apart or misheard: from, up to, and the word that was said.

        Two parts are one word where that is a long one of ours and not both parts are: "pulp itis", never "build up".
        """
        found, place, last = [], 0, len(words)
        known, long, firsts = self._known, self._long, self._heard_first
        while place < last - 1:
            word = words[place]
            if word in firsts and (run := self._run(words, place)):
                found.append(run)
                place = run[1]
                continue
            both = word + words[place + 1]
            if both in long and not (word in known and words[place + 1] in known):
                found.append((place, place + 2, both))
                place += 1
            place += 1
        return found

    def _run(self, words: list[str], place: int) -> tuple[int, int, str] | None:
        for length in range(self._heard_first[words[place]], 1, -1):
            if (said := self._heard.get(tuple(words[place : place + length]))) is not None:
                return place, place + length, said
        return None

    def knows(self, word: str) -> bool:
        """Whether the word is known, as it is or put right."""
        return word in self._known or self.get(word, word) in self._known

    def get(self, word: str, default: str) -> str:  # type: ignore[override]
        """The word that is meant."""
        if (found := super().get(word)) is not None:
            return found
        meant = self._meant(word)
        if len(self) < 100_000:
            self[word] = meant
        return meant

    def _meant(self, word: str) -> str:
        if len(word) < _SHORTEST_SWAPPED or word in self._known or word in _NO_SLIPS or not word.isalpha():
            return word
        if word.endswith("shun") and (told := word[:-4] + "tion") != word:
            return told if told in self._known else self._meant(told)
        near = {known for form in _one_less(word) for known in self._near.get(form, ()) if _one_slip(word, known)}
        near = {known for known in near if known[0] == word[0] and not _same_stem(word, known)}
        if len(word) < _SHORTEST_REPAIRED:
            near = {known for known in near if _swapped(word, known) or _lacks_little(word, known)}
            near = near - _EVERYDAY or near
        elif len(near) > 1:  # a short form that is a slip away is not what a long word is meant for
            near = {known for known in near if len(known) > len(word)} or near
        if len(word) >= _SHORTEST_REPAIRED:
            near = {known for known in near if known not in _EVERYDAY or _swapped(word, known)}
            near = {known for known in near if known[:-1] != word} or near
        if not near and len(word) >= _SHORTEST_TWICE:
            near = {known for known in self._longest.get(word[0], ()) if _two_slips(word, known)}
        return near.pop() if len(near) == 1 else word


def _past_tooth(words: list[str], place: int) -> int:
    """The place behind the teeth that are named there, or 0."""
    past, last, many = 0, len(words), words[place - 1] in ("crowns", "crns")
    if words[place] in ("at", "on"):
        many, place = True, place + 1
        while place < last and words[place] in ("tooth", "teeth", "number"):
            place += 1
    if words[place] in ("number", "tooth") and place + 1 < last and words[place + 1].isdigit():
        many, place = True, place + 1
    while place < last:
        if words[place] == "#" and place + 1 < last and words[place + 1].isdigit():
            place = past = place + 2
        elif TOOTH_WORD.match(words[place]) or (
            many and (words[place] in _SAID_TEETH or (words[place].isdigit() and len(words[place]) < 3))
        ):
            place = past = place + 1
        elif past and words[place] in (",", "and", "&", "-", "both"):
            place += 1
            past += words[place - 1] == "both" and past == place - 1
        else:
            break
    return past if past < last else 0


def _one_less(word: str) -> Iterator[str]:
    yield word
    for place in range(1, len(word)):
        yield word[:place] + word[place + 1 :]


def _one_slip(a: str, b: str) -> bool:
    """Whether one letter more, less, other or two neighbours swapped make `b` of `a`."""
    if abs(len(a) - len(b)) > 1:
        return False
    head = next((n for n, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    rest_a, rest_b = a[head:], b[head:]
    if len(a) == len(b):
        return rest_a[1:] == rest_b[1:] or (rest_a[:2] == rest_b[1::-1] and rest_a[2:] == rest_b[2:])
    return rest_a[1:] == rest_b if len(a) > len(b) else rest_a == rest_b[1:]


def _swapped(word: str, known: str) -> bool:
    return len(word) == len(known) and sorted(word) == sorted(known)


def _two_slips(a: str, b: str) -> bool:
    """Whether two slips make `b` of `a`, and not only another ending: one of them is put right before the other."""
    if abs(len(a) - len(b)) > 2 or a[:-2] == b[:-2] or _same_stem(a, b):
        return False
    head = next((n for n, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    rest_a, rest_b = a[head:], b[head:]
    mended = [(rest_a[1:], rest_b), (rest_a, rest_b[1:]), (rest_a[1:], rest_b[1:])]
    if rest_a[:2] == rest_b[1::-1]:
        mended.append((rest_a[2:], rest_b[2:]))
    return any(x and y and _one_slip(x, y) for x, y in mended)


def _lacks_little(word: str, known: str) -> bool:
    """Whether a word is another one without one of its vowels or the second of two letters: "apicl", "glas"."""
    return len(known) == len(word) + 1 and any(
        (c in "aeiou" or c == known[n - 1]) and known[:n] + known[n + 1 :] == word for n, c in enumerate(known) if n
    )


def _same_stem(word: str, known: str) -> bool:
    """Another form of the same word (plural, past) is no slip; the lack of the last letter of a long one is."""
    if len(word) >= _SHORTEST_REPAIRED and known[:-1] == word:
        return known[-1] in "sdrg" and known[-1] != known[-2]
    return word.startswith(known) or known.startswith(word)


def _longest(found: list[Match]) -> list[Match]:
    """Without those that a longer match of their field and kind makes needless."""
    kept: list[Match] = []
    at: dict[int, list[Match]] = {}  # those kept, by each token that they hold: only what overlaps can go before
    for m in sorted(found, key=lambda m: (m.first - m.last, m.first)):
        if not any(_goes_before(k, m) for place in range(m.first, m.last) for k in at.get(place, ())):
            kept.append(m)
            for place in range(m.first, m.last):
                at.setdefault(place, []).append(m)
    return sorted(kept, key=lambda m: (m.first, m.last))


@lru_cache(maxsize=1)
def _shipped() -> tuple[tuple[Entry, str], ...]:
    out = []
    for number, row in enumerate(data_rows("note_words"), 2):
        name = row["field"] or row["value"]
        rule = f"{name}:{number}"
        entry = Entry(row["kind"], row["field"], row["value"], row["needs"], row["sure"] == "yes", row["negated"], rule)
        out.append((entry, row["phrase"]))
    return tuple(out)


def _goes_before(k: Match, m: Match) -> bool:
    """Whether a longer match of the same field overlaps another; of contexts, one of the same kind that holds it."""
    if k.entry.kind != m.entry.kind or k.entry.field != m.entry.field or k.last - k.first <= m.last - m.first:
        return False
    if m.entry.kind == "context":
        return k.entry.value == m.entry.value and k.first <= m.first and m.last <= k.last
    if m.entry.kind == "role" or m.entry.field == "separated_instrument":
        return k.first <= m.first and m.last <= k.last
    return k.first < m.last and m.first < k.last
