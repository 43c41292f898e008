"""Sentences on what becomes of crowns seated on a living tooth."""

from dashboards.formats import count, listing, months, whole, years
from pipeline.results.states import CrownStates, StatePoint

TITLE = "What becomes of a crown seated on a living tooth"
NAMES = {"vital": "In place, unopened", "opened": "In place, opened", "lost": "Failed"}
SHORT = {"vital": "Unopened", "opened": "Opened", "lost": "Failed"}  # beside the picture: there is little room
SINCE = "the crown was seated"


def states_headline(states: CrownStates) -> str:
    """Of 100 crowns: in place and unopened, opened and in place, and failed, at the last year told; they sum to 100."""
    if not states.told or (point := states.at(states.told[-1])) is None:
        return "Too few crowns have been followed for a year to say what becomes of 100 of them."
    vital, opened, lost = point.per_100
    return (
        f"Of {_start(states)}, after {years(point.years)} {vital} {_are(vital)} in place and unopened, {opened} "
        f"{_are(opened)} opened and in place, and {lost} {'has' if lost == 1 else 'have'} failed."
    )


def states_heading(states: CrownStates) -> str:
    """How many are still in place and unopened at the last year told, for a heading."""
    if not states.told or (point := states.at(states.told[-1])) is None:
        return TITLE
    return f"Of 100 crowns on a living tooth, {point.per_100[0]} are in place and unopened after {years(point.years)}"


def states_before(states: CrownStates) -> str:
    """The same at the earlier years, in one sentence; empty where there is none."""
    said = [
        f"after {years(y)} {listing([str(n) for n in point.per_100])}"
        for y in states.told[:-1]
        if (point := states.at(y)) is not None
    ]
    return f"Earlier, in the same order: {'; '.join(said)}." if said else ""


def states_definition(states: CrownStates) -> str:
    """Who is counted, and what each state is."""
    text = (
        f"Single crowns made here on teeth without a root canal: {count(states.crowns, 'crown')} of "
        f"{count(states.patients, 'patient')}. {whole(states.opened)} were opened for a root canal later; "
        f"{whole(states.lost)} failed, {whole(states.lost_opened)} of them after an opening. Failed: replaced, "
        "removed, or the tooth lost. Openings and failures each take their part of the crowns still there, so the "
        "three add up to 100 at any time. Patients who stop coming, and the time after a death, are taken to fare as "
        "those who stay."
    )
    if states.starts_at_days > 0:
        text += f" Counted from {months(states.starts_at_days)} after the seat, when enough are followed."
    if states.stops_early:
        text += " The picture stops where too few crowns are followed."
    return text


def states_label(states: CrownStates) -> str:
    """The accessible name of the picture."""
    return f"{TITLE}: areas that add up to 100. {states_headline(states)}"


def of_100(point: StatePoint, state: int) -> str:
    """Whole crowns of 100 in a state, with the range."""
    low, high = round(100 * point.ci_low[state]), round(100 * point.ci_high[state])
    return f"{point.per_100[state]} ({low} to {high})"


def _start(states: CrownStates) -> str:
    if states.starts_at_days <= 0:
        return "100 crowns seated on a living tooth"
    return f"100 crowns in place and unopened {months(states.starts_at_days)} after the seat"


def _are(n: int) -> str:
    return "is" if n == 1 else "are"
