"""What a practice may choose of its talk, and how a mistake in it is told."""

import re
import tomllib
from pathlib import Path

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.talk import COLOURS, MOST_SLIDES, SLIDES, USUAL, Talk, contrast, read_talk, talk_of
from pipeline.reading.config import load_settings


def _toml(folder, lines):
    path = folder / "practice.toml"
    path.write_text(
        '[practice]\ntooth_notation = "fdi"\n\n[tables.procedures]\nfiles = ["a.csv"]\n\n[talk]\n' + lines,
        encoding="utf-8",
    )
    return path


def test_without_choices_the_usual_talk_is_given(tmp_path):
    assert load_settings(_toml(tmp_path, "")).talk == Talk()
    assert len(USUAL) <= MOST_SLIDES
    assert Talk().minutes == 20


def test_choices_are_read(tmp_path):
    lines = (
        'slides = ["trap", "found"]\ntitle = "Crowns"\nspeaker = "Dr Ashby"\nminutes = 12\ncolours.group = "#7A0000"\n'
    )
    talk = load_settings(_toml(tmp_path, lines)).talk
    assert talk.slides == ("trap", "found", "limits")  # the cautions go with every talk
    assert (talk.title, talk.speaker, talk.minutes) == ("Crowns", "Dr Ashby", 12)
    assert talk.colours == {**COLOURS, "group": "#7a0000"}


def test_an_unknown_slide_is_told_with_its_line_and_the_known_names(tmp_path):
    path = _toml(tmp_path, 'title = "Crowns"\nslides = [\n  "opening",\n  "trapp",\n]\n')
    line = path.read_text(encoding="utf-8").splitlines().index('  "trapp",') + 1
    with pytest.raises(ConfigError) as told:
        load_settings(path)
    assert f"line {line}:" in str(told.value)
    assert '"trapp" is no slide. Did you mean "trap"?' in str(told.value)
    assert all(name in str(told.value) for name in SLIDES)


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('slide = ["trap"]', 'line 8: "slide" is not known. Did you mean "slides"'),
        ("slides = []", "must list names"),
        ('slides = ["trap", "trap"]', "named twice"),
        ("slides = [" + ", ".join(f'"{n}"' for n in SLIDES) + "]", "at most 12"),
        ("minutes = 4", "from 5 to 60"),
        ("minutes = true", "from 5 to 60"),
        (f'title = "{"a" * 121}"', "121 letters"),
        ("speaker = 3", "must be a text"),
        ('colours = "red"', "must name colours"),
        ('colours.accnt = "#112233"', 'Did you mean "accent"'),
        ('colours.accent = "green"', "must be written like"),
        ('colours.accent = "#ffee00"', "contrast of 1.2 to 1 on white; text needs 4.5"),
        ('colours.group = "#0072b2"', "must be three colours"),
    ],
)
def test_a_mistake_names_the_section_and_what_is_wrong(tmp_path, lines, says):
    with pytest.raises(ConfigError) as told:
        load_settings(_toml(tmp_path, lines))
    assert str(told.value).startswith("[talk]")
    assert says in str(told.value)


def test_the_command_line_goes_before_the_toml():
    chosen = Talk(title="Crowns", speaker="Dr Ashby")
    options = {"slides": "trap, found", "title": None, "speaker": "Dr Brandt", "minutes": None, "colours": ()}
    talk = talk_of(chosen, options)
    assert (talk.slides, talk.title, talk.speaker) == (("trap", "found", "limits"), "Crowns", "Dr Brandt")
    assert talk_of(chosen, {"colours": ("accent=#112233", "third = #333333")}).colours["third"] == "#333333"
    with pytest.raises(ConfigError, match=r'^--talk-slides: "tarp" is no slide'):
        talk_of(chosen, {"slides": "tarp"})
    with pytest.raises(ConfigError, match="--talk-colours: accent"):
        talk_of(chosen, {"colours": ("accent=#eeeeee",)})


def test_the_example_of_the_readme_is_the_usual_talk():
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    block = next(b for b in re.findall(r"```toml\n(.*?)```", readme, flags=re.S) if b.startswith("[talk]"))
    talk = read_talk(tomllib.loads(block)["talk"], text=block)
    assert (talk.slides, talk.minutes, talk.colours) == (USUAL, 20, COLOURS)
    section = readme.partition("## A talk for the study club")[2].partition("\n## ")[0]
    assert all(f'"{name}"' in section or f"`{name}`" in section for name in SLIDES)


def test_marks_that_do_not_print_are_taken_out_of_texts():
    assert read_talk({"title": "Crowns\u202e and\n\troots "}).title == "Crowns and roots"


def test_contrast_is_that_of_the_published_examples():
    # WCAG 2.2: black on white is 21 to 1; #767676 is the lightest grey of 4.5 to 1.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#ffffff", "#767676") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5
    assert all(contrast(colour, "#ffffff") >= 4.5 for colour in COLOURS.values())
