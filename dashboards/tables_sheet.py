"""Tables of the owner's sheet: early signs by year, what moved since the last run, the grades of trust."""

from dashboards import terms
from dashboards.formats import DASH, decimal, failed, in_place, percent, sentence_case, spread, whole, years
from dashboards.tables import NumberTable
from dashboards.words import sheet as words_sheet
from pipeline.results.owner import EarlySigns, Moved, Owner, SinceLastRun, Stretch


def early(found: EarlySigns) -> NumberTable | None:
    """Failures of 100 by each of the early years, with range and how many are still followed."""
    if not found.rows:
        return None
    heads = ["Begun in", "Teeth"]
    for y in found.years:
        heads += [f"Failed by {years(y)}, of 100 (range)", f"Still followed at {years(y)}"]
    rows = tuple(
        (row.name, whole(row.at[0].teeth), *(cell for s in row.at for cell in (_failed(s), whole(s.followed))))
        for row in found.rows
    )
    return NumberTable(f"{words_sheet.name_of(found.outcome)}: failed early, by year begun", tuple(heads), rows)


def moved(found: SinceLastRun | None) -> NumberTable | None:
    """Figures that are not what they were in the last run; None where all are, or there was none."""
    rows = tuple(
        (
            f"{words_sheet.name_of(m.outcome)}: {words_sheet.figure(m.by)}",
            _figure(m, m.before),
            _figure(m, m.now),
            _verdict(m.verdict_before),
            _verdict(m.verdict_now),
        )
        for m in (found.moved if found else ())
        if _figure(m, m.before) != _figure(m, m.now) or m.verdict_before != m.verdict_now
    )
    heads = ("Figure", "Then", "Now", "Verdict then", "Verdict now")
    return NumberTable("What moved since the last run", heads, rows, heads[3:]) if rows else None


def grades(owner: Owner) -> NumberTable | None:
    """Everything that the trust in each rate hangs on, as measured."""
    rows = tuple(
        (
            f"{words_sheet.name_of(outcome)}{what}",
            terms.verdict(found.grade),
            *(
                next((f"{_share(m.name, m.share)} ({m.grade})" for m in found.measured if m.name == name), DASH)
                for name in ("followed", "set_aside", "day_guessed", "order_uncertain", "range")
            ),
        )
        for outcome, what, found in (
            *((s.outcome, "", s.trust) for s in owner.lines),
            *((e.outcome, ", early signs", e.trust) for e in owner.early),
        )
    )
    heads = ("Figure", "Grade", "Follow-up seen to its years", "Rows set aside", "Day guessed; a posted day is known",
             "Order unsure", "Half the range")  # fmt: skip
    return NumberTable("What each grade hangs on", heads, rows, ("Grade",)) if rows else None


def _share(name: str, share: float) -> str:
    return f"{decimal(100 * share)} of 100" if name == "range" else percent(share, 1)


def _failed(found: Stretch) -> str:
    if found.survival is None:
        return DASH
    rng = ""
    if found.ci_low is not None and found.ci_high is not None:
        rng = f" ({spread(failed(found.ci_high), failed(found.ci_low))})"
    return f"{failed(found.survival)}{rng}"


def _figure(m: Moved, value: float | None) -> str:
    """A rate in whole teeth of 100, a comparison in failures more, to a tenth."""
    if value is None:
        return DASH
    return f"{in_place(value)} of 100" if m.by == "rate" else decimal(value)


def _verdict(code: str) -> str:
    return sentence_case(words_sheet.CAN.get(code, code)) if code else DASH
