"""The technique questions that are asked: `data/technique_questions.csv`, a row a question and one each of its groups.

An empty cell says that a question is as most are: `needs` the detail of the factor's name, `caveats` those of `CAVEATS`
(parted by `|`; `chosen` and `afterwards` stand for sentences), adjusted for all that is known of the tooth but what it
asks about and `not_adjusted`. A group has the word of its name; one of a dose lies above a number, up to another.
"""

from functools import cache

from pipeline.machine.data_tables import data_rows
from pipeline.questions.techniques.question import (
    AFTERWARDS,
    CHOSEN,
    COURSE_OUTCOMES,
    CROWN_FAILURE,
    OF_COURSES,
    OF_CROWNS,
    Among,
    Band,
    Level,
    Question,
)

SENTENCES = {"chosen": CHOSEN, "afterwards": AFTERWARDS}
CAVEATS = {"crown": (CHOSEN,), "course": (CHOSEN, AFTERWARDS)}
WHY_ADJUST = {
    "crown": "Patients and teeth of higher risk may get another kind of crown.",
    "course": "Harder teeth may be treated another way.",
}


@cache
def all_questions() -> tuple[Question, ...]:
    """Every technique question, in order of unit (crowns first) and id."""
    rows = data_rows("technique_questions")
    found = tuple(
        _question(row, [of for of in rows if of["group"] and of["id"] == row["id"]]) for row in rows if not row["group"]
    )
    if len({q.id for q in found}) < len(found):
        raise ValueError("Two technique questions share an id.")
    return tuple(sorted(found, key=lambda q: (q.unit != "crown", q.id)))


def _question(row: dict[str, str], groups: list[dict[str, str]]) -> Question:
    crown = row["unit"] == "crown"
    usual = "crown" if crown else "course"
    without = {row["factor"], *row["not_adjusted"].split()}
    marks = row["marks"].split()
    return Question(
        id=row["id"],
        title=row["title"],
        unit=row["unit"],  # type: ignore[arg-type]
        factor=row["factor"],
        outcomes=(CROWN_FAILURE,) if crown else COURSE_OUTCOMES,
        adjust=tuple(c for c in (OF_CROWNS if crown else OF_COURSES) if c.name not in without),
        why_adjust=row["why_adjust"] or WHY_ADJUST[usual],
        needs=(row["needs"],) if row["needs"] else (),
        reference=row["reference"],
        levels=() if row["dose_unit"] else tuple(_level(group) for group in groups),
        bands=tuple(_band(group) for group in groups) if row["dose_unit"] else (),
        dose_unit=row["dose_unit"],
        spline="spline" in marks,
        caveats=tuple(SENTENCES.get(c, c) for c in row["caveats"].split("|")) if row["caveats"] else CAVEATS[usual],
        also=(tuple(row["also"].split()),) if row["also"] else (),  # type: ignore[arg-type]
        learn="learn" in marks,
        safety="safety" in marks,
        events=tuple(row["events"].split()),
        pool_label=row["pool_label"],
        among=Among(row["among"], row["population"]) if row["among"] else None,
    )


def _level(group: dict[str, str]) -> Level:
    return Level(group["group"], group["title"], tuple((group["words"] or group["group"]).split()))


def _band(group: dict[str, str]) -> Band:
    above, to = (float(group[end]) if group[end] else None for end in ("above", "to"))
    ends = group["ends"].split()
    return Band(group["group"], group["title"], above, to, "at_least" in ends, "below" in ends)
