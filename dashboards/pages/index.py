"""What was found, on half a page, for someone who reads nothing else: an answer and an address for each question."""

from collections.abc import Sequence

from dashboards import page, tables, terms
from dashboards.answers import MOST_WORDS, Answer, Answers, kept
from dashboards.formats import count, in_place, listing, months, percent, plural, sentence_case, whole, years
from dashboards.pages import comparison
from dashboards.release.released import Released
from dashboards.words import answers as words_answers
from dashboards.words import beside as words_beside
from dashboards.words import comparisons as words
from dashboards.words import sheet as words_sheet
from dashboards.words import signals as words_signals
from pipeline.practice.counts import range_more_or_fewer
from pipeline.questions.question import KEPT_BY_CROWN, SINCE_SEAT
from pipeline.results import Comparison, Results
from pipeline.results.asked import Asked
from pipeline.results.trial_words import CROWN, NEED
from pipeline.results.unseen import need_with_unseen

OPENED, CROWNED = f"{SINCE_SEAT.title}?", f"{KEPT_BY_CROWN.title}?"
OF_OPENED, BEFORE = "opened", "treated before"


def render(results: Results, *, asked: Sequence[Asked] = (), released: Released | None = None) -> str:
    """The page `index.html`: one line a question, then the main verdict, the overall figures, and cautions.

    `asked` are the practice's own questions, on the page `asked.html`; `released` the figures of its slides.
    """
    main = results.comparisons[0] if results.comparisons else None
    overall = [words.rate_headline(t.rows[0], t.outcome) for t in results.rates if t.by == "overall" and t.rows]
    picture = comparison.comparison_difference(main, id=comparison.SHORT) if main else None
    by = _counted_to(results)
    return page.inside(
        "index.html",
        results,
        title="What was found",
        answers=Answers(
            _shortest(results),
            picture,
            f"{by}{_pictured(main)} {comparison.GREY}{words.records_to(results)}" if main and picture else by,
        ),
        main=main,
        main_heading=comparison.heading(main) if main else "",
        other_contrast=words.other_contrast(main) if main else "",
        groups=tables.groups(main) if main else None,
        reconciled=words.groups_reconciled(main, results.comparisons) if main else "",
        overall_heading=_overall_heading(results),
        overall=overall,
        on_slides=_on_slides(released) if released is not None else "",
        not_asked=words.not_asked(results),
        not_run=results.not_run,
        asked=asked_sentence(asked),
    )


def _shortest(results: Results) -> tuple[Answer, ...]:
    """As many answers as there is room for; with fewer words where else one of the clinician's would be left out."""
    found, brief = (kept(answers(results, beside=b), most=MOST_WORDS) for b in (True, False))
    return brief if len(brief) > len(found) and all(a.asked != CROWNED for a in found) else found


def answers(results: Results, *, beside: bool = True) -> list[Answer]:
    """One line a question that a reader comes with, each with the page that answers it in full.

    `beside` says how the rates stand beside published ones, too, and in which months a burst lay.
    """
    return [
        *_rates(results, beside=beside),
        *_owner(results, beside=beside),
        _trust(results),
        *_main(results),
        *_hyperemic(results),
        *crowned(results, when=False),
        *_techniques(results),
        Answer("By name, not ranked.", asked="My own cases?", link="my_cases.html"),
        Answer("And what would settle it.", asked="What is open?", link="open_questions.html"),
    ]


def _rates(results: Results, *, beside: bool) -> list[Answer]:
    first = next((t for t in results.rates if t.by == "overall" and t.rows), None)
    if first is None:
        return [Answer("Too early to say.", asked="Are we good?", link="owner.html#good")]
    row, say = first.rows[0], terms.outcome(first.outcome)
    found = words.rate_in_short(row, say.good, of=plural(2, say.noun))
    sources = words_beside.sources_of(results.benchmarks, results.evidence)
    others = words_beside.beside_short(results.owner.lines, sources) if beside else ""
    said = f"{found or f'Too few {plural(2, say.noun)} followed {years(row.years)}'}{f'; {others}' if others else ''}."
    return [Answer(said, asked="Are we good?", link="owner.html#good")]


def _owner(results: Results, *, beside: bool) -> list[Answer]:
    """Whether the rates change and what comes first to do, as the owner's sheet has them."""
    owner = results.owner
    if not owner.lines:
        return []
    first = words_sheet.to_do_short(owner.to_do[0]) if owner.to_do else "Nothing waits"
    code = words_sheet.trend_code(owner)
    trend = "lately" if words_sheet.alike(owner) else words_sheet.trend_in_brief(owner, rest=False)
    said = f"{trend}. {words_signals.burst_short(owner, dated=beside)}".strip()
    return [
        Answer(said, asked="Getting worse?", link="owner.html#trend", code=code),
        Answer(f"{first}.", asked="What on Monday?", link="owner.html#monday"),
    ]


def _trust(results: Results) -> Answer:
    """The grade of each rate and what it hangs on, as on the owner's page; without a rate whether a file was read."""
    loads, lines = results.quality.loads, results.owner.lines
    read, aside = sum(r.rows_read for r in loads), sum(r.quarantined for r in loads)
    said = f"{percent(aside, read)} of rows set aside." if read else "No file was read."
    said, code = (
        (f"{words_sheet.trust_short(lines, results.recalls)}.", words_sheet.worst(lines)) if lines else (said, "")
    )
    return Answer(said, asked="What can be trusted?", link="owner.html#trust", code=code)


def _main(results: Results) -> list[Answer]:
    if not results.comparisons:
        said = words.not_asked(results) or comparison.NONE
        return [Answer(said, asked=OPENED, link="crowns.html")]
    main = results.comparisons[0]
    said = words_answers.in_short(main, of=OF_OPENED, than=BEFORE, when=False)
    return [Answer(said, asked=OPENED, link="crowns.html", code=main.verdict.code)]


def _hyperemic(results: Results) -> list[Answer]:
    if not results.trials:
        return []
    t = results.trials[0]
    more, (code, judged) = need_with_unseen(results.unseen, t.id), words_answers.decision_verdict(t)
    spared = words_answers.trial_says(t, NEED, when=False, unseen=more)
    says = sentence_case(words_answers.trial_says(t, CROWN)) or "Too few such teeth so far."
    if spared:
        says = f"{judged.partition(';')[0]}. {sentence_case(spared)}" if code else sentence_case(spared)
    return [Answer(says, asked="Hyperemic: treat or wait?", link="hyperemic.html", code=code)]


def crowned(results: Results, *, when: bool) -> list[Answer]:
    """A crown after the root canal or none: the comparison of teeth kept; `when` as in `in_short`."""
    c = next((c for c in results.comparisons if c.id == KEPT_BY_CROWN.id), None)
    if c is None:
        return []
    link = f"root_canals.html#{comparison.place(c.id)}"
    said = words_answers.in_short(c, of="crowned", than="uncrowned", when=when)
    return [Answer(said, asked=CROWNED, link=link, code=c.verdict.code)]


def _counted_to(results: Results) -> str:
    """To which year the answers of the comparisons are counted, said once for all."""
    horizons = {c.horizon_years for c in results.comparisons}
    return f"All by {years(horizons.pop())}. " if len(horizons) == 1 else ""


def _pictured(main: Comparison) -> str:
    """Which of the answers the picture shows, and from when on it is counted where that is not the start."""
    d = main.difference
    late = f", counted from {months(d.from_days)} on" if d is not None and d.from_days > 0 else ""
    return f"{main.title}{late}."


def _overall_heading(results: Results) -> str:
    """Each overall rate in a few words, for a heading."""
    rows = [(t.rows[0], terms.outcome(t.outcome)) for t in results.rates if t.by == "overall" and t.rows]
    told = [f"{in_place(r.survival)} of 100 {say.many} {say.good}" for r, say in rows if r.survival is not None]
    if not told:
        return "No rate can be told yet"
    rest = " and ".join(text.replace(" of 100 ", " ", 1) for text in told[1:])
    return f"{told[0]}{f', {rest}' if rest else ''} after {years(rows[0][0].years)}"


def _on_slides(released: Released) -> str:
    """What the same figures read on the slides, which are rounded, so that nobody is caught between the two."""
    rates = [f"{r.in_place}" for t in released.rates if t.by == "overall" for r in t.rows[:1] if r.in_place is not None]
    d = next((c.difference for c in released.comparisons[:1]), None)
    told = [listing(rates)] if rates else []
    told += [f"for the main question {range_more_or_fewer(d.low, d.high)}"] if d is not None else []
    return f"Rounded for sharing, the slides say {'; '.join(told)}." if told else ""


def _techniques(results: Results) -> list[Answer]:
    if not results.techniques:
        return []
    said = words_answers.technique_in_short(results.techniques)
    return [Answer(said, asked="Which technique differs?", link="techniques.html")]


def asked_sentence(asked: Sequence[Asked]) -> str:
    """How many questions of the practice's own there are, and how many could be answered; empty without any."""
    if not asked:
        return ""
    answered = sum(a.comparison is not None for a in asked)
    return f"{count(len(asked), 'question')} of our own, {whole(answered) if answered else 'none'} of them answered."
