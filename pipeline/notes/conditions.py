"""What must stand around a phrase for it to mean what the vocabulary says: the names of its column `needs`."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import cached_property

from pipeline.notes.context import HISTORY, PLAN, Contexts
from pipeline.notes.text import Note, words_of
from pipeline.notes.vocabulary import TOOTH_WORD, Match, Vocabulary

_FOLLOWS = 2  # sentences: "Re-RCT. Old filling short. SAP."
_NEAR = 4  # tokens to either side
_OPENING = 6  # tokens: what a note is of stands in them
_IS_WHEN = re.compile(r"\d|in$|at$|after$")  # "review 6/52", at the end of a note, is a plan
_OFF = words_of("came come fell fallen debonded decemented dislodged hand bag baggie pocket")
FOR_A_WHILE = words_of("temp temporary provisional prov interim")
PUT_BACK = words_of("recemented recement rebonded recementation reseated")
_AROUND = 8  # sentences to either side
_TREATED = words_of(
    "obturated obturation irrigated irrigation naocl hypochlorite instrumented accessed access maf edta"
)


_AGO = r"(?:mos?|months?|yrs?|years?|wks?|weeks?|/12|/52)"
_RECALL = re.compile(
    rf"(?m:^\s*control\b)|\bcontrol\s+(?:after|visit|film|x-?ray|appointment|\d+\s+(?:after|at))|\bat\s+\d+\s*{_AGO}\b|\d\s*{_AGO}\s+(?:since|following)\b|\bfollow[\s-]*ups?\b|\br/v\b|\bre-?checks?\b|(?:\b|\d){_AGO}\.?\s+(?:\w+\s+)?(?:check|ck|post|p\.?o\b|"
    rf"recall|exam|review|after|pa|film|xray|x-ray|radiograph)\b"
    rf"|\b(?:ck|check)\b.{{0,25}}\d\s*{_AGO}\b|\b(?:post|p|s/p)\s+rct\b.{{0,15}}\d\s*{_AGO}\b|"
    rf"\brct\b.{{0,12}}\d+\s*{_AGO}\s+(?:ago|back)\b"
)


_NOT_DONE = re.compile(
    r"\bnothing (?:was )?done\b|\bnot (?:yet )?(?:been )?(?:started|begun)\b|\bno (?:treatment|tx)(?: (?:was )?(?:done|"
    r"given|rendered|performed|provided))? today\b|\b(?:treatment|tx|procedure|visit) (?:was )?(?:aborted|abandoned|"
    r"cancell?ed|postponed|not (?:started|done))\b|\bno.?show\b|"
    r"\b(?:seat|prep|appt|appointment|insert|delivery)\s+(?:was\s+)?(?:cancell?ed|postponed)\b"
)
# A patient who is called back for a treatment is not reviewed.
_CALLED_BACK = re.compile(
    r"\b(?:recall(?:ed)?|came|visit|appt|returns?|returned|back)\s+(?:for|to)\s+(?:obturat|rct|complet|finish|crown|"
    r"access|second visit|post|core|restor|final)"
)
_ROOT_CANAL = r"(?:rct|re-?rct|root\s+(?:canal|filling|treatment)|endo)"
_TREATED_BEFORE = re.compile(
    rf"\b(?:old|previous|prior|failed|existing|since\s+(?:the\s+)?)\s*{_ROOT_CANAL}\b|\brct'?d\b|\broot\s+(?:treated|filled|canaled)\b|"
    rf"\b{_ROOT_CANAL}\b[^.;\n]{{0,25}}(?:\b(?:19|20)\d\d\b|\bago\b|\bold\b|\belsewhere\b|\bhx\b)|"
    r"\bpost\s+crown\s+in\s+(?:19|20)\d\d"
)
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
_LISTED = 4  # lines
_ITS = words_of("# tooth crown crn cap it")
_SENSITIVE_BEFORE = re.compile(
    r"(?<!not )(?<!no )\b(?:hyper)?(?:sensitiv\w+|sens)\b[^.;\n]{0,30}\b(?:before|prior\s+to)\b[^.;\n]{0,20}\b"
    r"(?:prep\w*|crown|treatment|today|cutting)\b"
)
_ORDERED = words_of("ordered prescribed requested advised sent")
_FILLINGS = words_of("gp gutta percha filling caries crown crn post caoh dam restoration pulp dressing amalgam")
_CHOICE = words_of(
    "bridge or vs versus if option options discussed discuss consider considering wants prefers instead may might could"
)
_LOOKED = words_of(
    "exam examination prophy poe loe perio srp hyg hygiene hygienist hygenist bwx bw fmx pano checkup recare "
    "scaling scale polish pmpr bpe debridement evaluation consult consultation reviewed wi np therapist "
    "pmt maint mtc maintenance telephone phone phoned tel ohi tbi 6mrc perc percussion pas"
)
_WORKED = words_of("retreatment retx canals bleach hypo dam rd rdi obt gp maf wl sealer retreat retreated access")
_ENGINES = words_of("rotary rotaries niti reciprocating recip reciprocation solvent retreatment retx engine hybrid")


class Scene:
    """A note with its classes of words and contexts: what conditions look at."""

    def __init__(self, note: Note, matches: list[Match], contexts: Contexts, words: Vocabulary) -> None:
        self.note, self.matches, self.contexts, self.words = note, matches, contexts, words
        self._sentence_classes: dict[int, set[str]] = {}

    @cached_property
    def classes(self) -> set[str]:
        """Classes of all words of the note."""
        return self.words.classes_of(self.note.word_set)

    @cached_property
    def is_recall(self) -> bool:
        """Whether the note is of a review, not of a treatment that plans one."""
        known = self.words.classes
        seen = [
            place for place, word in enumerate(self.note.words)
            if "recall_strong" in known.get(word, ()) and not self.contexts.said[PLAN][place]
            and not (place > _OPENING and _IS_WHEN.match("".join(self.note.words[place + 1 : place + 2])))
        ]  # fmt: skip
        for m in _RECALL.finditer(self.note.clean):
            place = self.note.clean_token_at(m.start())
            if not self.contexts.said[PLAN][place]:
                seen.append(place)
        if not seen:
            return (
                self._only_looked
                or self._seen_after
                or (self.is_looked and not (self.is_worked or self.is_diagnosed or any(self.contexts.said[PLAN])))
            )
        if _TREATED & self.note.word_set and _CALLED_BACK.search(self.note.clean):
            return False
        return min(seen) <= _OPENING or not _TREATED & self.note.word_set

    @property
    def _seen_after(self) -> bool:
        """Whether a tooth that was treated at another time is looked at, whatever is planned for it."""
        return bool(_TREATED_BEFORE.search(self.note.clean)) and not (
            self.is_worked
            or self.is_diagnosed
            or "prepping" in self.classes
        )

    @property
    def _only_looked(self) -> bool:
        """Whether a note without a word of review is one all the same: nothing is treated, planned for or diagnosed."""
        if {"making", "seating_strong", "dx"} & self.classes or not {"pai", "crown"} & self.note.word_set:
            return False
        diagnosed = any(m.entry.field in ("pulpal_diagnosis", "apical_diagnosis") for m in self.matches)
        worked = (_TREATED | _WORKED) & self.note.word_set
        return not (diagnosed or worked or any(self.contexts.said[PLAN]))

    @cached_property
    def is_diagnosed(self) -> bool:
        """Whether a diagnosis of pulp or apex stands in the note."""
        return any(m.entry.field in ("pulpal_diagnosis", "apical_diagnosis") and holds(self, m) for m in self.matches)

    @cached_property
    def is_worked(self) -> bool:
        """Whether a root canal or crown is worked on, not only planned or told of."""
        said, known = self.contexts.said, self.words.classes
        for place, word in enumerate(self.note.words):
            if not (said[PLAN][place] or said[HISTORY][place]):
                classes = known.get(word, ())
                if word in _TREATED or word in _WORKED or "making" in classes or "seating_strong" in classes:
                    return True
        return False

    @cached_property
    def is_looked(self) -> bool:
        """Whether the mouth was looked at, or cleaned."""
        plan = self.contexts.said[PLAN]
        return any(word in _LOOKED and not plan[place] for place, word in enumerate(self.note.words))

    @cached_property
    def is_crown_lost(self) -> bool:
        """Whether a crown came off."""
        return any(m.entry.field == "crown_in_place" and m.entry.value == "false" for m in self.matches)

    @cached_property
    def is_treated_before(self) -> bool:
        """Whether a tooth that comes with symptoms has a crown or root canal: they are then what came of these."""
        plan = self.contexts.said[PLAN]
        before = [
            m for m in self.matches
            if m.entry.value == "previously_treated" or (m.entry.needs == "through" and not plan[m.first])
        ]  # fmt: skip
        return self.is_diagnosed and any(holds(self, m) for m in before)

    def recall_at(self, place: int, *, looked: bool = False) -> bool:
        """Whether the note is of a review, or the sentence of a token is; or, with `looked`, any examination."""
        if self.is_recall or (looked and self.is_looked and not self.is_worked):
            return True
        s = self.note.sentences[self.note.sentence_at[place]]
        known, plan = self.words.classes, self.contexts.said[PLAN]
        return any("recall_strong" in known.get(self.note.words[p], ()) and not plan[p] for p in range(s.first, s.last))

    @cached_property
    def is_treatment(self) -> bool:
        """Whether something is treated or diagnosed."""
        plan, history = self.contexts.said[PLAN], self.contexts.said[HISTORY]
        worked = _TREATED | _WORKED
        return self.is_diagnosed or any(
            word in worked and not plan[p] and not history[p] for p, word in enumerate(self.note.words)
        )

    def sentence_words(self, place: int) -> list[str]:
        """The words of the sentence of a token."""
        s = self.note.sentences[self.note.sentence_at[place]]
        return self.note.words[s.first : s.last]

    def is_ordered(self, place: int) -> bool:
        """Whether the sentence of a token says that something was ordered, and of one crown."""
        s = self.note.sentences[self.note.sentence_at[place]]
        words = self.note.words[s.first : s.last]
        return not _ORDERED.isdisjoint(words) and _CHOICE.isdisjoint(words)

    @cached_property
    def came_to_nothing(self) -> bool:
        """Whether the note says that what it speaks of was not done."""
        return bool(_NOT_DONE.search(self.note.clean))

    def near_work(self, place: int, name: str) -> bool:
        """Whether a word of a class, not in a plan, stands in the sentence of a token or in one of those around."""
        at, last, known = self.note.sentence_at[place], len(self.note.sentences), self.words.classes
        if self._is_list and name in self.sentence_classes(0):
            return True  # a list is of what it is headed
        for number in range(max(0, at - _AROUND), min(last, at + _AROUND + 1)):
            if name in self.sentence_classes(number):
                s = self.note.sentences[number]
                plan = self.contexts.said[PLAN]
                if any(name in known.get(self.note.words[p], ()) and not plan[p] for p in range(s.first, s.last)):
                    return True
        return False

    @cached_property
    def _is_list(self) -> bool:
        return sum(s.line_start for s in self.note.sentences) > _LISTED

    def sentence_classes(self, number: int) -> set[str]:
        """Classes of the words of one sentence."""
        if (found := self._sentence_classes.get(number)) is None:
            s = self.note.sentences[number]
            found = self._sentence_classes[number] = self.words.classes_of(self.note.words[s.first : s.last])
        return found

    def around(self, m: Match, name: str) -> bool:
        """Whether a word of a class stands in the sentence of a match or in one of those next to it."""
        at = self.note.sentence_at[m.first]
        last = len(self.note.sentences)
        return any(name in self.sentence_classes(n) for n in range(max(0, at - _AROUND), min(last, at + _AROUND + 1)))

    def within(self, m: Match, name: str) -> bool:
        """Whether a word of a class stands in the sentence of a match."""
        return name in self.sentence_classes(self.note.sentence_at[m.first])

    def near(self, m: Match, name: str, reach: int = _NEAR) -> bool:
        """Whether a word of a class stands within some tokens of a match, in its sentence."""
        s = self.note.sentences[self.note.sentence_at[m.first]]
        before = self.note.words[max(s.first, m.first - reach) : m.first]
        after = self.note.words[m.last : min(s.last, m.last + reach)]
        return name in self.words.classes_of((*before, *after))


def _paired(s: Scene, m: Match) -> bool:
    """A short form counts beside another diagnosis or in a sentence that announces one."""
    return s.within(m, "dx") or _beside(s, m)


def _hand_sized(s: Scene, m: Match) -> bool:
    """By hand up to a size: "hand 40"."""
    following = _next_word(s, m)
    return following.isdigit() and 25 <= int(following) <= 140 and _CONDITIONS["no_engine"](s, m)


def _beside(s: Scene, m: Match) -> bool:
    """Right beside another diagnosis."""
    other, at = {"pulpal_diagnosis", "apical_diagnosis"}, s.note.sentence_at
    return any(
        at[o.first] == at[m.first]
        and (
            (o is not m and o.entry.field in other and o.entry.needs != "paired")
            or o.entry.field in other - {m.entry.field}
        )
        for o in s.matches
        if (0 <= o.first - m.last <= 2 or 0 <= m.first - o.last <= 2) and o.entry.needs != "after_pulpal"
    )


def _prepping(s: Scene, m: Match) -> bool:
    headed = {"prepping", "crown"} <= s.sentence_classes(0)
    if _TREATED & s.note.word_set and not (headed or s.near(m, "prepping", 12)):
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
    if m is None or "crown" not in s.classes or _TREATED & s.note.word_set:
        return None
    return m if s.near_work(s.note.clean_token_at(m.start()), "prepping") else None


def _not_before(s: Scene, m: Match) -> bool:
    """Clean words that no "before" or "not" stands ahead of."""
    return not {"before", "prior", "not", "n't", "until", "un"} & set(s.note.words[max(0, m.first - 4) : m.last])


def _warm(s: Scene, m: Match) -> bool:
    return "warm" in s.note.words[max(0, m.first - 2) : m.last]


def _sentence(s: Scene, m: Match) -> list[str]:
    at = s.note.sentences[s.note.sentence_at[m.first]]
    return s.note.words[at.first : at.last]


def _of_tooth(s: Scene, m: Match) -> bool:
    """Whether the sentence names a tooth or its crown: "sensitive" alone may be of the gums."""
    return any(w in _ITS or TOOTH_WORD.match(w) for w in _sentence(s, m))


def _before_tooth(s: Scene, m: Match) -> bool:
    """Whether a tooth stands right behind: what a chart lists."""
    behind = [w for w in s.note.words[m.last : m.last + 2] if w not in (":", "at", "on")]
    return bool(behind) and (behind[0] == "#" or behind[0].isdigit() or bool(TOOTH_WORD.match(behind[0])))


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
    return m.last >= s.note.sentences[s.note.sentence_at[m.first]].last or s.note.words[m.last] in _PARTING | {"and", "&"}


def _between_signs(s: Scene, m: Match) -> bool:
    """A word that stands alone between points and commas, in a note of a root canal."""
    return _stands_alone(s, m) and "endo_strong" in s.classes


def _next_word(s: Scene, m: Match) -> str:
    return s.note.words[m.last] if m.last < len(s.note.words) else ""


_CONDITIONS: Mapping[str, Callable[[Scene, Match], bool]] = {
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
    "endo_not_warm": lambda s, m: "endo_strong" in s.classes and not _warm(s, m),
    "crown": lambda s, m: "crown" in s.classes,
    "crown_made": lambda s, m: "crown" in s.classes
    and (s.near_work(m.first, "prepping") or s.near_work(m.first, "seating_strong"))
    and _CHOICE.isdisjoint(_sentence(s, m)) and _next_word(s, m) not in ("post", "inlay", "foil", "posts", "inlays"),
    "prep_alone": lambda s, m: _stands_alone(s, m) and _prepping(s, m),
    "headed_prep": lambda s, m: "prepping" in s.sentence_classes(0) and _stands_alone(s, m) and _prepping(s, m),
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
    "charted": lambda s, m: not s.is_worked and s.is_looked and _before_tooth(s, m),
    "by_engine": lambda s, m: not {"rotary", "rotaries", "niti"}.isdisjoint(_sentence(s, m)),
    "prepping": _prepping,
    "not_in_endo": lambda s, m: "endo_strong" not in s.classes or s.near_work(m.first, "prepping"),
    "not_prepping": lambda s, m: not _prepping(s, m),
    "filling": lambda s, m: s.within(m, "filling") or "endo_strong" in s.classes,
    "irrigation": lambda s, m: s.within(m, "irrigation"),
    "irrigating": lambda s, m: s.within(m, "irrigating"),
    "instrumenting_not_glide": lambda s, m: s.within(m, "instrumenting") and not s.near(m, "glide"),
    "seating": lambda s, m: s.within(m, "seating"),
    "sep": lambda s, m: s.around(m, "sep"),
    "sep_taken": lambda s, m: s.around(m, "sep") and _FILLINGS.isdisjoint(s.note.words[max(0, m.first - 4) : m.last + 3]),
    "sep_not_before": lambda s, m: s.around(m, "sep") and _not_before(s, m),
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
        o.entry.field == "apical_diagnosis" and abs(s.note.sentence_at[o.first] - s.note.sentence_at[m.first]) <= _FOLLOWS
        and holds(s, o)
        for o in s.matches
    ),
    "not_core": lambda s, m: not s.near(m, "core", 2),
}  # fmt: skip


def holds(scene: Scene, match: Match) -> bool:
    """Whether the condition that the line of a match names holds where it stands."""
    return _CONDITIONS[match.entry.needs](scene, match)


def known_conditions() -> frozenset[str]:
    """The words that `needs` may hold."""
    return frozenset(_CONDITIONS)
