"""Sentences of the inside pages, each computed from the results that its chart and table show.

Whole teeth of 100, both framings, the range as numbers; nothing about one group is said without its range.
"""

from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import (
    count,
    day,
    failed,
    in_place,
    known,
    listing,
    lower_first,
    month,
    months,
    more_or_fewer,
    percent,
    plural,
    range_more_or_fewer,
    ratio,
    spread,
    whole,
    years,
)
from pipeline.results import (
    ALL_OTHERS,
    DAYS_PER_YEAR,
    Comparison,
    Difference,
    FollowUp,
    Group,
    Milestone,
    Naive,
    RateRow,
    RateTable,
    Results,
)
from pipeline.results.owner import Stretch


def rate_headline(row: RateRow, outcome: str) -> str:
    """`About 91 of 100 crowns were still in place after 5 years (9 failed); the range is 89 to 93.`"""
    say = terms.outcome(outcome)
    if row.survival is None:
        enough = f"{whole(row.followed)} of {count(row.teeth, say.noun)} {plural(row.followed, 'has')} been followed"
        return f"Too early to say how many {say.many} are {say.good} after {years(row.years)}: {enough} that long."
    sentence = (
        f"About {in_place(row.survival)} of 100 {say.many} were {say.good} after {years(row.years)} "
        f"({failed(row.survival)} {say.bad})"
    )
    if row.ci_low is None or row.ci_high is None:
        return f"{sentence}."
    return f"{sentence}; the range is {spread(in_place(row.ci_low), in_place(row.ci_high))}."


def rate_in_short(rate: RateRow | Stretch, good: str, *, of: str = "", word: str = "") -> str:
    """`93 of 100 crowns still in place after 5 years (90 to 95)`; empty where too few are followed.

    `of` is what the rate is of, where the sentence does not say it yet; `word` stands before the range.
    """
    if rate.survival is None:
        return ""
    rng = ""
    if rate.ci_low is not None and rate.ci_high is not None:
        rng = f" ({word} {spread(in_place(rate.ci_low), in_place(rate.ci_high))})".replace("( ", "(")
    what = f"{of} {good}".strip()
    return f"{in_place(rate.survival)} of 100 {what} after {years(rate.years)}{rng}"


def rates_label(table: RateTable) -> str:
    """The accessible name of a chart of rates: each row's failures of 100 with their range."""
    say = terms.outcome(table.outcome)
    parts = [
        f"{r.name} {failed(r.survival)} ({spread(failed(r.ci_high), failed(r.ci_low))})"
        for r in table.rows
        if r.survival is not None and r.ci_low is not None and r.ci_high is not None
    ]
    horizon = years(table.rows[0].years) if table.rows else ""
    return f"{say.bad.capitalize()} of 100 {plural(2, say.noun)} within {horizon}, with range: {'; '.join(parts)}."


def chance(rows: Sequence[RateRow], overall: RateRow | None) -> str:
    """How many clinicians' ranges miss the practice's overall figure, and how often chance alone does that."""
    drawn = [
        (r.ci_low, r.ci_high) for r in rows if r.survival is not None and r.ci_low is not None and r.ci_high is not None
    ]
    if overall is None or overall.survival is None or not drawn:
        return "Too few teeth have been followed long enough to set clinicians beside the whole practice."
    missed = sum(not (low <= overall.survival <= high) for low, high in drawn)
    looks = f"{100 * (1 - 0.95 ** len(drawn)):.0f} of 100 looks"
    n = len(drawn)
    first = (
        f"The range of the one clinician shown {'misses' if missed else 'holds'} the practice’s overall figure."
        if n == 1
        else f"{whole(n - missed)} of {whole(n)} ranges hold the practice’s overall figure, {whole(missed)} "
        f"{plural(missed, 'does')} not."
        if missed
        else f"All {whole(n)} ranges hold the practice’s overall figure."
    )
    return (
        f"{first} With {count(n, 'clinician')} who all do equally well, at least one range would miss it by chance "
        f"alone in about {looks}."
    )


def at_horizon(comparison: Comparison, group: Group) -> Milestone | None:
    """The group's milestone at the comparison's horizon, if the curve reaches it."""
    return next((m for m in group.milestones if m.years == comparison.horizon_years and m.survival is not None), None)


def curves_label(comparison: Comparison) -> str:
    """The accessible name of the failure curves: each group's failures of 100 at the horizon with their range."""
    nouns = plural(2, terms.outcome(comparison.outcome).noun)
    parts = []
    for group in comparison.groups:
        point = at_horizon(comparison, group)
        if point is None or point.survival is None:
            parts.append(f"{group.label}: the curve does not reach {years(comparison.horizon_years)}")
            continue
        rng = ""
        if point.ci_low is not None and point.ci_high is not None:
            rng = f" (range {spread(failed(point.ci_high), failed(point.ci_low))})"
        parts.append(f"{group.label}: {failed(point.survival)}{rng}")
    return f"Failed of 100 {nouns} by {years(comparison.horizon_years)}. {'; '.join(parts)}."


def how_to_read(comparison: Comparison) -> str:
    """One worked example from the first group whose curve reaches the horizon."""
    noun = terms.outcome(comparison.outcome).noun
    for group in comparison.groups:
        point = at_horizon(comparison, group)
        if point and point.survival is not None and point.ci_low is not None and point.ci_high is not None:
            n = failed(point.survival)
            return (
                f"At {years(point.years)} the line “{group.label}” stands at {n}: of 100 {plural(2, noun)}, about {n} "
                f"had failed by then and {in_place(point.survival)} had not. The shaded band there runs from "
                f"{spread(failed(point.ci_high), failed(point.ci_low))}: the range that fits these records."
            )
    return f"No line reaches {years(comparison.horizon_years)} yet: too few {plural(2, noun)} have been followed."


def curve_notes(comparison: Comparison) -> list[str]:
    """Where a curve starts late or stops early, and why."""
    notes = []
    for group in comparison.groups:
        if group.starts_at_days > 0:
            notes.append(
                f"“{group.label}” is counted from {group.starts_at_days / DAYS_PER_YEAR:.1f} years, when enough such "
                f"{plural(2, terms.outcome(comparison.outcome).noun)} were followed, and drawn from its first failure; "
                "each counts from its own day on."
            )
        if group.stops_at_days is not None and group.curve:
            why = f": {group.stop_reason.rstrip('.')}" if group.stop_reason else ""
            notes.append(f"“{group.label}” stops at {group.stops_at_days / DAYS_PER_YEAR:.1f} years{why}.")
    return notes


def difference_sentence(difference: Difference, labels: dict[str, str], noun: str) -> str:
    """The absolute difference in whole teeth of 100, its range, and from when it is counted."""
    late = ""
    if difference.from_days > 0:
        late = f", counted from {months(difference.from_days)} on, when both groups are followed"
    mid, low, high = (round(v) for v in (difference.per_100, difference.ci_low, difference.ci_high))
    group, reference = (labels.get(n, n) for n in (difference.group, difference.reference))
    return f"{difference_core(mid, group, reference, difference.years, noun)}; the range is " + (
        f"{range_more_or_fewer(low, high)}{late}."
    )


def difference_core(mid: int, group: str, reference: str, horizon: float, noun: str, *, did: str = "failed") -> str:
    """The difference without its range: `By 5 years, 6 more of 100 crowns failed with “a” than with “b”`."""
    much, than = (more_or_fewer(mid), "than") if mid else ("about as many", "as")
    return f"By {years(horizon)}, {much} of 100 {plural(2, noun)} {did} with “{group}” {than} with “{reference}”"


def naive_sentence(naive: Naive, labels: dict[str, str], horizon: float, *, start: str) -> str:
    """What the count by hand from `start` would have said."""
    shares = listing([f"{failed(s)} of 100 with “{labels.get(name, name)}”" for name, s in naive.survival])
    text = f"Counted by hand from {start}, {shares} failed by {years(horizon)}." if shares else ""
    if known(naive.hazard_ratio):
        text += f" Its hazard ratio is {naive.hazard_ratio:.2f}"
        if known(naive.ci_low) and known(naive.ci_high):
            text += f" ({naive.ci_low:.2f} to {naive.ci_high:.2f})"
        text += "."
    return text.strip()


def groups_reconciled(c: Comparison, others: Sequence[Comparison] = ()) -> str:
    """Why the groups of a main comparison do not add up to what its curves count; empty where they do.

    Of `others`, the one from the opening on says how many opened crowns it counts.
    """
    named = {g.name: g for g in c.groups}
    if not {"vital", "through_crown"} <= set(named):
        return ""
    vital, opened = named["vital"], named["through_crown"]
    later = [g for o in others if o.clock == "since_opening_or_seat" for g in o.groups if g.name == "through_crown"]
    ever = later[0].crowns if later else 0
    of = f" of {whole(opened.crowns)}" if opened.followed < opened.crowns else ""
    told = ""
    if ever > opened.crowns:
        told = f" From the opening on {whole(ever)} are counted, {whole(ever - opened.crowns)} of them of unknown age."
    return (
        f"The {whole(opened.followed)}{of} opened crowns count twice here, as in the curves: without a root canal "
        f"until their opening, and from then on as opened. {whole(vital.followed)} began without a root canal, and "
        f"{whole(vital.crowns)} never had one; shared pages count these alone.{told} Opened crowns are older when "
        "counted: their failures a year stand here unadjusted."
    )


def other_contrast(c: Comparison) -> str:
    """Opened against not opened, in one line beside the main question; empty where it was not computed."""
    labels = {g.name: g.label for g in c.groups}
    found = [e for e in c.estimates if e.contrast == "through_crown vs vital" and known(e.ci_low) and known(e.ci_high)]
    if not found:
        return ""
    e = next((e for e in reversed(found) if e.adjusted_for), found[-1])
    group, reference = (labels.get(n, n).lower() for n in ("through_crown", "vital"))
    how = "adjusted" if e.adjusted_for else "not adjusted"
    low, high = e.ci_low or 0.0, e.ci_high or 0.0
    judged = "" if low <= 1 <= high else " That is not the question judged here: those teeth needed no root canal."
    return (
        f"Against {reference}, failures came {ratio(e.hazard_ratio)} times as fast with {group} "
        f"({ratio(low)} to {ratio(high)}), {how}.{judged}"
    )


def since_landmark(c: Comparison) -> str:
    """From which day the groups of a landmark are followed, and that whoever was lost earlier is in none."""
    return c.notes[0] if c.clock == "since_landmark" and c.notes else ""


def records_to(results: Results) -> str:
    """` Records to December 2024.`, after a caption; empty without a day."""
    return f" Records to {end}." if (end := month(results.data_cutoff)) else ""


def scope_sentence(results: Results) -> str:
    """What the records span and hold."""
    n = results.counts
    held = (
        f"Records from {day(results.data_from)} to {day(results.data_cutoff)}: {count(n.procedures, 'procedure row')} "
        f"of {count(n.patients, 'patient')}, with {count(n.crowns, 'single crown')} made here and "
        f"{count(n.endo_courses, 'root canal')} begun."
    )
    return f"{held} {not_asked(results)}".rstrip()


def not_asked(results: Results) -> str:
    """What stands where other questions would, if the main comparison alone was made; empty if all were asked."""
    if not any(a.id == ALL_OTHERS for a in results.not_run):
        return ""
    return (
        "Of these only the main comparison was made, group by group of patients; no other question was asked. The "
        "data-quality page says what the others need."
    )


# Fields that most rows are without for good: who lives has no day of death, and a day needs no year beside it.
MOSTLY_NONE = frozenset({("patients", "deceased_date"), ("elsewhere", "event_year")})


def trust_sentences(results: Results) -> list[str]:
    """Can these records be trusted? What was read, set aside, filled in, linked and unknown."""
    q = results.quality
    read, aside = sum(r.rows_read for r in q.loads), sum(r.quarantined for r in q.loads)
    sentences = []
    if read:
        sentences.append(
            f"{count(read, 'row')} {plural(read, 'was')} read from {count(len(q.loads), 'file')}; {whole(aside)} "
            f"({percent(aside, read)}) {plural(aside, 'was')} set aside."
        )
    made_here, unknown_age = results.counts.crowns, results.counts.crowns_unknown_age
    recorded = next((n.count for n in q.links if n.id == "seats_recorded"), None)
    if made_here and recorded is not None:
        sentences.append(
            f"The day of the seat is recorded for {whole(recorded)} of {count(made_here, 'crown')} made here "
            f"({percent(recorded, made_here)}); for others the posting stands in, by a rule."
        )
    if unknown_age:
        sentences.append(f"{count(unknown_age, 'crown')} more {plural(unknown_age, 'has')} no known day of the seat.")
    thin = [f for f in q.filled_in if f.filled < 0.5 * f.rows and (f.table, f.field) not in MOSTLY_NONE]
    if thin:
        fields = listing(
            [f"{lower_first(terms.field_of_table(f.table, f.field))}, {percent(f.filled, f.rows)}" for f in thin]
        )
        sentences.append(f"Less than half filled in: {fields}. What rests on these is thin.")
    begun, done = results.counts.endo_courses, next((r.teeth for r in results.followup if r.of == "root canals"), 0)
    if 0 < done < begun:
        sentences.append(
            f"Of {count(begun, 'root canal')} begun, {whole(done)} {plural(done, 'was')} filled and followed."
        )
    sentences += [followup_sentence(row) for row in results.followup]
    codes = sum(c.rows for c in q.unknown_codes)
    if codes:
        sentences.append(
            f"{count(codes, 'row')} {plural(codes, 'has')} {_one_of_codes(len(q.unknown_codes))} that "
            f"the code list does not know; nothing is concluded from {'it' if codes == 1 else 'them'}."
        )
    return sentences


def followup_sentence(row: FollowUp) -> str:
    """How long and how completely one kind of tooth was followed."""
    middle = (
        f"half could be followed for {row.median_days / DAYS_PER_YEAR:.1f} years or more"
        if row.median_days is not None
        else "too few were followed to the end for a middle length of follow-up"
    )
    return (
        f"Of {whole(row.teeth)} {row.of}, {middle}; {percent(row.lost, 1)} were not followed to the end of the "
        f"records, and {percent(row.clark_c, 1)} of the follow-up possible to the end of the records was seen."
    )


def too_few(missing: int, total: int, what: str, horizon: float) -> str:
    """How many rows of a table have no figure yet, and why."""
    return (
        f"{whole(missing)} of {count(total, what)} {plural(missing, 'has')} too few teeth followed {years(horizon)} "
        "for a figure."
    )


def difference_row(difference: Difference, labels: dict[str, str]) -> str:
    """The short label of the difference's row."""
    return labels.get(difference.group, difference.group)


def zone_sentence(smallest: float) -> str:
    """What the shaded zone of the difference chart is."""
    return f"The grey zone, {smallest:g} per 100 either way, was fixed beforehand as too small to matter."


def _one_of_codes(n: int) -> str:
    return "a procedure code" if n == 1 else f"one of {count(n, 'procedure code')}"
