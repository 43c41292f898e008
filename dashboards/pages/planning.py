"""What would settle each open question: a block of the page on what these records cannot say."""

from collections.abc import Callable, Sequence
from typing import Any

from dashboards.formats import DASH, count, decimal, ratio, whole
from dashboards.tables import NumberTable, table_of
from dashboards.words.comparisons import not_asked
from pipeline.results import Results
from pipeline.results.planning import Plan, PlanGroup

TECHNIQUE = "technique_"


def planning_block(results: Results) -> dict[str, Any]:
    """What `planning.html.j2` shows: sentences on the open comparisons, their numbers, and those of the techniques."""
    plans = [p for p in results.planning if not p.id.startswith(TECHNIQUE)]
    techniques = [p for p in results.planning if p.id.startswith(TECHNIQUE)]
    waiting = [p for p in techniques if not p.settled]
    return {
        "lead": not_asked(results) or planning_sentence(plans),
        "table": _table([p for p in plans if not p.settled]),
        "technique_lead": technique_sentence(techniques) if techniques else "",
        "technique_table": technique_table([p for p in waiting if p.failures_needed is not None]),
        "technique_short": technique_short(techniques),
        "stuck": stuck_table([p for p in waiting if p.failures_needed is None]),
    }


def planning_sentence(plans: Sequence[Plan]) -> str:
    """How many questions are open, and how many of them this practice will answer by itself."""
    waiting = [p for p in plans if not p.settled]
    if not plans:
        return "No question of two groups could be asked, so there is nothing to plan."
    if not waiting:
        return f"{count(len(plans), 'question')}: all answered for now."
    alone, years = sum(p.months is not None for p in waiting), waiting[0].within_years
    pace = f"enough failures in this practice alone within {years} years, if its pace holds."
    pace += " Months count that those followed now go on failing; “More cases” would be followed as long as they were."
    if len(waiting) == 1:
        return f"1 question of {whole(len(plans))} is open; it would {'' if alone else 'not '}have {pace}"
    return (
        f"{whole(len(waiting))} questions of {whole(len(plans))} are open; {whole(alone) if alone else 'none'} of them "
        f"would have {pace}"
    )


def technique_sentence(plans: Sequence[Plan]) -> str:
    """How many comparisons of techniques are open, and how many of them will be settled here or elsewhere."""
    waiting = [p for p in plans if not p.settled]
    of = count(len(plans), "technique comparison")
    if not waiting:
        return f"{of}: all answered for now."
    alone, stuck = sum(p.months is not None for p in waiting), sum(p.failures_needed is None for p in waiting)
    looks, years = max(p.looks for p in plans), waiting[0].within_years
    rest = f" For {whole(stuck)} it cannot be worked out." if stuck else ""
    return (
        f"{whole(len(waiting))} of {of} {'is' if len(waiting) == 1 else 'are'} open; "
        f"{whole(alone) if alone else 'none'} of them would have enough within {years} years at this pace.{rest} Each "
        f"must stand among {whole(looks)} looks, so it takes more than a question asked alone; fewer questions, or "
        "practices together, get there sooner."
    )


def technique_short(plans: Sequence[Plan]) -> str:
    """How many comparisons of techniques are open, in a sentence; empty where none was planned."""
    waiting = [p for p in plans if not p.settled]
    if not waiting:
        return ""
    alone = sum(p.months is not None for p in waiting)
    return (
        f"{whole(len(waiting))} of {count(len(plans), 'comparison')} open, {whole(alone) if alone else 'none'} of them "
        f"to be settled here within {waiting[0].within_years} years."
    )


def stuck_table(plans: Sequence[Plan]) -> NumberTable | None:
    """Open comparisons of techniques of which nothing can be worked out, with the reason; None without any."""
    if not plans:
        return None
    rows = tuple((_title(p), p.sentences[0] if p.sentences else DASH) for p in plans)
    return NumberTable("Open, and not to be planned", ("Question", "Why"), rows, ("Why",))


def technique_table(plans: Sequence[Plan]) -> NumberTable:
    """One row for each open comparison of techniques that can be planned."""
    return table_of("What it takes to settle each open technique question", plans, {
        "Question": _title,
        "Cases": lambda p: _both(p, lambda g: g.cases),
        "Failures": lambda p: _both(p, lambda g: g.failures),
        "Failures it takes": lambda p: whole(p.failures_needed or 0),
        "More cases": lambda p: _both(p, lambda g: g.more_cases or 0),
        "Months at this pace": _months,
        "Practices of this size": _practices,
    })  # fmt: skip


def _title(plan: Plan) -> str:
    labels = [g.label for g in plan.groups]
    return f"{plan.title}: {labels[0].lower()} against {labels[1].lower()}"


def _both(plan: Plan, of: Callable[[PlanGroup], int]) -> str:
    return " and ".join(whole(of(g)) for g in plan.groups)


def _table(plans: Sequence[Plan]) -> NumberTable:
    """A row a group; what is of both stands beside the first."""
    first = [(p, g, not i) for p in plans for i, g in enumerate(p.groups)]
    caption = "What it takes to find the smallest difference that matters four times in five"
    return table_of(caption, first, {
        "Question and group": lambda r: f"{r[0].title}: {r[1].label}",
        "Cases": lambda r: whole(r[1].cases),
        "New a year": lambda r: decimal(r[1].cases_a_year, 0),
        "Failures": lambda r: whole(r[1].failures),
        "More failures": lambda r: _or_dash(r[1].more_failures),
        "More cases": lambda r: _or_dash(r[1].more_cases),
        "Ratio to find": lambda r: ratio(r[0].hazard_ratio) if r[2] else "",
        "Months at this pace": lambda r: _months(r[0]) if r[2] else "",
        "Practices of this size": lambda r: _practices(r[0]) if r[2] else "",
    })  # fmt: skip


def _practices(plan: Plan) -> str:
    return _or_dash(plan.practices)


def _or_dash(n: int | None) -> str:
    return DASH if n is None else whole(n)


def _months(plan: Plan) -> str:
    if plan.failures_needed is None:
        return DASH
    return f"over {12 * plan.within_years}" if plan.months is None else whole(plan.months)
