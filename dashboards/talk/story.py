"""The talk: an ordered table of slides, each with what it is for and what draws it, told within its minutes.

Made from a released result only; each number comes from it. A slide that has nothing to show is left out and named on
that of the limits; the time goes to the others.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from dashboards.release.released import Released, require
from dashboards.talk import scenes, words
from dashboards.talk.deck import Deck
from dashboards.talk.notes import notes, shared_out, timing
from dashboards.talk.scenes import Scene, Told
from dashboards.words import shared as words_shared
from pipeline.practice.talk import COLOURS, SLIDES, Talk


@dataclass(frozen=True)
class Slide:
    """One slide of the story: its name, what it is for, its weight in time, and what makes it of what is told."""

    id: str
    words: str
    weight: int
    build: Callable[[Told], Scene | None]


BUILDERS: Mapping[str, Callable[[Told], Scene | None]] = {
    "opening": scenes.opening,
    "question": scenes.question,
    "trap": scenes.trap,
    "method": scenes.method,
    "found": scenes.found,
    "sure": scenes.sure,
    "hyperemic": scenes.hyperemic,
    "technique": scenes.technique,
    "waiting": scenes.waiting,
    "kept": scenes.kept,
    "action": scenes.action,
    "limits": scenes.limits,
    "references": scenes.references,
}
ASKED = ("hyperemic", "technique", "waiting", "kept")  # slides that answer a question of their own
STORY = tuple(Slide(name, slide.words, slide.weight, BUILDERS[name]) for name, slide in SLIDES.items())


def render(released: Released, talk: Talk | None = None, *, day: dt.date | None = None) -> bytes:
    """`study_club.pptx` as bytes. Refuses anything but a released result.

    `day` is the day on which it is made, for the citation; the same arguments give the same bytes.
    """
    talk = talk or Talk()
    made = slides(released, talk, day=day)
    deck = deck_of(released, talk)
    whole = 2 * talk.minutes
    given = shared_out([slide.weight for slide, _ in made], whole)
    for number, ((_, scene), minutes) in enumerate(zip(made, given, strict=True)):
        last = number == len(made) - 1
        scene.draw(
            deck,
            notes(
                " ".join(scene.say.split()),
                scenes.source(released) if number == 0 else "",
                claim=scene.claim,
                time=timing(minutes, sum(given[:number]), whole),
                questions=words.questions(released) if last else (),
            ),
        )
    return deck.save()


def slides(released: Released, talk: Talk, *, day: dt.date | None = None) -> list[tuple[Slide, Scene]]:
    """The slides that have something to show, in their order, each with its scene."""
    require(released)
    story = {slide.id: slide for slide in STORY}
    told = Told(released, talk, day)
    left_out = [story[name].words for name in talk.slides if name in ASKED and story[name].build(told) is None]
    told = Told(released, talk, day, tuple(left_out))
    return [(story[name], scene) for name in talk.slides if (scene := story[name].build(told)) is not None]


def deck_of(released: Released, talk: Talk, *, of: str = "") -> Deck:
    """An empty deck in the colours of the talk, with its title and speaker in the file's properties."""
    return Deck(
        title=f"{words.title(released, talk.title)}{of}",
        footer=words_shared.footer(released),
        author=talk.speaker,
        accent=talk.colours["accent"],
        colours={usual: talk.colours[name] for name, usual in COLOURS.items()},
    )
