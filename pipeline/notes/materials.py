"""Materials that serve several ends: which of sealer, seal of the orifices, core or cement each mention is."""

from collections.abc import Iterator

from pipeline.notes.conditions import holds
from pipeline.notes.measures import Read
from pipeline.notes.scene import Scene
from pipeline.notes.text import words_of
from pipeline.notes.vocabulary import Entry, Match

_BEHIND, _AHEAD = 3, 9  # tokens: "epoxy sealer", "sealed the orifices with a layer of glass ionomer"
# What each end calls the materials, where it is not as the vocabulary does.
_CALLED = {
    "sealer": {"resin": "epoxy_resin", "composite": "", "glass_ionomer": "other", "resin_modified_glass_ionomer": "",
               "amalgam": "", "zinc_phosphate": "", "polycarboxylate": ""},
    "orifice_seal": {"resin_modified_glass_ionomer": "glass_ionomer", "resin": "composite", "epoxy_resin": "",
                     "calcium_silicate": "", "calcium_hydroxide": "", "other": "", "amalgam": "",
                     "zinc_phosphate": "", "polycarboxylate": ""},
    "core": {"resin": "composite", "zinc_oxide_eugenol": "", "epoxy_resin": "", "calcium_silicate": "",
             "calcium_hydroxide": "", "other": "", "zinc_phosphate": "", "polycarboxylate": ""},
    "cement": {"composite": "", "amalgam": "", "epoxy_resin": "", "calcium_silicate": "", "calcium_hydroxide": "",
               "other": ""},
}  # fmt: skip
_FOR_A_WHILE = words_of("temp temporary provisional temporarily provisionally interim tempo")
# Left alone in a note of seating these are the cement; the last two serve nothing else.
_CEMENTS = frozenset({"glass_ionomer", "resin_modified_glass_ionomer", "zinc_phosphate", "polycarboxylate"})
_ONLY_CEMENTS = frozenset({"zinc_phosphate", "polycarboxylate"})
_CROWN_WORDS = words_of("crown crn cap crowns full a the")
_WITH_POINTS = frozenset({"calcium_silicate", "zinc_oxide_eugenol"})
_NO_CEMENT_ALONE = words_of("core buildup bu filling filled restoration post inlay base liner class")
_AGAIN = words_of("recemented recement recementing recementation rebonded reattached refitted")
_LASTING = words_of("definitive definitively perm permanent permanently final")
_POINTS = words_of("gp gutta cone cones obturated obturation points sc wv wvc vertical lateral lat vert carrier cwc")
_NO_POINTS = words_of("putty plug repair cap perforation temp temporary orifice orifices filling")


def materials_read(scene: Scene) -> Iterator[Read]:
    """Each material with the end that it serves: named right behind it, else the last one named before it.

    Epoxy resin, and bioceramic beside the filling points, are a sealer without the word; others say nothing alone.
    """
    note = scene.note
    roles = [m for m in scene.matches if m.entry.kind == "role" and holds(scene, m)]
    found = [m for m in scene.matches if m.entry.kind == "material"]
    taken: set[int] = set()  # words of ends that a material right before them already serves
    covered = [(m.first, m.last) for m in found]
    for m in found:
        if any(a <= m.first and m.last <= b and b - a > m.last - m.first for a, b in covered):
            continue
        role = _role_of(scene, m, [r for r in roles if r.first not in taken or r.last <= m.first - _BEHIND - 9])
        if role is not None and role.first >= m.last and role.entry.field != "-":
            taken |= {r.first for r in roles if role.first <= r.first < role.last}
        if role is None:
            begin, end = note.tokens[m.first].start, note.tokens[m.last - 1].end
            if _alone_where_seated(scene, m):
                yield Read("cement", m.entry.value, begin, end, True, m.entry.rule)
            elif m.entry.value == "epoxy_resin" or (m.entry.value in _WITH_POINTS and _beside_points(scene, m)):
                yield Read("sealer", m.entry.value, begin, end, True, m.entry.rule)
            continue
        name = role.entry.field
        value = _CALLED.get(name, {}).get(m.entry.value, m.entry.value) if name != "-" else ""
        if not value:
            continue
        if name == "cement" and _not_of_the_crown(scene, role, m):
            continue
        first, last = min(m.first, role.first), max(m.last, role.last)
        adhesive = not {"adhesively", "adhesive"}.isdisjoint(note.words[m.first : m.last])
        sure = adhesive or not (name == "cement" and m.entry.value == "resin" and role.entry.needs == "seating")
        yield Read(name, value, note.tokens[first].start, note.tokens[last - 1].end, sure, m.entry.rule)


def _role_of(scene: Scene, m: Match, roles: list[Match]) -> Match | None:
    s = scene.note.sentences[scene.note.sentence_at[m.first]]
    words = scene.note.words
    roles = [r for r in roles if _serves(r, m)]
    ahead = [r for r in roles if m.last <= r.first < min(s.last, m.last + _BEHIND + (r.entry.field == "orifice_seal"))]
    between = set(words[m.last : ahead[0].first]) if ahead else set()
    joined = {"and", "then", "with", "w/", "in", "over", "on", "at"}
    if ahead and ahead[0].entry.field == "orifice_seal":
        joined -= {"over", "in", "on", "at"}
    if ahead and not between & set(",;:+&/(") and not between & joined:
        # "... closed with composite, core": the end of another comes behind a sign; this one is right behind.
        return max(ahead, key=lambda r: (-r.first, r.last))
    before = [r for r in roles if max(s.first, m.first - _AHEAD) <= r.first and r.last <= m.first]
    overlapping = [r for r in roles if r.first < m.first < r.last or m.first < r.first < m.last]
    if (
        words[max(0, m.first - 1) : m.first] in (["w/"], ["with"], ["w"])
        and not overlapping
        and (made := _made_before(scene, m))
    ):
        return made  # "#30 zirconia w/ glass ionomer"
    return overlapping[0] if overlapping else max(before, key=lambda r: r.last) if before else None


def _serves(role: Match, m: Match) -> bool:
    """Whether a material may serve an end at all: composite is no cement."""
    name, value = role.entry.field, m.entry.value
    return name == "-" or bool(_CALLED.get(name, {}).get(value, value))


_CEMENTED = Entry("role", "cement", "", "", True, "", "cement:made_of")


def _made_before(scene: Scene, m: Match) -> Match | None:
    """The material of a crown right before "with" names what it was cemented with, on the day that it was seated."""
    if "seating_strong" not in scene.classes:
        return None
    for c in scene.matches:
        if c.entry.kind == "crown_material" and 0 <= m.first - 1 - c.last <= 2:
            return Match(_CEMENTED, c.first, c.last)
    return None


def _alone_where_seated(scene: Scene, m: Match) -> bool:
    """A cement that stands alone between points, or beside the crown's material, where a crown was seated."""
    if m.entry.value not in _CEMENTS or not scene.near_work(m.first, "seating_strong"):
        return False
    if scene.near_work(m.first, "prepping") and "prepping" in scene.sentence_classes(0):
        return False
    if "endo_strong" in scene.classes or _NO_CEMENT_ALONE & scene.note.word_set:
        return False
    s = scene.note.sentences[scene.note.sentence_at[m.first]]
    rest = set(scene.note.words[s.first : s.last]) - set(scene.note.words[m.first : m.last]) - set(".,;-:*/#")
    rest = {w for w in rest if not w.isdigit()}
    crowns = [o for o in scene.matches if o.entry.kind == "crown_material" and s.first <= o.first < s.last]
    named = {w for o in crowns for w in scene.note.words[o.first : o.last]}
    seated = "seating_strong" in scene.sentence_classes(scene.note.sentence_at[m.first])
    if named and _seated_first(scene, m) and not rest - named - _CROWN_WORDS:
        return True  # "Fitted 25. Zirconia crown, glass ionomer."
    said = {w for w in rest if "seating_strong" in scene.words.classes.get(w, ())}
    if seated and not rest - said - _CROWN_WORDS - named:
        return True  # "Fit crown, GIC."
    return not rest or (m.entry.value in _ONLY_CEMENTS and bool(named) and (seated or len(rest - named) <= 3))


def _seated_first(scene: Scene, m: Match) -> bool:
    """Whether the note begins with the seating of a crown."""
    return "seating_strong" in scene.sentence_classes(0) and scene.note.sentence_at[m.first] <= 2


def _not_of_the_crown(scene: Scene, role: Match, m: Match) -> bool:
    """Cement for the time being, or of a post."""
    words = scene.note.words
    s = scene.note.sentences[scene.note.sentence_at[role.first]]
    before = words[max(s.first, min(role.first, m.first) - 8) : max(role.last, m.last)]
    if _FOR_A_WHILE & set(before[-5:]) and not _LASTING & set(before):
        return True
    if not _AGAIN.isdisjoint(before) and (
        _FOR_A_WHILE & set(words[s.first : role.first]) or m.entry.value == "zinc_oxide_eugenol"
    ):
        return True
    return bool({"post", "posts"} & set(before)) and not {"crown", "crn", "crowns", "pfm"} & set(before)


def _beside_points(scene: Scene, m: Match) -> bool:
    near = scene.note.words[max(0, m.first - 5) : m.last + 4]
    return not _POINTS.isdisjoint(near) and _NO_POINTS.isdisjoint(near)
