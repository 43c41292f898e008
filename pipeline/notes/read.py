"""One chart note: its values, the tooth of each, the words that say it, the rule and whether it is sure.

The text is looked at and let go: what is handed on are values, and of the words only those of each value.
"""

import datetime as dt
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from pipeline.machine.one_line import one_line
from pipeline.notes.conditions import FOR_A_WHILE, PUT_BACK, crown_stands, filled_before, holds, sensitive_before
from pipeline.notes.context import DOUBT, HISTORY, NEGATED, PERSON, PLAN, QUOTED, RISK, Contexts
from pipeline.notes.materials import materials_read
from pipeline.notes.measures import NoteValue, Read, settle
from pipeline.notes.numbers import numbers_read
from pipeline.notes.scene import Scene
from pipeline.notes.text import words_of
from pipeline.notes.vocabulary import Match, Vocabulary
from pipeline.notes.whose import Whose, teeth_named
from pipeline.practice.fields import NOTE_FIELDS as TABLE_OF

LONGEST_EVIDENCE = 120
_LEFT_OUT = "…"
_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
_TITLES = words_of("mr mrs ms miss mx dr prof sir madam")
_BEGINS = re.compile(r"(?:^|[.:;!?\n(\[])\s*$")
# Words that readers of numbers look for and the vocabulary need not have.
_OF_NUMBERS = words_of(
    "working length lengths short long apex visits filled located prepared shaped stock parts part water index size "
    "master final apical file files of the with from was and to at in for by height strength solution"
)


def evidence_of(text: str, start: int, end: int, knows: Callable[[str], bool]) -> str:
    """The words from `start` up to `end`, at most 120 letters, what may be a name as a sign of something left out.

    A name is the word or two behind a title, and a word with a capital within a sentence that the trade does not know.
    One in small letters without a title cannot be told from another word.
    """
    written = text[start:end]
    out, done = [], 0
    titled = False
    for m in _WORD.finditer(written):
        word = m[0]
        between = written[done : m.start()]
        named = word[:1].isupper() and not word.isupper()
        unknown = not knows(word.lower()) and word.lower() not in _OF_NUMBERS
        begins = bool(_BEGINS.search(text[max(0, start + m.start() - 4) : start + m.start()]))
        behind = titled and not between.strip(" .")
        is_name = (behind and unknown) or (named and unknown and len(word) > 2 and not begins)
        out += [between, _LEFT_OUT if is_name else word]
        titled = word.lower() in _TITLES or (behind and is_name and named)
        done = m.end()
    out.append(written[done:])
    return one_line("".join(out))[:LONGEST_EVIDENCE]


LONGEST_NOTE = 20_000  # letters; what is longer is no note of one visit, and is read so far
# Signs that go on over commas when they are denied: "no pain, swelling or sinus tract".
_SIGNS = frozenset({"symptomatic", "preop_pai", "pai"})
# What was done before counts for these: the state that the tooth came in.
_PAST_TOO = frozenset({"pulp_status_at_prep", "pulpal_diagnosis", "preop_pai", "preop_or_pai", "crown_in_place"})
_TAKEN_OFF = words_of("removed sectioned replaced fractured removal cut off failing")
_THEN_ENGINE = re.compile(
    r"\bhand\b[^.;\n]{0,40}\b(?:then|followed\s+by|finish\w*|completed\s+with)\b[^.;\n]{0,30}\b(?:rotary|rotaries|niti|nickel|engine)\b"
)
_SMALL = re.compile(r"\b(?:0?6|0?8|10|15|20)\b|glide|patency")
_JUST_TREATED = re.compile(
    r"\bpost-?\s?op\w*\s+call\b|\b(?:after|since|following|post|from)\b[^.;\n]{0,30}\b(?:yesterday|today|last\s+night|this\s+morning)\b"
)
_THEN = words_of("after first initially")
_UP_TO_NOW = words_of("has have")
_NO_CROWN = words_of("veneer veneers inlay inlays")
_PULLED = words_of("extraction extracted elevated forceps")
_KEPT = words_of(
    "serves serve serving adequate stays stay retained left kept retain keep remains remained sound intact "
    "good fine ok solid"
)
_ENGINE = words_of("rotary rotaries rot reciprocating recip engine")
_EXISTING = words_of("existing old previous")
_OF_POST = words_of("post posts dowel core")
_DENIES = words_of("none no nil denied n absent neg negative not never un n't gone settled resolved subsided cleared")
_NO_PLAN = frozenset({"pulpal_diagnosis", "apical_diagnosis", "preop_pai", "pulp_status_at_prep"})


def read_note(
    text: str, words: Vocabulary, *, notation: str, tooth: int | None = None, day: dt.date | None = None
) -> list[NoteValue]:
    """What a note says, each field of a tooth once.

    - `notation`: How the practice writes teeth: universal, fdi or palmer.
    - `tooth`: The tooth of the note's row, in two-digit ISO 3950.
    - `day`: The day of the note, by which years in it are told from today.
    """
    note = words.read(text[:LONGEST_NOTE])
    if not note.tokens:
        return []
    matches = words.matches(note.words)
    contexts = Contexts(note, matches, year=day.year if day else None)
    scene = Scene(note, matches, contexts, words, holds)
    reads = [kept for r in _spans(scene) for kept in _in_context(scene, r)]
    if not reads:
        return []
    whose = Whose(scene, teeth_named(note, notation), tooth)
    return settle(
        [
            NoteValue(
                TABLE_OF.get(r.field, "endo_details"), r.field, r.value or None, r.sure and clear and bool(r.value),
                evidence_of(note.written, r.start, r.end, words.knows), r.start, r.end, r.rule, number, said_by,
            )
            for r in reads
            for number, said_by, clear in whose.teeth_of(r)
        ]
    )  # fmt: skip


def _spans(scene: Scene) -> Iterator[Read]:
    note = scene.note
    yield from numbers_read(note)
    yield from materials_read(scene)
    for told, value in ((filled_before(scene), "root_filled"), (sensitive_before(scene), "hyperemic")):
        if told is not None:
            start, end = note.as_written(told.start(), told.end())
            yield Read("pulp_status_at_prep", value, start, end, True, "before_preparation")
    for told in crown_stands(scene):
        yield Read("crown_in_place", "true", *note.as_written(told.start(), told.end()), True, "crown_stands")
    for m in scene.matches:
        if m.entry.kind in ("term", "crown_material") and holds(scene, m):
            field = m.entry.field
            if m.entry.kind == "crown_material" and _OF_POST & set(note.words[m.last : m.last + 2]):
                continue  # "cast gold post"
            if field == "pulpal_diagnosis" and _is_of_preparation(scene, m):
                continue
            start, end = note.tokens[m.first].start, note.tokens[m.last - 1].end
            yield Read(field, m.entry.value, start, end, m.entry.sure, f"{m.entry.rule}|{m.entry.negated}")


def _is_of_preparation(scene: Scene, m: Match) -> bool:
    """A state of the pulp in a note of a crown's preparation is `pulp_status_at_prep`, unless a diagnosis is named."""
    same = [
        o for o in scene.matches if o.entry.field == "pulp_status_at_prep" and o.first < m.last and m.first < o.last
    ]
    return bool(same) and any(holds(scene, o) for o in same) and not scene.within(m, "dx")


def _in_context(scene: Scene, r: Read) -> Iterator[Read]:
    """The value as what is said around leaves it: as it is, turned round, doubted, or not at all."""
    rule, _, negated = r.rule.partition("|")
    r = replace(r, rule=rule)
    note, contexts = scene.note, scene.contexts
    first = note.token_at(r.start)
    last = max(first + 1, note.token_at(max(r.start, r.end - 1)) + 1)
    if contexts.of(PERSON, first, last) or contexts.of(RISK, first, last):
        return
    if contexts.of(HISTORY, first, last) and r.field not in _PAST_TOO:
        lately = r.field == "symptomatic" and contexts.said[NEGATED][first]  # "he has had no trouble with it"
        since = lately and not _UP_TO_NOW.isdisjoint(note.words[max(0, first - 5) : first])
        if not since and not _kept(scene, r, first):
            return
    if (
        contexts.of(PLAN, first, last)
        and r.field not in _NO_PLAN
        and not (r.rule.startswith("pai") or _of_today(note.words[first:last], r))
    ):
        if r.field != "material" or "prepping" not in scene.classes:
            return
        # "Zirconia ordered", on the day of the preparation: what the crown was made of.
        r = replace(r, sure=r.sure and scene.near_work(first, "prepping") and scene.is_ordered(first))
    if r.field == "crown_in_place" and "implant" in note.words[max(0, first - 2) : first]:
        return
    if r.field == "crown_in_place" and scene.is_crown_lost and not PUT_BACK.isdisjoint(note.word_set):
        reviewed = "recall_strong" in scene.classes
        if r.value == "true" and not reviewed:
            return  # how it was found: it had come off
        r = replace(r, sure=r.sure and (r.value == "true" or not reviewed))
    if r.field == "separated_instrument" and "ledge" in note.words[max(0, first - 8) : first]:
        return  # "ledge bypassed"
    if r.field == "crown_in_place" and not FOR_A_WHILE.isdisjoint(note.words[max(0, first - 1) : first]):
        return
    if r.field == "symptomatic" and any(
        o.entry.field.endswith("_diagnosis") and o.first <= first < o.last for o in scene.matches
    ):
        return  # "symptomatic" of a diagnosis
    goes = r.field == "material" or (r.field == "crown_in_place" and r.value == "true")
    if goes and _TAKEN_OFF & set(note.words[last : last + 3]):
        return  # "PFM removed": the crown that goes
    if r.field == "margin" and _NO_CROWN & note.word_set and "crown" not in note.word_set:
        return
    if r.field == "separated_instrument" and _PULLED & note.word_set:
        r = replace(r, sure=False)  # the tip of a root
    if r.field == "material" and not any(scene.near_work(first, c) for c in ("making", "prepping", "seating_strong")):
        r = replace(r, sure=False)  # a crown that is only spoken of
    if r.field == "instrumentation" and r.value == "hand" and (m := _THEN_ENGINE.search(note.clean)):
        # By hand first and by engine after; to the small sizes by hand is only the way to the apex.
        r = replace(r, value="hybrid", sure=not _SMALL.search(m[0]))
    if (
        r.value == "hand"
        and r.field == "instrumentation"
        and not (_ENGINE.isdisjoint(said := scene.sentence_words(first)) or "not" in said)
    ):
        r = replace(r, sure=False)
    if r.field == "pulp_status_at_prep" and r.value == "normal" and note.words[last : last + 1] == ["+"]:
        return  # "cold ++"
    if r.field == "preop_or_pai":
        if scene.recall_at(first):
            r = replace(r, field="pai")
        else:
            # Without a word of treatment it may be of a review; a sound apex is seldom what was treated.
            r = replace(r, field="preop_pai", sure=r.sure and scene.is_treatment and r.value not in ("1", "2"))
    if (
        r.field == "symptomatic"
        and r.value == "true"
        and (
            "had" in note.words[max(0, first - 4) : first]
            or ("was" in note.words[max(0, first - 3) : first] and not _THEN.isdisjoint(note.words[last : last + 6]))
        )
    ):
        r = replace(r, sure=False)  # what was felt before today
    if r.field == "symptomatic" and _JUST_TREATED.search(note.clean):
        return  # what is felt on the day after is no finding of a review
    if r.field == "symptomatic" and scene.is_diagnosed and not (scene.recall_at(first) or scene.is_treated_before):
        return  # the signs of a diagnosis, not of a review
    if scene.came_to_nothing and r.field not in _NO_PLAN and TABLE_OF.get(r.field) != "findings":
        r = replace(r, sure=False)
    far = r.field in _SIGNS and r.value != "false" and contexts.far_negated[first]
    near = not (r.field == "crown_in_place" and r.value == "true") or any(
        contexts.starts[NEGATED][max(0, first - 2) : last]
    )
    if ((contexts.said[NEGATED][first] and near) or far) and _can_be_denied(r, note.words[first:last]):
        if negated and negated != "-":
            yield replace(r, value=negated, sure=r.sure or negated in ("none", "false"))
        return
    if contexts.of(DOUBT, first, last) or (r.field != "symptomatic" and contexts.of(QUOTED, first, last)):
        r = replace(r, sure=False)
    yield r


def _kept(scene: Scene, r: Read, place: int) -> bool:
    """Whether a core of before serves on: "existing amalgam retained as core"."""
    s = scene.note.sentences[scene.note.sentence_at[place]]
    words = scene.note.words[s.first : s.last]
    named = any(a in (":", "-", "=") and b in _EXISTING for a, b in pairwise(words))  # "core: existing composite"
    return r.field in ("core", "post") and (named or not _KEPT.isdisjoint(words))


def _can_be_denied(r: Read, words: Sequence[str]) -> bool:
    """Whether a "no" before the words denies them; not where it is part of them, nor before a number."""
    if words and (words[0] in ("no", "not", "without", "w/o", "non") or _DENIES & set(words[1:])):
        return False
    return not (r.value == "none" or r.rule.startswith(("no_ferrule", "pai")))


def _of_today(words: Sequence[str], r: Read) -> bool:
    """ "No post needed", "never went back for the crown": the word of planning is part of what is said."""
    if r.field == "crown_in_place" and words[0] in ("never", "not", "n't", "through", "thru", "via"):
        return True
    return r.value == "none" and bool({"needed", "required", "necessary", "indicated"} & set(words))
