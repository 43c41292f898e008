"""What would settle each open question: a block of the clinician's page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dashboards.formats import DASH, count, decimal, ratio, whole
from dashboards.tables import NumberTable
from pipeline.results import Results
from pipeline.results_planning import Plan


def planning_block(results: Results) -> dict[str, Any]:
    """What `planning.html.j2` shows: sentences on the open questions, and all numbers in one table."""
    plans: Sequence[Plan] = results.planning
    return {
        "lead": planning_sentence(plans),
        "open": [(p.title, p.sentences) for p in plans if not p.settled],
        "table": _table([p for p in plans if not p.settled]),
    }


def planning_sentence(plans: Sequence[Plan]) -> str:
    """How many questions are open, and how many of them this practice will answer by itself."""
    waiting = [p for p in plans if not p.settled]
    if not plans:
        return "No question of two groups could be asked, so there is nothing to plan."
    if not waiting:
        return f"{count(len(plans), 'question')}: all answered for now."
    alone, years = sum(p.months is not None for p in waiting), waiting[0].within_years
    pace = f"enough failures in this practice alone within {years} years, if its pace holds"
    if len(waiting) == 1:
        return f"1 question of {whole(len(plans))} is open; it would {'' if alone else 'not '}have {pace}."
    return (
        f"{whole(len(waiting))} questions of {whole(len(plans))} are open; {whole(alone) if alone else 'none'} of them "
        f"would have {pace}."
    )


def _table(plans: Sequence[Plan]) -> NumberTable:
    rows = []
    for p in plans:
        for i, g in enumerate(p.groups):
            own = (_months(p), DASH if p.practices is None else whole(p.practices)) if not i else ("", "")
            rows.append(
                (
                    f"{p.title}: {g.label}",
                    whole(g.cases),
                    decimal(g.cases_a_year, 0),
                    whole(g.failures),
                    DASH if g.more_failures is None else whole(g.more_failures),
                    DASH if g.more_cases is None else whole(g.more_cases),
                    ratio(p.hazard_ratio) if not i else "",
                    *own,
                )
            )
    heads = (
        *("Question and group", "Cases", "New a year", "Failures", "More failures", "More cases"),
        *("Ratio to find", "Months at this pace", "Practices of this size"),
    )
    return NumberTable(
        "What it takes to find the smallest difference that matters four times in five", heads, tuple(rows)
    )


def _months(plan: Plan) -> str:
    if plan.failures_needed is None:
        return DASH
    return f"over {12 * plan.within_years}" if plan.months is None else whole(plan.months)
