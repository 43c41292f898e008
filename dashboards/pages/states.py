"""What becomes of crowns seated on a living tooth: a block of the clinician's page."""

from typing import Any

from dashboards.charts.areas import state_areas
from dashboards.formats import whole, years
from dashboards.tables import NumberTable
from dashboards.words import states as words_states
from pipeline.results import Results
from pipeline.results.states import STATES, CrownStates


def states_block(results: Results) -> dict[str, Any] | None:
    """What `states.html.j2` shows: a sentence, the picture, how many are followed, and the numbers with ranges."""
    states = results.states
    if states is None:
        return None
    return {
        "title": words_states.states_heading(states),
        "headline": words_states.states_headline(states),
        "before": words_states.states_before(states),
        "definition": words_states.states_definition(states),
        "chart": state_areas(states, id="states-areas", label=words_states.states_label(states)),
        "followed": followed_table(states),
        "table": states_table(states),
    }


def followed_table(states: CrownStates) -> NumberTable:
    """How many crowns are followed beyond each whole year of the picture."""
    points = [p for p in states.points if float(p.years).is_integer()]
    rows = tuple(
        (name, *(whole(p.followed[i]) for p in points)) for i, name in enumerate(("unopened", "opened")) if points
    )
    return NumberTable(
        "Crowns followed past each year since the seat; under the curves, those followed to it",
        ("Crowns", *(f"{p.years:g}" for p in points)),
        rows,
    )


def states_table(states: CrownStates) -> NumberTable:
    """Crowns of 100 in each state at the years told, with ranges; the whole numbers of a row sum to 100."""
    heads = ("After", *(words_states.NAMES[s] for s in STATES))
    rows = tuple(
        (years(y), *(words_states.of_100(point, i) for i in range(len(STATES))))
        for y in states.told
        if (point := states.at(y)) is not None
    )
    return NumberTable("Of 100 crowns seated on a living tooth, with 95 % ranges", heads, rows)
