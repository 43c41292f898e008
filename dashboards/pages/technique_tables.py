"""The tables of one technique answer, and of all of them."""

from collections.abc import Callable, Sequence

from dashboards import tables, terms
from dashboards.formats import DASH, MINUS, decimal, listing, lower_first, percent, ratio, sentence_case, whole, years
from dashboards.words import answers as words_answers
from pipeline.practice.outcomes import NOT_HEALED, OUTCOMES
from pipeline.results.safety import UNMEASURED
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast

HEALED = NOT_HEALED.id
OUTCOME = {o.id: o.heading or sentence_case(o.event) for o in OUTCOMES if o.event}
PLACE = {"crown": "Crowns", "course": "Root canals", "every_course": "Root canals"}


def groups(a: TechniqueAnswer) -> tables.NumberTable:
    """Who was counted: crude and adjusted rates, or for healing the shares recalled and healed."""
    caption = f"{a.title}, as counted and adjusted"
    if a.outcome == HEALED:
        return tables.table_of(caption, a.groups, {
            "Group": lambda g: g.label,
            "Followed long enough": lambda g: DASH if g.due is None else whole(g.due),
            "Recalled": lambda g: whole(g.teeth) + ("" if not g.due else f" ({percent(g.teeth, g.due)})"),
            "Patients": lambda g: whole(g.patients),
            "Not healed": lambda g: whole(g.failures),
            "Healed": lambda g: _share(g.success, g.success_ci_low, g.success_ci_high)[0],
            "95 % range": lambda g: _share(g.success, g.success_ci_low, g.success_ci_high)[1],
            "Adjusted": lambda g: _share(g.adjusted_success, g.adjusted_success_ci_low, g.adjusted_success_ci_high)[0],
            "Range": lambda g: _share(g.adjusted_success, g.adjusted_success_ci_low, g.adjusted_success_ci_high)[1],
        })  # fmt: skip
    return tables.table_of(caption, a.groups, {
        "Group": lambda g: g.label,
        "Teeth": lambda g: whole(g.teeth),
        "Patients": lambda g: whole(g.patients),
        "Failures": lambda g: whole(g.failures),
        "Tooth-years": lambda g: whole(g.tooth_years),
        "Per 100 tooth-years": lambda g: decimal(g.rate_per_100_tooth_years),
        "95 % range": lambda g: _range(g.rate_ci_low, g.rate_ci_high),
        "Adjusted": lambda g: decimal(g.adjusted_rate_per_100_tooth_years),
        "Range": lambda g: _range(g.adjusted_rate_ci_low, g.adjusted_rate_ci_high),
    })  # fmt: skip


def contrasts(a: TechniqueAnswer, labels: dict[str, str]) -> tables.NumberTable:
    """Each comparison: hazard ratio and difference, or for healing the difference alone."""
    columns: dict[str, Callable[[TechniqueContrast], str]] = {"Group": lambda c: contrast_label(a, c, labels)}
    if a.outcome != HEALED:
        columns |= {
            "Hazard ratio": lambda c: ratio(c.hazard_ratio),
            "Range": lambda c: _range(c.ratio_ci_low, c.ratio_ci_high, 2),
        }
    columns |= {
        "Not healed per 100" if a.outcome == HEALED else f"Failures per 100 by {years(a.horizon_years)}": _more,
        "Range" if a.outcome == HEALED else "Range ": lambda c: _range(c.difference_ci_low, c.difference_ci_high),
        "What to say": lambda c: terms.verdict(code_of(a, c)),
    }
    caption = f"{a.title}, adjusted, against {lower_first(labels[a.reference])}"
    return tables.table_of(caption, a.contrasts, columns, ("What to say",))


def code_of(a: TechniqueAnswer, c: TechniqueContrast) -> str:
    """The verdict; of an open one apart what is unconfirmed, unmeasured, or one with the clinician who works so."""
    if c.verdict == "cannot_tell" and UNMEASURED in a.caveats and not words_answers.leaves_zero_out(c):
        return "unmeasured"
    if c.verdict != "cannot_tell" or not c.withheld:
        return c.verdict
    if c.p_family is None:
        return "one_way"
    return "stands_out" if words_answers.leaves_zero_out(c) else c.verdict


def contrast_label(a: TechniqueAnswer, c: TechniqueContrast, labels: dict[str, str]) -> str:
    """The group, and what it is compared with where that is not the reference of the question."""
    return (
        labels[c.group] if c.reference == a.reference else f"{labels[c.group]}, not {lower_first(labels[c.reference])}"
    )


def dose(a: TechniqueAnswer) -> tables.NumberTable:
    """The points of the curve."""
    heads = (sentence_case(a.dose_unit), "Hazard ratio", "Range")
    rows = tuple((_amount(p.dose), ratio(p.hazard_ratio), _range(p.ci_low, p.ci_high, 2)) for p in a.dose)
    against = "" if a.reference_dose is None else f", against {_amount(a.reference_dose)} {a.dose_unit}"
    return tables.NumberTable(f"{a.title}: along the dose{against}", heads, rows)


def small_print(a: TechniqueAnswer) -> tuple[str, ...]:
    """Whom it is about, what is adjusted for, and what was left out."""
    said = []
    if a.population:
        said.append(f"{a.population}, from {a.time_zero}. {a.competing}")
    if a.adjusted_for:
        within = ", within clinicians" if a.stratified_by else ""
        said.append(
            f"Adjusted for {listing(a.adjusted_for)}{within}; limits allow for teeth of one patient being alike."
        )
    return (*said, *(f"{sentence_case(g.sentence)}." for g in a.missing), *a.notes)


def fine_print(answers: Sequence[TechniqueAnswer]) -> tables.NumberTable:
    """The small print of all outcomes of a question, one row each."""
    rows = tuple((OUTCOME[a.outcome], " ".join(small_print(a)) or DASH) for a in answers)
    return tables.NumberTable("Whom it is about, and what it is adjusted for", ("Outcome", "In small print"), rows,
                              ("In small print",))  # fmt: skip


def _amount(value: float) -> str:
    return f"{value:.3g}".replace("-", MINUS)


def _share(share: float | None, low: float | None, high: float | None) -> tuple[str, str]:
    if share is None or low is None or high is None:
        return DASH, DASH
    return percent(share, 1), f"{percent(low, 1)} to {percent(high, 1)}"


def _more(c: TechniqueContrast) -> str:
    if c.difference_per_100 is None:
        return DASH
    return f"{decimal(abs(c.difference_per_100))} {'more' if c.difference_per_100 >= 0 else 'fewer'}"


def _range(low: float | None, high: float | None, places: int = 1) -> str:
    return DASH if low is None or high is None else f"{decimal(low, places)} to {decimal(high, places)}"
