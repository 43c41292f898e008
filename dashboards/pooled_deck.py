"""The slides of several practices together: titles that are findings, native charts and tables, notes for the speaker.

Made from the pooled results only, whose every count passed the rules of disclosure in the practice that gave it.
"""

from dashboards import terms, theme
from dashboards.charts.pooled import LOST, at
from dashboards.formats import count, listing, lower_first, plural, sentence_case, whole, years
from dashboards.pages.pooled import NOTE, SIGNED, parts_table, say_range, say_value
from dashboards.talk.deck import Curves, Deck
from dashboards.talk.drawn import on_grid
from dashboards.talk.notes import CLAIM, notes
from pipeline.release.disclosure import SMALLEST, STEP
from pipeline.results.pooled import PooledComparison, PooledResults, PooledValue

FOOTER = "Several practices together. Rounded counts, not a trial."
FOLLOWED = "The numbers below are those still followed in all practices together, about."
MOST_TECHNIQUES = 12
WHAT = {"difference": "failures per 100 more", "adjusted": "adjusted hazard ratio"}
FOUND = {"difference": "difference of {} failures per 100", "adjusted": "adjusted hazard ratio {}"}


def render(pooled: PooledResults) -> bytes:
    """`pooled.pptx` as bytes; the same results give the same bytes."""
    compared = [c for c in pooled.comparisons if not c.technique]
    asked = [c for c in pooled.comparisons if c.technique]
    practices = count(len(pooled.practices), "practice")
    title = compared[0].verdict.sentence.rstrip(".") if compared else f"{sentence_case(practices)} share no question"
    deck = Deck(title="Several practices together", footer=FOOTER)
    opening = [*(c.title for c in compared[:1]), f"{practices}; each is a letter.", NOTE]
    deck.opening(title, opening, _notes("Say what the question was, and that these are records, not a trial.", pooled))
    for c in compared:
        _comparison(deck, c, pooled)
    if asked:
        _techniques(deck, asked, pooled)
    _files(deck, pooled)
    deck.text(
        "The practices were pooled by random effects, with ranges that own up to how few they are",
        [
            "The variance between practices is by restricted maximum likelihood; ranges are by Hartung and Knapp and "
            "never narrower than the usual ones.",
            f"Each practice gave rounded counts, ratios and differences; counts under {SMALLEST} never left it.",
            f"All count by the same {count(len(pooled.rules), 'rule')}, which the page lists with the number of each.",
        ],
        _notes("Explain that two or three practices cannot show how far practices differ.", pooled),
    )  # fmt: skip
    deck.text(
        "An association in several practices’ records is not advice for a patient",
        pooled.cautions,
        _notes("Read the first two lines aloud.", pooled),
    )
    return deck.save()


def _notes(say: str, pooled: PooledResults, claim: str = CLAIM) -> str:
    source = (
        f"files contributed by {count(len(pooled.practices), 'practice')}, with counts under {SMALLEST} hidden and "
        f"others told in steps of {STEP}."
    )
    return notes(say, source, claim=claim)


def _comparison(deck: Deck, c: PooledComparison, pooled: PooledResults) -> None:
    """Curves, verdict, and one table of practices for each pooled value that is shown."""
    _curves(deck, c, pooled)
    rows = [
        ("Range", c.verdict.range),
        ("Reason to doubt", c.verdict.doubt),
        ("What would settle it", c.verdict.next_step),
        *([("How it was counted", " ".join(c.notes))] if c.notes else []),
    ]
    deck.table(c.verdict.sentence.rstrip("."), ("Part", "What the practices say"), rows,
               _notes(c.verdict.sentence, pooled), alt=" ".join(f"{k}: {v}" for k, v in rows))  # fmt: skip
    for kind in FOUND:
        for value in (v for v in c.values if v.kind == kind and not (c.ratio_leads and kind == "difference")):
            _forest(deck, c, value, pooled)


def _curves(deck: Deck, c: PooledComparison, pooled: PooledResults) -> None:
    """The pooled curves as a native line chart on the half-yearly grid."""
    shown = [(i, g) for i, g in enumerate(c.groups) if g.points]
    if not shown:
        return
    say = terms.outcome(c.outcome)
    nouns, did = plural(2, say.noun), "were lost" if say.bad == "lost" else say.bad
    last = min(max(p.months for _, g in shown for p in g.points), round(24 * c.horizon_years))
    step = shown[0][1].points[1].months - shown[0][1].points[0].months  # the grid that all practices share
    # A value and its range stand until the next, so that the band is drawn month by month.
    series = [
        on_grid(
            group.label,
            theme.look(group.name, index),
            {
                p.months + m: (round(p.failed, 1), round(p.low, 1), round(p.high, 1))
                for p in group.points
                for m in range(step)
            },
            range(last + 1),
        )
        for index, group in shown
    ]
    figure = Curves(
        range(last + 1),
        series,
        f"Failed, of 100 {nouns}. Band: 95 % range",
        f"Years since {terms.clock(c.clock)}; followed",
        [{p.months: whole(p.followed) for p in group.points} for _, group in shown],
        FOLLOWED,
    )
    told = [
        f"{p.failed:.0f} {f'of 100 {nouns} {did} ' if not i else ''}with {lower_first(g.label)}"
        for i, (g, p) in enumerate((g, at(g, c.horizon_years)) for _, g in shown)
        if p is not None
    ]
    title = (
        f"By {years(c.horizon_years)}, {listing(told)}"
        if told
        else f"Too few {nouns} are followed for {years(c.horizon_years)}"
    )
    told_aloud = f"{title}. The bands are 95 % ranges. {say.definition}"
    deck.curves(title, figure, _notes(told_aloud, pooled), alt=f"Curves. {c.title}. {title}.")


def _forest(deck: Deck, c: PooledComparison, value: PooledValue, pooled: PooledResults) -> None:
    """Each practice's value, the pooled one, and what leaving out one practice does, as a native table."""
    table = parts_table(value, further=False)
    rows = [row[:5] for row in table.rows]
    title = (
        f"{c.groups[0].label}: {FOUND[value.kind].format(say_value(value, value.value))} over "
        f"{count(len(value.parts), 'practice')}, range {say_range(value, value.low, value.high)}"
    )
    say = " ".join([*value.heterogeneity, value.leave_one_out])
    heads = (table.heads[0], sentence_case(WHAT[value.kind]), *table.heads[2:5])
    labels = f"{lower_first(c.groups[0].label)} or {lower_first(c.groups[1].label)}"
    deck.table(title, heads, rows, _notes(f"{sentence_case(labels)}. {say}", pooled),
               alt=f"Table. {c.title}. {'; '.join(' '.join(r) for r in rows)}")  # fmt: skip


def _techniques(deck: Deck, asked: list[PooledComparison], pooled: PooledResults) -> None:
    """Technique questions with a pooled difference: those that may be named first, then by the width of the range."""
    found = [(c, v) for c in asked for v in c.values if v.kind == "difference"]
    if not found:
        return
    claimed = sum(c.verdict.code == "differs" for c, _ in found)
    ordered = sorted(found, key=lambda f: (f[0].verdict.code != "differs", f[1].high - f[1].low, f[0].id))
    rows = [
        (
            f"{c.title}: {lower_first(c.groups[0].label)} or {lower_first(c.groups[1].label)} ({LOST[c.outcome]})",
            f"{len(v.parts)}",
            f"{say_value(v, v.value)} ({say_range(v, v.low, v.high)})",
            terms.verdict(c.verdict.code),
        )
        for c, v in ordered[:MOST_TECHNIQUES]
    ]
    say = f"{claimed or 'None'} of {count(len(found), 'technique comparison')}"
    title = f"{say} {'shows' if claimed < 2 else 'show'} a difference that may be named"
    rest = f" The {len(rows)} with the narrowest ranges are shown; the page has all." if len(found) > len(rows) else ""
    safety = f" {terms.safety_sentence([c.title for c, _ in found if c.safety])}".rstrip()
    heads = ("Question: group or reference", "Practices", "Failures per 100 more (95 % range)", "What may be said")
    deck.table(title, heads, rows, _notes(f"{title}, all counted as one family of looks.{rest}{safety}", pooled),
               alt=f"Table of technique questions. {title}.", shares=(0.46, 0.1, 0.22, 0.22), left=(0, 3),
               sizes=(14, 12))  # fmt: skip


def _files(deck: Deck, pooled: PooledResults) -> None:
    rows = [
        (f"Practice {p.letter}", p.data_until, f"{p.questions}", SIGNED[p.signed_by], p.digest[:16])
        for p in pooled.practices
    ]
    deck.table(
        f"{sentence_case(count(len(pooled.practices), 'practice'))} gave rounded figures, and nothing about a person",
        ("Practice", "Data until", "Questions", "Signed", "SHA-256 begins with"),
        rows,
        _notes("Read the first letters to each other; they show that a file is the one that was sent.", pooled,
               "that a digest, or a signature whose key nobody checked, proves who made a file"),
        alt="Table of the files that were pooled. " + "; ".join(" ".join(r) for r in rows),
        shares=(0.18, 0.13, 0.13, 0.3, 0.26),
        left=(0, 3, 4),
        sizes=(16, 14),
    )  # fmt: skip
