"""Which teeth a note names, and where (numbers, quadrants in letters, ranges, names), and of which each value is."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

from pipeline.notes.context import HISTORY, PERSON, PLAN
from pipeline.notes.measures import Read
from pipeline.notes.scene import Scene
from pipeline.notes.text import Note, words_of
from pipeline.practice.fields import NOTE_FIELDS
from pipeline.practice.teeth import teeth

_NOT_TEETH_BEFORE = re.compile(
    r"(?<![a-z])(?:to|maf|size|sz|files?|iso|cone|clamp|carbide|bur|blade|taper|length|wl|gg|drill|cord|shade|reamer|k|apical|"
    r"through|between|(?<!follow[ -])up|hand|tip|needle|ga|master|gates|patency|glide|final|mac|"
    r"spreader|plugger|no\.?\s*of|post|rotary|rotaries|gaug(?:ed|ing)(?:\s+at)?|(?:stop|length|wl|finish(?:ed)?|largest)\s+at)"
    r"\s*(?:(?<=size )was\s|(?<=size )is\s|[:=])?\s*$"
)
_NOT_TEETH_AFTER = re.compile(
    r"\s*(?:/?\s*\.0\d|/0\d|k\b|k-?files?|h-?files?|files?|hand|reamer|round|carbide|diamond|bur\b|blade|clamp|taper|"
    r"cone|gp\b|gutta|gates|cord|mm\b|%|gauge|ga\b|spreader|plugger|fiber|suture|silk|patency|stainless|ss\b|niti|"
    r"rotary|peeso|post\b|film)"
)
_SIZED = re.compile(r"(?:files?|instruments?|cones?|size|maf|recip\w*|rotary)\s*\(\s*$")
_POINTED_AT = re.compile(r"\b(?:points?|pointed|pointing|localized|radiates?|due|next|belongs?)\s+to\s*$")
_WITH_FILE = re.compile(
    r"(?:bypass\w*|instrument\w*|shaped|filed|negotiated|patency|files?)\b[^.;\n]{0,18}\b(?:with|w/|w|"
    r"using)\s*(?:an?\s*)?(?:#?\d{1,2}\s*(?:and|&|,|then|-|>)\s*)?$"
)
_HASH = re.compile(
    r"(?:#'?s?|\bboth\s+(?=\d{1,2}\s*(?:and|&)\s*\d)|\b(?:tooth|teeth|th|tth|toth)\b\.?\s*(?:no\.?|number|#'?s?)?|"
    r"\b(?:crowns|crns)\s*(?:at|on|:)?(?=\s*\d{1,2}\b)|\bnumber|\b(?:irt|i\.r\.t\.?|wrt|w\.r\.t\.?|regarding|in\s+relation\s+to|re)\b)\s*:?\s*"
    r"(?P<list>\d(?:\.?\d)?(?!\d)(?:\s*(?:(?:,\s*and|,\s*&|,|&|and|\+|-|to|thru|through)\s*(?:#|tooth\s*|number\s*)?|#)\d{1,2}"
    r"(?!\d|\s*(?:mm|%|x\b|canals?|visits?|films?|carp|pa\b|min|yr|year|mo|week|wk|cc|ml)|[./:]\d))*)"
)
_VALUE_BEFORE = re.compile(r"(?<!tooth)(?<!teeth)(?<!th)(?:[a-z]\s*[:=]|\b(?:pai|maf|size|iso|age|aged|of))\s*$")
_VALUE_OF = re.compile(
    r"(?:[a-z]\s*[:=]|\b(?:pai|maf|size|iso|age|aged))\s*$|\b(?:size|age|length|pai|maf|score|total|out|wl|some)\s+of\s*$"
)
_KEYED = re.compile(r"\b(?:diagnos[ie]s|dx|tx|treatment|findings?|assessment|clinical|exam)\s*:\s*$")
_DOTTED = re.compile(
    r"\s*(?:[:,;)]|-\s|\n|$|(?!naocl|hypo|ferr|short|perc|carp|from|over|long|beyond|away|sodium)[a-z]{4,}|is|was|has|rct|crn|pfm|fgc)"
)
_LISTS_ON = re.compile(
    r"\s+(?:cap|crown|crn|rct|pfm|mcc|zir|vital|normal|necro|asymp|pain|no\b|has\b|is\b|was\b|still\b|root|fgc)"
)
_T = re.compile(r"\bt(\d{1,2})\b")
_LINE = re.compile(r"(?m)(?:^\s*(\d{1,2})\s*\)|(?:^|(?<=[.;:]\s))\s*(\d{1,2})\s*(?=:(?!\d)|\s-\s|-\s))")
_BARE = re.compile(
    r"(?<![\d.#/:-])\b(\d{1,2})[^\S\n]+(?=(?:rct|root canal|endo\b|crown|crn|core|post\b|pfm|zirc|retx|retreat|prep|"
    r"recall|"
    r"bu\b|buildup|build-up|seat|pulp|obtur|access|was|is|has|rctd|-?\s*(?:sip|sap|aip|aap)))"
)
_AFTER_WORD = re.compile(
    r"\b(?:rct|endo|root canal(?: treatment| therapy)?|crown|crown prep|prep|prepped|re-?treat(?:ment)?|retx|recall|"
    r"pfm|zirconia crown|crn|seat(?:ed)?(?: crown)?|obturated|access(?:ed)?)\s*(?:on|for|of|:|,|-)?\s*(?:#|tooth\s*)?"
    r"(\d{1,2})\b(?!\s*(?:mm|%|canals?|visits?|crowns?|teeth|units?|x|min|mo|month|week|wk|year|yr|day|"
    r"carp|film|/|[.:]\d))"
)
_QUADRANT = re.compile(r"\b(u\.?r\.?|u\.?l\.?|l\.?l\.?|l\.?r\.?)\s?-?\s?([1-8])\b(?!\s*(?:mm|%|x))")
_NAMED = re.compile(
    r"\b(upper|lower|max(?:illary|\.)?|mand(?:ibular|\.)?|u|l)\s*,?\s*(right|left|rt\.?|lt\.?|r|l)\s+"
    r"(central(?: incisor)?|lateral(?: incisor)?|canine|cuspid|(?:1st|first|2nd|second) (?:pre-?molar|bicuspid)|"
    r"(?:1st|first|2nd|second|3rd|third) molar|wisdom tooth)"
)
_PLACES = {"central": 1, "lateral": 2, "canine": 3, "cuspid": 3, "wisdom tooth": 8}
_SEPARATORS = re.compile(r"\s*(,\s*and|,\s*&|,|&|and|\+|-|–|to|thru|through|(?=\s#))\s*(?:#|tooth\s*|number\s*)?")
_STARTS = r"(?:^|[.;!?|]\s+|\n\s*|\b(?:o/e|c/o|s|o|a|p)\s*:\s*)"
# At the head of a sentence a number of one or two digits is a tooth where what is found of teeth follows.
_FOUND_OF = re.compile(
    rf"{_STARTS}(\d{{1,2}})[^\S\n]+(?=(?:necro|nec\b|irrev|reversible|vital|non-?vital|cold|perc(?!ent)|ttp|tender|asx\b|asymp|"
    r"sympt|no\s+(?:sx|symptoms|pain|crown)|pain|pai\b|cap\b|zr\b|zir|fgc|mcc|"
    r"lithium|all[- ]ceramic|rct|has\b|needs|tests|"
    r"responds|does)\w*\b)"
)
# Two digits of ISO 3950 are seldom anything else where no unit, file or length stands beside them.
_TWO_DIGITS = re.compile(r"(?<![\d.#/:%$-])\b([1-4]\.?[1-8])\b(?![\d%]|[.,:/]\d|(?<=\d)-\d*\s*(?:yr|year|mm))")
_FIRST = re.compile(
    r"\s*(\d{1,2})(?=[^\S\n]+(?:(?!of\b|out\b|or\b|to\b|in\b|by\b|a\b)[a-z]|\d+\s?(?:m|mo|mos|yr|y|wk|/12)\b))"
)
_OPENS = re.compile(
    r"(?:^|[.;!?|(]\s+|[\n(]\s*|\b(?:in|on|of|for|with|about|o/e|c/o|c/c|dx|crowns?|crn|cap|bridge|teeth|seat|fit|review|"
    r"pain|sensitivity|sensitive|tender|that|which|loose|abscess|pulpitis|necrosis|periodontitis|osteitis|missing|rct|re-?rct|is|was|his|her|the|around|diagnosis|prep|"
    r"diagnosed|adv|advised|abutments?|access|opening|restored|extracted|follow\s?up|f/u|fu|re-?check|check|recall|number|at|reviewed|whose|saw|seen|seeing|treated|crowned|prepared|completed|finished|started|"
    r"continued|fitted|cemented|opened|accessed|obturated)\s*[:-]?\s*)$"
)
_BESIDE_IT = re.compile(r"\s*(?:,|&|\+|/|and|,\s*and)?\s*")
_GOES_ON = re.compile(r"\s*(?:,|&|\+|and|-|/|,\s*and)\s*$")
_NO_TOOTH_BEHIND = re.compile(
    r"\s*-?\s*(?:mm|yrs?|years?|y/?o\b|old|mins?|minutes?|secs?|seconds?|days?|wks?|weeks?|mos?(?!b)|months?|hours?|hrs?|ml|cc|"
    r"carp|canals?|visits?|x|films?|bw|pas?\b|quad|surf|carpules?|fillings?|st|nd|rd|th|units?|c\b|large|small|new|more|old|gauge|degrees?|points?|patients?|times|am|pm|taper|percent|per\s?cent|units?|mg|kv|"
    r"teeth|crowns?\s+(?:to|were)|jan|feb|march|april|may|june|july|aug|sept?|oct|nov|dec)\w*\b|\s*[%x°'\"]|\s*/\s*\d|\s+[2-8]\s?%"
)


@dataclass(frozen=True, slots=True)
class Named:
    """Teeth named together, in two-digit ISO 3950 numbers; where in the text; whether the words head a part of it."""

    teeth: tuple[int, ...]
    start: int
    end: int
    heads: bool = False


def teeth_named(note: Note, notation: str) -> list[Named]:
    """Every naming of permanent teeth, in the order of the text.

    Numbers of files, burs, clamps and cones are none, nor is a number alone unless it heads a line or stands with the
    name of the work.
    """
    text, found = note.clean, []
    no_teeth: list[Named] = []  # numbers of files, clamps and cones
    for m in _HASH.finditer(text):
        named = _listed(m["list"], notation)
        if named and _WITH_FILE.search(text[max(0, m.start() - 30) : m.start()]):
            no_teeth.append(Named((), m.start(), m.end()))  # "bypassed with #8"
            continue
        after = text[m.start("list") + len(_SEPARATORS.split(m["list"])[0]) :]
        signed = m.group().startswith(("#", "number"))
        before = text[max(0, m.start() - 16) : m.start()]
        if not named or (signed and _NOT_TEETH_BEFORE.search(before) and not _POINTED_AT.search(before)):
            continue
        if signed and (_NOT_TEETH_AFTER.match(text[m.end() :]) or (len(named) == 1 and _NOT_TEETH_AFTER.match(after))):
            no_teeth.append(Named((), m.start(), m.end()))
            continue
        found.append(Named(named, m.start(), m.end()))
    if notation == "fdi":
        found += _alone(text, found, no_teeth)
    for pattern in (_T, _LINE, _BARE, _AFTER_WORD, *(() if notation == "fdi" else (_FOUND_OF,))):
        for m in pattern.finditer(text):
            if pattern is _BARE and _VALUE_BEFORE.search(text[max(0, m.start(1) - 16) : m.start(1)]):
                continue  # the value of another name: "MAF: 30"
            group = m.lastindex or 1
            if (number := _number(m[group], notation)) is not None and not _taken(
                [*found, *no_teeth], m.start(group), m.end(group)
            ):
                found.append(Named((number,), m.start(group), m.end(group)))
    begins = _FIRST.match(text)
    if (
        begins is not None
        and (number := _number(begins[1], notation)) is not None
        and not (_NO_TOOTH_BEHIND.match(text, begins.end(1)) or _NOT_TEETH_AFTER.match(text[begins.end(1) :]))
        and not _taken([*found, *no_teeth], begins.start(1), begins.end(1))
    ):
        # What a note begins with, unless it counts something.
        found.append(Named((number,), begins.start(1), begins.end(1)))
    last: Named | None = None
    for m in _QUADRANT.finditer(text):
        name = m[1].replace(".", "") + m[2]
        if (number := _palmer().get(name.upper())) is not None and not _taken(found, m.start(), m.end()):
            one = Named((number,), m.start(), m.end())
            if last is not None and _BESIDE_IT.fullmatch(text[last.end : m.start()]):
                found.remove(last)  # "UR6 UL6", "UR1 and UL1": named together
                one = Named((*last.teeth, number), last.start, m.end())
            found.append(one)
            last = one
    for m in _NAMED.finditer(text):
        if not _taken(found, m.start(), m.end()):
            found.append(Named((_by_name(m),), m.start(), m.end()))
    headed = [_with_head(text, one) for one in sorted(found, key=lambda one: one.start)]
    return [
        replace(one, start=span[0], end=span[1]) for one in headed for span in [note.as_written(one.start, one.end)]
    ]


def _alone(text: str, found: list[Named], no_teeth: list[Named]) -> list[Named]:
    """Teeth in two digits without a sign, at the head of a sentence, behind a word that leads to one, or in a list."""
    out: list[Named] = []
    for m in _TWO_DIGITS.finditer(text):
        if _taken([*found, *no_teeth], m.start(), m.end()):
            continue
        before = text[max(0, m.start() - 24) : m.start()]
        if _NO_TOOTH_BEHIND.match(text, m.end()) or _NOT_TEETH_AFTER.match(text[m.end() : m.end() + 16]):
            continue
        last = max((one for one in (*found, *out) if one.end <= m.start()), key=lambda one: one.end, default=None)
        listed = last is not None and bool(_GOES_ON.fullmatch(text[last.end : m.start()]))
        opened = _OPENS.search(before if m.start() > 24 else "\n" + before)
        headed = text[m.end() : m.end() + 2] in (": ", ":\n")
        on = before.endswith(", ") and _LISTS_ON.match(text, m.end())
        if (
            not (listed or opened or headed or on)
            or _SIZED.search(before)
            or _NOT_TEETH_BEFORE.search(before)
            or (_VALUE_OF.search(before[-16:]) and not _KEYED.search(before))
        ):
            continue
        if "." in m[1] and not _DOTTED.match(text, m.end()):
            continue  # a length or a strength
        tooth = int(m[1].replace(".", ""))
        if listed and last is not None:
            between = _between(last.teeth[-1], tooth) if "-" in text[last.end : m.start()] else []
            named = Named((*dict.fromkeys((*last.teeth, *between, tooth)),), last.start, m.end())
            (out if last in out else found).remove(last)
        else:
            named = Named((tooth,), m.start(), m.end())
        out.append(named)
    return out


def _with_head(text: str, one: Named) -> Named:
    """A naming heads a part where it begins a line, or is followed by a colon or dash."""
    line = text.rfind("\n", 0, one.start) + 1
    before = text[line : one.start].strip(" -*:.")
    after = text[one.end : one.end + 3].strip(" ")[:1]
    words = before.split()
    opens = not words or one.start == 0 or text[: one.start].rstrip()[-1:] in (".", ";")
    heads = not words or (len(words) <= 4 and after in (":", "-", ".", "\n", "")) or (opens and after in (":", "-"))
    return Named(one.teeth, one.start, one.end, heads)


def _taken(found: list[Named], start: int, end: int) -> bool:
    return any(one.start < end and start < one.end for one in found)


def _listed(text: str, notation: str) -> tuple[int, ...]:
    parts = _SEPARATORS.split(text.strip())
    numbers = [_number(p, notation) for p in parts[::2]]
    if not numbers or numbers[0] is None:
        return ()
    out = [numbers[0]]
    for sign, number in zip(parts[1::2], numbers[1:], strict=True):
        if number is None:
            break
        if sign in ("-", "–", "to", "thru", "through"):
            out += _between(out[-1], number)
        out.append(number)
    return tuple(dict.fromkeys(out))


def _between(a: int, b: int) -> list[int]:
    """The teeth of one jaw between two of them; none where they are of different jaws."""
    for arch in _arches():
        if a in arch and b in arch:
            i, j = sorted((arch.index(a), arch.index(b)))
            return list(arch[i + 1 : j])
    return []


def _by_name(m: re.Match[str]) -> int:
    upper = m[1][0] in "u" or m[1].startswith("max")
    right = m[2].startswith("r")
    quadrant = {(True, True): 1, (True, False): 2, (False, False): 3, (False, True): 4}[upper, right]
    name = m[3].replace(" incisor", "")
    if name in _PLACES:
        place = _PLACES[name]
    else:
        nth = 1 if name[:1] in "1f" else 2 if name[:1] == "2" or name.startswith("s") else 3
        place = nth + (3 if "bicuspid" in name or "premolar" in name or "pre-molar" in name else 5)
    return 10 * quadrant + place


def _number(text: str, notation: str) -> int | None:
    text = text.strip().replace(".", "").lstrip("0")
    return _by_number(notation).get(text)


@cache
def _by_number(notation: str) -> dict[str, int]:
    column = "fdi" if notation == "fdi" else "universal"
    if notation == "palmer":
        return {}
    rows = teeth().select("fdi", "dentition", column).rows() if column != "fdi" else [
        (n, d, n) for n, d in teeth().select("fdi", "dentition").rows()
    ]  # fmt: skip
    return {str(name): int(fdi) for fdi, kind, name in rows if kind == "permanent"}


@cache
def _palmer() -> dict[str, int]:
    return {str(p): int(f) for f, k, p in teeth().select("fdi", "dentition", "palmer").rows() if k == "permanent"}


@cache
def _arches() -> tuple[tuple[int, ...], tuple[int, ...]]:
    upper = tuple(range(18, 10, -1)) + tuple(range(21, 29))
    lower = tuple(range(48, 40, -1)) + tuple(range(31, 39))
    return upper, lower


TEXT, ROW, NOBODY = "text", "row", ""
# Words before a tooth that is only mentioned beside the one that is treated.
_PARTS = words_of("canal canals root roots cusp side")
_BESIDE = words_of("adjacent opposing next neighboring neighbouring opp adj abutment contact contacts mesial distal")


class Whose:
    """The teeth of a note and what each part of it is about."""

    def __init__(self, scene: Scene, named: Sequence[Named], row_tooth: int | None) -> None:
        self._scene, self._row = scene, row_tooth
        note = scene.note
        self._named = []
        for one in named:
            place = note.token_at(one.start)
            first = note.sentences[note.sentence_at[place]].first
            before = set(note.words[max(first, place - 3) : place])
            beside = not _BESIDE.isdisjoint(before) and _PARTS.isdisjoint(before)  # "the mesial canal of 47"
            other = scene.contexts.said[PERSON][place]
            if not other:
                self._named.append((one, note.sentence_at[place], place, beside))
        self.distinct = {t for one, *_ in self._named for t in one.teeth}

    def teeth_of(self, r: Read) -> list[tuple[int | None, str, bool]]:
        """The teeth that a value is of: number, who says so, and whether it is clear."""
        note = self._scene.note
        place = note.token_at(r.start)
        sentence = note.sentence_at[place]
        here = [n for n in self._named if n[1] == sentence]
        ahead = [n for n in here if n[0].start <= r.start]
        behind = [n for n in here if n[0].start > r.start and not n[3]]
        if ahead or behind:
            one, _, _, beside = (ahead or behind[:1])[-1]
            # What stands in the tooth beside was not made today; how it looks is a finding.
            clear = not beside or NOTE_FIELDS.get(r.field) == "findings" or r.field == "preop_or_pai"
            return [(t, TEXT, clear) for t in one.teeth]
        if everyone := self._both(sentence):
            return [(t, TEXT, True) for t in everyone]
        earlier = [n for n in self._named if n[1] < sentence and not n[3]]
        heads = [n for n in earlier if n[0].heads]
        if heads and (self._row is None or len(self.distinct - {self._row}) > 0):
            last_head = heads[-1]
            later = [n for n in earlier if n[1] > last_head[1] and set(n[0].teeth) - set(last_head[0].teeth)]
            if not later or self._row is not None:
                return [(t, TEXT, True) for t in last_head[0].teeth]
        if self._row is not None:
            return [(self._row, ROW, True)]
        active = [n for n in earlier if not self._said_of_another_time(n[2])] or earlier
        if active:
            return self._latest(active, r)
        after = [n for n in self._named if n[1] > sentence and not n[3] and not self._said_of_another_time(n[2])]
        if after and len({t for n in after for t in n[0].teeth}) == len(after[0][0].teeth):
            return [(t, TEXT, True) for t in after[0][0].teeth]
        return [(None, NOBODY, True)]

    def _both(self, sentence: int) -> tuple[int, ...]:
        """All teeth treated so far, where the sentence begins with "both" or "each"."""
        s = self._scene.note.sentences[sentence]
        words = self._scene.note.words[s.first : s.first + 3]
        if not {"both", "each", "neither"} & set(words[:2]) or {"canal", "canals", "roots"} & set(words):
            return ()
        active = [n for n in self._named if n[1] < sentence and not n[3] and not self._said_of_another_time(n[2])]
        earlier = active or [n for n in self._named if n[1] < sentence and not n[3]]
        return tuple(dict.fromkeys(t for n in earlier for t in n[0].teeth))

    def _latest(self, earlier: list[tuple[Named, int, int, bool]], r: Read) -> list[tuple[int | None, str, bool]]:
        """The tooth last spoken of; of several, the last in whose sentence work of the value's kind is named."""
        if len({n[0].teeth for n in earlier}) == 1:
            return [(t, TEXT, True) for t in earlier[-1][0].teeth]
        wanted = {"endo_details": "endo_strong", "crown_details": "crown", "findings": "recall"}[
            NOTE_FIELDS.get(r.field, "endo_details")
        ]
        same_kind = [n for n in earlier if wanted in self._scene.sentence_classes(n[1])]
        return [(t, TEXT, bool(same_kind)) for t in (same_kind or earlier)[-1][0].teeth]

    def _said_of_another_time(self, place: int) -> bool:
        said = self._scene.contexts.said
        return said[PLAN][place] or said[HISTORY][place]
