"""Sentences on the signals of the running charts: what each is, how it stands to all years, what it is not."""

from collections import Counter
from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import count, decimal, listing, lower_first, month, plural, whole
from dashboards.words.owner import STANDINGS
from dashboards.words.sheet import CAN, name_of
from pipeline.results.monitoring import Monitoring
from pipeline.results.owner import RECENT_MONTHS, Owner, SignalCases


def heading(found: Sequence[SignalCases]) -> str:
    """How many signals there are and which are recent; they stand the latest first."""
    recent = sum(s.recent for s in found)
    if len(found) == 1:
        return f"1 signal, {'recent' if recent else 'not recent'}, in words"
    which = {0: "none recent", len(found): "all recent"}.get(
        recent, "the first is recent" if recent == 1 else f"the first {recent} are recent"
    )
    return f"{count(len(found), 'signal')}, in words: {which}"


def burst_short(owner: Owner, *, dated: bool = True) -> str:
    """A recent signal of the whole practice in a sentence, for the answers, `dated` or in how many months; or empty."""
    found = next((s for s in owner.signals if s.recent and s.who == "all"), None)
    if found is None:
        return ""
    noun = terms.outcome(found.outcome).noun
    when = _when(found) if dated else f"in {count(_number(found.month) - _number(found.since) + 1, 'month')}"
    return f"{count(found.failed, noun)} failed {when}, {decimal(found.expected)} expected."


def burst(owner: Owner) -> str:
    """The recent signals beside the verdicts on years, which may say something else; empty without one."""
    recent = [s for s in owner.signals if s.recent]
    if not recent:
        return ""
    whole_practice = [
        f"{lower_first(name_of(s.outcome))} of the whole practice, {whole(s.failed)} failed {_when(s)} where "
        f"{decimal(s.expected)} were expected from the years before"
        for s in recent
        if s.who == "all"
    ]
    others = [s.who for s in recent if s.who != "all"]
    on = listing(sorted(set(others)))
    clinicians = [f"{whole(len(others))}{' more' if whole_practice else ''} on {on}"] if others else []
    return (
        f"Recent signals: {'; '.join([*whole_practice, *clinicians])}. A signal tells of a burst of months, these "
        f"verdicts of {owner.late_years} years: both can hold."
    )


def over_all_years(found: SignalCases, owner: Owner, monitoring: Sequence[Monitoring]) -> str:
    """How the same clinician stands over all years, or the practice over the last ones; empty where neither is told."""
    if found.who == "all":
        line = next((s for s in owner.lines if s.outcome == found.outcome), None)
        if line is None or not found.recent:
            return ""
        said = CAN[line.over_time.change.verdict]
        whose = listing([f"{whole(n)} of {name}" for name, n in _by_clinician(found, monitoring)])
        by_name = f" By clinician, older teeth too: {whose}." if whose else ""
        return f"A burst; the last {owner.late_years} years against those before: {said}.{by_name}"
    rows = (r for m in monitoring if m.outcome == found.outcome and m.funnel for r in m.funnel.rows)
    row = next((r for r in rows if r.name == found.who), None)
    if row is None or row.standing == "too_few":
        return ""
    return (
        f"Over all years such a burst is diluted: {whole(row.observed)} where {decimal(row.expected)} were expected, "
        f"{STANDINGS[row.standing]}."
    )


def _by_clinician(found: SignalCases, monitoring: Sequence[Monitoring]) -> list[tuple[str, int]]:
    """The failures in the months of a signal by clinician, in the order of their charts, from those charts."""
    charts = [c for m in monitoring if m.outcome == found.outcome for c in m.running if c.name != "all"]
    return [(c.name, sum(m.observed for m in c.months if found.since <= m.month <= found.month)) for c in charts]


def counted_once(owner: Owner) -> str:
    """What recent is, and why fewer failures are to be looked at than the recent signals count together."""
    together = sum(s.failed for s in owner.signals if s.recent)
    if not together:
        return ""
    recent = f"Recent is what lies within {RECENT_MONTHS} months of the end of the records."
    task = next((t for t in owner.to_do if t.what == "signals"), None)
    if task is None or task.count == together:
        return recent
    return (
        f"{recent} The recent signals count {whole(together)} failures together, and {whole(task.count)} are to be "
        "looked at: one may stand behind two signals, and the list holds teeth too old for a chart to expect anything "
        "of, too."
    )


def signal(found: SignalCases) -> str:
    """A signal in words: what it is."""
    noun = terms.outcome(found.outcome).noun
    whose = "of the whole practice" if found.who == "all" else f"of {found.who}"
    against = "the years before" if found.who == "all" else "colleagues’ teeth"
    until = month(f"{found.month}-01")
    who = "Whole practice" if found.who == "all" else found.who
    return (
        f"{who}, {until}: {_when(found)} {whole(found.failed)} {plural(found.failed, noun)} {whose} failed, "
        f"whenever done, where {against} lead one to expect {found.expected:.1f}."
    )


def on_clinician(owner: Owner, name: str) -> list[str]:
    """How many recent signals stand on a clinician, by rate: `2 recent signals on root canals`."""
    found = Counter(s.outcome for s in owner.signals if s.recent and s.who == name)
    return [f"{count(n, 'recent signal')} on {lower_first(name_of(outcome))}" for outcome, n in found.items()]


def of_clinician(owner: Owner, name: str) -> tuple[str, ...]:
    """The recent signals on one clinician, each in a sentence."""
    return tuple(signal(s).partition(": ")[2] for s in owner.signals if s.recent and s.who == name)


SIGNAL_IS_NOT = (
    "A signal is a reason to look, and no finding about anybody: chance brings signals too, and harder cases are not "
    "allowed for."
)


def by_chance(owner: Owner, what: str = "one") -> str:
    """In how many practices chance alone brings a recent signal (`what`), in a clause; empty without one."""
    if not owner.charts or not any(s.recent for s in owner.signals):
        return ""
    of_100 = max(1, round(100 * owner.recent_by_chance))
    return f"chance alone brings {what} to about {whole(of_100)} of 100 such practices"


def of_all_charts(owner: Owner) -> str:
    """The same in a sentence, with how many charts are watched; empty without a recent signal."""
    said = by_chance(owner, "a recent signal")
    return f"With {count(owner.charts, 'chart')} watched, {said} in which nothing changed." if said else ""


def false_alarms(found: Sequence[SignalCases]) -> str:
    """How often chance alone signals."""
    per_chart = sorted({(s.who != "all", s.false_alarm_years) for s in found})
    parts = [
        f"{'each clinician’s chart' if one else 'the chart of the whole practice'} once in {value:g} years"
        for one, value in per_chart
    ]
    return f"Where nothing changes, chance brings a false signal: {listing(parts)}." if parts else ""


def _number(month: str) -> int:
    return 12 * int(month[:4]) + int(month[5:7])


def _when(found: SignalCases) -> str:
    since, until = month(f"{found.since}-01"), month(f"{found.month}-01")
    if since != until and found.since[:4] == found.month[:4]:
        since = since.rpartition(" ")[0]
    return f"in {until}" if since == until else f"from {since} to {until}"
