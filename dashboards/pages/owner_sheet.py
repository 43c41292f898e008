"""The sheet that the owner's page opens with, on one side of A4: how good, any change, what to do, what to trust."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from dashboards import tables_owner, terms
from dashboards.answers import Answer, Answers, Said, kept
from dashboards.charts.owner import KEY, early_chart, strip_chart
from dashboards.formats import in_place, listing, lower_first, plural, whole, years
from dashboards.words import beside as words_beside
from dashboards.words import sheet as words_sheet
from dashboards.words import signals as words_signals
from pipeline.results.healing import RecallRow
from pipeline.results.monitoring import Monitoring
from pipeline.results.owner import EarlySigns, Owner, SheetLine


@dataclass(frozen=True)
class Fact:
    """One line of a card: what it is of, its verdict or grade as a word in a frame, and the figure in words."""

    of: str
    code: str
    says: str


@dataclass(frozen=True)
class Card:
    """One rate of the sheet."""

    heading: str
    rate: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Task:
    """One thing to do, why, and where its list is; `command` writes the list where it is not there yet."""

    says: str
    why: str
    link: str
    command: str
    listed: bool
    rows: str = ""  # the folder of the rows themselves, where the link leads to what is to be done with them


def answers(
    owner: Owner, sources: Mapping[str, words_beside.Source], recalls: Sequence[RecallRow], *, until: str = ""
) -> Answers | None:
    """The four answers that the page opens with; None where there is nothing to answer. `until`: the records' end."""
    if not owner.lines:
        return None
    beside = words_beside.beside(owner.lines, sources)
    for told, others in ((3, beside), (2, beside), (1, beside), (1, "")):  # all four are answered, in fewer words
        do = [words_sheet.to_do(t) for t in owner.to_do[:told]]
        given = (
            Answer(f"{words_sheet.good_answer(owner.lines)} {others}".strip(), "Are we good?", "#good"),
            Answer(
                f"{words_sheet.trend_answer(owner)} {words_signals.burst_short(owner)}".strip(),
                "Are we getting worse?",
                "#trend",
                words_sheet.trend_code(owner),
            ),
            Answer(
                words_sheet.trust_answer(owner.lines, recalls),
                "What can we trust?",
                "#trust",
                words_sheet.worst(owner.lines),
            ),
            Answer(_do(do, len(owner.to_do)), "What on Monday?", "#monday"),
        )
        if len(kept(given)) == len(given):
            break
    named = [(words_sheet.name_of(s.outcome), s) for s in owner.lines]
    picture = strip_chart(named, id="rates-in-short", label=words_sheet.strip_label(owner.lines))
    return Answers(given, picture, f"{KEY}{until}" if picture else "")


def _do(tasks: list[str], of: int) -> str:
    if not tasks:
        return "Nothing waits to be done."
    more = f"; {of - len(tasks)} more" if of > len(tasks) and len(tasks) < 3 else ""
    return f"{'; '.join([*tasks[:1], *map(lower_first, tasks[1:])])}{more}."


def sheet(
    owner: Owner,
    *,
    lists: Mapping[str, str],
    monitoring: Sequence[Monitoring] = (),
    sources: Mapping[str, words_beside.Source] = MappingProxyType({}),
    recalls: Sequence[RecallRow] = (),
) -> dict[str, Any]:
    """The sheet and the sections behind it; empty without a rate.

    `lists` says where the list of each thing to do lies, where it was written. `monitoring` and `sources` tell how a
    clinician stands over all years and what is known of a published figure.
    """
    if not owner.lines:
        return {}
    said = Said()
    why = words_sheet.WHY | ({"signals": chance} if (chance := words_signals.by_chance(owner)) else {})
    tasks = [_task(t.what, words_sheet.to_do(t), why[t.what], lists) for t in owner.to_do]
    return {
        "good": _good(owner),
        "cards": [_card(s, sources, said) for s in owner.lines],
        "source_rule": words_beside.SOURCE_RULE if any(len(s.published) > 1 for s in owner.lines) else "",
        "trend": f"Are we getting worse: {lower_first(words_sheet.trend_short(owner))}",
        "early_says": _early_facts(owner.early),
        "stretches": words_sheet.stretches(owner.lines[0].over_time),
        "early_bounds": words_sheet.early_bounds(owner.early),
        "monday": f"Monday: {len(tasks[:3])} things to do" if len(tasks) > 1 else "Monday: one thing to do" if tasks
        else "Monday: nothing waits to be done",
        "tasks": tasks[:3],
        "more_tasks": tasks[3:],
        "order": words_sheet.ORDER,
        "trust": f"What can we trust: {words_sheet.grades(owner.lines)}",
        "grade_rule": words_sheet.GRADE_RULE,
        "since": words_sheet.since(owner.since),
        "moved": tables_owner.moved(owner.since),
        "early_heading": _early_heading(owner.early),
        "early": [_early(e) for e in owner.early],
        "burst": words_signals.burst(owner),
        "lists_heading": f"Lists of patients: written{', to be' if lists else ' when asked for, and'} kept inside",
        "signals_heading": words_signals.heading(owner.signals),
        "signals": said.each(
            f"{words_signals.signal(s)} {words_signals.over_all_years(s, owner, monitoring)}".strip()
            for s in owner.signals
        ),
        "signal_is_not": words_signals.SIGNAL_IS_NOT if owner.signals else "",
        "false_alarms": f"{words_signals.of_all_charts(owner)} {words_signals.false_alarms(owner.signals)}".strip(),
        "counted_once": words_signals.counted_once(owner),
        "grades": tables_owner.grades(owner),
        "trust_heading": f"Trust is {words_sheet.worst(owner.lines)} {words_sheet.trust_short(owner.lines, recalls)}",
    }  # fmt: skip


def _good(owner: Owner) -> str:
    known = [s for s in owner.lines if s.rate.survival is not None]
    if not known:
        return "Are we good: too early to say"
    shares = listing([str(in_place(s.rate.survival)) for s in known if s.rate.survival is not None])
    return f"Are we good: {shares} of 100 hold for {words_sheet.horizons(known)}"


def _early_heading(found: Sequence[EarlySigns]) -> str:
    """What the early signs say together: which rates are worse or better lately, else that none is."""
    told: dict[str, list[str]] = {}
    for e in found:
        for y, late in zip(e.years, e.late, strict=True):
            but = " (not so since)" if late.since and late.since.against else ""
            name = f"{lower_first(words_sheet.name_of(e.outcome))} by {years(y)}{but}"
            told.setdefault(late.change.verdict, []).append(name)
    apart = [f"{code} for {listing(told[code])}" for code in ("worse", "better") if code in told]
    if apart:
        return f"Early failures, begun lately against before: {'; '.join(apart)}"
    if "same" not in told:
        changes = [late.change for e in found for late in e.late]
        not_worse = sum(map(words_sheet.is_not_worse, changes))
        if not_worse:
            return f"Early failures: {whole(not_worse)} of {whole(len(changes))} {plural(not_worse, 'is')} not worse"
        return "Early failures: cannot tell yet"
    return f"Early failures: little difference for {listing(told['same'])}; the others cannot be told"


def _card(line: SheetLine, sources: Mapping[str, words_beside.Source], told: Said) -> Card:
    first = line.published[0] if line.published else None
    beside = words_beside.apart(first, sources.get(first.benchmark_id, words_beside.Source())) if first else ""
    facts = (
        Fact("The time before", line.over_time.change.verdict, words_sheet.over_time(line.over_time)),
        Fact("Published", beside, told.fresh(words_beside.published_card(line.published, sources))),
        Fact("Trust", line.trust.grade, _trust(line)),
    )
    return Card(words_sheet.name_of(line.outcome), words_sheet.rate(line.rate, line.outcome), facts)


def _trust(line: SheetLine) -> str:
    """Why the rate has its grade; and what the published figure's years have, where they are others."""
    others = [words_sheet.trust_by(p.trust, p.years) for p in line.published[:1] if p.trust is not None]
    return " ".join([words_sheet.trust(line.trust, line.rate.years), *others])


def _task(what: str, says: str, why: str, lists: Mapping[str, str]) -> Task:
    link = {"codes": "data_quality.html", "mend": "data_quality.html#set-aside"}.get(what, lists.get(what, "#lists"))
    rows = lists.get(what, "") if what == "mend" else ""
    return Task(says, why, link, words_sheet.COMMAND[what], what in lists, rows)


def _early_facts(found: Sequence[EarlySigns]) -> tuple[Fact, ...]:
    """Each rate's early signs; the years held against each other are told once, by the first that is held so."""
    facts, told = [], set()
    for e in found:
        for y, late in zip(e.years, e.late, strict=True):
            when = (y, words_sheet.stretches(late))
            says = words_sheet.early_over_time(late, dated=when not in told)
            told.add(when)
            facts.append(Fact(f"{words_sheet.name_of(e.outcome)}, by {years(y)}", late.change.verdict, says))
    return tuple(facts)


def _early(found: EarlySigns) -> dict[str, Any]:
    """Early signs of one rate."""
    say = terms.outcome(found.outcome)
    id = f"{found.outcome}-early".replace("_", "-")
    return {
        "heading": words_sheet.name_of(found.outcome),
        "finding": words_sheet.early_finding(found),
        "chart": early_chart(found, title=f"{say.bad.capitalize()}, of 100", since=say.year, id=id,
                             label=words_sheet.early_label(found)),
        "table": tables_owner.early(found),
    }  # fmt: skip
