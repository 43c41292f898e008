"""A note with its classes of words and contexts: what a condition may ask of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cached_property

from pipeline.notes.context import HISTORY, PLAN, Contexts
from pipeline.notes.text import Note, words_of
from pipeline.notes.vocabulary import Match, Vocabulary

_NEAR = 4  # tokens to either side
_OPENING = 6  # tokens: what a note is of stands in them
_IS_WHEN = re.compile(r"\d|in$|at$|after$")  # "review 6/52", at the end of a note, is a plan
_AROUND = 8  # sentences to either side
TREATED = words_of("obturated obturation irrigated irrigation naocl hypochlorite instrumented accessed access maf edta")
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
_LISTED = 4  # lines
_ORDERED = words_of("ordered prescribed requested advised sent")
CHOICE = words_of(
    "bridge or vs versus if option options discussed discuss consider considering wants prefers instead may might could"
)
_LOOKED = words_of(
    "exam examination prophy poe loe perio srp hyg hygiene hygienist hygenist bwx bw fmx pano checkup recare "
    "scaling scale polish pmpr bpe debridement evaluation consult consultation reviewed wi np therapist "
    "pmt maint mtc maintenance telephone phone phoned tel ohi tbi 6mrc perc percussion pas"
)
_WORKED = words_of("retreatment retx canals bleach hypo dam rd rdi obt gp maf wl sealer retreat retreated access")


class Scene:
    """A note with its classes of words and contexts: what conditions look at."""

    def __init__(
        self, note: Note, matches: list[Match], contexts: Contexts, words: Vocabulary, holds: Condition
    ) -> None:
        self._holds = holds
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
        if TREATED & self.note.word_set and _CALLED_BACK.search(self.note.clean):
            return False
        return min(seen) <= _OPENING or not TREATED & self.note.word_set

    @cached_property
    def sep_words(self) -> set[str]:
        """The words of something that breaks."""
        return {w for w in self.note.word_set if "sep" in self.words.classes.get(w, ())}

    @property
    def _seen_after(self) -> bool:
        """Whether a tooth that was treated at another time is looked at, whatever is planned for it."""
        return bool(_TREATED_BEFORE.search(self.note.clean)) and not (
            self.is_worked
            or self.is_diagnosed
            or "prepping" in self.classes
            or ("crown" not in self.classes and any(self.contexts.said[PLAN]))
        )

    @property
    def _only_looked(self) -> bool:
        """Whether a note without a word of review is one all the same: nothing is treated, planned for or diagnosed."""
        if {"making", "seating_strong", "dx"} & self.classes or not {"pai", "crown"} & self.note.word_set:
            return False
        diagnosed = any(m.entry.field in ("pulpal_diagnosis", "apical_diagnosis") for m in self.matches)
        worked = (TREATED | _WORKED) & self.note.word_set
        return not (diagnosed or worked or any(self.contexts.said[PLAN]))

    @cached_property
    def is_diagnosed(self) -> bool:
        """Whether a diagnosis of pulp or apex stands in the note."""
        return any(
            m.entry.field in ("pulpal_diagnosis", "apical_diagnosis") and self._holds(self, m) for m in self.matches
        )

    @cached_property
    def is_worked(self) -> bool:
        """Whether a root canal or crown is worked on, not only planned or told of."""
        said, known = self.contexts.said, self.words.classes
        for place, word in enumerate(self.note.words):
            if not (said[PLAN][place] or said[HISTORY][place]):
                classes = known.get(word, ())
                if word in TREATED or word in _WORKED or "making" in classes or "seating_strong" in classes:
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
        return self.is_diagnosed and any(self._holds(self, m) for m in before)

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
        worked = TREATED | _WORKED
        return self.is_diagnosed or any(
            word in worked and not plan[p] and not history[p] for p, word in enumerate(self.note.words)
        )

    def sentence_words(self, place: int) -> list[str]:
        """The words of the sentence of a token."""
        s = self.note.sentences[self.note.sentence_at[place]]
        return self.note.words[s.first : s.last]

    def is_ordered(self, place: int) -> bool:
        """Whether the sentence of a token says that something was ordered, and of one crown."""
        words = self.sentence_words(place)
        return not _ORDERED.isdisjoint(words) and CHOICE.isdisjoint(words)

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


Condition = Callable[[Scene, Match], bool]
