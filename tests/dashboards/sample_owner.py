"""A made-up owner's sheet with every verdict, every grade and every thing to do; all its figures are invented."""

from __future__ import annotations

import dataclasses

from pipeline.results.owner import (
    BesidePublished,
    Change,
    Choice,
    EarlyRow,
    EarlySigns,
    Filters,
    Measured,
    Moved,
    OverTime,
    Owner,
    Part,
    SheetLine,
    SignalCases,
    SinceLastRun,
    Stretch,
    ToDo,
    Trust,
)

YEARS = tuple(float(y) for y in range(1, 11))


def stretch(survival: float | None, *, years: float = 5.0, teeth: int = 812, failures: int = 71) -> Stretch:
    low, high = (None, None) if survival is None else (survival - 0.031, survival + 0.024)
    return Stretch("2021-07-02", "2024-07-01", teeth, 640, failures, years, 377, survival, low, high)


def change(verdict: str, why: str = "", *, years: float = 5.0) -> Change:
    if why in {"too_few", "not_followed"}:
        return Change(verdict, why, years, least_failures=5)
    per_100, low, high = {
        "worse": (6.2, 2.3, 10.4), "better": (-5.1, -9.2, -1.4), "same": (0.4, -3.1, 3.8),
        "cannot_tell": (2.2, -4.4, 8.7),
    }[verdict]  # fmt: skip
    if why == "many_looks":
        low = 0.6
    return Change(verdict, why, years, per_100, low, high, 0.03, 0.09, 3)


def trust(grade: str) -> Trust:
    worst = {"firm": 0.87, "fair": 0.71, "thin": 0.42}[grade]
    return Trust(
        grade,
        (
            Measured("followed", worst, grade),
            Measured("set_aside", 0.004, "firm"),
            Measured("day_guessed", 0.06, "firm"),
            Measured("order_uncertain", 0.013, "firm"),
            Measured("range", 0.0275, "firm"),
        ),
    )


def published(id: str, years: float, verdict: str) -> BesidePublished:
    why = "wide" if verdict == "cannot_tell" else ""
    return BesidePublished(
        id,
        "Made, A. 2011. J Made 1:1-2",
        years,
        0.915,
        0.883,
        0.861,
        0.904,
        change(verdict, why, years=years),
        exact=False,
    )


def line(outcome: str, survival: float, verdict: str, grade: str, *shown: BesidePublished, why: str = "") -> SheetLine:
    late, before = stretch(survival - 0.013), stretch(survival + 0.007, failures=66)
    return SheetLine(outcome, stretch(survival), OverTime(late, before, change(verdict, why)), shown, trust(grade))


def early(outcome: str) -> EarlySigns:
    rows = tuple(
        EarlyRow(
            name,
            (
                stretch(0.981 if place < 3 else None, years=1.0, teeth=211 + place, failures=4),
                stretch(0.942 if place < 1 else None, years=3.0, teeth=211 + place, failures=11),
            ),
        )
        for place, name in enumerate(("2018 to 2020", "2021", "2022", "2023"))
    )
    late = (
        OverTime(stretch(0.98, years=1.0), stretch(0.985, years=1.0), change("cannot_tell", "too_few", years=1.0)),
        OverTime(stretch(0.93, years=3.0), stretch(0.96, years=3.0), change("cannot_tell", "many_looks", years=3.0)),
    )
    return EarlySigns(outcome, (1.0, 3.0), rows, late, trust("fair"))


def part(outcome: str, chosen: tuple[int, ...], teeth: int, yearly: float, *, reach: int = 10) -> Part:
    survival = tuple(round((1 - yearly) ** y, 4) for y in range(1, reach + 1))
    return Part(
        outcome, chosen, teeth, teeth - 7, 31, tuple(teeth - 12 * y for y in range(1, reach + 1)), survival,
        tuple(round(s - 0.02, 4) for s in survival), tuple(round(min(1.0, s + 0.015), 4) for s in survival),
    )  # fmt: skip


def filters(*clinicians: str) -> Filters:
    """Two outcomes by clinician and tooth group; the last clinician's molars are too few, the first's are thin."""
    choices = (Choice("provider_id", ("all", *clinicians)), Choice("tooth_group", ("all", "anterior", "molar")))
    outcomes = ("crown_survival", "endo_tooth_survival")
    parts = [
        part(outcome, (c, g), 700 - 150 * c - 60 * g, 0.011 + 0.004 * c + 0.001 * g + 0.003 * place,
             reach=3 if (c, g) == (1, 2) else 10)
        for place, outcome in enumerate(outcomes)
        for c in range(len(clinicians) + 1)
        for g in range(3)
        if (c, g) != (len(clinicians), 2)
    ]  # fmt: skip
    return Filters(choices, YEARS, 11, 10, tuple(parts), ("site_id",))


def owner(*clinicians: str) -> Owner:
    """The sheet of a practice with these clinicians."""
    first = clinicians[0]
    return Owner(
        lines=(
            line(
                "crown_survival", 0.913, "worse", "fair", published("b1", 6.0, "better"), published("b2", 18.0, "worse")
            ),
            line("endo_tooth_survival", 0.927, "cannot_tell", "firm", published("b3", 10.0, "cannot_tell"), why="wide"),
            line("endo_free_of_intervention", 0.866, "same", "thin"),
        ),
        early=(early("crown_survival"), early("endo_tooth_survival"), early("endo_free_of_intervention")),
        signals=(
            SignalCases("endo_free_of_intervention", first, "2024-07", "2024-12", 9, 3.41, 2.0, 60.0, True),
            SignalCases("crown_survival", "all", "2017-04", "2017-04", 6, 2.9, 2.0, 20.0, False),
        ),
        to_do=(ToDo("signals", 9, 1), ToDo("reviews", 58, 900, 7), ToDo("mend", 43, 9000), ToDo("ask", 21, 21),
               ToDo("codes", 14, 1)),
        filters=filters(*clinicians),
        since=SinceLastRun(
            "2024-11-30", 8200, 9000, "2024-11-28",
            (Moved("crown_survival", "rate", 0.931, 0.913, "", ""),
             Moved("crown_survival", "over_time", 2.0, 6.2, "cannot_tell", "worse"),
             Moved("endo_tooth_survival", "rate", 0.927, 0.927, "", "")),
        ),
    )  # fmt: skip


def unlike(found: Owner, text: str) -> Owner:
    """The same with a text of the practice's files in every place that can hold one."""
    assert found.filters is not None
    first = found.filters.choices[0]
    choices = (dataclasses.replace(first, options=("all", text, *first.options[2:])), *found.filters.choices[1:])
    return dataclasses.replace(
        found,
        signals=tuple(dataclasses.replace(s, who=text) for s in found.signals),
        filters=dataclasses.replace(found.filters, choices=choices),
    )
