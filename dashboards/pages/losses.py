"""What teeth were lost to: a block of the clinician's page."""

from typing import Any

from dashboards import terms
from dashboards.charts.areas import loss_areas
from dashboards.formats import DASH, decimal, listing, sentence_case, whole, years
from dashboards.pages.comparison import place
from dashboards.tables import NumberTable
from dashboards.words import loss as words_loss
from pipeline.results import Results
from pipeline.results.healing import LossByCause, LossGroup, LossTable


def losses_block(results: Results) -> list[dict[str, Any]]:
    """What `losses.html.j2` shows of each clock: a sentence, the picture, the numbers of all teeth and of groups."""
    return [_section(table, f"l{i}") for i, table in enumerate(results.losses)]


def loss_table(group: LossGroup, noun: str) -> NumberTable:
    """Losses by cause of one group at 1, 5 and 10 years, with the total below."""
    heads = ("Lost to", "Losses so far", *(f"Lost within {years(y)}" for y in words_loss.SHOWN_YEARS))
    rows = tuple(_row(c) for c in (*group.causes, group.total) if c.losses or c.cause == "all")
    followed = [
        f"{whole(p.at_risk)} after {years(y)}"
        for y in words_loss.SHOWN_YEARS
        if (p := words_loss.at(group.total.points, y)) is not None
    ]
    caption = (
        f"{group.label}, of 100 {noun}, with 95 % ranges. {whole(group.teeth)} teeth of {whole(group.patients)} "
        f"patients{'; still followed: ' if followed else ''}{listing(followed) if followed else ''}"
    )
    return NumberTable(caption, heads, rows)


def _row(cause: LossByCause) -> tuple[str, ...]:
    points = [words_loss.at(cause.points, y) for y in words_loss.SHOWN_YEARS]
    cells = [
        DASH if p is None else f"{decimal(100 * p.estimate)} ({decimal(100 * p.ci_low)} to {decimal(100 * p.ci_high)})"
        for p in points
    ]
    return words_loss.SHORT.get(cause.cause, cause.cause), whole(cause.losses), *cells


def _section(table: LossTable, id: str) -> dict[str, Any]:
    noun = words_loss.NOUNS.get(table.id, "teeth")
    everyone = next((g for g in table.groups if g.name == "all"), None)
    chart = None if everyone is None else loss_areas(
        everyone, names=words_loss.SHORT, since=terms.clock(table.clock), noun=noun, id=f"{id}-losses",
        label=words_loss.loss_label(table))  # fmt: skip
    return {
        "of_crowns": table.id.startswith("crowned"),
        "place": place(table.id),
        "title": sentence_case(words_loss.loss_heading(table)),
        "headline": words_loss.loss_headline(table),
        "definition": words_loss.loss_definition(table),
        "chart": chart,
        "table": loss_table(everyone, noun) if everyone else None,
        "groups": [loss_table(g, noun) for g in table.groups if g.name != "all"],
        "notes": [*(t for g in table.groups if (t := words_loss.late_start(g))), *table.notes],
    }
