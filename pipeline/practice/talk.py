"""What a practice may choose of its talk: which slides in what order, the title, the speaker, the minutes, the colours.

The names of the slides stand here, so that a mistake in them stops a run before any data are read; what is on each is
drawn by `dashboards.talk`.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.machine.declared import near
from pipeline.machine.errors import ConfigError
from pipeline.machine.one_line import one_line


@dataclass(frozen=True)
class SlideName:
    """A slide that can be chosen: what it is for in a few words, and its share of the time in half minutes."""

    words: str
    weight: int
    usual: bool = True


SLIDES: Mapping[str, SlideName] = {
    "opening": SlideName("title, speaker, whose records", 2),
    "question": SlideName("the question, and why it matters", 4),
    "trap": SlideName("the misleading count beside the right one", 5),
    "method": SlideName("what was done, and with which teeth", 4),
    "found": SlideName("the curves of the main comparison", 6),
    "sure": SlideName("how sure: ranges, other ways to count", 4),
    "hyperemic": SlideName("the decision on a hyperemic tooth", 5),
    "technique": SlideName("one technique", 4),
    "waiting": SlideName("how many teeth crowned vital need a root canal later", 4, usual=False),
    "kept": SlideName("root-filled teeth kept with and without a crown", 4, usual=False),
    "action": SlideName("what we would do", 3),
    "limits": SlideName("the cautions; always there", 2),
    "references": SlideName("sources, and how to cite the talk", 1),
}
USUAL = tuple(name for name, slide in SLIDES.items() if slide.usual)
ALWAYS = "limits"
MOST_SLIDES = 12
MINUTES = (5, 60)
# What a colour is for, and what it is unless another is chosen. Curves and their labels are drawn in the last three.
COLOURS: Mapping[str, str] = {"accent": "#14565c", "reference": "#0072b2", "group": "#b84c00", "third": "#5a666b"}
LEAST_CONTRAST = 4.5  # of text and thin lines on white: WCAG 2.2, success criterion 1.4.3
LONGEST_TEXT = 120  # letters of a title or a name that still fit their place


@dataclass(frozen=True)
class Talk:
    """The choices of one talk. An empty `title` takes the question of the main comparison."""

    slides: tuple[str, ...] = USUAL
    title: str = ""
    speaker: str = ""
    minutes: int = 20
    colours: Mapping[str, str] = field(default_factory=lambda: dict(COLOURS))


def read_talk(raw: Mapping[str, Any], *, where: str = "[talk]", text: str = "", base: Talk | None = None) -> Talk:
    """Check the choices of a talk; what is not given stays as in `base`.

    `text` is the whole TOML, so that a message can name the line; `where` is what a message begins with otherwise.

    Raises ConfigError for a key, slide or colour that is not known, a slide named twice, more than `MOST_SLIDES`, a
    text that is too long, or a colour that cannot be read on white.
    """
    base = base or Talk()
    place = _Place(where, text)
    for key in raw:
        if key not in ("slides", "title", "speaker", "minutes", "colours"):
            raise ConfigError(f'{place.of(key)} "{key}" is not known.{near(key, Talk.__dataclass_fields__)}')
    given: dict[str, Any] = {key: _text(raw[key], key, place) for key in ("title", "speaker") if key in raw}
    if "slides" in raw:
        given["slides"] = _slides(raw["slides"], place)
    if "minutes" in raw:
        given["minutes"] = _minutes(raw["minutes"], place)
    if "colours" in raw:
        given["colours"] = {**base.colours, **_colours(raw["colours"], place, base.colours)}
    return replace(base, **given)


def talk_of(settings: Talk, options: Mapping[str, Any]) -> Talk:
    """The talk that PRACTICE.toml chooses, with what the command line says instead; None and () are not said."""
    given: dict[str, Any] = {k: v for k, v in options.items() if v not in (None, ())}
    if "slides" in given:
        given["slides"] = [name.strip() for name in given["slides"].split(",")]
    if "colours" in given:
        pairs = [text.partition("=") for text in given["colours"]]
        given["colours"] = {name.strip(): colour.strip() for name, _, colour in pairs}
    talk = settings
    for key, value in given.items():
        talk = read_talk({key: value}, where="--talk-" + key, base=talk)
    return talk


def contrast(one: str, other: str) -> float:
    """The contrast of two colours `#rrggbb`, from 1 to 21, as WCAG 2.2 defines it."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@dataclass(frozen=True)
class _Place:
    """Says where a word stands: the line of the TOML if it is found there."""

    where: str
    text: str

    def of(self, word: str) -> str:
        """`[talk] line 41:`, by the first line under `[talk]` that holds the word."""
        lines = self.text.splitlines()
        start = next((i for i, line in enumerate(lines) if line.strip().startswith(("[talk", "talk."))), None)
        found = None if start is None else next((i for i, x in enumerate(lines[start:], start) if word in x), None)
        return f"{self.where} line {found + 1}:" if found is not None else f"{self.where}:"


def _slides(raw: Any, place: _Place) -> tuple[str, ...]:
    known = ", ".join(SLIDES)
    if not isinstance(raw, list) or not raw or not all(isinstance(name, str) for name in raw):
        raise ConfigError(f"{place.of('slides')} slides must list names of slides in their order. Known: {known}.")
    for name in raw:
        if name not in SLIDES:
            raise ConfigError(f'{place.of(name)} "{name}" is no slide.{near(name, SLIDES)} Known: {known}.')
        if raw.count(name) > 1:
            raise ConfigError(f'{place.of(name)} "{name}" is named twice. Keep one.')
    # The cautions go with the talk, whatever is left out of it.
    chosen = tuple(raw) if ALWAYS in raw else (*raw, ALWAYS)
    if len(chosen) > MOST_SLIDES:
        raise ConfigError(
            f'{place.of("slides")} {len(chosen)} slides with "{ALWAYS}", which is always there: at most {MOST_SLIDES}. '
            "The rest is in study_club_appendix.pptx."
        )
    return chosen


def _minutes(raw: Any, place: _Place) -> int:
    low, high = MINUTES
    if not isinstance(raw, int) or isinstance(raw, bool) or not low <= raw <= high:
        raise ConfigError(f"{place.of('minutes')} minutes must be a whole number from {low} to {high}.")
    return raw


def _text(raw: Any, key: str, place: _Place) -> str:
    if not isinstance(raw, str):
        raise ConfigError(f"{place.of(key)} {key} must be a text in quotation marks.")
    text = one_line(raw)
    if len(text) > LONGEST_TEXT:
        raise ConfigError(f"{place.of(key)} {key} has {len(text)} letters; its place holds {LONGEST_TEXT}. Shorten it.")
    return text


def _colours(raw: Any, place: _Place, base: Mapping[str, str]) -> dict[str, str]:
    if not isinstance(raw, Mapping):
        raise ConfigError(
            f'{place.of("colours")} colours must name colours, e.g. {{ accent = "{COLOURS["accent"]}" }}.'
        )
    for name, colour in raw.items():
        if name not in COLOURS:
            raise ConfigError(
                f'{place.of(str(name))} "{name}" is no colour of the talk.{near(str(name), COLOURS)} '
                f"Known: {', '.join(COLOURS)}."
            )
        if not isinstance(colour, str) or not re.fullmatch(r"#[0-9a-fA-F]{6}", colour):
            raise ConfigError(f'{place.of(name)} {name} must be written like "{COLOURS[name]}".')
        if (found := contrast(colour, "#ffffff")) < LEAST_CONTRAST:
            raise ConfigError(
                f'{place.of(name)} {name} = "{colour}" has a contrast of {found:.1f} to 1 on white; text needs '
                f"{LEAST_CONTRAST} to 1. Choose a darker one."
            )
    chosen = {name: str(colour).lower() for name, colour in raw.items()}
    groups = [colour for name, colour in {**base, **chosen}.items() if name != "accent"]
    if len(set(groups)) < len(groups):
        raise ConfigError(f"{place.of('colours')} reference, group and third must be three colours.")
    return chosen
