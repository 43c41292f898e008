"""Sentences of the owner's sheet, each computed from the figures that its cards and tables show."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import (
    count,
    day,
    decimal,
    failed,
    in_place,
    listing,
    lower_first,
    month,
    percent,
    plural,
    range_more_or_fewer,
    sentence_case,
    whole,
    years,
)
from dashboards.words.answers import between
from dashboards.words.comparisons import rate_in_short
from pipeline.results.healing import RecallRow
from pipeline.results.owner import (
    BegunSince,
    Change,
    EarlySigns,
    Measured,
    OverTime,
    Owner,
    SheetLine,
    SinceLastRun,
    Stretch,
    ToDo,
    Trust,
    followed_grade,
)

FIELDS = {"provider_id": "Clinician", "site_id": "Clinic", "tooth_group": "Tooth group", "years": "Begun in"}
CAN = {"better": "better", "same": "little difference", "worse": "worse", "cannot_tell": "cannot tell"}


def name_of(outcome: str) -> str:
    """A rate in a word or two."""
    return terms.outcome(outcome).rate_name


def rate(found: Stretch, outcome: str) -> str:
    """`91 of 100 in place after 5 years (range 90 to 92)`; why not, where too few are followed."""
    if found.survival is None:
        return f"too few followed for {years(found.years)} ({whole(found.followed)} of {whole(found.teeth)})"
    return rate_in_short(found, terms.outcome(outcome).rate_kept, word="range")


def change(found: Change, *, in_brief: bool = False) -> str:
    """What a comparison of two rates says: how many more or fewer of 100, with the range, and why no more is said.

    In brief, what a range that is open on both sides leaves room for is not said.
    """
    if found.why == "not_followed":
        return f"Too few are followed for {years(found.years)}."
    if found.why == "too_few" or found.per_100 is None or found.ci_low is None or found.ci_high is None:
        return f"Too few failures: at least {found.least_failures} are asked for on either side."
    if found.verdict == "same":
        return f"{sentence_case(_no_larger(found))}, within the {found.matters_per_100:g} of 100 that would matter."
    fits = between(found.ci_low, found.ci_high)
    if found.verdict in {"better", "worse"}:
        return f"The range is {fits}."
    if found.why == "many_looks":
        return f"The range is {fits}: alone that would stand out, among {count(found.looks, 'rate')} it does not."
    if is_not_worse(found):
        bound = "" if in_brief else f" by {found.matters_per_100:g}"
        return f"{sentence_case(fits)}: not worse{bound}."
    return f"{sentence_case(fits)}{'' if in_brief else ': both no difference and one that matters fit'}."


def is_not_worse(found: Change) -> bool:
    """Whether what is open is only by how much better: the whole range is below a rise that would matter."""
    return found.why == "wide" and found.ci_high is not None and found.ci_high < found.matters_per_100


def _no_larger(found: Change) -> str:
    """The range of a difference too small to matter, with the fewest decimals that do not round it past what would."""
    assert found.ci_low is not None
    assert found.ci_high is not None
    low, high, most = found.ci_low, found.ci_high, found.matters_per_100
    places = next((p for p in range(4) if max(abs(round(low, p)), abs(round(high, p))) <= most), 4)
    return range_more_or_fewer(round(low, places or None), round(high, places or None))


def over_time(found: OverTime) -> str:
    """One rate lately against the time before, with the two figures."""
    late, before = found.late, found.before
    if late is None or before is None:
        return change(found.change)
    if found.change.why == "too_few":
        return f"Too few failures to compare: {whole(late.failures)} lately, {whole(before.failures)} before."
    if late.survival is None or before.survival is None:
        return change(found.change)
    return (
        f"{failed(late.survival)} of 100 failed by {years(late.years)} lately, {failed(before.survival)} before. "
        f"{change(found.change)}"
    )


def _few(late: float, before: float) -> str:
    """Which share is lower, where too few failed to say more; short, since it may be said of several rates."""
    which = "Fewer" if late < before else "More" if late > before else ""
    return f"{which}; too few to compare." if which else "Too few to compare."


def early_over_time(found: OverTime, *, dated: bool = True) -> str:
    """Teeth begun lately against those before, `dated` with the years of both; counts and shares where few failed.

    What a range that is open leaves room for is said where the rates themselves are held against the time before.
    """
    late, before = found.late, found.before
    if late is None or before is None:
        return change(found.change)
    gap = change(found.change, in_brief=True)
    if min(late.failures, before.failures) < found.change.least_failures and late.teeth and before.teeth:
        of_100 = [100 * s.failures / s.teeth for s in (late, before)]
        told = _few(*of_100) if found.change.why == "too_few" else gap
        said = (
            f"{whole(late.failures)} of {whole(late.teeth)} failed against {whole(before.failures)} of "
            f"{whole(before.teeth)} ({listing([decimal(share) for share in of_100])} of 100). {told}"
        )
    elif late.survival is None or before.survival is None:
        said = over_time(found)
    else:
        said = f"{failed(late.survival)} of 100 failed against {failed(before.survival)}. {gap}"
    said = f"Begun {stretches(found)}: {said}" if dated else said
    return f"{said} {begun_since(found.since)}" if found.since and (dated or found.change.verdict in BOLD) else said


BOLD = {"better", "worse"}


def begun_since(found: BegunSince) -> str:
    """How those fare so far who were begun after the years that are compared."""
    as_before = f", {decimal(found.expected)} expected as before" if found.failures or found.expected >= 0.05 else ""
    return (
        f"Since {month(found.first_day)}: {whole(found.failures)} of {whole(found.teeth)} so far{as_before}; not yet "
        "comparable."
    )


def stretches(found: OverTime) -> str:
    """Which years are held against which: `July 2021 to July 2024 against July 2018 to July 2021`."""
    if found.late is None or found.before is None:
        return ""
    return " against ".join(f"{month(s.first_day)} to {month(s.last_day)}" for s in (found.late, found.before))


def early_bounds(found: Sequence[EarlySigns]) -> str:
    """By what early failures are judged, which is less than at the years of the rates; empty without any."""
    if not found:
        return ""
    bounds = [
        f"{late.change.matters_per_100:g}{'' if i else ' of 100'} by {years(y)}"
        for i, (y, late) in enumerate(zip(found[0].years, found[0].late, strict=True))
    ]
    return f"{listing(bounds, 'or')} would matter"


def measured(found: Measured, horizon: float) -> str:
    """One thing that trust hangs on, in words; follow-up counts to the `horizon` years of the figure."""
    share = percent(found.share, 1)
    return {
        "followed": f"{share} of the possible follow-up to {years(horizon)} was seen",
        "set_aside": f"{share} of the ledger’s rows could not be used",
        "day_guessed": f"{share} have a start or loss on a guessed day",
        "order_uncertain": f"for {share} it is unsure whether crown or root canal came first",
        "range": f"the range reaches {100 * found.share:.1f} of 100 either way",
    }.get(found.name, found.name)


IN_BRIEF = {"followed": "{share} seen", "range": "a range of {half:.1f} of 100 either way"}


def trust_by(found: Trust, horizon: float) -> str:
    """`Fair by 18 years: 69 % seen.`: the grade at other years than the rate's, beside whose reasons it stands."""
    why = [m for m in found.measured if m.grade == found.grade]
    told = [
        IN_BRIEF[m.name].format(share=percent(m.share, 1), half=100 * m.share)
        if m.name in IN_BRIEF
        else measured(m, horizon)
        for m in (why if found.grade != "firm" else [])
    ]
    return f"{sentence_case(found.grade)} by {years(horizon)}{f': {listing(told)}' if told else ''}."


def trust(found: Trust, horizon: float) -> str:
    """Why a figure at `horizon` years has its grade: what pulls it down, else what it stands on."""
    why = [m for m in found.measured if m.grade == found.grade]
    shown = why if found.grade != "firm" else [m for m in why if m.name in {"followed", "range"}] or why[:2]
    return f"{listing([measured(m, horizon) for m in shown])}."


def strip_label(lines: Sequence[SheetLine]) -> str:
    """The accessible name of the strip of all rates: each with its range, lately and before, here and published."""
    parts = []
    for s in lines:
        if s.rate.survival is None:
            continue
        told = [rate_in_short(s.rate, terms.outcome(s.outcome).rate_kept, word="range")]
        late, before = s.over_time.late, s.over_time.before
        if late is not None and before is not None and None not in (late.survival, before.survival):
            told.append(f"lately {in_place(late.survival or 0)}, before {in_place(before.survival or 0)}")
        told += [f"by {years(p.years)} {in_place(p.ours)} here, {in_place(p.published)} published"
                 for p in s.published[:1]]  # fmt: skip
        parts.append(f"{name_of(s.outcome)}: {'; '.join(told)}")
    return f"{'. '.join(parts)}."


def early_label(found: EarlySigns) -> str:
    """The accessible name of the chart of early signs."""
    parts = [
        f"{row.name} {failed(s.survival)} by {years(y)}"
        for row in found.rows
        for y, s in zip(found.years, row.at, strict=True)
        if s.survival is not None
    ]
    return f"{name_of(found.outcome)} that failed early, of 100, by year begun: {'; '.join(parts)}."


def early_finding(found: EarlySigns) -> str:
    """The latest year with a figure at each early time, in a sentence."""
    parts = []
    for place, horizon in enumerate(found.years):
        told = [(row.name, s) for row in found.rows if (s := row.at[place].survival) is not None]
        if not told:
            parts.append(f"too few are followed for {years(horizon)} yet")
        for name, survival in told[-1:]:
            parts.append(f"{failed(survival)} of 100 by {years(horizon)} of those begun in {name}")
    return f"{name_of(found.outcome)} that failed early: {listing(parts)}."


def to_do(found: ToDo) -> str:
    """One thing to do, as an instruction with its number."""
    n = found.count
    return {
        "signals": f"Look at {count(n, 'failure')} behind {count(found.of, 'recent signal')}",
        "reviews": f"Review {count(n, 'root canal')} due by the end of the records",
        "ask": f"Ask about {count(n, 'tooth')} that others may have treated",
        "mend": f"Mend {count(n, 'unused row')}",
    }.get(
        found.what,
        f"Give {count(found.of, 'procedure code')} a meaning: {count(n, 'row')} {plural(n, 'has')} one that is not "
        "known",
    )


def trust_short(lines: Sequence[SheetLine], recalls: Sequence[RecallRow]) -> str:
    """How many rates have the lowest grade, whose word stands before it: `for all rates`, `for 1 of 3 rates`."""
    low, healing = sum(s.trust.grade == worst(lines) for s in lines), recall_grade(recalls)
    said = "for all rates" if low == len(lines) else f"for {whole(low)} of {count(len(lines), 'rate')}"
    return f"{said}; {healing}" if healing else said


def to_do_short(found: ToDo) -> str:
    """The same in few words, for the front page."""
    n = found.count
    return {
        "signals": f"Look at {count(n, 'signalled failure')}",
        "reviews": f"Review {count(n, 'root canal')}",
        "ask": f"Ask about {count(n, 'tooth')}",
        "mend": f"Mend {count(n, 'row')}",
    }.get(found.what, f"Explain {count(found.of, 'code')}")


WHY = {
    "signals": "by chance, or from a cause that can be found",
    "reviews": "the rates rest on who is seen",
    "ask": "until then these teeth count as untouched",
    "mend": "they count in no figure; each reason says what to do",
    "codes": "nothing is concluded from them",
}
COMMAND = {
    "signals": "toothyears dashboards PRACTICE.toml --lists",
    "reviews": "toothyears recall-list PRACTICE.toml",
    "ask": "toothyears worksheet PRACTICE.toml",
    "mend": "toothyears set-aside PRACTICE.toml",
    "codes": "",
}
GRADE_RULE = (
    "A grade is the worst of what a figure hangs on, by bounds of our own (no source), and covers no work that others "
    "did unseen."
)
ORDER = "Patients first, then figures."


def good_answer(lines: Sequence[SheetLine]) -> str:
    """Are we good? Each rate in a few words."""
    if all(s.rate.survival is None for s in lines):
        return "Too early to say: too few are followed."
    rates = [
        f"{in_place(s.rate.survival)} {lower_first(name_of(s.outcome))} {terms.outcome(s.outcome).rate_kept}"
        for s in lines
        if s.rate.survival is not None
    ]
    return f"Of 100 after {horizons(lines)}: {listing(rates)}."


def horizons(lines: Sequence[SheetLine]) -> str:
    """The years of the rates: `5 years`, or `5 and 3 years` where some could not be told so late."""
    found = list(dict.fromkeys(s.rate.years for s in lines if s.rate.survival is not None))
    return listing([*(f"{y:g}" for y in found[:-1]), years(found[-1])])


def trend_answer(owner: Owner) -> str:
    """Are we getting worse? The verdict on each rate; one that all share stands before it, in its frame."""
    if not owner.lines:
        return "There is no rate to compare."
    said = trend_in_brief(owner)
    if alike(owner):
        said = sentence_case(listing([lower_first(name_of(s.outcome)) for s in owner.lines]))
    return f"{said}, lately against the {owner.late_years} years before."


def trend_short(owner: Owner) -> str:
    """`Little difference for crowns; cannot tell for root canals`."""
    return sentence_case(by_verdict([(s.outcome, s.over_time.change.verdict) for s in owner.lines]))


def trend_in_brief(owner: Owner, *, rest: bool = True) -> str:
    """`Cannot tell for root canals; little difference for the others`: those alike left together, or left out."""
    found = [(s.outcome, s.over_time.change.verdict) for s in owner.lines]
    apart = [(outcome, verdict) for outcome, verdict in found if verdict != "same"]
    said = trend_short(owner)
    if apart and len(apart) < len(found):
        said = sentence_case(by_verdict(apart))
        if rest:
            said += f"; little difference for the {plural(len(found) - len(apart), 'other')}"
    # The word of the first verdict stands before it in its frame, where one is framed.
    framed = CAN.get(trend_code(owner), "")
    return said.removeprefix(f"{sentence_case(framed)} ") if framed else said


def trend_code(owner: Owner) -> str:
    """Worse if any rate is, else better if any is, else what all share; empty where they have several, told apart."""
    codes = {s.over_time.change.verdict for s in owner.lines}
    found = next((code for code in ("worse", "better") if code in codes), "")
    return found or (codes.pop() if len(codes) == 1 else "")


def alike(owner: Owner) -> bool:
    """Whether all rates have one verdict, which is then said once, in its frame."""
    return len({s.over_time.change.verdict for s in owner.lines}) == 1


def trust_answer(lines: Sequence[SheetLine], recalls: Sequence[RecallRow]) -> str:
    """What can be trusted? The grade of each rate and what pulls it down; and of healing, by how many came back."""
    low = next((s for s in lines if s.trust.grade == worst(lines)), None)
    if low is None:
        return "There is no figure to grade."
    why = next(m for m in low.trust.measured if m.grade == low.trust.grade)
    # The word of the lowest grade stands before it, in its frame.
    alike = len({s.trust.grade for s in lines}) == 1
    said = "for all" if alike else f"at worst: {by_verdict([(s.outcome, s.trust.grade) for s in lines])}"
    healing = recall_grade(recalls)
    hangs = (
        f"{percent(why.share, 1)} of follow-up to {years(low.rate.years)} seen"
        if why.name == "followed"
        else measured(why, low.rate.years)
    )
    return f"{said}: {hangs}{f'; {healing}' if healing else ''}."


def recall_grade(recalls: Sequence[RecallRow]) -> str:
    """`thin for healing`: the share healed is of those who came back, so that it hangs on how many did."""
    found = next((r for r in recalls if r.name == "all" and r.due), None)
    return f"{followed_grade(found.recalled / found.due)} for healing" if found is not None else ""


def grades(lines: Sequence[SheetLine]) -> str:
    """`firm for all 3 rates`, `firm for crowns; thin for root canals`."""
    found = [(s.outcome, s.trust.grade) for s in lines]
    alike = len({grade for _, grade in found}) == 1
    return f"{found[0][1]} for all {count(len(found), 'rate')}" if alike and len(found) > 1 else by_verdict(found)


def worst(lines: Sequence[SheetLine]) -> str:
    """The lowest grade of trust among the rates."""
    codes = {s.trust.grade for s in lines}
    return next((g for g in ("thin", "fair", "firm") if g in codes), "thin")


def by_verdict(found: Sequence[tuple[str, str]]) -> str:
    """`little difference for crowns; cannot tell for teeth with a root canal`."""
    groups: dict[str, list[str]] = {}
    for outcome, verdict in found:
        groups.setdefault(verdict, []).append(lower_first(name_of(outcome)))
    return "; ".join(f"{CAN.get(v, v)} for {listing(names)}" for v, names in groups.items())


def since(found: SinceLastRun | None) -> list[str]:
    """What changed since the last run, in sentences."""
    if found is None:
        return []
    if not found.run_on:
        return ["First run on this database: nothing to hold it against yet."]
    added = found.rows_now - found.rows_before
    rows = f"{count(abs(added), 'row')} {'more' if added > 0 else 'fewer'}" if added else "no more rows and no fewer"
    turned = [
        f"{lower_first(name_of(m.outcome))}, {figure(m.by)}: {CAN.get(m.verdict_before, DASHED)} → "
        f"{CAN.get(m.verdict_now, DASHED)}"
        for m in found.moved
        if m.verdict_before != m.verdict_now
    ]
    texts = [
        f"Since the run of {day(found.run_on)}, whose data ended on {day(found.cutoff_before)}: {rows} "
        f"({whole(found.rows_now)} in all)."
    ]
    if found.program_before:
        texts.append(f"The program is another version than then ({found.program_before}).")
    if found.settings_changed:
        texts.append("Rules or settings were changed since: what moved may be their doing.")
    return [*texts, f"Verdicts that changed: {'; '.join(turned)}." if turned else "No verdict changed."]


DASHED = "none"


def figure(by: str) -> str:
    """Which figure of a rate the runs are compared in."""
    if by.startswith("early_"):
        return f"failures by {years(float(by.removeprefix('early_')))}, begun lately against before"
    if by.startswith("published"):
        return "beside a published figure"
    return {"rate": "rate", "over_time": "lately against before"}.get(by, by)
