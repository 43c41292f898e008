"""What must stand around a phrase for it to mean what the vocabulary says: the names of its column `needs`."""

import re
from collections.abc import Iterator, Mapping

from pipeline.notes.context import PLAN
from pipeline.notes.scene import CHOICE, TREATED, Condition, Scene
from pipeline.notes.text import words_of
from pipeline.notes.vocabulary import TOOTH_WORD, Match

_FOLLOWS = 2  # sentences: "Re-RCT. Old filling short. SAP."
_PREPS = words_of("prep prepped preparation prepared")
_OFF = words_of("came come fell fallen debonded decemented dislodged popped tissue envelope hand bag baggie pocket")
FOR_A_WHILE = words_of("temp temporary provisional prov interim")
PUT_BACK = words_of("recemented recement rebonded recementation reseated")
_RCT_OF_YEAR = re.compile(
    r"\b(?:rct|rct'd|endo|endodontic\s+treatment|root\s+(?:canal|filling|filled|treated|treatment)(?:\s+(?:treatment|therapy|treated|tx))?)\b\s*(?:was\s+|done\s+|"
    r"completed\s+|\(|in\s+|,\s*|tx'?d?\s+|treated\s+)*(?:(?:19|20)\d\d\b|'\d\d\b|\d{1,2}/\d{2,4}\b|last\s+(?:week|month|year)\b)"
)
_CROWN = words_of("crown crn cap pfm fgc mcc")
_STANDS = re.compile(
    r"\b(?:crown|crn|cap|pfm|fgc|mcc)\b(?:(?:\s+(?!(?:not|no|never|lost|off|out|came|fell|will|would|needs?|broken?|broke|debonded|dislodged|"
    r"missing|prep\w*|if|should)\b)[\w'-]+){0,7}?\s+(?:in\s+(?:place|situ|position)|(?:is|was|are|were|remains?|appears?|looks?)\s+"
    r"(?:well\s+|still\s+|firmly\s+|entirely\s+|quite\s+)*(?:intact|sound|adapted|sealed|secure|firm|tight|fixed|satisfactory|"
    r"serviceable|stable|good|fine|retained))|[^.;\n]{0,80}[.;,]\s+(?:it\s+|which\s+|now\s+)?(?:is\s+|are\s+)?(?:still\s+|now\s+)?"
    r"in\s+(?:place|situ|position))\b"
)
_PARTING = frozenset(".,;/|-)(!?\n")
_CLOSING = _PARTING | {"and", "&"}
_ITS = words_of("# tooth crown crn cap it")
_CLAUSE = frozenset(",;.")
_ANYTHING_BREAKS = words_of("fractured fracture broken broke")
_WORK = words_of("prepping seating_strong")
# Beside one of these a crown need not be there, or is that of a tooth without one.
_UNSEEN = words_of(
    "not no n't never without w/o lacks un yet need needs needed will would should plan plans planned recommend "
    "recommended rec recommending advise advised adv suggested await awaiting awaits awaited pending declined declines "
    "refused refuses cost costs afford quote quoted estimate option options discuss discussed consider "
    "considering wants wanted interested if once after before until when for to proceed proceeded next nv future "
    "appt appointment schedule scheduled refer referred return book booked must temp temporary provisional prov "
    "interim tc lost off out missing came come fell fallen loose debonded decemented dislodged absent broke "
    "broken fractured fracture snapped removed remove sectioned replace replaced prep prepped prepared "
    "preparation impression imp scan scanned lab shade cement recement recemented seat try ordered lengthening "
    "ratio root clinical natural anatomic anatomical coronal bridge abutment abutments pontic implant stainless "
    "ssc denture retainer ? vs or delayed neither nor supposed hasn't hasnt haven't fx followed success proposal "
    "proposed choice risk down only instead rather soon ready urgent urgently essential indicated due told "
    "reminded encouraged mentioned asked better best short put glued core"
)
_SENSITIVE_BEFORE = re.compile(
    r"(?<!not )(?<!no )\b(?:hyper)?(?:sensitiv\w+|sens)\b[^.;\n]{0,30}\b(?:before|prior\s+to)\b[^.;\n]{0,20}\b"
    r"(?:prep\w*|crown|treatment|today|cutting)\b"
)
_FILLINGS = words_of("gp gutta percha filling caries crown crn post caoh dam restoration pulp dressing amalgam")
_ENGINES = words_of("rotary rotaries niti reciprocating recip reciprocation solvent retreatment retx engine hybrid")


def _paired(s: Scene, m: Match) -> bool:
    """A short form counts beside another diagnosis or in a sentence that announces one."""
    return s.within(m, "dx") or _beside(s, m)


def _hand_sized(s: Scene, m: Match) -> bool:
    """By hand up to a size: "hand 40"."""
    following = _next_word(s, m)
    return following.isdigit() and 25 <= int(following) <= 140 and CONDITIONS["no_engine"](s, m)


def _beside(s: Scene, m: Match) -> bool:
    """Right beside another diagnosis."""
    other, at = {"pulpal_diagnosis", "apical_diagnosis"}, s.note.sentence_at
    return any(
        (at[o.first] == at[m.first] or "/" in s.note.words[min(o.last, m.last) : max(o.first, m.first)])
        and (
            (o is not m and o.entry.field in other and o.entry.needs != "paired")
            or o.entry.field in other - {m.entry.field}
        )
        for o in s.matches
        if (0 <= o.first - m.last <= 2 or 0 <= m.first - o.last <= 2) and o.entry.needs != "after_pulpal"
    )


def _prepping(s: Scene, m: Match) -> bool:
    headed = {"prepping", "crown"} <= s.sentence_classes(0)
    if TREATED & s.note.word_set and not (headed or s.near(m, "prepping", 12)):
        return False
    kinds = {o.entry.kind for o in s.matches}
    if "crown_material" not in kinds and any(o.entry.field == "apical_diagnosis" and holds(s, o) for o in s.matches):
        return False  # "at the end of prep": that of a canal
    return s.near_work(m.first, "prepping") and "crown" in s.classes


def filled_before(s: Scene) -> re.Match[str] | None:
    """A root canal of a year before, in a note of a crown's preparation."""
    return _told_of_preparation(s, _RCT_OF_YEAR)


def sensitive_before(s: Scene) -> re.Match[str] | None:
    """Sensitivity before the preparation, with words between: "sensitive for some weeks before I prepared it"."""
    return _told_of_preparation(s, _SENSITIVE_BEFORE)


def crown_stands(s: Scene) -> Iterator[re.Match[str]]:
    """What says at a review that a crown is in place, with words between: "the crown that you made is well adapted"."""
    for m in _STANDS.finditer(s.note.clean) if not _CROWN.isdisjoint(s.note.word_set) else ():
        if s.recall_at(s.note.clean_token_at(m.start())):
            yield m


def _told_of_preparation(s: Scene, pattern: re.Pattern[str]) -> re.Match[str] | None:
    m = pattern.search(s.note.clean)
    if m is None or "crown" not in s.classes or TREATED & s.note.word_set:
        return None
    return m if s.near_work(s.note.clean_token_at(m.start()), "prepping") else None


def _not_before(s: Scene, m: Match) -> bool:
    """Clean words that no "before" or "not" stands ahead of."""
    return not {"before", "prior", "not", "n't", "until", "un"} & set(s.note.words[max(0, m.first - 4) : m.last])


def _separated(s: Scene, m: Match) -> bool:
    """Whether a file is said to have separated, by a phrase anywhere or a word near by that is of no tooth or wall."""
    if any(o.entry.field == "separated_instrument" and not o.entry.value for o in s.matches):
        return True
    return s.around(m, "sep") and (not _ANYTHING_BREAKS.issuperset(s.sep_words) or "file_word" in s.classes)


def _of_tooth(s: Scene, m: Match) -> bool:
    """Whether the sentence names a tooth or its crown: "sensitive" alone may be of the gums."""
    return any(w in _ITS or TOOTH_WORD.match(w) for w in s.sentence_words(m.first))


def _crown_seen(s: Scene, m: Match) -> bool:
    """A crown that an examination speaks of in a clause without a word of planning, loss, making or other teeth."""
    if s.is_crown_lost or (s.is_worked and not s.is_recall) or not s.recall_at(m.first, looked=True):
        return False
    at, words = s.note.sentences[s.note.sentence_at[m.first]], s.note.words
    first = next((p + 1 for p in range(m.first - 1, at.first - 1, -1) if words[p] in _CLAUSE), at.first)
    last = next((p for p in range(m.last, at.last) if words[p] in _CLAUSE), at.last)
    told = s.note.words[max(at.first, first - 3) : last]  # "not restored, crown"
    return (
        _UNSEEN.isdisjoint(told)
        and _next_word(s, m) not in ("review", "recall", "check", "checked", "recheck")
        and _WORK.isdisjoint(s.words.classes_of(told))
        and not s.contexts.of(PLAN, m.first, m.last)
        and not any(o.entry.kind == "material" and first <= o.first < last for o in s.matches)  # its cement
    )


def _stands_alone(s: Scene, m: Match) -> bool:
    """Between signs, or at the ends of a sentence or line."""
    at, words = s.note.sentences[s.note.sentence_at[m.first]], s.note.words
    opens = m.first == at.first or words[m.first - 1] in _PARTING or words[m.first - 1] == ":"
    return opens and (m.last >= at.last or words[m.last] in _PARTING)


def _came_off(s: Scene, m: Match) -> bool:
    """Whether a match says that a lasting crown came off, which it may before any work."""
    off = m.entry.field == "crown_in_place" and not _OFF.isdisjoint(s.note.words[m.first : m.last])
    return off and FOR_A_WHILE.isdisjoint(s.note.words[max(0, m.first - 3) : m.last])


def _closes(s: Scene, m: Match) -> bool:
    """At the end of a sentence or line, or ahead of a sign or "and": "crown on, no pain"."""
    return m.last >= s.note.sentences[s.note.sentence_at[m.first]].last or s.note.words[m.last] in _CLOSING


def _between_signs(s: Scene, m: Match) -> bool:
    """A word that stands alone between points and commas, in a note of a root canal."""
    return _stands_alone(s, m) and "endo_strong" in s.classes


def _next_word(s: Scene, m: Match) -> str:
    return s.note.words[m.last] if m.last < len(s.note.words) else ""


CONDITIONS: Mapping[str, Condition] = {
    "": lambda s, m: True,
    "paired": _paired,
    "beside": _beside,
    "after_pulpal": lambda s, m: s.note.words[m.first - 1 : m.first] == ["/"] and any(
        o.entry.field == "pulpal_diagnosis" and o.last == m.first - 1 for o in s.matches
    ),
    "after_apical": lambda s, m: any(
        o.entry.field == "apical_diagnosis" and 0 <= o.first - m.last <= 2 for o in s.matches
    ),
    "dx": lambda s, m: s.within(m, "dx"),
    "endo": lambda s, m: "endo_strong" in s.classes,
    "endo_not_warm": lambda s, m: "endo_strong" in s.classes
    and "warm" not in s.note.words[max(0, m.first - 2) : m.last],
    "crown": lambda s, m: "crown" in s.classes,
    "crown_made": lambda s, m: "crown" in s.classes
    and (s.near_work(m.first, "prepping") or s.near_work(m.first, "seating_strong"))
    and CHOICE.isdisjoint(s.sentence_words(m.first))
    and _next_word(s, m) not in ("post", "inlay", "foil", "posts", "inlays"),
    "prep_alone": lambda s, m: _stands_alone(s, m) and _prepping(s, m),
    "headed_prep": lambda s, m: not _PREPS.isdisjoint(s.sentence_words(0)) and _stands_alone(s, m) and _prepping(s, m),
    "crown_not_body": lambda s, m: "crown" in s.classes and not s.near(m, "body"),
    "recall": lambda s, m: s.recall_at(m.first, looked=True)
    or _came_off(s, m)
    or (m.entry.field == "crown_in_place" and (not s.is_worked or not PUT_BACK.isdisjoint(s.note.word_set)))
    or (m.entry.field == "symptomatic" and (s.is_crown_lost or s.is_treated_before))
    or (m.entry.field == "symptomatic" and not (s.is_worked or s.is_diagnosed or any(s.contexts.said[PLAN]))
        and bool({"crown", "endo"} & s.classes)),
    "through": lambda s, m: "endo_strong" in s.classes or s.is_looked,
    "recall_alone": lambda s, m: s.recall_at(m.first) and _stands_alone(s, m)
    and s.note.words[max(0, m.first - 1)] != "/",
    "recall_closes": lambda s, m: s.recall_at(m.first, looked=True) and _closes(s, m),
    "recall_of_tooth": lambda s, m: s.recall_at(m.first, looked=True) and _of_tooth(s, m),
    "crown_seen": _crown_seen,
    "by_engine": lambda s, m: not {"rotary", "rotaries", "niti"}.isdisjoint(s.sentence_words(m.first)),
    "prepping": _prepping,
    "not_in_endo": lambda s, m: "endo_strong" not in s.classes or s.near_work(m.first, "prepping"),
    "not_prepping": lambda s, m: not _prepping(s, m),
    "filling": lambda s, m: s.within(m, "filling") or "endo_strong" in s.classes,
    "irrigation": lambda s, m: s.within(m, "irrigation"),
    "irrigating": lambda s, m: s.within(m, "irrigating"),
    "instrumenting_not_glide": lambda s, m: s.within(m, "instrumenting") and not s.near(m, "glide"),
    "seating": lambda s, m: s.within(m, "seating"),
    "sep": _separated,
    "sep_taken": lambda s, m: _separated(s, m)
    and _FILLINGS.isdisjoint(s.note.words[max(0, m.first - 4) : m.last + 3]),
    "sep_not_before": lambda s, m: _separated(s, m) and _not_before(s, m),
    "file_word": lambda s, m: s.within(m, "file_word") and s.within(m, "sep"),
    "not_bone": lambda s, m: not s.near(m, "bone", 2),
    "not_barrier": lambda s, m: "endo_strong" in s.classes,
    "not_hand": lambda s, m: not s.near(m, "sep", 2) and "hand" not in s.note.words[m.first : m.last],
    "not_glide": lambda s, m: not s.near(m, "glide"),
    "hand_alone": lambda s, m: "endo_strong" in s.classes
    and not (_ENGINES & s.note.word_set or s.near(m, "glide") or _next_word(s, m) == "#"),
    "no_engine": lambda s, m: "endo_strong" in s.classes and _ENGINES.isdisjoint(s.note.word_set),
    "hand_sized": _hand_sized,
    "hand_between": lambda s, m: not (_ENGINES & s.note.word_set) and _between_signs(s, m),
    "alone_said": _between_signs,
    "not_postop": lambda s, m: "postop" not in s.words.classes.get(_next_word(s, m), ()),
    "with_apical": lambda s, m: not any(
        o.entry.field == "pulpal_diagnosis" and o.entry.needs != "with_apical" and holds(s, o) for o in s.matches
    )
    and any(
        o.entry.field == "apical_diagnosis"
        and abs(s.note.sentence_at[o.first] - s.note.sentence_at[m.first]) <= _FOLLOWS
        and holds(s, o)
        for o in s.matches
    ),
    "not_core": lambda s, m: not s.near(m, "core", 2),
}  # fmt: skip


def holds(scene: Scene, match: Match) -> bool:
    """Whether the condition that the line of a match names holds where it stands."""
    return CONDITIONS[match.entry.needs](scene, match)
