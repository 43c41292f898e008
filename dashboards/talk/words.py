"""Sentences that only the talk, its appendix and its handout say, from a released result and from nothing else."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import terms
from dashboards.formats import listing, lower_first, phrase, plural, sentence_case, years
from dashboards.release.curve import ReleasedPoint
from dashboards.release.healing import YEARS, ReleasedHealing, ReleasedLosses
from dashboards.release.released import Released, ReleasedComparison, ReleasedGroup
from dashboards.release.technique import ReleasedContrast, ReleasedTechnique
from dashboards.release.trial import ReleasedOutcome
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.practice.counts import more_or_fewer, range_more_or_fewer
from pipeline.questions.question import SINCE_SEAT
from pipeline.questions.techniques.grouping import OTHER_LABEL
from pipeline.results.trial_words import NEED

NO_QUESTION = "What one practice’s records can and cannot say of crowns and root canals"
WHOSE = "One practice’s own records, not a trial."
CHOICE = (
    "The choice falls before the crown: treat a doubtful pulp first, or seat the crown on a vital tooth and wait. A "
    "root canal that is needed later is done through the crown."
)
NEEDED = "To say it takes the state of the pulp written down at each preparation, and years of follow-up."
TRAP = "A crown must last to be opened: counted from its seat, opened crowns look better than they are"
TRAP_STEPS = (
    "Crown seated",
    "It lasts: no failure\ncan happen here",
    "Opened for a\nroot canal",
    "Counted as opened\nfrom this day on",
)
PROGRAM = "toothyears"
MOST_NAMED = 4
MAIN, OPENED = SINCE_SEAT.id, SINCE_SEAT.late
NONE_OPENED = "No crown in these records is known to have been opened for a root canal, so there is nothing to compare."
VAGUE = ("Unspecified", "Other", OTHER_LABEL)
ACTIONS = {
    "differs": (
        "We would look twice before the next doubtful pulp, and ask whether others find the same",
        "Change nothing for good on the figures of one practice.",
    ),
    "little_difference": (
        "We would choose by the tooth, since by these figures the two ways lie close together",
        "Let what the patient and the tooth need decide, since longevity hardly does here.",
    ),
    "depends_on_how_we_count": (
        "We would agree first on what counts as a failure, since the answer hangs on it",
        "Fix the way to count before anyone looks at figures again.",
    ),
    "cannot_tell": (
        "We would change nothing on these figures alone, since they fit too many answers",
        "Go on as before, tooth by tooth, and say that the figures do not decide.",
    ),
    "too_early": (
        "We would go on recording, since there is too little yet to act on",
        "Go on as before, tooth by tooth; no figure here speaks for either way.",
    ),
}
RECORD = (
    "Write down at each crown the state of the pulp, and at each root canal how it was done: what is missing cannot be "
    "counted."
)
TOGETHER = "Count together with other practices: rounded figures are enough, and nothing about a person leaves."


def title(released: Released, chosen: str) -> str:
    """The title of the talk: the chosen one, else the question of the main comparison."""
    if chosen:
        return chosen
    return released.comparisons[0].question if released.comparisons else NO_QUESTION


def citation(released: Released, *, chosen: str, speaker: str, day: dt.date | None) -> str:
    """How to cite the talk: who, what, whose records until when, made with which version on which day."""
    version = dict(released.methods.versions).get(PROGRAM, "")
    made = f"{PROGRAM} {version}".strip()
    parts = [
        speaker or released.practice or "One dental practice (name withheld)",
        title(released, chosen).rstrip("."),
        f"Own records of one practice{f', {span}' if (span := released.span) else ''}",
        f"Made with {made}" + (f" on {day.day} {day:%B %Y}" if day else ""),
    ]
    return " ".join(p if p.endswith("?") else f"{p}." for p in parts)


def why_it_matters(released: Released) -> tuple[str, list[str]]:
    """The finding that makes the question matter, and the points below it."""
    needed = [e for e in released.everyday if e.points]
    lines = [released.comparisons[0].question] if released.comparisons else []
    lines.append(CHOICE)
    rest = [*map(words_shared.everyday, needed[1:]), *words_shared.overall(released)[:1]]
    if needed:
        return words_shared.everyday(needed[0]).rstrip("."), [words_shared.need_unseen(released), *lines, *rest]
    lines += [NEEDED, *rest]
    return "How often a tooth crowned vital comes to need a root canal cannot be said from these records", lines


def trap_title(c: ReleasedComparison) -> str:
    """What the misleading count says of the group in question, and what the other one does."""
    d, told = c.difference, dict(c.naive.failed) if c.naive else {}
    if d is None or not {d.group, d.reference} <= set(told):
        return TRAP
    group = next(g for g in c.groups if g.name == d.group)
    point = words_shared.horizon_point(c, group)
    wrong = f"By label from {terms.label_start(c.clock)}, {told[d.group]} of 100 failed with “{group.label}”"
    if point is None or not point.told:
        return f"{wrong}: a misleading picture"
    return f"{wrong}; from the day of opening, {point.failed}"


@dataclass(frozen=True)
class Ratios:
    """How fast failures came in a group against another: by the misleading count, and rightly, with its range."""

    group: ReleasedGroup
    reference: ReleasedGroup
    wrong: float
    right: float
    low: float
    high: float


def ratios(c: ReleasedComparison) -> Ratios | None:
    """The misleading ratio beside the right one of the same two groups, neither adjusted; None where one is hidden."""
    if c.naive is None or c.naive.hazard_ratio is None:
        return None
    named = {g.name: g for g in c.groups}
    group, _, reference = c.naive.contrast.partition(" vs ")
    right = next((e for e in c.estimates if e.contrast == c.naive.contrast and not e.adjusted_for), None)
    if right is None or not {group, reference} <= set(named):
        return None
    return Ratios(
        named[group], named[reference], c.naive.hazard_ratio, right.hazard_ratio, right.low, right.high
    )  # fmt: skip


def ratios_title(c: ReleasedComparison, found: Ratios) -> str:
    """What the clock alone turns: `Counted from the seat, failures came 0.7 times as fast; from the day of ...`"""
    noun = terms.outcome(c.outcome).noun
    if c.id == MAIN and found.group.name == OPENED:
        return (
            f"Opened crowns failed {found.wrong:g} times as fast if called opened from the seat on, {found.right:g} "
            "times if only from the day of opening, unadjusted"
        )
    return (
        f"With “{found.group.label}”, failures came {found.wrong:g} times as fast counted from "
        f"{terms.label_start(c.clock)}; from the day each {noun} could be counted, {found.right:g} times, unadjusted"
    )


ROUNDED = "Rounded: sums may be out."


def method_title(c: ReleasedComparison) -> str:
    """From when a tooth counts in its group."""
    if c.id == MAIN:
        return "A crown counts as opened only from the day on which it was opened"
    return f"Each {terms.outcome(c.outcome).noun} counts in a group from the day on which it could be told apart"


def group_box(c: ReleasedComparison, name: str) -> str:
    """Who is in a group: its words, and its rounded sizes."""
    g = next(g for g in c.groups if g.name == name)
    noun = plural(2, terms.outcome(c.outcome).noun)
    return f"{g.label}\n{noun}: {g.crowns}, failures: {g.failures}"


def method_lines(released: Released, c: ReleasedComparison) -> list[str]:
    """How it was counted: what a failure is, how long teeth were followed, what was adjusted for."""
    lines = [terms.outcome(c.outcome).definition]
    lines += [
        f"Half of the {f.of} could be followed some {years(round(f.median_months / 12, 1))} or more."
        for f in released.methods.followup
        if f.of == "crowns" and f.median_months is not None
    ]
    if adjusted := c.adjusted_for:
        lines.append(f"Adjusted for {listing([phrase(a) for a in adjusted])}; teeth of one patient are taken together.")
    lines.append("Follow-up ends at the last contact, at death or at the end of the data.")
    return lines


def drawn(group: ReleasedGroup) -> tuple[ReleasedPoint, ...]:
    """The points of a group that are drawn: those with a range behind them; none where they make no curve."""
    return group.points if len(group.points) > 1 else ()


def hidden(c: ReleasedComparison) -> list[str]:
    """The groups of which no curve may be shown, in a sentence; nothing where all are shown."""
    if c.id == MAIN and OPENED not in {g.name for g in c.groups}:
        return [NONE_OPENED]
    return words_shared.no_curve(c)


def fact(o: ReleasedOutcome) -> tuple[str, str]:
    """One outcome of the decision on a hyperemic tooth in the cells of a fact box: what differs, and the range."""
    if o.per_100 is None or o.low is None or o.high is None:
        return f"Not told: {o.why_none}", "–"
    if o.outcome == NEED:
        return f"{o.per_100} more of 100 had one recorded when treated first", f"{o.low} to {o.high} more"
    did = terms.outcome(o.outcome).happened
    return f"{many(o.per_100)} of 100 {did} when treated first", range_more_or_fewer(o.low, o.high)


def many(per_100: int) -> str:
    """`2 more`, `3 fewer` or, where there is no difference, `About as many`."""
    return sentence_case(more_or_fewer(per_100)) if per_100 else "About as many"


def decision_title(found: Sequence[ReleasedOutcome]) -> str:
    """The finding on the hyperemic tooth: what waiting saves, else that nothing can be said."""
    need = next((o for o in found if o.outcome == NEED and o.per_100 is not None), None)
    if need is not None:
        some, kind, here = f"about {need.per_100}", " recorded", ""
        if need.with_elsewhere is not None:
            some, kind, here = f"perhaps {100 - need.with_elsewhere[0]}", "", f"; {need.per_100} had none recorded here"
        return f"With waiting {some} of 100 hyperemic teeth had no{kind} root canal within {years(need.years)}{here}"
    if any(o.per_100 is not None for o in found):
        return "Hyperemic tooth: root canal before the seat, or a vital seat and waiting"
    return "Too few hyperemic teeth to compare a root canal before the seat with waiting"


def one_technique(released: Released) -> tuple[ReleasedTechnique, ReleasedContrast] | None:
    """The contrast to speak of: a named difference, else little difference, else any; of those the narrowest range.

    One of a group without a name of its own is taken only where there is no other.
    """
    ranks = {"differs": 0, "little_difference": 1}

    def rank(pair: tuple[ReleasedTechnique, ReleasedContrast]) -> tuple[object, ...]:
        a, c = pair
        vague = bool({c.label, c.against} & {*VAGUE})
        return ranks.get(c.verdict_code, 2) + 3 * vague, c.high - c.low, a.title, a.outcome, c.label, c.against

    return min(
        ((a, c) for a in released.techniques.answers if not a.safety for c in a.contrasts), key=rank, default=None
    )


def technique_title(a: ReleasedTechnique, c: ReleasedContrast) -> str:
    """The finding on one technique, as bold as its verdict."""
    if c.verdict_code == "differs":
        return words_technique.contrast(a, c).rstrip(".")
    if c.verdict_code == "little_difference":
        # Never alone: a little difference in one practice could be heard as advice to do the lesser.
        return f"{c.label} against {lower_first(c.against)}: little difference, and no ground to change practice"
    return f"{a.title}: we cannot tell “{c.label}” and “{lower_first(c.against)}” apart yet"


def contrast_says(c: ReleasedContrast) -> str:
    """One contrast beside its range: how many more or fewer, from where to where, and what may be said."""
    verdict, far = terms.verdict(c.verdict_code), range_more_or_fewer(c.low, c.high)
    if c.verdict_code == "cannot_tell":
        return f"From {far} of 100: {lower_first(verdict)}."
    return f"{many(c.per_100)} of 100 ({far}). {verdict}."


def technique_lines(released: Released) -> list[str]:
    """How the comparison was chosen from how many, and why a technique is not a cause."""
    chosen = "; this one was taken for its verdict" if len(released.techniques.contrasts) > 1 else ""
    return [f"{words_technique.headline(released.techniques)}{chosen}.", words_technique.CAUTION]


def healing_title(whole: ReleasedHealing) -> str:
    """How many had healed at recall, of all that were judged."""
    healed = whole.states[0] if whole.states else None
    if healed is None or healed.of_100 is None:
        return "Too few root canals were judged at recall to show how many had healed"
    return f"Of 100 root canals judged at recall, about {healed.of_100} had healed"


def loss_title(losses: ReleasedLosses) -> str:
    """How many teeth were lost to any cause, by the last year with a figure."""
    every = next((c for c in losses.causes if c.cause == "all"), None)
    told = [] if every is None else [(y, s) for y, s in zip(YEARS, every.within, strict=True) if s is not None]
    known = [(y, s.of_100) for y, s in told if s.of_100 is not None]
    if not known:
        return f"Too few {losses.noun} were lost to show how many, and to what"
    year, lost = known[-1]
    return f"Of 100 {losses.noun}, about {lost} were lost within {years(year)}, to all causes together"


def action(released: Released) -> tuple[str, list[str]]:
    """What the practice would do with this, by the verdict on the main question and on nothing else; a reading."""
    code = released.comparisons[0].verdict_code if released.comparisons else "too_early"
    head, first = ACTIONS[code]
    lines = [first, RECORD, TOGETHER]
    if released.comparisons:
        lines.insert(1, f"What would settle it: {lower_first(words_shared.next_step(released.comparisons[0]))}")
    lines += [_besides(c) for c in released.comparisons[1:] if c.verdict_code == "differs"][:1]
    return f"{_reading(released)}: {lower_first(head)}", lines


def _besides(c: ReleasedComparison) -> str:
    """Another comparison that shows a difference, with its range and that it need not come from the treatment."""
    far = f"{range_more_or_fewer(c.difference.low, c.difference.high)}; " if c.difference is not None else ""
    said = lower_first(words_shared.heading(c))
    return f"Asked besides, and in the appendix: {said} ({far}chance did not choose)."


def _reading(released: Released) -> str:
    """`Our reading of how long crowns last`: of what the main question asks, so that no other finding is meant."""
    if not released.comparisons:
        return "Our reading"
    return f"Our reading of how long {plural(2, terms.outcome(released.comparisons[0].outcome).noun)} last"


def limits(released: Released, left_out: Sequence[str]) -> list[str]:
    """The cautions, what stays unseen, and what these records could not say."""
    lines = [*terms.CAUTIONS, words_shared.STEPS]
    if said := words_shared.elsewhere(released):
        lines.append(said)
    cannot = [*left_out, *(lower_first(t) for t, _ in released.not_run)]
    if cannot:
        named = list(dict.fromkeys(cannot))
        rest = "" if len(named) <= MOST_NAMED else "; the appendix lists all"
        lines.append(f"Not answered by these records: {'; '.join(named[:MOST_NAMED])}{rest}.")
    return lines


def questions(released: Released) -> list[tuple[str, str]]:
    """Three questions that listeners are likely to put, with answers from what is shown."""
    c = released.comparisons[0] if released.comparisons else None
    adjusted = c.adjusted_for if c else ()
    alike = (
        f"They may have been. {words_shared.doubt(c)} What was recorded and adjusted for: "
        f"{listing([phrase(a) for a in adjusted]) or 'nothing'}. What nobody wrote down cannot be adjusted for."
        if c
        else "Nothing is compared here, so nothing hangs on it yet."
    )
    followed = [
        f"half of the {f.of} for {years(round(f.median_months / 12, 1))} or more"
        for f in released.methods.followup
        if f.median_months is not None
    ]
    many = words_shared.scope(released) + (f" Followed were {listing(followed)}." if followed else "")
    other = (words_shared.choices(c) if c else "") or (
        "That cannot be shown: other ways to count rest on too few teeth, or were not tried. "
        f"{words_shared.RULES.split('. ')[0]}."
    )
    return [
        ("Were the teeth not simply worse in one group?", alike),
        ("How many teeth is that, and for how long?", many),
        ("Would it come out the same if you counted in another way?", other),
    ]
