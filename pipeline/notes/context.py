"""What is said of a value: that it is not so, was so once, is planned, might be, is another person's, or is doubted.

Cue words open a scope that ends at a word that turns the sentence, at a comma, or with the sentence, after NegEx
[Chapman 2001] and its successor ConText [Harkema 2009], whose trigger lists these are not: notes of dentists are terser
than those that they were made for.
"""

import re
from collections.abc import Iterable, Iterator

from pipeline.notes.text import Note, Sentence, words_of
from pipeline.notes.vocabulary import Match

NEGATED, HISTORY, PLAN, RISK, PERSON, DOUBT = "negation", "history", "plan", "risk", "person", "doubt"
QUOTED = "quoted"
_KINDS = (NEGATED, HISTORY, PLAN, RISK, PERSON, DOUBT, QUOTED)
_REACH = {NEGATED: 7, DOUBT: 3}
_THOUGHT = words_of("suspect suspected think thinks believe probably possibly perhaps presumably maybe")
_THOUGHT_REACH = 7  # a whole clause: "suspect that the pulp of this tooth is necrotic"
_TIMES = words_of("12 52 years yrs year yr months decades by long last elsewhere in")  # of what stands before them
_REASONS = words_of("as because since due")  # "warned, as the pulp is hyperemic"
_TOLD_ON = words_of("had pt patient by letter report")  # cues of a past that goes on over commas
_DIAGNOSED = words_of("treated initiated tx txd")
_SUBJECTS = words_of("patient pt he she they we i")  # with a verb of planning they begin a clause of their own
_QUOTE = re.compile(r'"[^"\n]{15,800}"')
_FAR = 12
_ACHIEVED = words_of("bypassed removed retrieved")
_CURT_DENIALS = words_of("no nil without w/o denies denied")
_RUN, _REACH_OF_RUN, _TOLD_IN_RUN, _DENIED_IN_RUN = 18, 4, 12, 2  # tokens
_AFTER = 5  # tokens before a negation that follows what it denies: "dam not used"
# Plans and risks that go on over commas: "will need post, core and crown".
_LONG_PLANS = words_of(
    "discuss discussed discussing options quoted "
    "will would plan plans needs need needed should recommend recommended recommending rec consider considering"
)
_NEED, _DENIED = frozenset(("needed", "need", "needs")), frozenset(("no", "not", "without", "w/o", "n't", "none"))
_ENDO = words_of("rct root endo endodontic")
_NEW_SUBJECT = words_of("crown crn crowns pai")  # "no sx crown ok"
_OF_SUBJECT = words_of("new old existing other full permanent temporary provisional had have got get")  # "no new crown"
_JOINS = words_of("and which who")  # "responded normally and was not tender"
_SEEN = words_of(
    "showed shows shown found appears appeared seen seems confirmed noted reveals revealed considered judged"
)
_JUDGED = words_of("call score rate grade say estimate judge put")
_OWNS = words_of("had has have having 's")
_AS_DONE = words_of("with w/ for to")  # "replaced the old crown with": what follows is of today
_YEAR = re.compile(r"(?:19|20)\d\d$")
# Days and years of other dates in digits: the date of a visit is no history.
_DATE = re.compile(r"\d{1,4}[/.-]\d{1,2}[/.-]\d{1,4}")


class Contexts:
    """For each token of a note, what is said of it."""

    def __init__(self, note: Note, matches: Iterable[Match], *, year: int | None) -> None:
        self._note = note
        self._cues = [m for m in matches if m.entry.kind == "context"]
        self._stops = {p for m in self._cues if m.entry.value == "stop" for p in range(m.first, m.last)}
        n = len(note.tokens)
        self.said: dict[str, list[bool]] = {k: [False] * n for k in _KINDS}
        self.starts = {NEGATED: [False] * n}  # the cues themselves
        # A negation that reaches over a comma, which only lists of signs do: "no pain, swelling or sinus tract".
        self.far_negated = [False] * n
        for m in self._cues:
            self._spread(m)
        self._years(year)
        self._quotes()

    def of(self, kind: str, first: int, last: int) -> bool:
        """Whether any token from `first` up to `last` is under a cue of this kind."""
        return any(self.said[kind][first:last])

    def _spread(self, m: Match) -> None:
        value = m.entry.value
        sentence = self._note.sentences[self._note.sentence_at[m.first]]
        word = self._note.words[m.first]
        if value in ("negation", "negation_after"):
            self.starts[NEGATED][m.first : m.last] = [True] * (m.last - m.first)
        if value == "negation":
            if word == "failed" and _ENDO & set(self._note.words[m.last : m.last + 2]):
                return  # "failed RCT": it was done
            if word == "no" and self._note.words[m.last : m.last + 2][:1] == ["of"]:
                return  # "no. of canals"
            if self._note.words[m.last : m.last + 1] == [":"] and word in ("no", "negative"):
                return  # "cast? no: fiber": an answer, and what follows is so
            if word == "non":  # "non surgical retreatment": of the next word alone
                self._mark(NEGATED, range(m.last, min(m.last + 1, sentence.last)))
                return
            far = list(self._forward(m.last, sentence, reach=_FAR, commas=True))
            words = self._note.words
            subject = (p for p in far[1:] if words[p] in _NEW_SUBJECT and words[p - 1] not in _OF_SUBJECT)
            last = next(subject, sentence.last)
            self._mark(NEGATED, (p for p in self._forward(m.last, sentence, reach=_REACH[NEGATED]) if p < last))
            for place in far:
                self.far_negated[place] = place < last or self.far_negated[place]
        elif value == "negation_after":
            self._mark(NEGATED, self._backward(m.first, sentence, reach=_AFTER, until=_JOINS))
        elif value == "history" and _DIAGNOSED & set(self._note.words[m.last : m.last + 1]):
            return  # a diagnosis, not a time
        elif value == "history" and word == "past" and {"it", "the", "a"} & set(self._note.words[m.last : m.last + 1]):
            return  # "got a file past it"
        elif value == "history" and word == "other" and m.last - m.first == 1:
            return  # "the other two canals"
        elif value == "history" and word == "last" and self._note.words[max(0, m.first - 1) : m.first] == ["and"]:
            return  # "second and last visit": today's
        elif value == "history":
            # "pt had RCT abroad, single cone, no dam"; "RCT 2015 elsewhere: single cone, no dam"
            told_on = word in _TOLD_ON or self._note.words[m.last : m.last + 1] == [":"]
            if not (word in _TIMES and self._runs_on(sentence)):
                self._mark(HISTORY, self._forward(m.last, sentence, until=_AS_DONE, commas=told_on))
            self._mark(HISTORY, self._bracket(m, sentence))
            if word in _TIMES:
                self._mark(HISTORY, self._backward(m.first, sentence))
        elif value == "plan" and word in _NEED and _DENIED & set(self._note.words[max(0, m.first - 4) : m.first]):
            return  # "no post needed" says what is, not what will be
        elif value == "plan" and word == "would" and not _JUDGED.isdisjoint(self._note.words[m.last : m.last + 1]):
            return  # "I would call it PAI 3"
        elif value == "plan" and word == "to" and not _SEEN.isdisjoint(self._note.words[sentence.first : m.first]):
            return  # "showed the filling to be 1 mm short"
        elif value == "plan":
            self._mark(PLAN, self._forward(m.last, sentence, commas=word in _LONG_PLANS))
            before = self._note.words[max(sentence.first, m.first - 2) : m.first]
            if not _SUBJECTS & set(before):
                self._mark(PLAN, self._backward(m.first, sentence))
        elif value == "plan_line":
            self._mark(PLAN, range(m.first, sentence.last))
            if word == "next":
                self._mark(PLAN, self._backward(m.first, sentence, reach=6))
        elif value == "risk":
            words = self._note.words
            before, after = words[max(0, m.first - 1) : m.first], words[m.last : m.last + 2]
            none = word.startswith("complication") and not _CURT_DENIALS.isdisjoint(before)
            done = word == "could" and after[:1] == ["be"] and not _ACHIEVED.isdisjoint(after)  # "could be bypassed"
            if after[:1] != ["not"] and not (none or done):
                self._mark(RISK, self._forward(m.last, sentence, commas=True, until=_REASONS))
        elif value == "person":
            near = self._note.words[m.first : m.last + 3]
            if _OWNS & set(near) or any(w.endswith("'s") for w in near):
                self._mark(PERSON, range(sentence.first, sentence.last))
        elif value == "other_tooth":
            self._mark(PERSON, self._backward(m.last, sentence))
            self._mark(PERSON, self._forward(m.last, sentence))
        elif value == "doubt":
            self._mark(DOUBT, range(max(sentence.first, m.first - _REACH[DOUBT]), m.first))
            reach = _THOUGHT_REACH if word in _THOUGHT else _REACH[DOUBT]
            self._mark(DOUBT, range(m.last, min(sentence.last, m.last + reach)))

    def _mark(self, kind: str, places: Iterable[int]) -> None:
        row = self.said[kind]
        for place in places:
            row[place] = True

    def _forward(
        self,
        first: int,
        sentence: Sentence,
        *,
        reach: int = 1000,
        commas: bool = False,
        until: frozenset[str] = frozenset(),
    ) -> Iterator[int]:
        words = self._note.words
        if self._runs_on(sentence):
            curt = not _CURT_DENIALS.isdisjoint(words[max(0, first - 1) : first])
            reach = min(reach, _DENIED_IN_RUN if curt else _REACH_OF_RUN if reach <= _FAR else _TOLD_IN_RUN)
        for place in range(first, min(sentence.last, first + reach)):
            if place in self._stops or (words[place] == "," and not commas) or words[place] in until:
                return
            yield place

    def _backward(
        self, last: int, sentence: Sentence, *, reach: int = 1000, until: frozenset[str] = frozenset()
    ) -> Iterator[int]:
        words = self._note.words
        if self._runs_on(sentence):
            reach = min(reach, _REACH_OF_RUN if reach <= _FAR else _TOLD_IN_RUN)
        for place in range(last - 1, max(sentence.first, last - reach) - 1, -1):
            if place in self._stops or words[place] in (",", ":") or words[place] in until:
                return
            yield place

    def _runs_on(self, sentence: Sentence) -> bool:
        """Whether a sentence is dictated without a sign: then what a cue is about stands right beside it."""
        return sentence.last - sentence.first >= _RUN and "," not in self._note.words[sentence.first : sentence.last]

    def _bracket(self, m: Match, sentence: Sentence) -> Iterator[int]:
        """The tokens of the brackets in which a cue stands: "(6 %, warm vertical, last year)"."""
        words = self._note.words
        opened = next((p for p in range(m.first - 1, sentence.first - 1, -1) if words[p] in ("(", ")")), None)
        if opened is None or words[opened] == ")":
            return
        for place in range(opened, sentence.last):
            if words[place] == ")":
                return
            yield place

    def _quotes(self) -> None:
        """What stands between quotation marks is what somebody else says."""
        for m in _QUOTE.finditer(self._note.lower):
            self._mark(QUOTED, range(self._note.token_at(m.start()), self._note.token_at(m.end() - 1) + 1))

    def _years(self, year: int | None) -> None:
        """A year before that of the note makes history of its clause."""
        note = self._note
        dates = [m.span() for m in _DATE.finditer(note.lower)]
        for place, token in enumerate(note.tokens):
            if not _YEAR.match(token.word) or any(a <= token.start < b for a, b in dates):
                continue
            if year is None or int(token.word) < year:
                sentence = note.sentences[note.sentence_at[place]]
                self._mark(HISTORY, self._backward(place, sentence))
                self._mark(HISTORY, self._forward(place + 1, sentence, reach=4))
