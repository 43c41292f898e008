"""The strength of the sodium hypochlorite: percentages, ratios of water to stock, shares of its strength."""

import re
from collections.abc import Iterator

from pipeline.notes.measures import COUNTS, NUMBER, PERCENT, Read, number, plain, sentence_text
from pipeline.notes.text import Note
from pipeline.practice.solutions import STOCKS, diluted

_HYPO = (
    r"(?:sod(?:ium|\.)?\s*)?(?:naocl2?|na\s?ocl|naoc1|hypochlorite?|hypochloride|hypochlor|hypo\s?chl\w*|hypo|bleach|"
    r"naocl's)(?:\b|(?=\d))"
)

_STRENGTH = re.compile(
    rf"(?<!\d/)(?P<a>{NUMBER})\s*(?:-|to)?\s*{PERCENT}\s*(?:\(?w/v\)?\s*)?(?:conc\w*\.?\s*|solution\s*|"
    rf"strength\s*)?(?:of\s+)?{_HYPO}"
    rf"|{_HYPO}\s*%\s*[-:=]*\s*(?P<c>{NUMBER})(?!\d)"
    rf"|{_HYPO}\s*(?:solution|soln|irrigation|irrigant|rinse|was|used|at|of|in|is|conc\w*\.?|strength|"
    rf"w/|with|a|the|full|[:=,(@]|-|\s)*"
    rf"(?P<b>{NUMBER}){PERCENT}"
)
_BARE_STRENGTH = re.compile(
    rf"{_HYPO}\s*(?:[:=(@]|at|strength|conc\w*\.?|-)*\s*(?P<a>{NUMBER})\)?(?![\d:]|/\d|\s*(?:ml|cc|mm|min|"
    rf"sec|x\b|to\b|:|/\s*\d|syr|%|part|\.\d))"
)
_STRENGTH_WITHOUT_SIGN = re.compile(rf"(?<![\d:/.])(?P<a>{NUMBER})\s+{_HYPO}")
_OF_OTHER = re.compile(r"\s*(?:edta|chx|chlorhex|citric|saline|lido|artic|h2o2)")
_DILUTED = re.compile(r"(?<!un)\bdil(?:uted?|ution)\b|\bdil\.")
_UNNAMED_STRENGTH = re.compile(
    rf"irrig\w*\.?\s*(?:strength|conc\w*\.?)?\s*(?:with|w/|:)?\s*(?P<a>{NUMBER}){PERCENT}(?!\s*(?:edta|"
    rf"chx|chlorhex|saline|lido|artic))"
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
_STOCK = re.compile(rf"{_HYPO}\s*({NUMBER})(?![\d:/%])(?=[^.;]{{0,20}}\bdilut)")
_SHARE = re.compile(r"(full|half|quarter|1/2|1/4)[\s-]*(?:strength|str|conc\w*)")
_EQUAL = re.compile(r"\bequal\s+(?:parts?\s+|volumes?\s+|amounts?\s+)?(?:of\s+)?(?:water|saline|distilled|sterile)")
_SHARES = {"full": 0, "half": 1, "1/2": 1, "quarter": 3, "1/4": 3}
_DILUTED_TO = re.compile(rf"\bdil(?:uted?|\.)?\s*(?:down\s*)?to\s*({NUMBER}){PERCENT}")
_PARTS = re.compile(
    rf"(?P<a>\d|one|two|three|four|five)\s*parts?\s*(?:of\s+)?(?:{NUMBER}{PERCENT}\s*)?(?P<what>{_BLEACH}\w*|"
    rf"{_WATER})[^.;\n]{{0,25}}?\b(?:to|and|:|,|with|/)\s*(?P<b>\d|one|two|three|four|five)\s*parts?"
)
_ONE_TO_WATER = re.compile(
    rf"(?P<b>\d|one|two|three|four|five)\s*parts?\s*(?:to|in|with|:)\s*(?P<w>\d|one|two|three|four|five)\s*parts?\s*(?:of\s+)?{_WATER}"
)
_WEAKEST_STOCK = 4  # percent; weaker ones are not sold to be diluted (common practice, no source)
_HYPO_WORD = re.compile(_HYPO)


def hypochlorite(note: Note) -> Iterator[Read]:
    """Strengths, or ratios where the stock is not told."""
    text = note.clean
    ratios = list(_ratios(note))
    within = [(r.start, r.end) for r in ratios]
    found = False
    if (m := _DILUTED_TO.search(text)) and _HYPO_WORD.search(text):
        yield Read.of("naocl_percent", plain(number(m[1])), m, True, "naocl_diluted_to")
        return
    for m in _STRENGTH.finditer(text):
        if m["b"] and "," in text[m.start() : m.start("b")] and _OF_OTHER.match(text, m.end()):
            continue  # "NaOCl, 17% EDTA"
        value = number(m["a"] or m["b"] or m["c"])
        if any(a <= m.start() < b or m.start() < a < m.end() for a, b in within):
            continue
        found = True
        # "8.25% diluted": by how much is not told where no ratio stands beside it.
        sure = 0 < value <= 12 and not _DILUTED.search(sentence_text(note, m.start()))
        yield Read.of("naocl_percent", plain(value), m, sure, "naocl_percent")
    yield from ratios
    if found or ratios:
        return
    for pattern, named in ((_BARE_STRENGTH, True), (_STRENGTH_WITHOUT_SIGN, False)):
        for m in pattern.finditer(text):
            value = number(m["a"])
            if value in _USUAL:
                sure = value % 1 != 0 or (named and value > 2)
                yield Read.of("naocl_percent", plain(value), m, sure, "naocl_bare")
                return
    for m in _UNNAMED_STRENGTH.finditer(text):
        value = number(m["a"])
        if value in _USUAL:
            yield Read.of("naocl_percent", plain(value), m, False, "naocl_unnamed")


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
            a, b = _count(m["a"]), _count(m["b"])
            water, bleach = (a, b) if re.match(_WATER, m["what"]) else (b, a)
            spans.append((m.start(), m.end(), water, bleach))
        if not spans:
            spans = [(m.start(), m.end(), _count(m["w"]), _count(m["b"])) for m in _ONE_TO_WATER.finditer(part)]
        for m in _RATIO.finditer(part) if not spans else ():
            around = part[max(0, m.start() - 45) : m.end() + 45]
            if not (_HYPO_WORD.search(around) or "dilut" in around):
                continue
            a, b = _count(m[1]), _count(m[2])
            if _BLEACH_FIRST.search(around) and not _WATER_FIRST.search(around.replace("dilut", "")):
                a, b = b, a
            spans.append((m.start(), m.end(), a, b))
        for first, last, water, stock_parts in spans:
            if not stock_parts or water > 20:
                continue
            other = [
                m for m in re.finditer(rf"({NUMBER}){PERCENT}(?!\s*(?:edta|chx|chlorhex|lido|artic|epi))", part)
                if abs(m.start() - last) < 60 or abs(first - m.end()) < 60
            ]  # fmt: skip
            hypo = [m for m in _HYPO_WORD.finditer(part) if abs(m.start() - last) < 60 or abs(first - m.end()) < 60]
            if not other and (bare := _STOCK.search(part)) and number(bare[1]) in STOCKS:
                other = [bare]  # "NaOCl 5.25 diluted 1:1"
            places = [first, *(m.start() for m in hypo[:1]), *(m.start() for m in other[:1])]
            ends = [last, *(m.end() for m in hypo[:1]), *(m.end() for m in other[:1])]
            a, b = start + min(places), start + max(ends)
            # Bleach first is seldom meant by 1:3; which of the two it is has to be asked.
            clear = not water or water >= stock_parts or bool(_WATER_FIRST.search(part) or _BLEACH_FIRST.search(part))
            if other:
                stock = number(other[0][1])
                given = diluted(stock, water=water, stock=stock_parts)
                strengths = {number(m[1]) for m in other}
                clear = clear and (water > 0 or len(strengths) == 1)  # "full strength (5.25 %) replaced by 2.5 %"
                equals = re.search(rf"[=(]\s*(?:approx\w*\.?\s*|~\s*)?({NUMBER}){PERCENT}", part[last:])
                if equals and (abs(number(equals[1]) - stock) < 1e-9) and stock < 4 and water:
                    given = stock  # the strength after the dilution is what is given: "half strength (2.6 %)"
                elif water and stock < _WEAKEST_STOCK and _HYPO_WORD.search(part):
                    # "1.3 % (3:1)": what is given is the strength after the dilution.
                    given = stock
                    clear = any(abs(diluted(s, water=water, stock=stock_parts) - stock) < 0.15 for s in STOCKS)
                yield Read(
                    "naocl_percent", plain(round(given, 1) if water else given), a, b, clear, "naocl_ratio_of_stock"
                )
            else:
                yield Read("naocl_ratio", f"{water}:{stock_parts}", a, b, clear and water > 0, "naocl_ratio")
            return


def _count(word: str) -> int:
    return int(COUNTS.get(word) or word)
