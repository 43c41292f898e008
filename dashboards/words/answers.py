"""The sentences that pages open with, in the English of a person; every number is one of a results object."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.answers import Answer
from dashboards.formats import count, listing, lower_first, months, phrase, plural, whole, years
from pipeline.results import Choices, Comparison, Difference, Trial, TrialOutcome
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast
from pipeline.results.trial_words import CROWN, NAMES, NEED, TOOTH
from pipeline.results.unseen import Spread

TOO_EARLY = "too_early"
OPEN = ("cannot_tell", "depends_on_how_we_count", TOO_EARLY)


def more(value: int) -> str:
    """`2 more`, `6 fewer`, `as many`."""
    return "as many" if value == 0 else f"{abs(value)} {'more' if value > 0 else 'fewer'}"


def between(low: float, high: float) -> str:
    """`between 2 fewer and 7 more`, `4 to 8 fewer`, `under 1 to 5 more`, `between 9 fewer and none`, in whole teeth.

    A range without zero stays one when it is rounded, and one across it stays across: such an end is then under 1.
    """
    if low * high > 0:
        near, far = (round(v) for v in sorted((abs(low), abs(high))))
        side = "more" if low > 0 else "fewer"
        if far == 0:
            return f"under 1 {side}"
        return f"{near} {side}" if near == far else f"{near or 'under 1'} to {far} {side}"
    ends = [
        more(round(v)) if round(v) else "none" if v == 0 else f"under 1 {'more' if v > 0 else 'fewer'}"
        for v in (low, high)
    ]
    return "none" if ends == ["none", "none"] else f"between {ends[0]} and {ends[1]}"


def from_to(low: float, high: float) -> str:
    """The same as what stands in place of one number: `from 2 fewer to 7 more`, `4 to 8 fewer`."""
    return between(low, high).replace("between ", "from ").replace(" and ", " to ")


def of_100(d: Difference, labels: dict[str, str], outcome: str, *, open_still: bool = False) -> str:
    """`Of 100 crowns, 2 more failed within 5 years with a than with b: between 2 fewer and 7 more.`

    Where nothing is known yet the range stands in place of the middle, which would be read as a finding.
    """
    say = terms.outcome(outcome)
    mid = round(d.per_100)
    group, reference = (lower_first(labels.get(n, n)) for n in (d.group, d.reference))
    late = f", counted from {months(d.from_days)} on" if d.from_days > 0 else ""
    than = "than" if mid or open_still else "as"
    much, rest = (from_to(d.ci_low, d.ci_high), "") if open_still else (more(mid), f": {between(d.ci_low, d.ci_high)}")
    did = terms.happened(outcome, 2 if open_still else mid)
    return (
        f"Of 100 {plural(2, say.noun)}, {much} {did} within {years(d.years)} with {group} "
        f"{than} with {reference}{late}{rest}."
    )


def in_short(c: Comparison, *, of: str, than: str, when: bool = True) -> str:
    """`Of 100 opened, 2 more failed within 5 years than treated before (between 2 fewer and 7 more).`

    `of` and `than` are the two groups in a word or two.

    Without `when` the years, which are then said once for several, and why nothing is compared are left out.
    """
    d = c.difference
    if d is None or c.verdict.code == TOO_EARLY:
        return c.verdict.sentence if when else "so far."  # after the word of the verdict
    by = f"{f' within {years(d.years)}' if when else ''} than {than}"
    if c.verdict.code in OPEN:
        return f"Of 100 {of}, {from_to(d.ci_low, d.ci_high)} {terms.happened(c.outcome)}{by}."
    mid = round(d.per_100)
    by = by if mid else by.replace(" than ", " as ")
    far = between(d.ci_low, d.ci_high)
    far = far.rpartition(" ")[0] if d.ci_low * d.ci_high > 0 else far  # on which side it lies, the middle says
    return f"Of 100 {of}, {more(mid)} {terms.happened(c.outcome, mid)}{by} ({far})."


def comparison_says(c: Comparison) -> str:
    """A comparison's finding in a sentence: its difference, or why there is none."""
    if c.difference is None or c.verdict.code == TOO_EARLY:
        return c.verdict.sentence
    d, open_still = c.difference, c.verdict.code in OPEN
    said = of_100(d, {g.name: g.label for g in c.groups}, c.outcome, open_still=open_still)
    return f"{said[:-1]}, yet chance is not ruled out." if open_still and (d.ci_low > 0 or d.ci_high < 0) else said


def comparison_answer(c: Comparison, *, link: str) -> Answer:
    """The answer of a comparison, with its verdict."""
    return Answer(comparison_says(c), asked=c.title, link=link, code=c.verdict.code)


def how_sure(c: Comparison) -> str:
    """How sure the main finding is: what could have been seen, other ways to count, and that chance did not choose."""
    said = []
    if c.choices is not None and c.choices.rows:
        said.append(_ways(c.choices))
    if c.robustness is not None and c.robustness.detectable_per_100 is not None:
        said.append(f"A difference under {max(round(c.robustness.detectable_per_100), 1)} of 100 may be missed.")
    said.append("Chance did not choose the treatment: other things may explain it.")
    return " ".join(said)


def sure_heading(c: Comparison) -> str:
    """How sure the main finding is, for a heading: other ways to count, where they were tried."""
    if c.choices is None or not c.choices.rows:
        return "How sure this is: no other way to count was tried"
    return f"How sure this is: {lower_first(_ways(c.choices)).rstrip('.')}"


def _ways(choices: Choices) -> str:
    told = [c for c in choices.rows if c.ci_low is not None and c.ci_high is not None]
    said = ways(len(told), *(sum(c.says == what for c in told) for what in ("more", "fewer")))
    return with_common(said, choices.in_common())


def with_common(said: str, common: tuple[str, str] | None) -> str:
    """What `ways` says, with the choice that all those share which say a difference."""
    if common is None:
        return said
    first, mark, rest = said.partition(";")
    name, chosen = (phrase(text) for text in common)
    alike = f"all with “{chosen}” as {name.replace('followup', 'follow-up')}"
    return f"{first.rstrip('.')}, {alike}{mark or '.'}{rest}"


def ways(of: int, say_more: int, say_fewer: int) -> str:
    """How many ways to count say that more failed: `15 of 107 ways to count these teeth say more failures; ...`

    The teeth are named since a share of ways reads as a chance, which it is not.
    """
    says = [f"{whole(n)} of {count(of, 'way')} to count these teeth {'says' if n == 1 else 'say'} {what} failures"
            for n, what in ((say_more, "more"), (say_fewer, "fewer")) if n]  # fmt: skip
    if not says:
        return f"None of {count(of, 'way')} to count these teeth shows a difference."
    rest = of - say_more - say_fewer
    return f"{'; '.join(says)}{f'; {whole(rest)} cannot tell' if rest else ''}."


def decided(outcome: str) -> str:
    """The decision by one of its outcomes: `Hyperemic tooth, root canal first or wait: the tooth`."""
    return f"Hyperemic tooth, root canal first or wait: {lower_first(NAMES[outcome])}"


def decision_verdict(t: Trial) -> tuple[str, str]:
    """The code of the verdict on the crown and what it is of, with that on the tooth where it is another.

    `for crown and tooth`, `for the crown; the tooth: too early to compare`; two empty texts without a verdict.
    """
    if not t.judged:
        return "", ""
    (_, first), *others = t.judged
    apart = [f"{lower_first(NAMES[o.outcome])}: {lower_first(terms.verdict(v.code))}" for o, v in others
             if v.code != first.code]  # fmt: skip
    return first.code, f"for the crown; {'; '.join(apart)}" if apart else "for crown and tooth"


def trial_says(t: Trial, outcome: str, *, when: bool = True, unseen: Spread | None = None) -> str:
    """One outcome of the decision, per hundred, both ways; without the years where they are said once for several."""
    found = next((o for o in t.outcomes if o.outcome == outcome), None)
    code = next((v.code for o, v in t.judged if o.outcome == outcome), "")
    return "" if found is None else outcome_says(found, when=when, code=code, unseen=unseen)


def outcome_says(o: TrialOutcome, *, when: bool = True, code: str = "", unseen: Spread | None = None) -> str:
    """`2 more of 100 crowns failed within 5 years with the root canal first: between 3 fewer and 8 more.`

    Without `when` neither the years nor the way, which are then said once for several; `code` is that of its verdict.
    `unseen` is the need of a root canal with waiting where what others may have done unseen counts too.
    """
    d = o.difference
    if d is None:
        return f"no difference is given: {o.why_none.partition(' (')[0].rstrip('.')}." if o.why_none else o.sentence
    mid, low, high = (round(v) for v in (d.per_100, d.ci_low, d.ci_high))
    if o.outcome == NEED:
        seen, span, perhaps = mid, years(d.years), ""
        if unseen is not None:
            # What others did unseen can only make them fewer: where one figure alone is told it allows for it.
            mid, low, high = (100 - round(v) for v in (unseen.median, unseen.high, unseen.low))
            perhaps = "perhaps "
        if not when:
            return f"Waiting, {perhaps}{mid} of 100 had no root canal ({low} to {high})."
        if unseen is None:
            return f"With waiting {mid} of 100 teeth had no root canal for {span} ({low} to {high})."
        here = f"With waiting {seen} of 100 had no root canal here for {span}"
        return f"{here}; with those elsewhere perhaps {mid} ({low} to {high})."
    what = {CROWN: "crowns failed", TOOTH: "teeth were lost"}.get(o.outcome, "teeth failed")
    much = f"{more(mid)} of 100 {what}" if mid else f"as many of 100 {what}"
    how = f" within {years(d.years)} with the root canal first" if when else ""
    if code in OPEN:
        return f"{from_to(d.ci_low, d.ci_high)} of 100 {what}{how}."
    return f"{much}{how}: {between(d.ci_low, d.ci_high)}."


def technique_counts(answers: Sequence[TechniqueAnswer]) -> dict[str, int]:
    """How many comparisons came out how, by the code of the verdict, in the order of the verdicts."""
    found = [c.verdict for a in answers for c in a.contrasts]
    return {code: found.count(code) for code in terms.VERDICTS if code in found}


def technique_says(answers: Sequence[TechniqueAnswer], *, by_name: bool = True) -> str:
    """`None of 94 comparisons shows a clear difference; 21 show little difference; 73 are open.`

    One or two that do are named (`by_name`), where they do not follow.
    """
    counts = technique_counts(answers)
    total, named, unsettled = _in_all(answers)
    if not total:
        return "Too few teeth were recorded with their technique to compare any."
    parts = [f"{whole(named) if named else 'None'} of {whole(total)} comparisons {'show' if named > 1 else 'shows'} a "
             f"clear difference{_named(answers) if by_name else ''}"]  # fmt: skip
    if alike := counts.get("little_difference", 0):
        parts.append(f"{whole(alike)} {'show' if alike > 1 else 'shows'} little difference")
    if unsettled:
        parts.append(f"{whole(unsettled)} {plural(unsettled, 'is')} open")
    return f"{'; '.join(parts)}."


def _in_all(answers: Sequence[TechniqueAnswer]) -> tuple[int, int, int]:
    """How many comparisons there are, how many differ and how many are open."""
    counts = technique_counts(answers)
    return sum(counts.values()), counts.get("differs", 0), sum(counts.get(code, 0) for code in OPEN)


def _named(answers: Sequence[TechniqueAnswer]) -> str:
    """` (resin against metal ceramic)`; empty for none and for many."""
    found = [({g.name: g.label for g in a.groups}, c) for a in answers for c in a.contrasts if c.verdict == "differs"]
    said = [f"{lower_first(of[c.group])} against {lower_first(of[c.reference])}" for of, c in found]
    return f" ({listing(said)})" if 1 <= len(said) <= 2 else ""


def technique_heading(answers: Sequence[TechniqueAnswer]) -> str:
    """`Question by question: none of 94 comparisons differs`, where the answers above say the rest."""
    total, named, _ = _in_all(answers)
    if not total:
        return "Too few teeth to compare any technique"
    differ = f"{whole(named) if named else 'none'} of {whole(total)} comparisons {'differ' if named > 1 else 'differs'}"
    return f"Question by question: {differ}"


def technique_in_short(answers: Sequence[TechniqueAnswer]) -> str:
    """`None of 94 comparisons; 73 are open.`"""
    total, named, unsettled = _in_all(answers)
    if not total:
        return "Too few teeth to compare any."
    rest = f"; {whole(unsettled)} {plural(unsettled, 'is')} open" if unsettled else ""
    return f"{whole(named) if named else 'None'} of {whole(total)} comparisons{rest}."


def pair(a: TechniqueAnswer, c: TechniqueContrast) -> str:
    """`A single rotary file against hand files`."""
    labels = {g.name: g.label for g in a.groups}
    return f"{labels[c.group]} against {lower_first(labels[c.reference])}"


def has_range(c: TechniqueContrast) -> bool:
    """Whether a contrast has a difference to be shown: never where too few failures were said to be there."""
    return c.verdict != TOO_EARLY and None not in (c.difference_per_100, c.difference_ci_low, c.difference_ci_high)


def contrast_range(c: TechniqueContrast) -> str:
    """The range of a contrast in words; empty where it has none to show."""
    if not has_range(c) or c.difference_ci_low is None or c.difference_ci_high is None:
        return ""
    return between(c.difference_ci_low, c.difference_ci_high)


def leaves_zero_out(c: TechniqueContrast) -> bool:
    """Whether the range of a contrast holds differences on one side only."""
    low, high = c.difference_ci_low, c.difference_ci_high
    return has_range(c) and low is not None and high is not None and (low > 0 or high < 0)
