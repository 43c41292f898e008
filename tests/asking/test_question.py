"""What may be asked, and what is refused before any data are read."""

import tomllib

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.practice.outcomes import OUTCOMES, POPULATIONS
from pipeline.practice.own_question import TABLES, Ask, asked_for, columns_of, from_options, read_ask


def toml(text: str) -> Ask:
    return read_ask(tomllib.loads(text))


def test_toml_and_command_line_ask_the_same():
    written = toml("""
        title = "Ours"
        population = { of = "endo_courses", tooth_group = "molar", from_year = 2015 }
        groups = { column = "naocl_percent", bands = [1, 3] }
        outcome = "endo_intervention"
        clock = "since_completion"
        adjust = ["age", "sex"]
        horizon = 3
    """)
    typed = from_options(
        population="endo_courses,from_year=2015,tooth_group=molar",
        groups="naocl_percent:1,3",
        outcome="endo_intervention",
        adjust=["age", "sex"],
        horizon=3,
    )
    assert written.in_words() == typed.in_words()
    assert written.key() == typed.key()
    assert written.in_words() == {
        "population": "endo_courses, tooth_group = molar, from_year = 2015",
        "groups": "naocl_percent in bands at 1, 3",
        "outcome": "endo_intervention",
        "clock": "since_completion",
        "adjust": "age, sex",
        "horizon": "3 years",
    }


def test_short_forms_and_what_is_adjusted_for_by_itself():
    short = toml('population = "crowns"\ngroups = "sex"\noutcome = "crown_failure"')
    assert short.adjusted() == ("age", "year", "tooth_group")  # never the column that makes the groups
    none = toml('population = "crowns"\ngroups = "sex"\noutcome = "crown_failure"\nadjust = []')
    assert (none.adjusted(), none.key() == short.key()) == ((), False)


@pytest.mark.parametrize("name", POPULATIONS)
def test_every_stored_column_is_allowed_or_refused(name: str):
    population = POPULATIONS[name]
    allowed = columns_of(population)
    for table in population.tables:
        for column in TABLES[table].columns:
            options = {
                "population": name,
                "groups": f"{column}:1",
                "outcome": next(o.asked for o in OUTCOMES if o.population is population),
            }
            if column in allowed:
                assert from_options(**options).column == column
            else:
                with pytest.raises(ConfigError):
                    from_options(**options)


@pytest.mark.parametrize(
    ("population", "column"),
    [
        (p, c)
        for p in POPULATIONS
        for c, of in TABLES[p].columns.items()
        if of.later and c not in ("crown_id", "course_id")
    ],
)
def test_what_comes_after_time_zero_is_refused_with_the_reason(population: str, column: str):
    outcome = next(o.asked for o in OUTCOMES if o.population.name == population)
    for options in (
        {"population": population, "groups": column},
        {"population": f"{population},{column}=x", "groups": "tooth_group"},
        {"population": population, "groups": "tooth_group", "adjust": [column]},
    ):
        with pytest.raises(ConfigError, match="immortal time"):
            from_options(outcome=outcome, **options)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"population": "crown"}, 'Did you mean "crowns"'),
        ({"groups": "materal"}, 'Did you mean "material"'),
        ({"groups": "provider_id"}, "funnel"),
        ({"groups": "patient_id"}, "tells people"),
        ({"groups": "naocl_percent"}, "no column of crowns"),
        ({"groups": "ferrule_mm:2,1"}, "going up"),
        ({"groups": "ferrule_mm:two"}, "must be numbers"),
        ({"outcome": "endo_intervention"}, "not followed in crowns"),
        ({"clock": "since_completion"}, "does not fit crowns"),
        ({"population": "crowns,tooth_group=molars"}, 'Did you mean "molar"'),
        ({"population": "crowns,from_year=15"}, "1900 or more"),
        ({"horizon": 0}, "1 or more"),
        ({"adjust": ["agee"]}, "no column"),
    ],
)
def test_refusals_say_what_would_do(options: dict, told: str):
    good = {"population": "crowns", "groups": "material", "outcome": "crown_failure"}
    from_options(**good)
    with pytest.raises(ConfigError, match=told):
        from_options(**(good | options))


def test_an_unknown_key_is_refused():
    with pytest.raises(ConfigError, match='Did you mean "outcome"'):
        toml('population = "crowns"\ngroups = "sex"\noutcom = "crown_failure"')
    with pytest.raises(ConfigError, match="outcome is missing"):
        toml('population = "crowns"\ngroups = "sex"')


def test_the_command_line_comes_before_the_toml():
    listed = (toml('population = "crowns"\ngroups = "sex"\noutcome = "crown_failure"'),)
    options = {"population": None, "groups": None, "outcome": None, "adjust": (), "horizon": None}
    assert asked_for(listed, options) == listed
    typed = asked_for(listed, options | {"population": "crowns", "groups": "margin", "outcome": "tooth_loss"})
    assert [ask.column for ask in typed] == ["margin"]
    with pytest.raises(ConfigError, match="lacks --groups and --outcome"):
        asked_for(listed, options | {"population": "crowns"})
    with pytest.raises(ConfigError, match="Nothing was asked"):
        asked_for((), options)
