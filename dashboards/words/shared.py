"""Sentences of shared pages and slides, computed from a released result and from nothing else."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import listing, lower_first, phrase, plural, sentence_case, years
from dashboards.release import words as release_words
from dashboards.release.curve import ReleasedPoint
from dashboards.release.rates import ReleasedRate, ReleasedRates
from dashboards.release.released import Released, ReleasedComparison, ReleasedEstimate, ReleasedGroup
from dashboards.release.trial import ReleasedIncidence
from dashboards.words import answers as words_answers
from dashboards.words.comparisons import difference_core
from pipeline.practice.counts import more_or_fewer, range_more_or_fewer
from pipeline.practice.outcomes import ENDO_NEEDED
from pipeline.questions.question import FREE_BY_CROWN, KEPT_BY_CROWN
from pipeline.release.disclosure import AS_FIRST, EVENTS_PER_CHANGE, SLACK, SMALLEST, STEP
from pipeline.results import methods
from pipeline.results.references import Reference, used
from pipeline.results.trial_words import NEED, NOT_COMPARED

RULES = (
    f"Counts under {SMALLEST}, or of fewer than {SMALLEST} patients, are hidden, and with them what would give them "
    f"away. Others are told in steps of {STEP}, up or down by a rule drawn from the records, so a count may be off "
    f"by {SLACK}, and by up to {AS_FIRST} where another question counts nearly the same. "
    "Curves are worked out again from such counts, by half-years: each change rests on at least "
    f"{EVENTS_PER_CHANGE} failures, a curve begins where so many have failed, and it stops where fewer than "
    f"{SMALLEST} are followed. Percentages move in steps worth at least {STEP} teeth of their group and are told "
    f"where at least {SMALLEST} teeth are behind them; ranges are widened to cover the exact ones. Figures are "
    "rounded one by one, so sums and differences may be out. Groups of technique questions whose counts are hidden "
    f"are not named. Clinicians and clinics are letters in no particular order. Where fewer than {SMALLEST} "
    "patients have changed, a page keeps its earlier figures."
)
RULE_HEADS = ("Rule", "In force (days, if no unit is named)")


def linking_rules(released: Released) -> tuple[tuple[str, str], ...]:
    """What each linking rule does, with its setting."""
    return tuple((methods.RULES.get(name) or sentence_case(phrase(name)), value) for name, value in released.rules)


STEPS = "Figures for sharing are rounded to steps, ranges outward; those inside the practice may differ by a few."
NEED_UNSEEN = "With root canals done elsewhere, more may have had one."
DOUBTS = {q.id: q.doubt for q in (KEPT_BY_CROWN, FREE_BY_CROWN)}
# A rule of every comparison: holds whichever of the reasons it was.
NOT_BY_RANGE_ALONE = (
    "A range that leaves out no difference is not yet a finding: it must also stand among all the questions asked of "
    "these records, and by the further checks. Where it stood out alone, chance is not ruled out."
)


def references(released: Released) -> tuple[Reference, ...]:
    """The papers behind what is shown."""
    shown = released.comparisons
    competing = bool(released.everyday) or any(c.outcome == ENDO_NEEDED.id for c in shown)
    there = {
        "outcomes": bool(shown) or competing,
        "competing": competing,
        "landmark": any(c.clock == "since_landmark" for c in shown),
        "naive": any(c.naive is not None for c in shown),
        "choices": any(c.choices is not None for c in shown),
        "models": any(c.estimates for c in shown),
    }
    return used({name for name, is_there in there.items() if is_there})


def verdict(c: ReleasedComparison) -> str:
    """The verdict in one sentence."""
    d, nouns = c.difference, plural(2, terms.outcome(c.outcome).noun)
    if c.verdict_code == "too_early" or d is None:
        few = _few(c)
        if not few:
            return f"Too few {nouns} are followed so far for a difference to be shown"
        return f"Too few failures so far{f' with “{few[0]}”' if len(few) == 1 else ''} to be shown"
    if c.verdict_code == "little_difference":
        return f"Any difference is probably smaller than {c.smallest_difference_per_100:g} per 100"
    if c.verdict_code == "differs":
        word = "More" if d.per_100 > 0 else "Fewer"
        return f"{word} {nouns} {terms.happened(c.outcome)} with “{c.label(d.group)}” in these records"
    if c.verdict_code == "depends_on_how_we_count":
        return "The answer depends on how we count"
    rest = (", adjusted" if d.adjusted else "") + (", but chance is not ruled out" if leaves_zero_out(c) else "")
    return f"We cannot tell yet: it could be {range_more_or_fewer(d.low, d.high)} failures per 100{rest}"


def asked_and_said(c: ReleasedComparison) -> str:
    """The verdict with what was compared before it, where several stand after one another."""
    said = verdict(c)
    return f"{c.title}: {lower_first(said)}"


def beside_verdict(c: ReleasedComparison) -> str:
    """The verdict's sentence where its word stands before it: without what that word says already."""
    return sentence_case(verdict(c).removeprefix("We cannot tell yet: ").removesuffix(" in these records"))


HEADINGS = terms.TAILS | {"too_early": "too few failures to be shown"}


def heading(c: ReleasedComparison) -> str:
    """The finding as a heading: which groups are set side by side, and what can be told of them."""
    d = c.difference
    if c.verdict_code == "differs" and d is not None:
        much = f"{more_or_fewer(d.per_100)} of 100 {terms.happened(c.outcome, d.per_100)}"
        return f"{c.title}: {much} with {lower_first(c.label(d.group))}"
    return f"{c.title}: {HEADINGS.get(c.verdict_code, 'not known yet')}"


def how(adjusted_for: Sequence[str]) -> str:
    """How a ratio was worked out, in a word or two; one that allows for a single thing names it."""
    if not adjusted_for:
        return "unadjusted"
    return f"adjusted for {phrase(adjusted_for[0])} alone" if len(adjusted_for) == 1 else "adjusted"


def _few(c: ReleasedComparison) -> list[str]:
    """The groups whose failures are too few to be shown, by label."""
    return [g.label for g in c.groups if g.failures.value is None]


def leaves_zero_out(c: ReleasedComparison) -> bool:
    """Whether the range of the difference does not hold 0."""
    return c.difference is not None and not c.difference.low <= 0 <= c.difference.high


def result(c: ReleasedComparison) -> str:
    """The difference by the horizon, without its range."""
    d = c.difference
    if d is None:
        why = "failures stand behind at least one group" if _few(c) else f"are followed for {years(c.horizon_years)}"
        return f"No difference is shown: too few {why}."
    noun = terms.outcome(c.outcome).noun
    late = "" if d.from_start else ", counted from when both groups are followed"
    did = terms.happened(c.outcome)
    said = difference_core(d.per_100, c.label(d.group), c.label(d.reference), d.years, noun, did=did)
    return f"{said}{late}."


def reach(c: ReleasedComparison) -> str:
    """The range of the difference; where it leaves out 0 and nothing can be told all the same, why not."""
    d = c.difference
    if d is None:
        return ""
    why = f" {NOT_BY_RANGE_ALONE}" if c.verdict_code == "cannot_tell" and leaves_zero_out(c) else ""
    return f"These records fit anything from {range_more_or_fewer(d.low, d.high)} per 100.{why}"


def doubt(c: ReleasedComparison) -> str:
    """Why a difference need not come from the treatment."""
    return (
        DOUBTS.get(c.id)
        or "Chance did not decide who was treated how: the teeth of one group may have been worse from the start."
    )


def next_step(c: ReleasedComparison) -> str:
    """What would help to settle the question."""
    if c.verdict_code == "differs":
        return "The same question put to other practices’ records, and to teeth that were alike at the outset."
    return "More teeth followed for longer, or several practices counted the same way."


def zone(c: ReleasedComparison) -> str:
    """What the zone too small to matter is."""
    return f"Fixed beforehand as too small to matter: {c.smallest_difference_per_100:g} per 100 either way."


def choices(c: ReleasedComparison) -> str:
    """From where to where the difference runs over the ways to count; nothing where they may not be shown."""
    if c.choices is None:
        return ""
    low, high = c.choices.low, c.choices.high
    ends = f"runs from {more_or_fewer(low)} to {more_or_fewer(high)}" if low != high else f"is {more_or_fewer(low)}"
    sample = ", on a sample of the patients," if c.choices.sample else ","
    return f"Counted in {c.choices.ways} defensible ways{sample} the difference {ends} failures per 100. {agree(c)}"


def agree(c: ReleasedComparison) -> str:
    """How many of the ways to count say more failures, or fewer; nothing where they may not be shown."""
    if c.choices is None:
        return ""
    said = words_answers.ways(c.choices.ways, c.choices.say_more, c.choices.say_fewer)
    return words_answers.with_common(said, c.choices.in_common)


def everyday(found: ReleasedIncidence) -> str:
    """How many of 100 teeth crowned vital came to need a root canal, by the last year that may be shown."""
    last = found.points[-1] if found.points else None
    if last is None or last.years < 1:
        return f"Too few {found.label} to show how many came to need a root canal."
    text = f"Of 100 {found.label}, about {last.of_100} had a root canal recorded within {years(last.years)}"
    return f"{text} ({last.low} to {last.high})."


def decision(released: Released) -> list[str]:
    """What the crown, the tooth and the need of a root canal say of the decision, and which way is not compared."""
    said = (*(o.sentence for o in released.decision), need_apart(released), need_unseen(released), NOT_COMPARED)
    return [text for text in said if text] if released.decision else []


def need_unseen(released: Released) -> str:
    """That more teeth may have needed a root canal than are counted; empty where none is done by others."""
    found = next((o for o in released.decision if o.outcome == NEED and o.per_100 is not None), None)
    if found is None or not elsewhere(released) or released.elsewhere == "none":
        return ""
    if found.with_elsewhere is None:
        return NEED_UNSEEN
    mid, low, high = found.with_elsewhere
    return f"With root canals done elsewhere, perhaps {mid} of 100 had one ({low} to {high})."


def need_apart(released: Released) -> str:
    """Why the root canals that waiting spared and those that it needed do not make 100; empty where they do."""
    need = next((o for o in released.decision if o.outcome == NEED and o.per_100 is not None), None)
    last = released.everyday[0].points[-1] if released.everyday and released.everyday[0].points else None
    if need is None or need.per_100 is None or last is None or last.years != need.years:
        return ""
    if need.per_100 + last.of_100 == 100:
        return ""
    return f"{need.per_100} and {last.of_100} do not add to 100: rounded, and {last.of_100} since seating."


def horizon_point(c: ReleasedComparison, group: ReleasedGroup) -> ReleasedPoint | None:
    """The group's released point at the horizon, if it has a figure there."""
    point = group.at(round(12 * c.horizon_years))
    return point


def curves(c: ReleasedComparison) -> str:
    """Failed of 100 by the horizon in each group that has a figure, with its range; of the others why there is none."""
    points = [(group.label, point) for group in c.groups if (point := horizon_point(c, group)) is not None]
    parts = [f"{failed_of_100(point)} with “{label}”" for label, point in points]
    nouns = plural(2, terms.outcome(c.outcome).noun)
    if not parts:
        return _joined(f"{c.title}: no figure by {years(c.horizon_years)} may be shown", _no_figure(c))
    about = "about " if any(point.told for _, point in points) else ""
    told = f"By {years(c.horizon_years)}, of 100 {nouns}, {about}{listing(parts)} {terms.had_happened(c.outcome)}"
    return _joined(told, _no_figure(c))


def failed_of_100(point: ReleasedPoint) -> str:
    """`15 (13 to 18)`; the range alone where the middle is a line's and may lie off the exact share."""
    return f"{point.failed} ({point.low} to {point.high})" if point.told else f"{point.low} to {point.high}"


def _joined(told: str, why: Sequence[str]) -> str:
    return "; ".join([told, *(lower_first(text).rstrip(".") for text in why)]) + "."


def _no_figure(c: ReleasedComparison) -> list[str]:
    """Why a group has no figure at the horizon, a sentence each; those without any curve in one."""
    said = []
    for group in c.groups:
        if len(group.points) < 2 or horizon_point(c, group) is not None:
            continue
        first, last = group.points[0].months / 12, group.points[-1].months / 12
        begun = group.points[0]
        where = (
            f"begins at {years(first)}, when enough have failed to be shown: {'about ' if begun.told else ''}"
            f"{failed_of_100(begun)} by then"
            if first > c.horizon_years
            else f"ends at {years(last)}, while enough are followed to be shown"
        )
        said.append(f"The curve of “{group.label}” {where}.")
    return [*said, *no_curve(c)]


def no_curve(c: ReleasedComparison) -> list[str]:
    """The groups of which no curve may be shown, in a sentence; nothing where all are shown."""
    out = [f"“{g.label}”" for g in c.groups if len(g.points) < 2]
    return [f"Too few failures stand behind {listing(out)} for a curve since {terms.clock(c.clock)}."] if out else []


def drawn_label(group: ReleasedGroup) -> str:
    """The name at the end of a curve, which says where it is a range alone."""
    return group.label if group.lined else f"{group.label} (range only)"


def bands_alone(c: ReleasedComparison) -> list[str]:
    """Why a curve is a band without a line; nothing where each has one."""
    alone = any(not g.lined for g in c.groups if len(g.points) > 1)
    return ["Range only: no middle may be told."] if alone else []


def curves_title(c: ReleasedComparison) -> str:
    """Failed of 100 in the groups compared, by the first year from the horizon on that tells both.

    Without ranges where both middles may be told, else by the ranges alone. Short enough for the title of a slide; a
    curve is never adjusted, and this says so.
    """
    d = c.difference
    first = (d.reference, d.group) if d is not None else ()
    groups = sorted(c.groups, key=lambda g: first.index(g.name) if g.name in first else len(first))
    month = c.month
    points = [(group.label, point) for group in groups if (point := group.at(month)) is not None][:2]
    exact = all(point.told for _, point in points)
    parts = [f"{p.failed if exact else f'{p.low} to {p.high}'} with “{label}”" for label, p in points]
    nouns = plural(2, terms.outcome(c.outcome).noun)
    had = terms.had_happened(c.outcome)
    if not parts and any(len(group.points) > 1 for group in c.groups):
        return f"How many of 100 {nouns} {had}, and when; no figure by {years(c.horizon_years)} may be shown"
    if not parts:
        return (
            f"Too few {nouns} {had} for curves to be shown"
            if _few(c)
            else f"No curve of these {nouns} may be shown: its steps would tell single {nouns}"
        )
    start = " from the opening" if c.clock == "since_opening_or_seat" else ""
    when = f"by {years(month / 12)}{start}"
    # The year once, behind the first group: ranges are long, and a title short.
    one, *others = parts
    told = ", ".join([f"{'about ' if exact else ''}{one} {terms.happened(c.outcome)} {when}", *others])
    later = exact and bool(others) and month != round(12 * c.horizon_years)
    return f"Of 100 {nouns}, {told}, unadjusted{'; the first year that tells both' if later else ''}"


def counted_title(c: ReleasedComparison) -> str:
    """How many were counted in each group that may be shown."""
    nouns = plural(2, terms.outcome(c.outcome).noun)
    parts = [f"{g.crowns} with “{g.label}”" for g in c.groups if g.crowns.value is not None]
    # An opened crown counts in two comparisons: in one from the day on which both groups are followed, in one always.
    which = "all opened crowns, from the opening" if c.clock == "since_opening_or_seat" else f"the {nouns} counted"
    return f"About {listing(parts)}: {which}" if parts else f"Too few {nouns} to show how many were counted"


def model_title(c: ReleasedComparison) -> str:
    """The hazard ratio of what the verdict is on, adjusted for most, and its range; else of another, which claims none.

    How sure one is hangs on the very contrast: the verdict says nothing of another of the same question.
    """
    asked = [e for e in c.estimates if _is_asked(c, e)]
    of = asked or c.estimates
    e = next((e for e in reversed(of) if e.adjusted_for), of[0])
    how = "adjusted" if e.adjusted_for else "unadjusted"
    with_both = " as with ".join(f"“{c.label(name)}”" for name in e.contrast.split(" vs "))
    if e.low <= 1 <= e.high:
        return f"Failures may have come anywhere from {e.low:g} to {e.high:g} times as fast with {with_both}, {how}"
    # A ratio without 1 claims nothing where the verdict on the question does not.
    open_still = "" if c.verdict_code in ("differs", "little_difference") else "; chance is not ruled out"
    chance = open_still if asked else "; not what was asked"
    return f"Failures came {e.hazard_ratio:g} times as fast ({e.low:g} to {e.high:g}) with {with_both}, {how}{chance}"


def contrast(c: ReleasedComparison, e: ReleasedEstimate) -> str:
    """The two groups of a ratio, and whether it is not the contrast that was asked about."""
    said = terms.contrast(e.contrast, {g.name: g.label for g in c.groups})
    return said if c.difference is None or _is_asked(c, e) else f"{said} (not what was asked)"


def _is_asked(c: ReleasedComparison, e: ReleasedEstimate) -> bool:
    """Whether a ratio is of the two groups that the difference is of."""
    return c.difference is not None and e.contrast == f"{c.difference.group} vs {c.difference.reference}"


def naive(c: ReleasedComparison) -> str:
    """What the misleading count would have said, for a slide's title."""
    start = terms.label_start(c.clock)
    if c.naive is None:
        return f"A count by label from {start} flatters the teeth that changed group later"
    parts = [f"{n} with “{c.label(name)}”" for name, n in c.naive.failed]
    told = f"of 100 {plural(2, terms.outcome(c.outcome).noun)} {listing(parts)} {terms.happened(c.outcome)}"
    return f"Counted by label from {start}, {told} within {years(c.horizon_years)}: a misleading picture"


def naive_why(c: ReleasedComparison) -> str:
    """Why that count misleads, in words that need no figures."""
    return terms.label_fault(c.clock, c.naive.why_biased if c.naive else "")


def rate(row: ReleasedRate, rates: ReleasedRates) -> str:
    """`About 92 of 100 crowns were still in place after 5 years; the range is 91 to 93.`"""
    say = terms.outcome(rates.outcome)
    if row.in_place is None:
        return f"Too few to show how many {say.many} were {say.good} after {years(row.years)}"
    text = f"About {row.in_place} of 100 {say.many} were {say.good} after {years(row.years)}"
    return f"{text}; the range is {row.low} to {row.high}"


def overall(released: Released) -> list[str]:
    """One sentence an outcome, for the whole practice."""
    return [rate(t.rows[0], t) + "." for t in released.rates if t.by == "overall" and t.rows]


def overall_short(released: Released) -> list[str]:
    """The same in a few words, for a heading: `91 of 100 crowns still in place after 5 years`."""
    return [
        f"{t.rows[0].in_place} of 100 {say.many} {say.good} after {years(t.rows[0].years)}"
        for t in released.rates
        if t.by == "overall" and t.rows and t.rows[0].in_place is not None
        for say in [terms.outcome(t.outcome)]
    ][:1]


def elsewhere(released: Released) -> str:
    """Whether root canals done by others may be unseen: a fixed sentence for each setting, without a figure."""
    return release_words.ELSEWHERE.get(released.elsewhere, "")


def scope(released: Released) -> str:
    """What the records span, in months, and how much they hold, rounded; the patients are all of the records."""
    counts = ((released.crowns, "crowns"), (released.endo_courses, "root canals"))
    parts = [f"about {count} {noun}" for count, noun in counts if count.value is not None]
    span = listing([m for m in (released.first_year, released.last_year) if m], "to")
    whose = released.practice or "one practice"
    if released.patients.value is not None:
        whose += f" with about {released.patients} patients"
    held = listing(parts) if parts else "too few teeth to show a count"
    return f"Records of {whose}, {span}: {held}."


def footer(released: Released) -> str:
    """The line at the foot of every slide."""
    parts = ["Own records, not a trial", f"data to {released.last_year}" if released.last_year else ""]
    if released.crowns.value is not None:
        parts.append(f"about {released.crowns} crowns")
    parts.append("figures rounded to steps")
    return " · ".join(p for p in parts if p)
