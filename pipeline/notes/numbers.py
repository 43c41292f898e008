"""Values that are numbers: how many canals and visits, the periapical index, and all readers of numbers."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

from pipeline.notes.hypochlorite import hypochlorite
from pipeline.notes.lengths import ferrule, lengths
from pipeline.notes.measures import CANAL, CANAL_WORD, Read, number, on_one_line, plain
from pipeline.notes.sizes import sequences, sizes
from pipeline.notes.text import Note, words_of

_CANALS = on_one_line(
    r"(?<![\d./#:+])\b(?P<n>[1-6]|one|two|three|four|five|single)\s*(?:-\s*|x\s+)?(?:,?\s*(?:separate|distinct|total|main|patent|"
    r"wide|large|narrow|straight|curved|fine|oval|round|long|tight|calcified|sclerosed|negotiable|visible|rc(?=\s+orifices)|"
    r"root(?=\s+canal\s+orifices|\s+canals\s+(?:were\s+|are\s+)?(?:found|located|identified|negotiated|instrumented|patent|present|shaped|cleaned)))\s+){0,2}(?:canals?|canaled|cans?|orifices)\b(?!\s*(?:left|remain))"
    r"|\b(?P<p1>[1-4])\s*\+\s*(?P<p2>[1-3])\s*canals?\b|\b(?P<both>both)\s+(?:of\s+the\s+)?canals\b"
    r"|(?<![\d/])(?P<e>[2-5])\s*/\s*(?P=e)\s+canals\b"
    r"|\ball\s+(?P<all>[2-4])(?=\s+(?:to|at|shaped|filled|instrumented)\b|\s*[.;,])"
    r"|\bcanals?\s*(?:found|located|treated|x|:|=|#|number|no\.?|identified|present|negotiated|"
    r"\()*\s*(?::|=|x|\(|-)\s*x?(?P<m>[1-6])\b(?!\s*(?:mm|%|[.,/]\d|:))"
    r"|(?<![a-z:/])\bc\s*:\s*(?P<q>[1-6])\b(?![.,:/]?\d)|(?<![\d.#])\b(?P<c>[1-6])(?:c\b|\s[c]\b(?=\s*[(,.;]))|\bx\s?(?P<k>[1-6])\s+canals?\b|\bcanals?\s+x\s?(?P<j>[1-6])\b"
    r"|\b(?:a\s+|the\s+)?(?P<nth>3rd|4th|5th|third|fourth|fifth)\s+canal\s+(?:\(\s*\w+\s*\)\s*)?(?:was\s+)?(?:found|located|identified|negotiated|present)"
    r"|\b(?:found|located|identified)\s+(?:a\s+|the\s+)?(?P<nth2>3rd|4th|5th|third|fourth|fifth)\s+canal\b"
    r"|\b(?:canals\s+|making\s+|canal\s+count\s*(?:of|is|[=:-])?\s*)(?P<i>[1-6]|three|four|five)(?=\s*(?:[.,;|]|\s/\s|$)(?!\d))"
)
_EACH_CANAL = on_one_line(
    r"\b(?P<a>mb1|mb2|mb|ml|db|dl|d|p|b|l)\s*(?:[=:]\s*\d{2}(?!\d)|(?:1[4-9]|2\d)(?:[.]\d|(?=mm)|\b)(?![\d/]))"
    rf"|(?<![\d.])(?:1[4-9]|2\d)(?:[.]\d)?\s*(?:mm\s*(?:(?:for|in|on)\s+)?|for\s+)(?:the\s+)?(?P<b>{CANAL_WORD})\b"
)
_BY_SIDE = re.compile(
    r"\b(?P<a>[1-3]|one|two|three)\s*(?:m|mesials?|b|buccals?)\b(?P<named>\s+canals?\b)?[^.;\n\d]{0,8}?\b(?P<b>[12]|one|two)\s*"
    r"(?:d|distals?|p|palatals?|l|linguals?)\b(?(named)|\s*(?:canals?|found|located)\b)"
    r"|\b(?P<e>[12]|one|two)\s+(?:canals?\s+)?in\s+(?:the\s+)?(?:mesial|buccal)(?:\s+root)?\W+(?:and\s+)?"
    r"(?P<f>[12]|one|two)\s+in\s+(?:the\s+)?(?:distal|palatal)\b"
    r"|\b(?:mesial|buccal)s?\s*x\s*(?P<c>[1-3])\W+(?:and\s+)?(?:distal|palatal|lingual)s?\s*x\s*(?P<d>[12])\b"
)
_NO_MEASURE = re.compile(
    r"\b(?:mb-?[12]?|ml|db|dl)\s*(?:-+|x|n/?a|none|calcified|not)(?=\s*[/,;)]|\s*$|\s+(?:found|located))"
)
_OF_CANALS = re.compile(r"(?:\d|one|two|three)\s*(?:of|/|out of)\s*$")
_OF_TEETH = re.compile(r"\brct|\broot\b|endo|naocl|hypochl|obtur|gutta|shaped|filed|\bfiles?\b|sealer")
_BESIDE_ONE = re.compile(r"\b(?:other|remaining)\s+$")  # "the other two": of three
_NAMES = re.compile(
    r"\b(mb\s?-?[12]?|ml|db|dl|mm|pal(?:atal)?|ling(?:ual)?|buc(?:cal)?|dist(?:al)?|mesiobuccal|"
    r"mesiolingual|distobuccal|distolingual|mesial|p|d|b|l)\b"
)
_NAME_LIST = re.compile(
    rf"(?:\b(?:canals?|orifices|located|found|mafs?|sizes)\b[^.;\n]{{0,12}}?|\b(?:e?wls?|lengths?)\b[^.;\n]{{0,16}}?)"
    rf"((?:\b{CANAL}\b[\s:=(-]*(?:\d{{1,2}}(?:[.,]\d{{1,2}})?\s*(?:mm)?\)?)?[\s,/&+]*(?:and\s+)?){{2,6}})"
)
_NAMES_FIRST = re.compile(
    rf"(?<![a-z])((?:(?:mb\s?[12]|{CANAL_WORD})\b\s*(?:,\s*and|,\s*&|,|&|\+|/|and)?\s*){{2,6}})(?:canals?\b|were\s+|all\s+)*\s*"
    r"(?:canals|located|found|identified|negotiated)\b"
)
# Three or more names in a row, one of them of two letters, are canals; surfaces have one letter, depths have numbers.
_NAMES_ALONE = re.compile(
    rf"(?<![a-z\d-])(?=[^.;\n]{{0,14}}\b(?:mb|ml|db|dl))(?:{CANAL_WORD}\b\s*(?:,\s*and\b|,\s*&|,|&|\+|/|and\b)?\s*){{3,6}}"
    r"(?![\w\d#]*\d|cusp|root|pocket|surface|wall|line)"
)
_FULL = {"palatal": "p", "pal": "p", "lingual": "l", "ling": "l", "buccal": "b", "buc": "b", "distal": "d", "dist": "d",
         "mesiobuccal": "mb", "mesiolingual": "ml", "distobuccal": "db", "distolingual": "dl", "mesial": "m",
         "mb1": "mb", "mb-1": "mb"}  # fmt: skip


def _canals(note: Note) -> Iterator[Read]:
    text, told = note.clean, False
    if sides := _BY_SIDE.search(text):
        many = number(sides["a"] or sides["c"] or sides["e"]) + number(sides["b"] or sides["d"] or sides["f"])
        yield Read.of("canals", plain(many), sides, True, "canals", weight=2)
        return
    for m in _CANALS.finditer(text):
        kinds = ("n", "m", "k", "j", "c", "i", "nth", "nth2", "q", "all", "e")
        word = next((m[kind] for kind in kinds if m[kind]), "")
        many = 2 if m["both"] else int(m["p1"]) + int(m["p2"]) if m["p1"] else number(word)
        if (m["both"] or m["all"]) and not _OF_TEETH.search(text):
            continue
        before = text[max(0, m.start() - 14) : m.start()]
        many += bool(m["n"]) and many < 4 and bool(_BESIDE_ONE.search(before))
        told = True
        yield Read.of("canals", plain(many), m, not _OF_CANALS.search(before), "canals", weight=2)
    if told:
        return
    each = list(_EACH_CANAL.finditer(text))
    measured = {_FULL.get(name, name) for m in each if (name := m["a"] or m["b"])}
    for m in _NAMES_FIRST.finditer(text):
        if len(names := _named(m[1])) >= 2:
            yield Read.of("canals", str(len(names)), m, True, "canals_named", weight=1)
            return
    for m in _NAME_LIST.finditer(text):
        names = _named(m[1])
        if "mm" in names and re.search(r"\d\s*mm", m[1]):
            names.discard("mm")  # of a length, no canal in the middle
        if len(names) >= max(2, len(measured)):
            yield Read.of("canals", str(len(names)), m, not _NO_MEASURE.search(m[1]), "canals_named", weight=1)
            return
    for m in _NAMES_ALONE.finditer(text):
        if len(names := _named(m[0])) >= 3:
            yield Read.of("canals", str(len(names)), m, True, "canals_named", weight=1)
            return
    if len(measured) >= 2:
        yield Read("canals", str(len(measured)), each[0].start(), each[-1].end(), True, "canals_measured", 1)


def _named(text: str) -> set[str]:
    return {_FULL.get(name := re.sub(r"[\s-]", "", found), name) for found in _NAMES.findall(text)}


_PAI = on_one_line(
    r"\b(?:p\s?a\s?i|periapical\s+index|p\.a\.i\.?)(?![a-z])(?:\s*(?:score|index|grade|of|is|was|now|"
    r"today|currently|preop|pre-op|pre|before|at|remains|still|down|from|to|(?:down\s+)?to|reduced|improved|decreased|changed|went|gone|baseline|initial(?:ly)?|start|looks?|like|appears?|about|around|a|scored?|\)|"
    r"(?:tooth\s+)?\d\d\s+(?=is|was|[:=])|graded?|rated|post|scale|i|would|give|it|category|level|class|reading|rating|value|stands|has|come|came|assessed|estimated|recorded|approx\w*|unchanged|stable|static|no\s+change|as|"
    r"[=:(#-]))*?\s*(?P<a>[1-5]|one|two|three|four|five|i{1,3}|iv|v)(?![a-z\d]|\.\d|\s*(?:mm|%|would|"
    r"/\d\d))(?:\s*/\s*5\b)?(?:\s*(?:down\s+)?(?:->|-->|=>|>|to|→|now)+\s*(?P<b>[1-5])\b(?!\s*mm))?"
)
_PAI_BEHIND = on_one_line(
    r"\b(?:scored?|scoring|rated|graded?|value|index)\s+(?:it\s+|of\s+|as\s+|at\s+|a\s+)*(?P<a>[1-5]|one|two|three|four|five)\s+"
    r"(?:on|by|in|of)\s+(?:the\s+)?(?:pai|periapical\s+index)\b"
)
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}
_BEFORE_BEHIND = re.compile(r"\s*(?:before\b|pre-?\s?op|at\s+(?:baseline|start)|initially|originally)")
_BEFORE = re.compile(
    r"(?:pre-?\s?op\w*|pre-?treatment|before|initial\w*|was|baseline|previous\w*(?!\s+(?:radioluc|lesion|area|path))|prior|from(?!\s+(?:last|the))|start)[^.;\n\d]{0,25}$"
)

_FORMER = re.compile(
    r"(?:[^.\n\d]{0,30}(?:\d[^.\n\d]{0,25})?\b(?:was|from|previously|initially|originally|baseline|base|preop|pre-op|"
    r"against|versus|vs|compared\s+(?:with|to))\s*:?\s*(?:pai\s*)?|\s*\(\s*(?=[1-5]\s*(?:pre|before|initial)))([1-5])\b"
    r"(?!\s*(?:mm|mo|yr|year|week))"
)


def _pai(note: Note) -> Iterator[Read]:
    text = note.clean
    for m in _PAI_BEHIND.finditer(text):
        yield Read.of("preop_or_pai", plain(number(m["a"])), m, True, "pai", weight=2)
    for m in _PAI.finditer(text):
        before = bool(_BEFORE.search(text[max(0, m.start() - 25) : m.start("a")])) or m["b"] is not None
        before = before or bool(_BEFORE_BEHIND.match(text, m.end()))
        field, value = "preop_pai" if before else "preop_or_pai", _ROMAN.get(m["a"]) or plain(number(m["a"]))
        yield Read.of(field, value, m, True, "pai", weight=2)
        if m["b"]:
            yield Read.of("preop_or_pai", m["b"], m, True, "pai", weight=2)
        elif not before and (former := _FORMER.match(text, m.end())):
            # "was 4" may have been at an earlier review.
            known = bool(_BEFORE_BEHIND.match(text, former.end()))
            known = known or any(word in former[0] for word in ("initially", "originally", "preop", "pre-op", "base"))
            yield Read("preop_pai", former[1], m.start(), former.end(), known, "pai", 2)
        elif before and (
            later := re.match(
                r"[^.;\n\d]{0,20}\b(?:now|today|currently|to)\b[^.;\n\d]{0,12}([1-5])\b(?!\s*mm)|"
                r"[^.;\n\d]{0,20}\b([1-5])\s*(?:today|now|currently|at\s+(?:recall|present|review))",
                text[m.end() :],
            )
        ):
            yield Read("preop_or_pai", later[1] or later[2], m.start(), m.end() + later.end(), True, "pai_now", 2)


_VISITS = on_one_line(
    r"\b(?:in\s+|over\s+|completed\s+in\s+)?(?P<n>[1-6]|one|two|three|four|single)\s*-?\s*(?:long\s+|short\s+)?(?:visits?|"
    r"appts?|appointments?|sittings?|sessions?)\b(?!\s*(?:ago|remain|left|after|later|before))"
    r"|\b(?:number\s+of\s+)?visits?\s*(?::|=|#:|-)+\s*(?P<m>[1-6])\b(?!\s*(?:of|/))|\b(?:number\s+of\s+)?(?:visits|sittings|appointments)\s+"
    r"(?P<w>[1-6]|one|two|three|four)\b(?!\s*(?:of|/))|\b(?:visit|sitting|appointment|appt|stage)\s*#?\s*(?P<k>[2-6]|two|three|four)\b(?!\s*of|\s?/\s?\d|\s*(?:[.,]?\d|mm))"
    r"|\b(?:visit|appt|appointment|sitting|stage)\s*[#:]?\s*(?P<i>[1-6])\s*(?:of|/)\s*(?P<of>[1-6])\b"
    r"|\b(?:in|at)\s+(?:the\s+)?(?P<same>same|one)\s+(?:session|sitting|visit|appointment|(?<=one )go)\b"
    r"|\b(?:rct|endo)\s+(?:done\s+|completed\s+|finished\s+)?in\s+(?P<one>one)(?=\s*[.;,]|\s*$)"
    r"|\bv\s?(?P<vk>[2-6])\b(?![.,/]?\d)|\b(?:rct|endo)\s+(?P<p>[2-4])\s*/\s*(?P=p)(?![\d/])"
    r"|\b(?P<day>same(?:\s|-)day\s+(?:completion|rct|endo|obturation|root)|(?:completed|obturated|finished)\s+(?:on\s+)?(?:the\s+)?same\s+day)\b|\b(?:started|begun|opened)\s+(?:and|&|\+)\s+(?P<both>completed|finished|obturated|filled)\b"
    r"|\bvisit\s*,\s*the\s+(?P<the>second|third|fourth)\b"
    r"|\b(?P<x>[1-6])(?:st|nd|rd|th)\s+visit\s+of\s+(?P<xof>[1-6]|two|three|four)\b"
    r"|(?<![\d.#])\b(?P<v>[1-4])v\b"
    r"|\b(?P<o>1st|2nd|3rd|4th|first|second|third|fourth)\s+(?:and\s+(?:final|last)\s+)?(?:visit|appt|"
    r"appointment|sitting|session|stage)\b"
)
_DONE = re.compile(
    r"obtur|\b(?:root\s+)?fill(?:ed|ing)\b(?<!temp filling)(?<!temporary filling)|completed|\bcomplete\b|rct done|"
    r"finished|\bgp\b|gutta|condens|compact|single cone|\bsealer\b|thermoplast|\bcarrier\b|\bwarm vert|\bwvc?\b"
)


def _visits(note: Note) -> Iterator[Read]:
    text = note.clean
    done = bool(_DONE.search(text))
    for m in _VISITS.finditer(text):
        if m["n"] and (part := re.search(r"([1-6])\s*(?:of|/)\s*$", text[max(0, m.start() - 8) : m.start("n")])):
            yield Read.of("visits", m["n"], m, part[1] == m["n"], "visit_of", weight=2)
        elif m["n"] or m["m"] or m["v"] or m["w"]:
            yield Read.of("visits", plain(number(m["n"] or m["m"] or m["v"] or m["w"])), m, True, "visits", weight=3)
        elif m["x"]:
            of = plain(number(m["xof"]))
            yield Read.of("visits", of, m, m["x"] == of, "visit_of", weight=2)
        elif m["i"]:
            yield Read.of("visits", m["of"], m, m["i"] == m["of"], "visit_of", weight=2)
        elif m["same"] or m["one"] or m["day"] or m["both"]:
            if done or m["one"]:
                yield Read.of("visits", "1", m, True, "visits", weight=3)
        elif nth := m["k"] or m["vk"] or m["p"]:
            if done:
                yield Read.of("visits", plain(number(nth)), m, True, "visit_nth", weight=1)
        elif done and not text[max(0, m.start() - 20) : m.start()].rstrip().endswith(("since", "from", "at last")):
            nth = m["o"] or m["the"]
            yield Read.of("visits", plain(number(nth)), m, nth not in ("1st", "first"), "visit_nth", weight=1)


# What has to stand in a note for a reader to look at it at all: most notes speak of little.
_READERS: dict[Callable[[Note], Iterator[Read]], frozenset[str]] = {
    hypochlorite: words_of(
        "naocl na naoc1 naocl2 hypochlorite hypochloride hypochlor hypochl hypo bleach sodium irrigated irrigation "
        "irrig ocl hypochlorit"
    ),
    sizes: words_of(
        ".04 .06 .02 .08 04 06 02 08 bmp gauged gauge till upto c&s c/s maf maf's mafs master apical final "
        "instrumented instrumentation enlarged shaped shaping prepared prepped canals rotary prep apex sizes gauging "
        "cleaned c filed niti finished reciprocating recip reciprocation files file hand size taper instr m mafs "
        "single rotaries mac sequence mas"
    ),
    sequences: words_of("rotary rotaries rot niti"),
    lengths: words_of("terminus foramen apices mm millimeters millimeter apex short flush long mil mils ra"),
    _canals: words_of(
        "canals canal can cans orifices both mesial b mb dl ml db wl wls mb mb1 mb2 db located lengths canaled c"
    ),
    ferrule: words_of("ferrule ferule ferr fer collar dentine dentin structure"),
    _pai: words_of("pai pai1 pai2 pai3 pai4 pai5 periapical p"),
    _visits: words_of(
        "visit visits v v2 v3 v4 rct same started begun one appt appts appointment appointments sitting sittings "
        "session sessions stage"
    ),
}


def numbers_read(note: Note) -> Iterator[Read]:
    """Every value of a number that the note's text says, whatever is said of it around."""
    words = note.word_set
    for read, anchors in _READERS.items():
        if not anchors.isdisjoint(words):
            for found in read(note):
                start, end = note.as_written(found.start, found.end)
                yield replace(found, start=start, end=end)
