"""Which tooth a value of a note belongs to."""

from collections.abc import Sequence

from pipeline.notes.context import HISTORY, PERSON, PLAN
from pipeline.notes.measures import Read
from pipeline.notes.scene import Scene
from pipeline.notes.teeth_named import Named
from pipeline.notes.text import words_of
from pipeline.practice.fields import NOTE_FIELDS

TEXT, ROW, NOBODY = "text", "row", ""
# Words before a tooth that is only mentioned beside the one that is treated.
_PARTS = words_of("canal canals root roots cusp side")
_BESIDE = words_of("adjacent opposing next neighboring neighbouring opp adj abutment contact contacts mesial distal")


class Whose:
    """The teeth of a note and what each part of it is about."""

    def __init__(self, scene: Scene, named: Sequence[Named], row_tooth: int | None) -> None:
        self._scene, self._row = scene, row_tooth
        note = scene.note
        self._named = []
        for one in named:
            place = note.token_at(one.start)
            first = note.sentences[note.sentence_at[place]].first
            before = set(note.words[max(first, place - 3) : place])
            beside = not _BESIDE.isdisjoint(before) and _PARTS.isdisjoint(before)  # "the mesial canal of 47"
            other = scene.contexts.said[PERSON][place]
            if not other:
                self._named.append((one, note.sentence_at[place], place, beside))
        self.distinct = {t for one, *_ in self._named for t in one.teeth}

    def teeth_of(self, r: Read) -> list[tuple[int | None, str, bool]]:
        """The teeth that a value is of: number, who says so, and whether it is clear."""
        note = self._scene.note
        place = note.token_at(r.start)
        sentence = note.sentence_at[place]
        here = [n for n in self._named if n[1] == sentence]
        ahead = [n for n in here if n[0].start <= r.start]
        behind = [n for n in here if n[0].start > r.start and not n[3]]
        if ahead or behind:
            one, _, _, beside = (ahead or behind[:1])[-1]
            # What stands in the tooth beside was not made today; how it looks is a finding.
            clear = not beside or NOTE_FIELDS.get(r.field) == "findings" or r.field == "preop_or_pai"
            return [(t, TEXT, clear) for t in one.teeth]
        if everyone := self._both(sentence):
            return [(t, TEXT, True) for t in everyone]
        earlier = [n for n in self._named if n[1] < sentence and not n[3]]
        heads = [n for n in earlier if n[0].heads]
        if heads and (self._row is None or len(self.distinct - {self._row}) > 0):
            last_head = heads[-1]
            later = [n for n in earlier if n[1] > last_head[1] and set(n[0].teeth) - set(last_head[0].teeth)]
            if not later or self._row is not None:
                return [(t, TEXT, True) for t in last_head[0].teeth]
        if self._row is not None:
            return [(self._row, ROW, True)]
        active = [n for n in earlier if not self._said_of_another_time(n[2])] or earlier
        if active:
            return self._latest(active, r)
        after = [n for n in self._named if n[1] > sentence and not n[3] and not self._said_of_another_time(n[2])]
        if after and len({t for n in after for t in n[0].teeth}) == len(after[0][0].teeth):
            return [(t, TEXT, True) for t in after[0][0].teeth]
        return [(None, NOBODY, True)]

    def _both(self, sentence: int) -> tuple[int, ...]:
        """All teeth treated so far, where the sentence begins with "both" or "each"."""
        s = self._scene.note.sentences[sentence]
        words = self._scene.note.words[s.first : s.first + 3]
        if not {"both", "each", "neither"} & set(words[:2]) or {"canal", "canals", "roots"} & set(words):
            return ()
        active = [n for n in self._named if n[1] < sentence and not n[3] and not self._said_of_another_time(n[2])]
        earlier = active or [n for n in self._named if n[1] < sentence and not n[3]]
        return tuple(dict.fromkeys(t for n in earlier for t in n[0].teeth))

    def _latest(self, earlier: list[tuple[Named, int, int, bool]], r: Read) -> list[tuple[int | None, str, bool]]:
        """The tooth last spoken of; of several, the last in whose sentence work of the value's kind is named."""
        everyone = {n[0].teeth for n in earlier}
        if len(everyone) > 1:
            wanted = {"endo_details": "endo_strong", "crown_details": "crown", "findings": "recall"}[
                NOTE_FIELDS.get(r.field, "endo_details")
            ]
            same_kind = [n for n in earlier if wanted in self._scene.sentence_classes(n[1])]
            if same_kind:
                return [(t, TEXT, True) for t in same_kind[-1][0].teeth]
            return [(t, TEXT, False) for t in earlier[-1][0].teeth]
        return [(t, TEXT, True) for t in earlier[-1][0].teeth]

    def _said_of_another_time(self, place: int) -> bool:
        said = self._scene.contexts.said
        return said[PLAN][place] or said[HISTORY][place]
