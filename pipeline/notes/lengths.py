"""Distances: the filling to the apex, the height of the ferrule."""

import re
from collections.abc import Iterator

from pipeline.notes.measures import MM, NUMBER, Read, number, plain, sentence_text
from pipeline.notes.text import Note

_HOW_FAR = rf"(?P<n>{NUMBER}|one[\s-]half|half(?:\s+an?)?|one|two|three|1/2)(?:\s*(?:-|to)\s*(?P<n2>{NUMBER}))?"
_APEX = (
    r"(?:(?:the|of|from|to|at|radiographic|radiograph\w*|rad\.?|xray|x-ray|anatomic\w*|anat\.?|root|apical|"
    r"ra\b|film)\s*)*(?:apex|apices|terminus|foramen|constriction|root\s?end|root\s?tip|ra\b|"
    r"radiographic\s+term\w*|eal|\.?0(?:\.0)?\s+reading)"
)
_SHORT_OF = re.compile(
    rf"(?P<range>(?<!to )\bwithin\s+|<\s*|less than\s+)?{_HOW_FAR}{MM}\s*(?:short|shy|coronal|away|back|from|"
    rf"off|inside|before)\s*(?:(?:of|from|to)\s+)?(?P<apex>{_APEX})?"
    rf"|\bto\s+(?:within\s+)?{_HOW_FAR.replace('P<n>', 'P<w>').replace('P<n2>', 'P<w2>')}{MM}\s*of\s+(?P<apex3>{_APEX})"
    rf"|\bshort\s*(?:of\s+(?:the\s+)?(?:radiographic\s+)?apex\s*)?(?:by|"
    rf":)?\s*{_HOW_FAR.replace('P<n>', 'P<m>').replace('P<n2>', 'P<m2>')}{MM}"
    rf"|(?:fill\w*|gp|length|obt\w*)\s*:?\s*(?P<r>{NUMBER})\s*short\b"
    rf"|(?<![\d.])(?P<q>{NUMBER})\s*short\s+(?:of|from)\s+(?P<apex2>{_APEX})|(?<![\d.])(?P<s>[0-2]?\.\d|[12])\s*short\b(?!\s+\w)"
    r"|\beal\s*-\s*(?P<e>[0-2]?\.\d|[12])\b(?!\s*mm)"
    rf"|(?:apex|ra|eal|length)\s*(?:reading\s*)?(?:minus|-)\s*(?P<k>{NUMBER}){MM}"
)
_LONG = re.compile(
    rf"{_HOW_FAR}{MM}\s*(?:long\b|past|beyond|over\b|overfill\w*|overextend\w*|overext\w*|extru\w*|through|thru)"
    rf"|(?:overfill\w*|overextend\w*|over-?extension|extru\w*|long)\s*(?:by|of|:|about|~)?\s*(?P<m>{NUMBER}){MM}"
)
_FLUSH = re.compile(
    rf"(?:flush|even)\s*(?:with|at|to|w/)?\s*{_APEX}|(?:fill\w*|obt\w*|gp|"
    rf"gutta[\s-]percha)\s+(?:\w+\s+){{0,2}}(?:to|at|upto|up\s+to|till)\s+{_APEX}"
    rf"|\b(?:pa|film|x-?ray|iopa)\b\W*(?:[a-z]+\W+){{0,2}}(?:to|at|upto)\s+{_APEX}"
)
_ENDO_NEAR = re.compile(
    r"fill|obtur|\bgp\b|gutta|\bwl\b|length|cone|apex|sealer|apical|apices|canal|instrument|endo|"
    r"master|rct|recip|naocl|nec\b|\bdam\b|terminus|film|\bpa\b|foramen"
)
_OF_FILL = re.compile(r"fill|obtur|\bgp\b|gutta|cone|final\s+(?:film|pa|x-?ray|rad)|post-?op|completion|dense")
_NOT_LENGTH = re.compile(
    r"margin|post\b(?!-?\s?op)|ferrule|sulcus|crest|pocket|probing|clearance|reduction|contact|separat|fragment|"
    r"file\s+tip|broke|bone|lesion|radioluc|lucen|\brl\b|\barea|dark|resorp|caries"
)

_OF_ANOTHER = re.compile(
    r"\s*(?:of\s+)?(?:the\s+)?(?:pulp|bone|crest|gingiv|margin|floor|furcation|cej|"
    r"nerve|sinus|gp\b|gutta|orifice|canal)"
)
_TRACED = re.compile(r"\btrac(?:e|ed|es|ing)\b|\bsinus\b|\bfistula")
_OF_TRAUMA = re.compile(r"\b(?:splint\w*|reposition\w*|luxat\w*|avuls\w*)\b")  # a tooth that was moved, no filling
_CURT = 45  # letters of a sentence that says nothing else: "1 mm short."
_AS_KEY = re.compile(r"short\s*:|(?:fill|gp|length)\b")


def lengths(note: Note) -> Iterator[Read]:
    """How far short of the apex the filling ends, in mm; negative is long."""
    text = note.clean
    of_endo = bool(_ENDO_NEAR.search(text))
    for pattern, sign, rule in ((_SHORT_OF, 1, "short_of_apex"), (_LONG, -1, "past_apex"), (_FLUSH, 0, "flush")):
        for m in pattern.finditer(text):
            around = sentence_text(note, m.start())
            named = m.groupdict()
            near_apex = (
                sign == 0
                or named.get("apex")
                or named.get("apex2")
                or named.get("apex3")
                or _AS_KEY.match(text, m.start())
                or (_ENDO_NEAR.search(around) if len(around) > _CURT else of_endo)
            )
            if not near_apex or _NOT_LENGTH.search(text[max(0, m.start() - 20) : m.end()]):
                continue
            if sign == 0 and _TRACED.search(around):
                continue  # a point that traces a sinus tract
            if _OF_ANOTHER.match(text, m.end()) or (sign < 0 and _OF_TRAUMA.search(text)):
                continue  # "caries 1 mm short of the pulp"
            first = next((v for name in "nmkqrsew" if (v := named.get(name))), "0")
            second = named.get("n2") or named.get("m2") or named.get("w2")
            far = 0.0 if sign == 0 else number(first)
            sure = (
                far <= 5
                and not (named.get("range") or (named.get("w") and "within" in m.group()))
                and not second
                and (sign != 1 or bool(named.get("apex") or named.get("e") or named.get("w") or "short" in m.group()))
            )
            if second:
                far = (far + number(second)) / 2
            weight = 2 if _OF_FILL.search(text[max(0, m.start() - 60) : m.end() + 30]) else 1
            yield Read.of("length_short_of_apex_mm", plain(sign * far if far else 0), m, sure, rule, weight=weight)


_FERRULE = re.compile(
    rf"\b(?:ferr?(?:ule)?|dentin\w*\s+collar)\b\s*(?:minimal(?:ly)?|only|just|limited|height|effect|of|is|was|at|has|present|all|around|:|=|-|~|>|≥|approx\w*\.?|"
    rf"about|\s)*(?P<gt>[>≥]\s*|at least\s*|min\w*\.?\s*)?(?P<n>{NUMBER})(?:\s*(?:-|"
    rf"to)\s*(?P<n2>{NUMBER}))?(?P<plus>\+)?(?:{MM})?(?!\s*(?:/|%))"
    rf"|(?P<gt2>[>≥]\s*|at least\s*|min\w*\.?\s*)?(?P<m>{NUMBER})(?:\s*(?:-|"
    rf"to)\s*(?P<m2>{NUMBER}))?(?P<plus2>\+)?(?:{MM}|(?=\s+ferr?ule))\s*(?:of\s+)?(?:(?!short)[\w-]+\s+){{0,3}}(?:fer(?:r?ule)?|dentin\w*\s+collar)\b"
    rf"|(?P<k>{NUMBER}){MM}\s*(?:of\s+)?(?:sound|healthy|vertical|coronal|remaining|natural|tooth|\s)*(?:dentine?|structure|wall)\s*"
    r"(?:height\s*)?(?:\w+\s+){0,2}?(?:above|coronal\s+to|supra)\s*(?:the\s+)?(?:\w+\s+)?(?:margin|finish)"
)
_NO_FERRULE = re.compile(
    r"\b(?:no|without|w/o|zero|lacks|lacking)\s+(?:an?\s+)?(?:\w+\s+)?ferr?ule\b|\bferr?ule\s*(?::|"
    r"=)?\s*(?:none|absent)"
)


_PARTLY = re.compile(r"\s*(?:on|at|in|facial|buccal|lingual|mesial|distal|m\b|d\b|b\b|l\b)")


def ferrule(note: Note) -> Iterator[Read]:
    """Heights of the ferrule, in mm."""
    text = note.clean
    for m in _FERRULE.finditer(text):
        first, second = m["n"] or m["m"] or m["k"], m["n2"] or m["m2"]
        value = number(first)
        loose = bool(m["gt"] or m["gt2"] or m["plus"] or m["plus2"] or second) or ">" in m.group()
        if second:
            value = (value + number(second)) / 2
        if value <= 8 and ("." in first or m["n"] or "m" in m.group().partition("fer")[0]):
            yield Read.of("ferrule_mm", plain(value), m, not loose, "ferrule")
    for m in _NO_FERRULE.finditer(text):
        yield Read.of(
            "ferrule_mm", "0", m, not _PARTLY.match(text[m.end() :]) and "adequate" not in m.group(), "no_ferrule"
        )
