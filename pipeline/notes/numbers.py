"""Values that are numbers: strength of the hypochlorite, sizes, lengths, canals, visits, ferrule, periapical index."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.notes.text import Note, words_of

ISO_SIZES = frozenset((6, 8, 10, *range(15, 61, 5), *range(70, 141, 10)))
_COUNTS = {"one": 1, "single": 1, "two": 2, "three": 3, "four": 4, "five": 5, "1st": 1, "2nd": 2, "3rd": 3, "4th": 4,
           "first": 1, "second": 2, "third": 3, "fourth": 4, "half": 0.5, "1/2": 0.5, "quarter": 0.25,
           "zero": 0}  # fmt: skip
_N = r"(?:\d{1,2}(?:[.,]\d{1,2})?|[.]\d{1,2})"
_HYPO = (
    r"(?:sod(?:ium|\.)?\s*)?(?:naocl2?|na\s?ocl|naoc1|hypochlorite?|hypochloride|hypochlor|hypo|bleach|"
    r"chlorox|naocl's)\b"
)
_PCT = r"\s*(?:%|percent|per\s?cent|pct)"


@dataclass(frozen=True, slots=True)
class Read:
    """A value read and the words that say it; `weight` tells which of several of one field goes first."""

    field: str
    value: str
    start: int
    end: int
    sure: bool
    rule: str
    weight: int = 0


def numbers_read(note: Note) -> Iterator[Read]:
    """Every value of a number that the note's text says, whatever is said of it around."""
    words = note.word_set
    for anchors, read in _READERS:
        if not anchors.isdisjoint(words):
            for found in read(note):
                start, end = note.as_written(found.start, found.end)
                yield replace(found, start=start, end=end)


def plain(value: float) -> str:
    """A number as short as it can be written: 2.5, 6."""
    return f"{value:g}"


_STRENGTH = re.compile(
    rf"(?P<a>{_N})\s*(?:-|to)?\s*{_PCT}\s*(?:\(?w/v\)?\s*)?(?:conc\w*\.?\s*|solution\s*|strength\s*)?(?:of\s+)?{_HYPO}"
    rf"|{_HYPO}\s*%\s*[-:=]*\s*(?P<c>{_N})(?!\d)"
    rf"|{_HYPO}\s*(?:solution|soln|irrigation|irrigant|rinse|was|used|at|of|in|is|conc\w*\.?|strength|"
    rf"w/|with|a|the|[:=,(@]|-|\s)*"
    rf"(?P<b>{_N}){_PCT}"
)
_BARE_STRENGTH = re.compile(
    rf"{_HYPO}\s*(?:[:=(@]|at|strength|conc\w*\.?|-)*\s*(?P<a>{_N})\)?(?![\d:]|/\d|\s*(?:ml|cc|mm|min|"
    rf"sec|x\b|to\b|:|/\s*\d|syr|%|part|\.\d))"
)
_STRENGTH_WITHOUT_SIGN = re.compile(rf"(?<![\d:/.])(?P<a>{_N})\s+{_HYPO}")
_DILUTED = re.compile(r"(?<!un)\bdil(?:uted?|ution)\b|\bdil\.")
_UNNAMED_STRENGTH = re.compile(
    rf"irrig\w*\.?\s*(?:strength|conc\w*\.?)?\s*(?:with|w/|:)?\s*(?P<a>{_N}){_PCT}(?!\s*(?:edta|chx|chlorhex|saline|lido|artic))"
)
_USUAL = frozenset((0.5, 1, 1.25, 1.3, 2, 2.5, 2.6, 2.63, 3, 4, 5, 5.25, 5.3, 6, 8, 8.25, 8.3))
_ONE_TO_FIVE = r"(?:one|two|three|four|five)"
_RATIO = re.compile(
    rf"(?<![\d:/.,#])(\d{{1,2}}|{_ONE_TO_FIVE})(?::|/|\s+:\s+|\s*-?\bto\b-?\s*|"
    rf"\s*parts?(?:\s*\w+)?\s*(?:to|:|,|and)?\s*)(1\d?|[2-9]|{_ONE_TO_FIVE})\b(?![\d:.,/]?\d|\s*(?:mm|%))"
)
_WATER, _BLEACH = r"(?:water|saline|h2o|dist\w*|sterile|diluent)", r"(?:naocl|na\s?ocl|hypochlorite|hypo|bleach|sodium)"
_BLEACH_FIRST = re.compile(
    rf"{_BLEACH}\s*(?:to|:|/|-|and)\s*(?:sterile\s+|distilled\s+)?{_WATER}|parts?\s+{_BLEACH}.*{_WATER}"
)
_WATER_FIRST = re.compile(
    rf"{_WATER}\s*(?:to|:|/|-|and)\s*{_BLEACH}|parts?\s+(?:sterile\s+|distilled\s+)?{_WATER}.*{_BLEACH}|dilut\w*"
)
_SHARE = re.compile(r"(full|half|quarter|1/2|1/4)[\s-]*(?:strength|str|conc\w*)")
_EQUAL = re.compile(r"\bequal\s+(?:parts?\s+|volumes?\s+|amounts?\s+)?(?:of\s+)?(?:water|saline|distilled|sterile)")
_SHARES = {"full": 0, "half": 1, "1/2": 1, "quarter": 3, "1/4": 3}
_DILUTED_TO = re.compile(rf"\bdil(?:uted?|\.)?\s*(?:down\s*)?to\s*({_N}){_PCT}")
_PARTS = re.compile(
    rf"(?P<a>\d|one|two|three|four|five)\s*parts?\s*(?:of\s+)?(?:{_N}{_PCT}\s*)?(?P<what>{_BLEACH}\w*|"
    rf"{_WATER})[^.;\n]{{0,25}}?\b(?:to|and|:|,|with|/)\s*(?P<b>\d|one|two|three|four|five)\s*parts?"
)
_HYPO_WORD = re.compile(_HYPO)


def _hypochlorite(note: Note) -> Iterator[Read]:
    text = note.clean
    ratios = list(_ratios(note))
    within = [(r.start, r.end) for r in ratios]
    found = False
    if (m := _DILUTED_TO.search(text)) and _HYPO_WORD.search(text):
        yield Read("naocl_percent", plain(_float(m[1])), m.start(), m.end(), True, "naocl_diluted_to")
        return
    for m in _STRENGTH.finditer(text):
        value = _float(m["a"] or m["b"] or m["c"])
        if any(a <= m.start() < b or m.start() < a < m.end() for a, b in within):
            continue
        found = True
        # "8.25% diluted": by how much is not told where no ratio stands beside it.
        sure = 0 < value <= 12 and not _DILUTED.search(_sentence_text(note, m.start()))
        yield Read("naocl_percent", plain(value), m.start(), m.end(), sure, "naocl_percent")
    yield from ratios
    if found or ratios:
        return
    for m in _BARE_STRENGTH.finditer(text):
        value = _float(m["a"])
        if value in _USUAL:
            yield Read("naocl_percent", plain(value), m.start(), m.end(), value % 1 != 0 or value > 2, "naocl_bare")
            return
    for m in _STRENGTH_WITHOUT_SIGN.finditer(text):
        value = _float(m["a"])
        if value in _USUAL:
            yield Read("naocl_percent", plain(value), m.start(), m.end(), value % 1 != 0, "naocl_bare")
            return
    for m in _UNNAMED_STRENGTH.finditer(text):
        value = _float(m["a"])
        if value in _USUAL:
            yield Read("naocl_percent", plain(value), m.start(), m.end(), False, "naocl_unnamed")


def _ratios(note: Note) -> Iterator[Read]:
    """Ratios, water first unless the words say otherwise; with the stock beside them a strength."""
    text, start = note.clean, 0
    for s in note.sentences:
        part = note.clean_span(s.first, s.last)
        start = text.index(part, start) if part else start
        if not _HYPO_WORD.search(part):
            continue
        spans = [(m.start(), m.end(), _SHARES[m[1]], 1) for m in _SHARE.finditer(part)]
        spans += [(m.start(), m.end(), 1, 1) for m in _EQUAL.finditer(part)]
        for m in _PARTS.finditer(part):
            a, b = (int(_COUNTS.get(g) or g) for g in (m["a"], m["b"]))
            water, bleach = (a, b) if re.match(_WATER, m["what"]) else (b, a)
            spans.append((m.start(), m.end(), water, bleach))
        for m in _RATIO.finditer(part) if not spans else ():
            around = part[max(0, m.start() - 45) : m.end() + 45]
            if not (_HYPO_WORD.search(around) or "dilut" in around):
                continue
            a, b = (int(_COUNTS.get(g) or g) for g in (m[1], m[2]))
            if _BLEACH_FIRST.search(around) and not _WATER_FIRST.search(around.replace("dilut", "")):
                a, b = b, a
            spans.append((m.start(), m.end(), a, b))
        for first, last, water, stock_parts in spans:
            if not stock_parts or water > 20:
                continue
            other = [
                m for m in re.finditer(rf"({_N}){_PCT}(?!\s*(?:edta|chx|chlorhex|lido|artic|epi))", part)
                if abs(m.start() - last) < 60 or abs(first - m.end()) < 60
            ]  # fmt: skip
            hypo = [m for m in _HYPO_WORD.finditer(part) if abs(m.start() - last) < 60 or abs(first - m.end()) < 60]
            places = [first, *(m.start() for m in hypo[:1]), *(m.start() for m in other[:1])]
            ends = [last, *(m.end() for m in hypo[:1]), *(m.end() for m in other[:1])]
            a, b = start + min(places), start + max(ends)
            # Bleach first is seldom meant by 1:3; which of the two it is has to be asked.
            clear = not water or water >= stock_parts or bool(_WATER_FIRST.search(part) or _BLEACH_FIRST.search(part))
            if other:
                stock = _float(other[0][1])
                given = stock * stock_parts / (water + stock_parts)
                equals = re.search(rf"[=(]\s*(?:approx\w*\.?\s*|~\s*)?({_N}){_PCT}", part[last:])
                if equals and (abs(_float(equals[1]) - stock) < 1e-9) and stock < 4 and water:
                    given = stock  # the strength after the dilution is what is given: "half strength (2.6 %)"
                yield Read(
                    "naocl_percent", plain(round(given, 1) if water else given), a, b, clear, "naocl_ratio_of_stock"
                )
            else:
                yield Read("naocl_ratio", f"{water}:{stock_parts}", a, b, clear and water > 0, "naocl_ratio")
            return


_CANAL = r"(?:mb-?[12]?|ml|mm|db|dl|pal(?:atal)?|ling(?:ual)?|buc(?:cal)?|dist(?:al)?|mesial|m|d|b|l|p)"
_CANAL_WORD = r"(?:mb-?[12]?|ml|db|dl|palatal|pal|lingual|buccal|distal|mesial|p|d|b|l)"
_SIZE = re.compile(
    r"(?<![\d.:%])(?:#|size|sz|iso|no\.?)?\s*(\d{2,3})(?:\s*[/,.@-]?\s*(?:\.|0|\.0)(\d{1,2})\b|"
    r"(?:\s*/\s*(\d)\b))?(?!\d|\s*(?:mm|%|\.\d|ml|cc|sec|min|ga))"
)
_MAF = re.compile(
    r"\b(?:m\.?a\.?f\.?s?(?=\b|\d)|master\s+(?:apical\s+)?files?(?:\s+size)?|master\s+apical\s+(?:file|size|prep\w*)|"
    r"(?:final\s+)?apical\s+(?:size|prep\w*(?:\s+size)?|diameter|enlarg\w*)|"
    r"final\s+(?:apical\s+)?(?:file|size|instrument|shap\w+)(?:\s+size)?|mac|mas)(?![a-z])"
)
_SIZE_MAF = re.compile(r"(?<![\d.:/#])(?:#|size\s*)?(\d{2,3})\s*(?:maf|master\s+apical\s+file)\b")
_FILE_SIZE = re.compile(
    r"\brecip\w*\s*,?\s*(?:#|size\s*)(?P<n2>\d{2})\b(?!\s*(?:mm|%|min|sec))|\b(?:recip\w*|rotary|"
    r"single|one)\s+(?:niti\s+|rotary\s+|reciprocating\s+)?(?:files?|"
    r"instruments?)\s*[,(]?\s*(?:of\s+)?(?:size\s*|iso\s*)?#?(?P<n>\d{2})\b(?!\s*(?:mm|%|min|sec))"
)
_PER_CANAL = re.compile(
    rf"\b{_CANAL_WORD}s?\b[\s:=-]*(?:to\s+|size\s+)?#?(\d{{2}})\b(?![.,/]\d\s*mm|\s*mm|\.\d)|"
    rf"(?<![\d.])(\d{{2}})\s+(?:size\s+)?(?:in\s+|on\s+|for\s+)?(?:the\s+)?(?:mb|db|mesial|distal|"
    rf"palatal|buccal|lingual)s?\b"
)
_STOP_SIZES = re.compile(
    r"[;\n]|\.(?=\s|$)|\b(?:wl|working|naocl|irrig|obtur|edta|gp|cone|wvc|sealer|mm\b|patency|glide|dam)\b"
)
_SHAPED = re.compile(
    r"\b(?:instrument\w*|instr\.?|enlarg\w*|shap\w+|prepar\w*|prepp?ed|cleaned|c&s|c/s|c\s&\s?s|filed|"
    r"filing|rotary|rotaries|rotated|finish\w*|"
    r"recip\w*|niti|machined|opened|widened|taken|files?|hand|sequence|technique|system|apex|apically|"
    r"apical|canals?|to)\b"
    r"(?:[^.;\n\d#]|\.(?=\d))*?\b(?:to|at|up\s+to|through|thru|until|with|w/|@|=)\s+(?:an?\s+|the\s+)?(?:final\s+)?"
    r"(?P<size>(?:#|size|sz|iso|"
    r"no\.?)?\s*(?:#\s*)?(?:iso\s*)?(?P<n>\d{2,3})(?P<taper>\s*[/,.@-]?\s*(?:\.0?\d{1,2}|0\d)\b|"
    r"\s*/\s*\d\b)?(?:\s*tap\w*)?)(?!\d|\s*(?:mm|%|ml|cc|sec|min|ga\b))"
)
_TAPERED = re.compile(
    r"(?<![\d.:/])(?:#\s*)?(?P<n>\d{2,3})\s*(?:/\s*\.?0?|\.0|\s\.0|@\.0|\s*taper\s*\.?0)(?P<t>[2-9]|"
    r"1[02])\b(?![/\d]|\s*mm)"
)
_TAPER_FIRST = re.compile(r"(?<![\d:])\.0[2-8]\s*[/ ]\s*#?(?P<n>\d{2})\b(?!\s*(?:mm|%|ml|min))")
_SIZE_ALONE = re.compile(
    r"\b(?:size|iso)\s*[:=]?\s*#?(?P<n>\d{2})\b(?!\s*(?:mm|%|k\b|k-?files?|files?|hand|gates|bur|patency))"
)
_SMALL_FIRST = re.compile(
    r"(?:patency|glide\s*path|glidepath|scout\w*|initial|negotiat\w*|k\s?-?\s?files?|path|loose|"
    r"explor\w*)\s*(?:\w+\s*){0,3}$"
)


def _sizes(note: Note) -> Iterator[Read]:
    text = note.clean
    told = False
    for m in _MAF.finditer(text):
        rest = text[m.end() : m.end() + 90]
        stop = _STOP_SIZES.search(rest)
        rest = rest[: stop.start()] if stop else rest
        sizes = [(int(s[1]), s.end()) for s in _SIZE.finditer(rest) if int(s[1]) in ISO_SIZES]
        if not sizes or sizes[0][1] > 45:
            continue
        told = True
        same = len({n for n, _ in sizes} | _sizes_of_canals(note, m.start())) == 1
        largest = max(n for n, _ in sizes)
        yield Read("master_apical_size_iso", str(largest), m.start(), m.end() + sizes[-1][1], same, "apical_size", 3)
    if told:
        return
    for m in _SIZE_MAF.finditer(text):
        if int(m[1]) in ISO_SIZES:
            yield Read("master_apical_size_iso", m[1], m.start(), m.end(), True, "apical_size", 3)
            return
    found: list[tuple[int, int, int, bool]] = []
    for m in _FILE_SIZE.finditer(text):
        size = int(m["n"] or m["n2"])
        if size in ISO_SIZES and size >= 15:
            found.append((size, m.start(), m.end(), True))
    for m in _SHAPED.finditer(text):
        size = int(m["n"])
        if size in ISO_SIZES and size >= 15 and not _SMALL_FIRST.search(text[max(0, m.start() - 25) : m.start("size")]):
            strong = bool(m["taper"]) or "#" in m["size"] or "size" in m["size"] or "iso" in m["size"] or size >= 20
            found.append((size, m.start(), m.end(), strong))
    for m in _TAPERED.finditer(text):
        if int(m["n"]) in ISO_SIZES and int(m["n"]) >= 15:
            found.append((int(m["n"]), m.start(), m.end(), True))
    for m in _TAPER_FIRST.finditer(text):
        if int(m["n"]) in ISO_SIZES:
            found.append((int(m["n"]), m.start(), m.end(), True))
    if not found:
        for m in _SIZE_ALONE.finditer(text):
            small = _SMALL_FIRST.search(text[max(0, m.start() - 25) : m.start()])
            broken = "separat" in (around := _sentence_text(note, m.start())) or "broke" in around
            if int(m["n"]) in ISO_SIZES and int(m["n"]) >= 20 and not (small or broken):
                found.append((int(m["n"]), m.start(), m.end(), True))
    if found:
        top = max(found)
        rising = all(a[0] <= b[0] for a, b in pairwise(found))
        others = _sizes_of_canals(note, top[1]) - {top[0]}
        sure = top[3] and not others and (rising or len({f[0] for f in found}) == 1)
        yield Read("master_apical_size_iso", str(top[0]), top[1], top[2], sure, "shaped_to", 1)


def _sizes_of_canals(note: Note, position: int) -> set[int]:
    """Sizes that the words around a place give to single canals: where they differ no one size is the tooth's."""
    around = note.clean[max(0, position - 40) : position + 90]
    found = {int(a or b) for a, b in _PER_CANAL.findall(around)}
    return {n for n in found if n in ISO_SIZES and n >= 20}


_MM = r"\s*-?\s*(?:mm|millimet\w+|mil+s?)\b"
_HOW_FAR = rf"(?P<n>{_N}|one[\s-]half|half(?:\s+an?)?|one|two|three|1/2)(?:\s*(?:-|to)\s*(?P<n2>{_N}))?"
_APEX = (
    r"(?:(?:the|of|from|to|at|radiographic|radiograph\w*|rad\.?|xray|x-ray|anatomic\w*|anat\.?|root|apical|"
    r"ra\b|film)\s*)*(?:apex|apices|terminus|foramen|constriction|root\s?end|root\s?tip|ra\b|"
    r"radiographic\s+term\w*|eal|\.?0(?:\.0)?\s+reading)"
)
_SHORT_OF = re.compile(
    rf"(?P<range>\bwithin\s+|<\s*|less than\s+)?{_HOW_FAR}{_MM}\s*(?:short|shy|coronal|away|back|from|"
    rf"off|inside)\s*(?:(?:of|from|to)\s+)?(?P<apex>{_APEX})?"
    rf"|\bshort\s*(?:of\s+(?:the\s+)?(?:radiographic\s+)?apex\s*)?(?:by|"
    rf":)?\s*{_HOW_FAR.replace('P<n>', 'P<m>').replace('P<n2>', 'P<m2>')}{_MM}"
    rf"|(?:fill\w*|gp|length|obt\w*)\s*:?\s*(?P<r>{_N})\s*short\b"
    rf"|(?P<q>{_N})\s*short\s+(?:of|from)\s+(?P<apex2>{_APEX})"
    rf"|(?:apex|ra|eal|length)\s*(?:reading\s*)?(?:minus|-)\s*(?P<k>{_N}){_MM}"
)
_LONG = re.compile(
    rf"{_HOW_FAR}{_MM}\s*(?:long\b|past|beyond|over\b|overfill\w*|overextend\w*|overext\w*|extru\w*|through|thru)"
    rf"|(?:overfill\w*|overextend\w*|over-?extension|extru\w*|long)\s*(?:by|of|:|about|~)?\s*(?P<m>{_N}){_MM}"
)
_FLUSH = re.compile(
    rf"(?:flush|even)\s*(?:with|at|to|w/)?\s*{_APEX}|(?:fill\w*|obturat\w*|gp|"
    rf"gutta[\s-]percha)\s+(?:\w+\s+){{0,2}}(?:to|at)\s+(?:the\s+)?(?:radiographic\s+)?apex\b"
)
_ENDO_NEAR = re.compile(
    r"fill|obtur|\bgp\b|gutta|\bwl\b|length|cone|apex|sealer|apical|apices|canal|instrument|endo|"
    r"master|rct|terminus|film|\bpa\b|foramen"
)
_OF_FILL = re.compile(r"fill|obtur|\bgp\b|gutta|cone|final\s+(?:film|pa|x-?ray|rad)|post-?op|completion|dense")
_NOT_LENGTH = re.compile(
    r"margin|post\b|ferrule|sulcus|crest|pocket|probing|clearance|reduction|contact|separat|fragment|"
    r"file\s+tip|broke|bone|lesion|radioluc"
)


_AS_KEY = re.compile(r"short\s*:|(?:fill|gp|length)\b")


def _lengths(note: Note) -> Iterator[Read]:
    text = note.clean
    for pattern, sign, rule in ((_SHORT_OF, 1, "short_of_apex"), (_LONG, -1, "past_apex"), (_FLUSH, 0, "flush")):
        for m in pattern.finditer(text):
            around = _sentence_text(note, m.start())
            named = m.groupdict()
            near_apex = (
                sign == 0
                or named.get("apex")
                or named.get("apex2")
                or _AS_KEY.match(text, m.start())
                or _ENDO_NEAR.search(around)
            )
            if not near_apex or _NOT_LENGTH.search(text[max(0, m.start() - 20) : m.end()]):
                continue
            first = named.get("n") or named.get("m") or named.get("k") or named.get("q") or named.get("r")
            second = named.get("n2") or named.get("m2")
            far = 0.0 if sign == 0 else _float(first or "0")
            sure = (
                far <= 5
                and not named.get("range")
                and not second
                and (sign != 1 or bool(named.get("apex") or "short" in m.group()))
            )
            if second:
                far = (far + _float(second)) / 2
            weight = 2 if _OF_FILL.search(text[max(0, m.start() - 60) : m.end() + 30]) else 1
            yield Read(
                "length_short_of_apex_mm", plain(sign * far if far else 0), m.start(), m.end(), sure, rule, weight
            )


_CANALS = re.compile(
    r"(?<![\d./#:])\b(?P<n>[1-6]|one|two|three|four|five|single)\s*(?:-\s*)?(?:separate\s+|distinct\s+|"
    r"total\s+|main\s+|patent\s+)?(?:canals?|canaled|orifices)\b(?!\s*(?:left|remain))"
    r"|\bcanals?\s*(?:found|located|treated|x|:|=|#|number|no\.?|identified|present|negotiated|"
    r"\()*\s*(?::|=|x|\(|-)\s*x?(?P<m>[1-6])\b(?!\s*(?:mm|%|[.,/]\d|:))"
    r"|(?<![\d.#])\b(?P<c>[1-6])c\b|\bx\s?(?P<k>[1-6])\s+canals?\b|\bcanals?\s+x\s?(?P<j>[1-6])\b"
)
_OF_CANALS = re.compile(r"\d\s*(?:of|/|out of)\s*$")
_NAMES = re.compile(
    r"\b(mb\s?-?[12]?|ml|db|dl|mm|pal(?:atal)?|ling(?:ual)?|buc(?:cal)?|dist(?:al)?|mesiobuccal|"
    r"mesiolingual|distobuccal|distolingual|mesial|p|d|b|l)\b"
)
_NAME_LIST = re.compile(
    rf"\b(?:canals?|orifices|located|found|wls?|working\s+lengths?|"
    rf"lengths?)\b[^.;\n]{{0,12}}?((?:\b{_CANAL}\b[\s:=-]*(?:\d{{1,2}}(?:[.,]\d{{1,2}})?\s*(?:mm)?)?[\s,/&+]*(?:and\s+)?){{2,6}})"
)
_FULL = {"palatal": "p", "pal": "p", "lingual": "l", "ling": "l", "buccal": "b", "buc": "b", "distal": "d", "dist": "d",
         "mesiobuccal": "mb", "mesiolingual": "ml", "distobuccal": "db", "distolingual": "dl", "mesial": "m",
         "mb1": "mb"}  # fmt: skip


def _canals(note: Note) -> Iterator[Read]:
    text, told = note.clean, False
    for m in _CANALS.finditer(text):
        word = m["n"] or m["m"] or m["k"] or m["j"] or m["c"]
        sure = not _OF_CANALS.search(text[max(0, m.start() - 10) : m.start()])
        told = True
        yield Read("canals", plain(_float(word)), m.start(), m.end(), sure, "canals", 2)
    if told:
        return
    for m in _NAME_LIST.finditer(text):
        names = {_FULL.get(n := re.sub(r"[\s-]", "", x), n) for x in _NAMES.findall(m[1])}
        if len(names) >= 2:
            yield Read("canals", str(len(names)), m.start(), m.end(), True, "canals_named", 1)
            return


_FERRULE = re.compile(
    rf"\bferr?ule\b\s*(?:height|effect|of|is|was|at|has|present|all|around|:|=|-|~|>|≥|approx\w*\.?|"
    rf"about|\s)*(?P<gt>[>≥]\s*|at least\s*|min\w*\.?\s*)?(?P<n>{_N})(?:\s*(?:-|"
    rf"to)\s*(?P<n2>{_N}))?(?P<plus>\+)?(?:{_MM})?(?!\s*(?:/|%))"
    rf"|(?P<gt2>[>≥]\s*|at least\s*|min\w*\.?\s*)?(?P<m>{_N})(?:\s*(?:-|"
    rf"to)\s*(?P<m2>{_N}))?(?P<plus2>\+)?{_MM}\s*(?:of\s+)?(?:(?!short)[\w-]+\s+){{0,3}}fer(?:r?ule)?\b"
)
_NO_FERRULE = re.compile(
    r"\b(?:no|without|w/o|zero|lacks|lacking)\s+(?:an?\s+)?(?:\w+\s+)?ferr?ule\b|\bferr?ule\s*(?::|"
    r"=)?\s*(?:none|absent)"
)


_PARTLY = re.compile(r"\s*(?:on|at|in|facial|buccal|lingual|mesial|distal|m\b|d\b|b\b|l\b)")


def _ferrule(note: Note) -> Iterator[Read]:
    text = note.clean
    for m in _FERRULE.finditer(text):
        first, second = m["n"] or m["m"], m["n2"] or m["m2"]
        value = _float(first)
        loose = bool(m["gt"] or m["gt2"] or m["plus"] or m["plus2"] or second) or ">" in m.group()
        if second:
            value = (value + _float(second)) / 2
        if value <= 8:
            yield Read("ferrule_mm", plain(value), m.start(), m.end(), not loose, "ferrule")
    for m in _NO_FERRULE.finditer(text):
        yield Read(
            "ferrule_mm",
            "0",
            m.start(),
            m.end(),
            not _PARTLY.match(text[m.end() :]) and "adequate" not in m.group(),
            "no_ferrule",
        )


_PAI = re.compile(
    r"\b(?:p\s?a\s?i|periapical\s+index|p\.a\.i\.?)(?![a-z])(?:\s*(?:score|index|grade|of|is|was|now|"
    r"today|currently|preop|pre-op|pre|before|at|remains|still|down|from|to|(?:down\s+)?to|"
    r"[=:(#-]))*?\s*(?P<a>[1-5]|one|two|three|four|five)(?!\d|\.\d|\s*(?:mm|%|"
    r"/\d\d))(?:\s*/\s*5\b)?(?:\s*(?:->|-->|=>|>|to|→|now)+\s*(?P<b>[1-5])\b(?!\s*mm))?"
)
_BEFORE = re.compile(
    r"(?:pre-?\s?op\w*|pre-?treatment|before|initial\w*|was|baseline|previous\w*|prior|from|start)[^.;\n\d]{0,25}$"
)


_FORMER = re.compile(
    r"[^.\n\d]{0,30}(?:\d[^.\n\d]{0,25})?\b(?:was|from|previously|baseline|preop|pre-op)\s*:?\s*(?:pai\s*)?([1-5])\b"
    r"(?!\s*(?:mm|mo|yr|year|week))"
)


def _pai(note: Note) -> Iterator[Read]:
    text = note.clean
    for m in _PAI.finditer(text):
        before = bool(_BEFORE.search(text[max(0, m.start() - 25) : m.start("a")])) or m["b"] is not None
        yield Read("preop_pai" if before else "preop_or_pai", plain(_float(m["a"])), m.start(), m.end(), True, "pai", 2)
        if m["b"]:
            yield Read("preop_or_pai", m["b"], m.start(), m.end(), True, "pai", 2)
        elif not before and (former := _FORMER.match(text, m.end())):
            yield Read("preop_pai", former[1], m.start(), former.end(), True, "pai", 2)
        elif before and (
            later := re.match(
                r"[^.;\n\d]{0,20}\b(?:now|today|currently|to)\b[^.;\n\d]{0,12}([1-5])\b(?!\s*mm)|"
                r"[^.;\n\d]{0,20}\b([1-5])\s*(?:today|now|currently|at\s+recall)",
                text[m.end() :],
            )
        ):
            yield Read("preop_or_pai", later[1] or later[2], m.start(), m.end() + later.end(), True, "pai_now", 2)


_VISITS = re.compile(
    r"\b(?:in\s+|over\s+|completed\s+in\s+)?(?P<n>[1-6]|one|two|three|four|single)\s*-?\s*(?:visits?|"
    r"appts?|appointments?|sittings?|sessions?)\b(?!\s*(?:ago|remain|left))"
    r"|\b(?:number\s+of\s+)?visits?\s*(?::|=|#:|-)+\s*(?P<m>[1-6])\b"
    r"|\bvisit\s*#?\s*(?P<i>[1-6])\s*(?:of|/)\s*(?P<of>[1-6])\b"
    r"|(?<![\d.#])\b(?P<v>[1-4])v\b"
    r"|\b(?P<o>1st|2nd|3rd|4th|first|second|third|fourth)\s+(?:and\s+(?:final|last)\s+)?(?:visit|appt|"
    r"appointment|sitting)\b"
)
_DONE = re.compile(
    r"obtur|\bfilled\b|completed|\bcomplete\b|rct done|finished|\bgp\b|gutta|condens|single cone|\bwvc?\b"
)


def _visits(note: Note) -> Iterator[Read]:
    text = note.clean
    for m in _VISITS.finditer(text):
        if m["n"] and (part := re.search(r"([1-6])\s*(?:of|/)\s*$", text[max(0, m.start() - 8) : m.start("n")])):
            yield Read("visits", m["n"], m.start(), m.end(), part[1] == m["n"], "visit_of", 2)
        elif m["n"] or m["m"] or m["v"]:
            yield Read("visits", plain(_float(m["n"] or m["m"] or m["v"])), m.start(), m.end(), True, "visits", 3)
        elif m["i"]:
            yield Read("visits", m["of"], m.start(), m.end(), m["i"] == m["of"], "visit_of", 2)
        elif _DONE.search(text) and not text[: m.start()].rstrip().endswith(("since", "from", "at last")):
            yield Read(
                "visits", plain(_float(m["o"])), m.start(), m.end(), m["o"] not in ("1st", "first"), "visit_nth", 1
            )


def _sentence_text(note: Note, position: int) -> str:
    s = note.sentences[note.sentence_at[note.clean_token_at(position)]]
    return note.clean_span(s.first, s.last)


def _float(text: str) -> float:
    text = re.sub(r"\s+an?$", "", text.strip())
    if text.startswith("one") and "half" in text:
        return 0.5
    return float(_COUNTS[text]) if text in _COUNTS else float(text.replace(",", "."))


# What has to stand in a note for a reader to look at it at all: most notes speak of little.
_READERS: tuple[tuple[frozenset[str], Callable[[Note], Iterator[Read]]], ...] = (
    (words_of(
    "naocl na naoc1 naocl2 hypochlorite hypochloride hypochlor hypo bleach sodium irrigated irrigation irrig "
               "ocl hypochlorit"
), _hypochlorite),
    (words_of(
    "c&s c/s maf maf's mafs master apical final instrumented instrumentation enlarged shaped shaping prepared prepped "
               "rotary cleaned c filed niti finished reciprocating recip reciprocation files file hand size taper "
               "instr m mafs single rotaries mac sequence mas"
), _sizes),
    (words_of(
    "mm millimeters millimeter apex short flush long mil mils ra"
), _lengths),
    (words_of(
    "canals canal orifices wl wls mb mb1 mb2 db located lengths canaled c"
), _canals),
    (words_of(
    "ferrule ferule fer"
), _ferrule),
    (words_of(
    "pai pai1 pai2 pai3 pai4 pai5 periapical p"
), _pai),
    (words_of(
    "visit visits v appt appts appointment appointments sitting sittings session sessions"
), _visits),
)  # fmt: skip
