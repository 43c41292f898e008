"""Sentences of the owner page on clinicians, on failures over time and on published figures; each computed."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.charts.benchmarks import author
from dashboards.formats import (
    count,
    decimal,
    failed,
    in_place,
    listing,
    lower_first,
    month,
    plural,
    sentence_case,
    whole,
    years,
)
from dashboards.formats import spread as between
from pipeline.results.monitoring import Benchmark, FirstYear, Funnel, FunnelRow, Monitoring, Running
from pipeline.results.owner import SheetLine

STANDINGS = {
    "within": "within what chance alone produces",
    "more_95": "more than chance alone would often produce (outside 95 %): a reason to look at the cases, no finding",
    "more_99_8": "more than chance alone would produce (outside 99.8 %); look at the cases",
    "fewer_95": "fewer than chance alone would often produce (outside 95 %)",
    "fewer_99_8": "fewer than chance alone would produce (outside 99.8 %)",
    "differ_95": "further from the other than chance alone would often bring two (outside 95 %)",
    "differ_99_8": "further from the other than chance alone would bring two (outside 99.8 %)",
}
EVENTS = {
    "tooth_lost": "loss of the tooth",
    "endo_intervention": "retreatment, surgery or extraction",
    "endo_or_tooth_lost": "root canal, retreatment, surgery or extraction",
    "crown_lost": "replacement or loss of the crown, or loss of the tooth",
}


def expected_from(found: Monitoring) -> str:
    """How the expected failures come about."""
    noun = plural(2, terms.outcome(found.outcome).noun)
    for_what = f", allowing for {listing(list(found.adjusted_for))}" if found.adjusted_for else ""
    missing = f" Not in it: {listing(list(found.left_out))}." if found.left_out else ""
    return (
        f"Of {count(found.teeth, noun.removesuffix('s'))}, {found.failures} failed. What is expected of a clinician "
        f"comes from colleagues’ {noun} alone: as many failures as theirs lead one to expect of the same {noun}, "
        f"followed as long{for_what}. A clinician’s own failures are no part of it.{missing}"
    )


def nobody_beside(found: Monitoring) -> str:
    """Said in place of clinicians where there are no two of them."""
    noun = plural(2, terms.outcome(found.outcome).noun)
    return f"The {noun} name no two clinicians, so that nobody can be held against a colleague."


def too_few_failures(found: Monitoring) -> str:
    """Said in place of the charts where hardly anything has failed."""
    return (
        f"Only {count(found.failures, 'failure')} so far; from {found.min_failures} on, clinicians and months can be "
        "set against what is expected."
    )


def clinician_sentence(
    row: FunnelRow, noun: str, *, min_expected: float, times: float, signals: Sequence[str] = (), power: bool = True
) -> str:
    """One clinician in a few sentences, with the months (`2024-12`) of signals on the same teeth.

    With `power` also how surely a multiple of the failures would have been noticed.
    """
    expected = decimal(row.expected)
    start = (
        f"{row.name}: {count(row.observed, 'failure')} where {expected} {'was' if expected == '1.0' else 'were'} "
        f"expected of {count(row.teeth, noun)}: "
    )
    if row.standing == "too_few":
        return f"{start}too few to judge (fewer than {min_expected:g} expected)."
    noticed = ""
    if power and row.notice_95 is not None:
        noticed = f" {_times(times)} as many as colleagues’ would be noticed {_of_100(row.notice_95)}."
    return f"{start}{STANDINGS[row.standing]}.{_bursts(signals)} {likely(row)}{noticed}"


def _bursts(signals: Sequence[str]) -> str:
    if not signals:
        return ""
    how, when = "a signal" if len(signals) == 1 else count(len(signals), "signal"), [month(f"{m}-01") for m in signals]
    return f" That is over all years; for a while failures came faster, with {how} in {listing(when)}."


def power_of_all(found: Funnel) -> str:
    """How surely a multiple would have been noticed, where that is the same for all who are judged; else empty."""
    said = [_of_100(r.notice_95) for r in found.rows if r.standing != "too_few" and r.notice_95 is not None]
    if len(said) < 2 or len(set(said)) > 1:
        return ""
    return f"{_times(found.times)} as many failures as colleagues’ would be noticed {said[0]}, in each who is judged."


def likely(row: FunnelRow) -> str:
    """What a clinician's rate most likely is, drawn to the practice's, in failures for 100 of colleagues."""
    return (
        f"For 100 failures of colleagues’ on the same teeth, most likely {round(100 * row.shrunk)} of {row.name} "
        f"(range {round(100 * row.shrunk_low)} to {round(100 * row.shrunk_high)})."
    )


def pair_sentence(found: Funnel) -> str:
    """What can be said of two clinicians who differ; nothing where no two were left to differ."""
    two = [r.name for r in found.rows if r.standing.startswith("differ")]
    if not two:
        return ""
    return (
        f"{listing(two)} differ from one another by more than chance alone would often bring about. Each is held "
        "against the other alone, so the records cannot say which of the two is the unusual one."
    )


def funnel_note(found: Funnel) -> str:
    """What the limits are, who was set aside, how they were widened, and what chance alone does to so many."""
    aside = [r.name for r in found.rows if r.standing.startswith(("more", "fewer"))]
    wider = round(100 * (found.dispersion - 1))
    gone = found.not_recorded
    parts = [
        pair_sentence(found),
        f"What is expected of the others leaves out {listing(aside)}, who {'stands' if len(aside) == 1 else 'stand'} "
        "outside: else the rest would seem to have too few failures, or too many."
        if aside and len(found.rows) > len(aside) + 1
        else "",
        "Two clinicians can be held against one another and against nobody else." if found.judged == 2 else "",
        f"Were all {found.judged} alike, chance alone would put somebody outside the 95 % limits in about "
        f"{max(1, round(100 * found.by_chance))} of 100 such practices."
        if found.judged
        else "",
        power_of_all(found),
        "The likeliest number is drawn to what is usual, more so where failures are few.",
        f"Teeth of one patient fail together: the spread is {wider} % above that of single teeth, and the limits are "
        "widened for it."
        if wider
        else "",
        "Differences that are no one’s doing, such as harder cases that no field records, are not removed.",
        f"{count(gone, 'row')} {plural(gone, 'has')} no clinician and {plural(gone, 'is')} left out." if gone else "",
        "Who is within the limits is not thereby shown to do well, nor who is outside to do badly.",
    ]
    return " ".join(filter(None, parts))


def funnel_label(found: Funnel) -> str:
    """The accessible name of the funnel chart."""
    told = [(r.name, decimal(r.ratio, 2), decimal(r.expected)) for r in found.rows if r.ratio is not None]
    rows = [f"{name} {times} times {expected} expected" for name, times, expected in told]
    return f"Failures as a multiple of those expected, with limits of chance, by clinician: {'; '.join(rows)}."


def running_sentence(found: Running) -> str:
    """Whether and when the watch on the whole practice signalled, and what it would notice."""
    signals = [month(f"{m.month}-01") for m in found.months if m.signal]
    times = "twice" if found.ratio == 2 else f"{found.ratio:g} times"
    said = (
        f"The watch for {times} the expected failures signalled in {listing(signals)}."
        if signals
        else f"At no time did failures come so much faster than expected that the watch for {times} as many signalled."
    )
    return (
        f"{said} Each year is held against all the years before it. The watch is set to one false signal in "
        f"{found.false_alarm_years:g} years on average; over all the months shown, chance alone gives at least one "
        f"{_of_100(found.chance_in_span)}. With {count(round(found.pace_a_year), 'expected failure')} a year, as of "
        f"late, a lasting doubling would be noticed after about {count(max(1, round(found.delay_months)), 'month')}, "
        "on average. Both allow for what is expected being itself a matter of chance. Expected failures count on the "
        "teeth of all who are not known to have left, up to the end of the records."
    )


def running_read(found: Running) -> str:
    """How to read the line, with its highest and lowest point."""
    top, low = (
        f"{decimal(abs(m.gap))} {'fewer' if m.gap >= 0 else 'more'} than expected ({month(m.month + '-01')})"
        for m in (max(found.months, key=lambda m: m.gap), min(found.months, key=lambda m: m.gap))
    )
    return (
        "The line climbs while fewer fail than the years before lead one to expect and falls while more do: the bends "
        f"tell. It begins once failures enough had been seen. Its highest point is {top}, its lowest {low}."
    )


def running_label(found: Running, noun: str) -> str:
    """The accessible name of the running chart of crowns or of root canals."""
    first, last = (month(m.month + "-01") for m in (found.months[0], found.months[-1]))
    signals = count(sum(m.signal for m in found.months), "signal")
    return f"Expected minus observed failures of {noun}s, added up from {first} to {last}: {signals}."


def clinicians_watch(found: Sequence[Running]) -> str:
    """The same watch on each clinician, in a sentence."""
    if not found:
        return ""
    return (
        "The same watch runs for each clinician with failures enough, against what colleagues’ teeth lead one to "
        f"expect. Together these charts give one false signal in {found[0].false_alarm_years / len(found):g} years on "
        "average."
    )


def first_year_sentence(found: FirstYear, noun: str, done: str) -> str:
    """The overall first-year share, how many quarters lie outside the limits, and which are not over."""
    over = [r for r in found.rows if r.complete and r.teeth]
    outside = [f"{r.quarter} ({r.failures} of {r.teeth})" for r in over if r.outside]
    late = [r.quarter for r in found.rows if not r.complete]
    said = []
    if found.overall is not None:
        said.append(f"{decimal(100 * found.overall)} of 100 {plural(2, noun)} failed within a year.")
    far = f"None of the {count(len(over), 'quarter')} is" if len(over) != 1 else "The one quarter is"
    far = f"{listing(outside)} {plural(len(outside), 'is')}" if outside else far
    where = "within" if len(over) == 1 and not outside else "outside"
    said.append(f"{far} {where} the limits of chance (99.8 %).")
    if not found.runs_told:
        said.append(
            f"Runs of quarters on one side of the middle are not read: that takes {found.min_quarters} quarters with "
            f"about {found.min_expected:g} failures each."
        )
    elif found.longest_run >= found.run_limit:
        said.append(
            f"{found.longest_run} quarters in a row lie on one side of the middle; {found.run_limit} are unusual."
        )
    else:
        run = f"The longest run on one side of the middle is {found.longest_run} quarters"
        said.append(f"{run}; {found.run_limit} are unusual.")
    if late:
        which = listing([late[0], *late[1:][-1:]], "to")
        said.append(f"{which} {plural(len(late), 'is')} not shown: not every {noun} {done} then has had its year.")
    return " ".join(said)


# How ours are against published figures, by the verdict.
_BESIDE = {"worse": "worse", "better": "better", "same": "little different", "cannot_tell": "open"}


def benchmark_heading(lines: Sequence[SheetLine]) -> str:
    """How ours stand beside the published figures that count as they do, by the verdicts of the cards; a heading."""
    found = [p.change.verdict for s in lines for p in s.published]
    if not found:
        return "No published figure counts as ours do"
    told = [f"{how} in {whole(n)}" for code, how in _BESIDE.items() if (n := found.count(code))]
    return f"Against {count(len(found), 'published figure')}, ours are {listing(told)}"


def benchmark_intro(found: Sequence[Benchmark]) -> str:
    """How many published figures can be set beside ours, and what a gap between them is."""
    found = [b for b in found if b.disagrees != ("measure",)]  # ratios and laboratory values are no shares of teeth
    same, waiting = sum(b.comparable for b in found), sum(b.disagrees == ("ours",) for b in found)
    counts = "counts" if waiting == 1 else "count"
    later = f" {whole(waiting)} more {counts} as we do, at a time to which too few of our teeth are followed."
    return (
        f"{whole(same)} of {count(len(found), 'published share')} of teeth that we have read {plural(same, 'has')} "
        "the same event, the same start, the same teeth and the same way with teeth lost from sight as ours. Patients, "
        f"clinicians and years still differ, so a gap is a question, not an answer.{later if waiting else ''}"
    )


def benchmark_sentence(found: Benchmark) -> str:
    """One published figure beside ours, in whole teeth of 100."""
    assert found.ours is not None
    assert found.published is not None
    assert found.horizon_years is not None
    rng = ""
    if found.ours_low is not None and found.ours_high is not None:
        rng = f" (range {between(failed(found.ours_high), failed(found.ours_low))})"
    return (
        f"By {years(found.horizon_years)}, {EVENTS.get(found.event, 'the event')}: {failed(found.ours)} of 100 "
        f"here{rng}, {failed(found.published)} of 100 in {author(found)}."
    )


def benchmarks_label(found: Sequence[Benchmark]) -> str:
    """The accessible name of the chart of published figures."""
    return "Ours beside published figures. " + " ".join(benchmark_sentence(b) for b in found if b.comparable)


def share_text(share: float | None, low: float | None, high: float | None) -> str:
    """`92 (90 to 94)` of 100 free of the event."""
    if share is None:
        return "–"
    rng = f" ({between(in_place(low), in_place(high))})" if low is not None and high is not None else ""
    return f"{in_place(share)}{rng}"


def definitions(found: Sequence[Benchmark]) -> list[str]:
    """What they counted, where, and what we count: once for each source and outcome that stands beside ours."""
    texts = [
        f"{author(b)}. Counted there: {lower_first(b.definition.rstrip('.'))}. Where: {b.population.rstrip('.')}. "
        f"Counted here: {lower_first(b.our_definition.rstrip('.'))}. {remark(b)}{source(b)}"
        for b in found
        if b.comparable
    ]
    return list(dict.fromkeys(texts))


def remark(found: Benchmark) -> str:
    """What was noted about a figure, as a sentence; nothing where nothing was."""
    return f"{sentence_case(found.note.rstrip('.'))}. " if found.note else ""


def source(found: Benchmark) -> str:
    """The citation, with the doi where one was seen."""
    return f"{found.citation.rstrip('.')}{f', doi {found.doi}' if found.doi else ''}."


def differs_in(found: Benchmark) -> int:
    """In how many things a figure differs; 0 where only our follow-up is short, last one about something else."""
    return len(found.disagrees) - (found.disagrees == ("ours",)) + 99 * ("outcome" in found.disagrees)


def why_not(found: Benchmark) -> str:
    """How a figure differs from ours, in one line; where it is about something else, that says it all."""
    told = found.reasons[:1] if found.disagrees[:1] == ("outcome",) else found.reasons
    return sentence_case("; ".join(told)) + "."


def _of_100(share: float | None) -> str:
    assert share is not None
    return "more than 99 times in 100" if share > 0.99 else f"about {round(100 * share)} times in 100"


def _times(times: float) -> str:
    return "Twice" if times == 2 else f"{times:g} times"
