"""Rates and curves of a clinician, a clinic, a tooth group, some years: choosers over what was made beforehand."""

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from dashboards import terms
from dashboards.charts.owner import filtered_chart
from dashboards.formats import failed, listing, sentence_case, whole, years
from dashboards.tables import NumberTable
from dashboards.theme import script_json
from dashboards.words import sheet as words_sheet
from pipeline.results.owner import Filters, Part

SCRIPT = "filters.js"
CHART = "filtered"


@dataclass(frozen=True)
class Chooser:
    """One chooser: its name, its label, and what can be chosen, the first for all."""

    name: str
    label: str
    options: tuple[str, ...]


def filters_block(found: Filters | None) -> dict[str, Any]:
    """Choosers (for scripts alone), the chart, its table for all teeth, and the data; empty without a choice."""
    if found is None or not found.parts:
        return {}
    outcomes = tuple(dict.fromkeys(p.outcome for p in found.parts))
    wholes = {o: part for o in outcomes if (part := _whole(found, o)) is not None and part.survival}
    if not wholes:
        return {}
    first = next(iter(wholes.values()))
    choosers = (
        Chooser("outcome", "Rate of", tuple(words_sheet.name_of(o) for o in wholes)),
        *(
            Chooser(c.field, words_sheet.FIELDS.get(c.field, c.field), tuple(map(sentence_case, c.options)))
            for c in found.choices
        ),
    )
    top = max(100 * (1 - low) for part in wholes.values() for low in part.ci_low)
    left_out = [words_sheet.FIELDS.get(f, f).lower() for f in found.left_out]
    too_many = (
        f" There are too many combinations to choose by {listing(left_out)} too; see the tables." if left_out else ""
    )
    return {
        "choosers": choosers,
        "chart": filtered_chart(first, found.years, top=top, id=CHART, label=said(first, found)),
        "said": said(first, found),
        "table": table_of(first, found),
        "note": f"Nothing is shown of fewer than {found.smallest} teeth, and a curve ends where fewer than "
        f"{found.min_at_risk} are followed. Who is chosen differs in the teeth that fell to them: nothing here is a "
        f"ranking or a verdict.{too_many}",
        "data": Markup(script_json(_data(found, tuple(wholes)))),
    }


def said(part: Part, found: Filters) -> str:
    """The chosen teeth in a sentence: how many, and how many of 100 failed by the latest year of up to 5 told."""
    words = terms.outcome(part.outcome)
    held = f"{whole(part.teeth)} {words.many} of {whole(part.patients)} patients"
    told = [i for i, y in enumerate(found.years[: len(part.survival)]) if y <= 5]
    if not told:
        return f"{held}: too few are followed for a figure."
    i = told[-1]
    low, high = failed(part.ci_high[i]), failed(part.ci_low[i])
    every = _whole(found, part.outcome)
    beside = f" All teeth, whoever and whenever: {failed(every.survival[i])}." if every and any(part.chosen) else ""
    return (
        f"{held}: {failed(part.survival[i])} of 100 {words.bad} by {years(found.years[i])} (range {low} to {high}); "
        f"{whole(part.followed[i])} still followed then.{beside}"
    )


def table_of(part: Part, found: Filters) -> NumberTable:
    """Failed of 100, range and still followed at each year told."""
    rows = tuple(
        (f"{y:g}", whole(failed(s)), f"{failed(high)} to {failed(low)}", whole(n))
        for y, s, low, high, n in zip(
            found.years, part.survival, part.ci_low, part.ci_high, part.followed, strict=False
        )
    )
    return NumberTable("Failed by each year, of the teeth chosen", ("Years", "Of 100", "Range", "Still followed"), rows)


def _whole(found: Filters, outcome: str) -> Part | None:
    return next((p for p in found.parts if p.outcome == outcome and not any(p.chosen)), None)


def _data(found: Filters, outcomes: tuple[str, ...]) -> dict[str, Any]:
    """What the script reads: of each part its sentence's numbers, and whole teeth of 100 as the table has them."""
    return {
        "years": found.years,
        "smallest": found.smallest,
        "outcomes": [{"many": terms.outcome(o).many, "bad": terms.outcome(o).bad} for o in outcomes],
        "parts": {
            "/".join(map(str, (outcomes.index(p.outcome), *p.chosen))): [
                p.teeth,
                p.patients,
                [
                    [round(100 * (1 - s), 2), round(100 * (1 - high), 2), round(100 * (1 - low), 2), n,
                     failed(s), failed(high), failed(low)]
                    for s, low, high, n in zip(p.survival, p.ci_low, p.ci_high, p.followed, strict=True)
                ],
            ]
            for p in found.parts
            if p.outcome in outcomes
        },
    }  # fmt: skip
