"""Does the verdict hang on how we count? The rule, and the words for it, every number of which is counted."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.practice.counts import count
from pipeline.questions.choice_options import GIVEN_UP, MEANINGS, UNDATED_WORDS, Options, offered_options
from pipeline.questions.crown_longevity import LABELS
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY
from pipeline.results import Choice, Choices, Comparison, Sample
from pipeline.transforms.rules import LinkRules

DEPENDS = "depends_on_how_we_count"
# Of the combinations that adjust as the main one does, at least this share must reach its verdict.
MIN_SHARE = 0.5


def with_choices(comparison: Comparison, choices: Choices) -> Comparison:
    """Attach the choices; where the verdict hangs on them, the verdict says so instead of taking a side."""
    notes = (*comparison.notes, *left_out(choices))
    attached = replace(comparison, choices=choices, notes=notes)
    if not choices.depends:
        other = outvoted(choices.rows)
        if not other:
            return attached
        verdict = replace(comparison.verdict, sentence=f"{comparison.verdict.sentence} {other}")
        return replace(attached, verdict=verdict)
    verdict = replace(
        comparison.verdict,
        code=DEPENDS,
        sentence=_depends_sentence(choices.rows, comparison.verdict.smallest_difference_per_100),
        range=f"{comparison.verdict.range} {_spread(choices.rows)}",
        next_step=_next_step(choices),
    )
    return replace(attached, verdict=verdict)


def hangs_on_choices(rows: Sequence[Choice]) -> bool:
    """Whether the verdict hangs on how we count.

    Only a verdict that claims something can hang on anything: `differs` or `little_difference` in the main row. It does
    if either holds:

    1. Some combination contradicts it: it claims otherwise (`differs` the other way, or one of the two where the main
       row says the other) and its range leaves out the main estimate. Two ranges that are nearly the same, one just
       within the smallest difference that matters and one just beyond, contradict nothing.
    2. Of the combinations that adjust as the main row does, fewer than `MIN_SHARE` reach its verdict, `differs` in the
       same direction. Without adjustment ranges are wider for reasons that no choice of counting has, so those rows can
       contradict, but not outvote.
    """
    main = next(row for row in rows if row.is_main)
    if main.verdict not in (DIFFERS, LITTLE_DIFFERENCE) or main.per_100 is None:
        return False
    if any(_contradicts(row, main, main.per_100) for row in rows):
        return True
    alike = [row for row in rows if row.options["adjustment"] == main.options["adjustment"]]
    return sum(_claim(row) == _claim(main) for row in alike) < MIN_SHARE * len(alike)


def outvoted(rows: Sequence[Choice]) -> str:
    """What is said beside a verdict that claims nothing, where most ways that adjust as the main one claim one thing.

    The code stays: the rules in force were chosen beforehand. But who reads only the verdict must know that it hangs
    on how we count. Empty where the main row claims something (`hangs_on_choices` speaks for that) or has no majority
    against it.
    """
    main = next(row for row in rows if row.is_main)
    if main.verdict in (DIFFERS, LITTLE_DIFFERENCE):
        return ""
    alike = [row for row in rows if row.options["adjustment"] == main.options["adjustment"]]
    claims = [_claim(row) for row in alike if row.verdict in (DIFFERS, LITTLE_DIFFERENCE)]
    for claim in ((DIFFERS, True), (DIFFERS, False), (LITTLE_DIFFERENCE, False)):
        n = claims.count(claim)
        if n > MIN_SHARE * len(alike):
            said = "a small difference at most" if claim[0] == LITTLE_DIFFERENCE else f"{_MORE[claim[1]]} failures"
            return (
                f"This hangs on how we count: the way in force gives no answer, but {n} of {len(alike)} ways of "
                f"counting that adjust alike find {said}."
            )
    return ""


_MORE = {True: "more", False: "fewer"}


def left_out(choices: Choices) -> tuple[str, ...]:
    """One sentence per choice with options that were offered and change nothing in these records."""
    notes = []
    for name, offered in offered_options(LinkRules()).items():
        gone = [option for option in offered if option not in choices.options[name]]
        same = len(choices.options[name]) == 1
        if gone:
            which = "" if same else f" ({'; '.join(gone)})"
            notes.append(f"It makes no difference in these records {MEANINGS[name]}{which}.")
    return tuple(notes)


def count_zero(rows: Sequence[Choice]) -> str:
    """In how many of the ways the range includes zero, and in how many there is no range."""
    ranges = [(row.ci_low, row.ci_high) for row in rows if row.ci_low is not None and row.ci_high is not None]
    zero = sum(low <= 0 <= high for low, high in ranges)
    none = len(rows) - len(ranges)
    without = f" In {none} no range can be given." if none and ranges else ""
    if len(rows) == 1:
        range_ = f"its range {'includes' if zero else 'leaves out'} zero" if ranges else "no range can be given"
        return f"There is one reasonable way of counting; {range_}."
    if not ranges:
        return f"In none of {_ways(len(rows))} can a range be given."
    if zero == 0:
        return f"In none of {_ways(len(rows))} does the range include zero.{without}"
    how_many = f"all {_ways(zero)}" if zero == len(rows) else f"{zero} of {_ways(len(rows))}"
    return f"In {how_many} the range includes zero.{without}"


def beside_main(rows: Sequence[Choice], counts: Mapping[str, int], *, renewal_days: int) -> tuple[str, ...]:
    """What stands beside the main figure: renewed crowns given up at the opening, unknown orders both ways.

    `counts` are those of linking: `crowns_renewed_after_opening`, `crowns_opened`, `crowns_timing_unknown`.
    """
    main = next(row for row in rows if row.is_main)
    alone = {
        (name, option): row
        for row in rows
        for name, option in row.options.items()
        if row.options == main.options | {name: option}
    }
    said = []
    if (renewed := counts["crowns_renewed_after_opening"]) or counts["crowns_opened"]:
        text = (
            f"{renewed} of {counts['crowns_opened']} opened crowns were renewed within {renewal_days} days of the root "
            f"canal. {'They count' if renewed != 1 else 'It counts'} as opened, and as failed."
        )
        if not renewed:
            text = (
                f"None of {counts['crowns_opened']} opened crowns was renewed within {renewal_days} days of the root "
                "canal: giving such crowns up at the opening would change nothing."
            )
        elif (row := alone.get(("opened_and_renewed", GIVEN_UP))) is not None:
            text += f" Had they been given up at the opening, the difference would be {_difference(row)}."
        said.append(text)
    if undated := counts["crowns_timing_unknown"]:
        text = f"{count(undated, 'crown')} had a root canal elsewhere on an unknown day: in neither group."
        ways = [(words, alone.get(("undated_root_canal", option))) for option, words in UNDATED_WORDS.items()]
        told = [f"counted {words} the difference would be {_difference(row)}" for words, row in ways if row is not None]
        if told:
            text += f" {sentence_of(told)}"
        said.append(text)
    return tuple(said)


def sentence_of(parts: Sequence[str]) -> str:
    """`A, b; c.` of clauses."""
    joined = "; ".join(parts)
    return f"{joined[0].upper()}{joined[1:]}."


def _difference(row: Choice) -> str:
    if row.per_100 is None or row.ci_low is None or row.ci_high is None:
        return "one that cannot be given"
    low, high = _more_or_fewer(round(row.ci_low)), _more_or_fewer(round(row.ci_high))
    return f"{_more_or_fewer(round(row.per_100))} per 100 ({low} to {high})"


def sample_sentence(sample: Sample) -> str:
    """What the ways to count were counted on, where that is not all crowns."""
    return (
        f"Counted in other ways on {sample.crowns:,} of {sample.of:,} crowns, those of patients drawn by a hash of "
        "what is recorded of them: ranges are wider here than in the comparison itself."
    )


def _claim(row: Choice) -> tuple[str, bool]:
    """What a row says: its verdict and, where it differs, whether there are more failures."""
    return row.verdict, row.verdict == DIFFERS and (row.per_100 or 0) > 0


def _contradicts(row: Choice, main: Choice, estimate: float) -> bool:
    if row.verdict not in (DIFFERS, LITTLE_DIFFERENCE) or _claim(row) == _claim(main):
        return False
    if row.ci_low is None or row.ci_high is None:
        return False
    return not row.ci_low <= estimate <= row.ci_high


def _ways(n: int) -> str:
    return f"{n} reasonable ways of counting"


def _depends_sentence(rows: Sequence[Choice], smallest: float) -> str:
    claims = [_claim(row) for row in rows]
    said = {
        "more": claims.count((DIFFERS, True)),
        "fewer": claims.count((DIFFERS, False)),
        f"no difference above {smallest:g} per 100": claims.count((LITTLE_DIFFERENCE, False)),
        "no answer": claims.count((CANNOT_TELL, False)),
        "too few failures or years": claims.count((TOO_EARLY, False)),
    }
    (first, n), *others = [(what, n) for what, n in said.items() if n]
    listed = ", ".join([f"{first} in {n} of {_ways(len(rows))}", *(f"{what} in {m}" for what, m in others)])
    group, reference = LABELS["through_crown"].lower(), LABELS["before_seat"].lower()
    return f"Whether more crowns fail with {group} than with {reference} depends on how we count: {listed}."


def _spread(rows: Sequence[Choice]) -> str:
    found = [row.per_100 for row in rows if row.per_100 is not None]
    low, high = (_more_or_fewer(round(value)) for value in (min(found), max(found)))
    return f"Over all ways of counting the estimate runs from {low} to {high} per 100."


def _more_or_fewer(n: int) -> str:
    return f"{abs(n)} {'more' if n > 0 else 'fewer'}" if n else "no difference"


def _next_step(choices: Choices) -> str:
    """Names the choice that changes the verdict most often when it alone is changed."""
    names = [name for name, options in choices.options.items() if len(options) > 1]
    verdicts = {tuple(row.options[name] for name in choices.options): _claim(row) for row in choices.rows}
    turns = {name: _turns(choices.options, verdicts, name) for name in names}
    most = max(names, key=lambda name: turns[name])
    return (
        f"First agree {MEANINGS[most]}: of all choices, this one turns the verdict most often "
        f"(in {turns[most]:.0%} of changes of it alone). Agree on clinical grounds, not on what each way gives."
    )


def _turns(options: Options, verdicts: dict[tuple[str, ...], tuple[str, bool]], name: str) -> float:
    """Share of pairs of combinations that differ in `name` alone whose verdicts differ."""
    axis = list(options).index(name)
    pairs = [
        verdicts[key] != verdicts[twin]
        for key in verdicts
        for other in options[name][options[name].index(key[axis]) + 1 :]
        if (twin := (*key[:axis], other, *key[axis + 1 :])) in verdicts
    ]
    return sum(pairs) / len(pairs)
