"""Courses of root canal treatment: their visits, cut off where the tooth or the follow-up ends."""

from dataclasses import dataclass, field

import numpy as np

from synthetic_data.hazards import Days, Flags, Floats, Ints
from synthetic_data.people import NO_DAY
from synthetic_data.truth import Truth

Columns = dict[str, np.ndarray]

# How a course is posted: one row, removal of the pulp first and one row later, or two treatment rows.
ONE_VISIT, PULP_FIRST, TWO_ROWS = 0, 1, 2
NO_CROWN, CROWNED, CROWNED_UNKNOWN_AGE = 0, 1, 2


def stack(parts: list[Columns]) -> Columns:
    """Put column sets of one shape under one another."""
    return {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}


def take(columns: Columns, rows: Flags | Ints) -> Columns:
    """The chosen rows of every column."""
    return {name: values[rows] for name, values in columns.items()}


@dataclass
class Courses:
    """Collects courses as they are simulated: one row a course, `started` first.

    `charted` is who did it and how it is known (see `elsewhere`); what others did is one visit. `close_by` is the last
    day on which the crown that it went through can be filled again. `completed` is NO_DAY for a pulp removed and never
    filled. `style` is as simulated; `completed` and `visits` say what came to be posted before the tooth or the
    follow-up ended.
    """

    parts: list[Columns] = field(default_factory=list)

    def add(
        self,
        teeth: Columns,
        *,
        started: Days,
        finish: Days,
        style: Ints,
        stop: Days,
        repeat: bool | Flags = False,
        coded_as_initial: bool | Flags = False,
        at_start: int | Ints = NO_CROWN,
        hyperemic: bool | Flags = False,
        planned: bool | Flags = False,
        necrotic: bool | Flags = False,
        charted: int | Ints = 0,
        close_by: Days | None = None,
    ) -> tuple[Days, Days]:
        """Add courses on teeth (`patient, tooth, clinician`) whose rows after `stop` never come to be.

        Gives the day each was completed and the day of its last row.
        """
        style = np.where(np.asarray(charted) > 0, ONE_VISIT, style)
        cut = (style != ONE_VISIT) & (finish > stop)
        last = np.where(cut | (style == ONE_VISIT), started, finish)
        completed = np.where(cut & (style == PULP_FIRST), NO_DAY, last)
        columns = {
            "patient": teeth["patient"],
            "tooth": teeth["tooth"],
            "clinician": teeth["clinician"],
            "started": started,
            "completed": completed,
            "style": style,
            "visits": np.where(last > started, 2, 1),
            "repeat": repeat,
            "coded_as_initial": coded_as_initial,
            "at_start": at_start,
            "hyperemic": hyperemic,
            "planned": planned,
            "necrotic": necrotic,
            "charted": charted,
            "close_by": stop if close_by is None else close_by,
        }
        self.parts.append({k: np.broadcast_to(v, started.shape).copy() for k, v in columns.items()})
        return completed, last

    def all(self) -> Columns:
        """Every course so far."""
        return stack(self.parts)


def draw_style(truth: Truth, rng: np.random.Generator, clinician: Ints, *, pulp_first: float = 0.4) -> Ints:
    """How each course is posted, by the clinician's habit of finishing in one visit."""
    one = np.array([c.one_visit for c in truth.clinicians])[clinician]
    u = rng.random(clinician.size)
    return np.where(u < one, ONE_VISIT, np.where(rng.random(clinician.size) < pulp_first, PULP_FIRST, TWO_ROWS))


def finish_day(rng: np.random.Generator, started: Days, style: Ints) -> Days:
    """Day of the last visit: the first one, or one to six weeks later."""
    return np.where(style == ONE_VISIT, started, started + rng.integers(7, 43, started.size))


def exponential_days(rng: np.random.Generator, per_year: float | Floats, n: int) -> Days:
    """Whole days, at least 1, to an event of a constant yearly rate."""
    wait = rng.exponential(size=n) * 365.25 / np.maximum(per_year, 1e-9)
    return np.minimum(np.ceil(wait), 1_000_000).astype(np.int64)


def draw_retreatments(
    truth: Truth,
    rng: np.random.Generator,
    courses: Courses,
    teeth: Columns,
    *,
    since: Days,
    stop: Days,
    at_start: int | Ints,
    charted: Ints,
) -> tuple[Days, Days]:
    """Repeat treatments: at most one a tooth here, at least 200 days after `since`, finished by `stop`.

    `charted` says who would do it and how it would be known. Gives the start (NO_DAY where there was none) and the day
    of completion.
    """
    n = since.size
    started = since + 200 + exponential_days(rng, truth.retreatment_per_year, n)
    style = np.where(charted > 0, ONE_VISIT, draw_style(truth, rng, teeth["clinician"], pulp_first=0.0))
    finish = finish_day(rng, started, style)
    as_initial = (rng.random(n) < truth.share_coded_as_initial) & (charted == 0)
    real = finish <= stop
    courses.add(
        take(teeth, real),
        started=started[real],
        finish=finish[real],
        style=style[real],
        stop=stop[real],
        repeat=True,
        coded_as_initial=as_initial[real],
        at_start=np.broadcast_to(at_start, n)[real],
        charted=charted[real],
    )
    return np.where(real, started, NO_DAY), np.where(real, finish, NO_DAY)


def draw_surgery(truth: Truth, rng: np.random.Generator, *, since: Days, start: Days, done: Days) -> Days:
    """Day of surgery at the root end, at least 200 days after `since` and never during a repeat treatment."""
    surgery = since + 200 + exponential_days(rng, truth.surgery_per_year, since.size)
    return np.where((surgery >= start) & (surgery <= done), done + 10, surgery)
