"""The size to which canals were shaped."""

import re
from collections.abc import Iterator
from itertools import pairwise

from pipeline.notes.measures import CANAL_WORD, Read, sentence_text
from pipeline.notes.text import Note
from pipeline.practice.file_sizes import SIZES

_SIZE = re.compile(
    r"(?<![\d.:%])(?:#|size|sz|iso|no\.?)?\s*(\d{2,3})(?:\s*[/,.@-]?\s*(?:\.|0|\.0)(\d{1,2})\b|"
    r"(?:\s*/\s*(\d)\b))?(?!\d|\s*(?:mm|%|\.\d|ml|cc|sec|min|ga))"
)
_MAF = re.compile(
    r"\b(?:m\.?a\.?f\.?s?(?=\b|\d|\s)|mast(?:er|\.)\s+(?:apical\s+)?files?(?:\s+size)?|master\s+apical\s+(?:file|size|prep\w*)|"
    r"gaug(?:ed|ing)(?:\s+at|\s+to)?|sizes(?=\s*[:=-]?\s*(?:mb|ml|db|dl|[bpdlm])\b)|(?:final\s+)?apical\s+(?:size|prep\w*(?:\s+size)?|diameter|enlarg\w*)|"
    r"sizes?\s+at\s+(?:the\s+)?apex|apical\s+(?:stop|gaug\w*)(?:\s+(?:was|prepared|made|cut|created|of))*(?:\s+(?:at|to))?|largest\s+(?:apical\s+)?(?:file|instrument)(?:\s+(?:to|at)\s+(?:wl|length|the\s+apex|apex))?|final\s+(?:apical\s+)?(?:file|size|instrument|shap\w+)(?:\s+size)?|last\s+(?:file|size)|apical(?=\s*[:=]?\s*#?\d\d\b)|mac|mas)(?![a-z])"
)
_SIZE_MAF = re.compile(
    r"(?<![\d.:/#])(?:#|size\s*)?(\d{2,3})\s*(?:k(?:\s?-?\s?files?)?\s*)?(?:maf|master(?:\s+apical\s+file)?|final)\b"
)
_FILE_SIZE = re.compile(
    r"\brecip\w*\s*(?:motion\s+)?(?:files?\s*)?,?\s*(?:#|size\s*)?(?P<n2>\d{2})\b(?!\s*(?:mm|%|min|sec))|\b(?:recip\w*|rotary|"
    r"single|one)\s+(?:niti\s+|rotary\s+|reciprocating\s+)?(?:files?|"
    r"instruments?)\s*[,(]?\s*(?:of\s+)?(?:size\s*|iso\s*|no\.?\s*)?#?(?P<n>\d{2})\b(?!\s*(?:mm|%|min|sec)|\s*[,>-]\s*\d{2})"
)
_PER_CANAL = re.compile(
    rf"\b{CANAL_WORD}s?\b[\s:=-]*(?:to\s+|size\s+)?#?(\d{{2}})\b(?![.,/]\d\s*mm|\s*mm|\.\d)|"
    rf"(?<![\d.])(\d{{2}})(?:\s*[./]\s*\.?0\d)?\s+(?:size\s+)?(?:in\s+|on\s+|for\s+)?(?:the\s+)?(?:mb|db|ml|dl|mesial|distal|"
    rf"palatal|buccal|lingual|[mdpbl])s?\b"
)
_STOP_SIZES = re.compile(
    r"[;\n]|\.(?=\s|$)|\b(?:wl|working|naocl|irrig|obtur|edta|gp|cone|wvc|sealer|mm\b|patency|glide|dam)\b"
)
_SHAPED = re.compile(
    r"\b(?:instrument\w*|instr\.?|enlarg\w*|shap\w+|prepar\w*|prepp?ed|(?<!crown )(?<!crn )prep|"
    r"cleaned|c&s|c/s|c\s&\s?s|filed|"
    r"filing|rotary|rotaries|rotated|finish\w*|"
    r"recip\w*|niti|bmp|machined|went|opened|widened|taken|files?|hand|sequence|technique|system|apex|apically|"
    r"apical|canals?|to)\b"
    r"(?:[^.;\n\d#]|\.(?=\d)){0,120}?\b(?:to|at|up\s+to|upto|till|through|thru|until|with|w/|@|=)\s+(?:an?\s+|the\s+)?(?:final\s+)?"
    r"(?P<size>(?:#|size|sz|iso|"
    r"no\.?)?\s*(?:#\s*)?(?:iso\s*)?(?P<n>\d{2,3})(?P<taper>\s*[/,.@-]?\s*(?:\.0?\d{1,2}|0\d)\b|"
    r"\s*/\s*\d\b)?(?:\s*tap\w*)?)(?!\d|\s*(?:mm|%|ml|cc|sec|min|ga\b))"
)
_TAPERED = re.compile(
    r"(?<![\d.:/])(?:#\s*)?(?P<n>\d{2,3})\s*(?:/\s*\.?0?|\.0|\s\.0|@\.0|\s0(?!\d\s+\d)|\s*taper\s*\.?0?)(?P<t>[2-9]|"
    r"1[02])\b(?![/\d]|\s*mm)"
)
# "25 6 %" and "30/4%": a taper, unless what is so strong follows.
_TAPER_PERCENT = re.compile(
    r"(?<![\d.:/])#?(?P<n>\d{2})(?:\s*/\s*|\s+)(?P<t>[2-9])\s?%(?!\s*(?:w/v\s*)?(?:sod|na|hypo|bleach|edta|chx|chlor|lido|lign|"
    r"artic|epi|sol|h2o2|citric))"
)
_CORONAL = re.compile(r"\b(?:orifices?|coronal\w*|flar\w+|openers?)\b[^.;,\n]{0,25}$")
_TAPER_FIRST = re.compile(r"(?<![\d:])\.0[2-8]\s*[/ ]\s*#?(?P<n>\d{2})\b(?!\s*(?:mm|%|ml|min))")
_SIZE_ALONE = re.compile(
    r"\b(?:size|iso)\s*[:=]?\s*#?(?P<n>\d{2})\b(?!\s*(?:mm|%|k\b|k-?files?|files?|hand|gates|bur|patency))"
)
_SMALL_FIRST = re.compile(
    r"(?:patency|glide\s*path|glidepath|scout\w*|initial|negotiat\w*|k\s?-?\s?files?|path|loose|"
    r"explor\w*)\s*(?:\w+\s*){0,3}$"
)
_ENGINE = re.compile(r"\brotar(?:y|ies)\b|\bniti\b|\brecip")
_HAND_FILE = re.compile(r"k\s?-?\s?files?")
_HAND_TO = re.compile(
    r"\b[kh]\s?-?\s?files?\s*(?:#?\d{2}\s*(?:-|to|till|upto)\s*)?#?(?P<n>[2-9][05]|1[0-4]0)\b(?!\s*(?:mm|%|min|sec))|"
    r"\bhand[\s-]*(?:(?:filed|files?|instrumented|instrumentation|prep\w*)\s*)?(?:to\s+)?(?:size\s*|iso\s*)?#?(?P<h>[2-9][05]|1[0-4]0)\b(?!\s*(?:mm|%|min|sec))|"
    r"(?:^|[.;]\s+)#(?P<z>[5-9][05]|1[0-4]0)(?=\s*[.;])"
)
_OF_SOME = re.compile(r"\s*(?:in\s+|on\s+)?(?:the\s+)?(?:mesial|distal|buccal|palatal|lingual|mb|db|ml|dl)")
_POINT = re.compile(r"\b(?:gp|gutta[\s-]percha|cones?|points?)\s*(?:,\s*)?$")
_CANAL_BEFORE = re.compile(rf"(?<![a-z]){CANAL_WORD}s?\s*(?:to\s+)?$")
_OF_ONE = re.compile(rf"\s*\(\s*{CANAL_WORD}\s*\)")
_BROKE_JUST = re.compile(r"\b(?:fractured|broken?|snapped|separated|sep'?d)\s+(?:an?\s+|the\s+)?(?:size\s+)?#?$")
_BROKE = re.compile(r"\bfragment|\bsep(?:'?d)?\b|separat|\bbroke|breakage|fractured (?:file|instr)")
_ONE_SIZE = r"#?(\d{2})(?:\s?/\s?\.?0?\d\b|\.0\d\b)?%?"
_RISING = re.compile(
    r"\b(?:rotar(?:y|ies)|rot|niti)\b[^.;\n\d]{0,25}(?:\.0\d\s+)?"
    + r"\s*(?:->|[,>&/-]|to|then|\s)\s*".join([_ONE_SIZE] * 3)
)


def sequences(note: Note) -> Iterator[Read]:
    """Three sizes or more of engine files, each larger than the one before, are a sequence."""
    for m in _RISING.finditer(note.clean):
        if int(m[1]) < int(m[2]) < int(m[3]) and {int(m[2]), int(m[3])} <= set(SIZES):
            yield Read.of("instrumentation", "rotary_sequence", m, True, "sizes_rising")


def sizes(note: Note) -> Iterator[Read]:
    """The final size; of several the largest, sure where the canals do not differ."""
    text = note.clean
    told = False
    for m in _MAF.finditer(text):
        rest = text[m.end() : m.end() + 90]
        stop = _STOP_SIZES.search(rest)
        rest = rest[: stop.start()] if stop else rest
        sizes = [(int(s[1]), s.end()) for s in _SIZE.finditer(rest) if int(s[1]) in SIZES]
        if not sizes or sizes[0][1] > 45:
            continue
        told = True
        same = len({n for n, _ in sizes} | _sizes_of_canals(note, m.start())) == 1
        same = same and not (len(sizes) == 1 and _OF_ONE.match(text, m.end() + sizes[0][1]))
        largest = max(n for n, _ in sizes)
        yield Read("master_apical_size_iso", str(largest), m.start(), m.end() + sizes[-1][1], same, "apical_size", 3)
    if told:
        return
    for m in _SIZE_MAF.finditer(text):
        if int(m[1]) in SIZES:
            yield Read.of("master_apical_size_iso", m[1], m, True, "apical_size", weight=3)
            return
    found: list[tuple[int, int, int, bool]] = []
    for m in _FILE_SIZE.finditer(text):
        size = int(m["n"] or m["n2"])
        if size in SIZES and size >= 15:
            found.append((size, m.start(), m.end(), not _OF_SOME.match(text, m.end())))
    for m in _HAND_TO.finditer(text):
        if (
            (size := int(m["n"] or m["z"] or m["h"])) in SIZES
            and size >= 25
            and not _BROKE.search(sentence_text(note, m.start()))
        ):
            found.append((size, m.start(), m.end(), True))
    for m in _SHAPED.finditer(text):
        size = int(m["n"])
        if re.search(r"step\s?-?back\s+to\s+$", text[: m.start("size")][-14:]):
            continue
        if _CORONAL.search(text[max(0, m.start("size") - 40) : m.start("size")]):
            continue
        if size in SIZES and size >= 15 and not _is_first(text, m.start(), m.start("size"), size):
            around = sentence_text(note, m.start())
            if _BROKE.search(around) and "bypass" not in around:
                continue  # "cleaned to size 20 when the file broke"
            passed_by = bool(_BROKE.search(around))  # it may be the size of that canal alone
            strong = bool(m["taper"]) or "#" in m["size"] or "size" in m["size"] or "iso" in m["size"] or size >= 20
            start = max(m.start(), text.rfind(",", m.start(), m.start("size")) + 1)
            found.append((size, start, m.end(), strong and not passed_by))
    for m in _TAPERED.finditer(text):
        before = text[max(0, m.start() - 40) : m.start()]
        other = bool(_CORONAL.search(before) or _BROKE_JUST.search(before))  # not the last one
        other = other or (before.endswith("(") and bool(_BROKE.search(before)))
        if (
            int(m["n"]) in SIZES
            and int(m["n"]) >= 15
            and not (other or _BROKE.match(text[m.end() :].removeprefix(" file ")))
        ):
            found.append((int(m["n"]), m.start(), m.end(), True))
    for m in _TAPER_PERCENT.finditer(text):
        if int(m["n"]) in SIZES and int(m["n"]) >= 15:
            found.append((int(m["n"]), m.start(), m.end(), True))
    for m in _TAPER_FIRST.finditer(text):
        if int(m["n"]) in SIZES:
            found.append((int(m["n"]), m.start(), m.end(), True))
    if not found:
        for m in _SIZE_ALONE.finditer(text):
            small = _SMALL_FIRST.search(text[max(0, m.start() - 25) : m.start()])
            broken = _BROKE.search(sentence_text(note, m.start()))
            if int(m["n"]) in SIZES and int(m["n"]) >= 20 and not (small or broken):
                # The size of a point is not that of the canal for certain.
                of_point = _POINT.search(text[max(0, m.start() - 12) : m.start()])
                found.append((int(m["n"]), m.start(), m.end(), not of_point))
    if found:
        top = max(found)
        rising = all(a[0] <= b[0] for a, b in pairwise(found))
        others = _sizes_of_canals(note, top[1]) - {top[0]}
        if len({f[0] for f in found}) > 1 and _CANAL_BEFORE.search(text[max(0, top[1] - 14) : top[1]]):
            rising = False  # "to 30, D 40": of one canal
        sure = top[3] and not others and (rising or len({f[0] for f in found}) == 1)
        yield Read("master_apical_size_iso", str(top[0]), top[1], top[2], sure, "shaped_to", 1)


def _is_first(text: str, start: int, end: int, size: int) -> bool:
    """Whether a size is of the files that go first; a hand file from 25 on ends the shaping."""
    if size <= 20 and "hand" in text[max(0, start - 5) : end] and _ENGINE.search(text):
        return True  # the rest is done by engine
    m = _SMALL_FIRST.search(text[max(0, start - 25) : end])
    return m is not None and not (size >= 25 and _HAND_FILE.match(m[0]))


def _sizes_of_canals(note: Note, position: int) -> set[int]:
    """Sizes that the words around a place give to single canals: where they differ no one size is the tooth's."""
    before = note.clean[max(0, position - 40) : position].rpartition("mm")[2]  # what is in mm is no size
    around = before + note.clean[position : position + 90]
    found = {int(a or b) for a, b in _PER_CANAL.findall(around)}
    return {n for n in found if n in SIZES and n >= 20}
