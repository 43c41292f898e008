"""What each slide of the talk shows and says: one function a slide, from what is told to a scene, or to nothing."""

import dataclasses
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from dashboards import terms, theme
from dashboards.formats import listing, lower_first, plural, range_more_or_fewer, sentence_case, years
from dashboards.release.released import Released, ReleasedComparison, ReleasedGroup
from dashboards.release.technique import OUTCOMES
from dashboards.talk import speech, words
from dashboards.talk.deck import Curves, Deck
from dashboards.talk.drawn import Series, on_grid
from dashboards.talk.notes import CLAIM
from dashboards.talk.ranges import Range, Scale
from dashboards.theme import Look
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.practice.talk import COLOURS, Talk
from pipeline.questions.question import KEPT_BY_CROWN
from pipeline.release.disclosure import SMALLEST
from pipeline.results import GRID_MONTHS
from pipeline.results.trial_words import NAMES, NOT_COMPARED

BEGINS = f"Curves and numbers followed are shown from {SMALLEST} failures on."
FOLLOWED = "The numbers below are those still followed, in steps of 5."
MOST_ROWS = 4


@dataclass(frozen=True)
class Told:
    """What a talk is made of: the released result, its choices, the day, and what slides had nothing to show."""

    released: Released
    talk: Talk
    day: dt.date | None = None
    left_out: tuple[str, ...] = ()

    @property
    def main(self) -> ReleasedComparison | None:
        """The main comparison, if one may be shown."""
        return self.released.comparisons[0] if self.released.comparisons else None

    @property
    def cited(self) -> str:
        """How to cite the talk, in words."""
        cited = words.citation(self.released, chosen=self.talk.title, speaker=self.talk.speaker, day=self.day)
        return f"To cite: {cited}"

    def look(self, name: str, index: int) -> Look:
        """How a group is drawn, in the colours of the talk."""
        usual = theme.look(name, index)
        chosen = next((self.talk.colours[k] for k, colour in COLOURS.items() if colour == usual.colour), usual.colour)
        return dataclasses.replace(usual, colour=chosen)


@dataclass(frozen=True)
class Scene:
    """One slide to be drawn with its notes, what to say with it, and what not to claim."""

    say: str
    draw: Callable[[Deck, str], None]
    claim: str = CLAIM


def source(released: Released) -> str:
    """Where the figures of every slide come from."""
    return f"{words_shared.scope(released)} Small counts are hidden and others told in steps of 5. {words_shared.STEPS}"


def opening(told: Told, *, of: str = "") -> Scene:
    """Title, speaker, whose records; `of` goes before the title."""
    title = f"{of}{words.title(told.released, told.talk.title)}"
    lines = [t for t in (told.talk.speaker, words_shared.scope(told.released), words.WHOSE) if t]
    said = speech.opening(told.released, words.title(told.released, told.talk.title))
    return Scene(said, lambda d, n: d.opening(title, lines, n))


def question(told: Told) -> Scene:
    """The question, and why it matters."""
    title, lines = words.why_it_matters(told.released)
    said = [line for line in lines if line]
    return Scene(speech.question(told.released), lambda d, n: d.text(title, said, n))


def trap(told: Told) -> Scene | None:
    """The misleading count beside the right one: of 100, else as ratios; without figures the trap as a row of boxes."""
    c = told.main
    if c is None or c.naive is None:
        why = words_shared.naive_why(c) if c else terms.label_fault("since_seat", "")
        return Scene(
            speech.trap(c), lambda d, n: d.flow(words.TRAP, words.TRAP_STEPS, (), [why], n, alt=f"{words.TRAP}. {why}")
        )
    place = {g.name: i for i, g in enumerate(c.groups)}
    shown = [(name, failed) for name, failed in c.naive.failed if name in place]
    points = {g.name: words_shared.horizon_point(c, g) for g in c.groups}
    right = tuple(None if (p := points[name]) is None else p.middle for name, _ in shown)
    if None in right and (found := words.ratios(c)) is not None:
        return _trap_in_ratios(told, c, found)
    looks = [told.look(name, place[name]) for name, _ in shown]
    series = (
        ("misleading", Series("By label: misleading", looks[0], tuple(float(f) for _, f in shown))),
        ("counted rightly", Series("From the day each could be counted", looks[0], right)),
    )
    title, value = words.trap_title(c), _failed_by(c)
    if out := [f"“{c.label(name)}”" for (name, _), n in zip(shown, right, strict=True) if n is None]:
        value += f". Counted rightly, too few failures by then to be shown: {listing(out)}"
    return Scene(
        speech.trap(c),
        lambda d, n: d.columns(title, [c.label(name) for name, _ in shown], series, value, n,
                               colours=[look.colour for look in looks],
                               alt=f"Column chart. {words_shared.naive(c)}. {words_shared.curves(c)}"),
        "that the hollow columns compare the two ways of treating",
    )  # fmt: skip


def _trap_in_ratios(told: Told, c: ReleasedComparison, found: words.Ratios) -> Scene:
    """The trap where too few had failed by the horizon to be told: how fast failures came, counted in both ways."""
    colour = told.look(found.group.name, c.groups.index(found.group)).colour
    rows = [
        Range(f"By label from {terms.label_start(c.clock)}", found.wrong, found.wrong, found.wrong,
              f"{found.wrong:g} times as fast: misleading", colour, hollow=True),
        Range(f"From the day each {terms.outcome(c.outcome).noun} could be counted", found.low, found.high, found.right,
              f"{found.right:g} times as fast ({found.low:g} to {found.high:g})", colour),
    ]  # fmt: skip
    scale = Scale("Failures come slower", f"faster than with “{found.reference.label}”", ratio=True)
    lines = [f"{words_shared.naive(c)}.", words_shared.naive_why(c)]
    title, alt = words.ratios_title(c, found), f"Ratios. {words.ratios_title(c, found)}. {words_shared.naive(c)}."
    return Scene(
        speech.trap(c, words.ratios_title(c, found)),
        lambda d, n: d.ranges(title, rows, scale, n, alt=alt, lines=lines),
        "that the hollow mark compares the two ways of treating",
    )


def method(told: Told) -> Scene | None:
    """What was done: from the records to the groups, and how it was counted."""
    c, r = told.main, told.released
    if c is None:
        return None
    boxes = [f"{step}\n{n}" for step, n in r.methods.flow]
    boxes = boxes or [sentence_case(words_shared.scope(r).partition(": ")[2]).rstrip(".")]
    groups = [(words.group_box(c, g.name), told.look(g.name, i).colour) for i, g in enumerate(c.groups)]
    lines = [*words.method_lines(r, c), words.ROUNDED]
    title = words.method_title(c)
    alt = f"Boxes: {'; '.join(b.replace(chr(10), ' ') for b in boxes)}. Groups: {'; '.join(g for g, _ in groups)}."
    return Scene(speech.method(r, c), lambda d, n: d.flow(title, boxes, groups, lines, n, alt=alt.replace("\n", " ")))


def found(told: Told) -> Scene:
    """The curves of the main comparison; where there is none, that it cannot be shown and why."""
    c = told.main
    if c is None:
        title = "No comparison can be shown from these records yet"
        lines = [
            "Too few teeth, or a field that the comparison needs is not recorded.",
            *(f"{t}: needs {listing(list(needs))}." for t, needs in told.released.not_run[:MOST_ROWS]),
            words_shared.scope(told.released),
        ]
        return Scene("Say what is recorded and what is not.", lambda d, n: d.text(title, lines, n))
    return curves_scene(told, c)


def curves_scene(told: Told, c: ReleasedComparison) -> Scene:
    """The curves of a comparison; where none may be drawn, what is hidden and what would help."""
    title = words_shared.curves_title(c)
    shown = [(i, g) for i, g in enumerate(c.groups) if words.drawn(g)]
    if not shown:
        lines = [words_shared.result(c), *words.hidden(c), words_shared.next_step(c)]
        return Scene(" ".join(lines), lambda d, n: d.text(title, lines, n))
    figure = curves_of(told, c, shown)
    return Scene(speech.curves(c), lambda d, n: d.curves(title, figure, n, alt=f"Curves. {words_shared.curves(c)}"))


def curves_of(told: Told, c: ReleasedComparison, shown: list[tuple[int, ReleasedGroup]]) -> Curves:
    """The released curves of a comparison as a figure, to twice the horizon at most."""
    last = min(max(p.months for _, g in shown for p in g.points), round(24 * c.horizon_years))
    grid = range(0, last + 1, GRID_MONTHS)
    series = [
        on_grid(
            words_shared.drawn_label(g),
            told.look(g.name, i),
            {p.months: (p.middle, p.low, p.high) for p in words.drawn(g)},
            grid,
        )
        for i, g in shown
    ]
    under = [{p.months: str(p.followed) for p in g.points} for _, g in shown]
    nouns = plural(2, terms.outcome(c.outcome).noun)
    return Curves(
        grid,
        series,
        f"Failed, of 100 {nouns}. Band: 95 % range",
        f"Years since {terms.clock(c.clock)}; followed",
        under,
        FOLLOWED,
        note=" ".join([BEGINS, *words_shared.bands_alone(c), *words.hidden(c)]),
    )


def sure(told: Told) -> Scene | None:
    """How sure: the range of the difference, that of other ways to count, and the reason to doubt."""
    c = told.main
    if c is None:
        return None
    title, d = words_shared.verdict(c), c.difference
    if d is None and not any(words.drawn(g) for g in c.groups):
        return None  # that nothing can be compared is said once, where the curves would stand
    if d is None:
        said = [words_shared.result(c), *words.hidden(c), words_shared.zone(c), words_shared.doubt(c)]
        return Scene(speech.sure(c), lambda k, n: k.text(title, said, n))
    reach = range_more_or_fewer(d.low, d.high)
    says = f"{words.many(d.per_100)} ({reach})"
    rows = [Range(f"Difference by {years(d.years)}", d.low, d.high, d.per_100, says, told.talk.colours["accent"],
                  terms.is_open(c.verdict_code))]  # fmt: skip
    if c.choices:
        reach = range_more_or_fewer(c.choices.low, c.choices.high)
        rows.append(Range(f"Counted in {c.choices.ways} ways", c.choices.low, c.choices.high, None,
                          f"{reach}: middles alone, each with a range of its own"))  # fmt: skip
    scale = Scale("Fewer failures of 100", f"More, with “{c.label(d.group)}”", c.smallest_difference_per_100)
    grey = f"Grey: {lower_first(words_shared.zone(c))}"
    text = [t for t in (words_shared.result(c), words_shared.agree(c), grey, words_shared.doubt(c)) if t]
    alt = f"Ranges. {words_shared.result(c)} {words_shared.reach(c)} {words_shared.choices(c)}"
    return Scene(speech.sure(c), lambda k, n: k.ranges(title, rows, scale, n, alt=alt, lines=text))


def hyperemic(told: Told) -> Scene | None:
    """The decision on a hyperemic tooth as a fact box: crown, tooth and the need of a root canal."""
    lines = words_shared.decision(told.released)
    outcomes = told.released.decision
    if not any(o.per_100 is not None for o in outcomes):
        return None
    rows = [(NAMES[o.outcome], *words.fact(o)) for o in outcomes]
    by = years(next(o.years for o in outcomes if o.per_100 is not None))
    heads = (f"By {by}", "Root canal before the seat, against a vital seat and waiting", "95 % range")
    title = words.decision_title(outcomes)
    needed = [words_shared.everyday(e) for e in told.released.everyday]
    below = [*needed[:1], f"{words_shared.need_unseen(told.released)} {NOT_COMPARED.split(' (')[0]}.".strip()]
    return Scene(
        speech.hyperemic(told.released),
        lambda d, n: d.table(title, heads, rows, n, alt=f"Table. {' '.join(lines)}", shares=(0.25, 0.5, 0.25),
                             left=(0, 1), sizes=(20, 18, 16), lines=below),
        "that one way is right for any one tooth",
    )  # fmt: skip


def technique(told: Told) -> Scene | None:
    """One technique: the contrasts of its question, and how many looks it was chosen from."""
    chosen = words.one_technique(told.released)
    if chosen is None:
        return None
    a, best = chosen
    others = sorted((c for c in a.contrasts if c is not best), key=lambda c: (c.high - c.low, c.label))
    kept = [best, *others][:MOST_ROWS]
    rows = [Range(f"{c.label} against {lower_first(c.against)}", c.low, c.high, c.per_100, words.contrast_says(c),
                  told.talk.colours["accent"], terms.is_open(c.verdict_code)) for c in kept]  # fmt: skip
    title = words.technique_title(a, best)
    zone = float(told.released.methods.setting("smallest_difference_per_100") or 0)
    what = OUTCOMES[a.outcome]
    scale = Scale("Fewer of 100", f"More of 100: {what}", zone)
    lines = words.technique_lines(told.released)
    alt = f"Ranges. {' '.join(words_technique.contrast(a, c) for c in kept)}"
    return Scene(
        speech.technique(told.released, a, best),
        lambda d, n: d.ranges(title, rows, scale, n, alt=alt, lines=lines),
        "that a technique causes teeth to last or to fail",
    )


def waiting(told: Told) -> Scene | None:
    """How many teeth crowned vital came to need a root canal, as curves by whole year."""
    shown = [(i, e) for i, e in enumerate(told.released.everyday) if len(e.points) > 1]
    if not shown:
        return None
    # Counted at whole years: each is a point of its own, and a year that may not be told has none.
    grid = range(0, 12 * max(e.points[-1].years for _, e in shown) + 1, 12)
    series = [
        on_grid(
            sentence_case(e.label),
            told.look(e.arm, i),
            {12 * p.years: (p.of_100, p.low, p.high) for p in e.points},
            grid,
        )
        for i, e in shown
    ]
    under = [{12 * p.years: str(p.followed) for p in e.points} for _, e in shown]
    figure = Curves(grid, series, "Had a root canal recorded, of 100 teeth. Band: 95 % range",
                    "Years since the seat; followed", under, FOLLOWED, every=12, joined=True,
                    note="A mark is a year that may be told; lines only join the marks.")  # fmt: skip
    lines = [words_shared.everyday(e) for e in told.released.everyday]
    title = lines[shown[0][0]].partition(";")[0]
    said = " ".join(lines)
    return Scene(
        speech.waiting(told.released),
        lambda d, n: d.curves(title, figure, n, alt=f"Curves. {said}"),
        "that waiting is right or wrong for any one tooth",
    )


def kept(told: Told) -> Scene | None:
    """Root-filled teeth kept with and without a crown."""
    drawn = (c for c in told.released.comparisons if any(g.points for g in c.groups))
    c = next((c for c in drawn if c.id == KEPT_BY_CROWN.id), None)
    return None if c is None else dataclasses.replace(curves_scene(told, c), say=speech.kept(c))


def action(told: Told) -> Scene:
    """What we would do."""
    title, lines = words.action(told.released)
    claim = "that anyone else should do the same"
    return Scene(speech.action(told.released), lambda d, n: d.text(title, lines, n), claim)


def limits(told: Told) -> Scene:
    """The cautions, and what these records could not say."""
    title = "An association in one practice’s records is not advice for a patient"
    lines = words.limits(told.released, told.left_out)
    return Scene(speech.limits(told.released, told.left_out), lambda d, n: d.text(title, lines, n))


def references(told: Told) -> Scene:
    """How to cite the talk, and the main sources; the appendix has all."""
    papers = words_shared.references(told.released)
    title = f"The methods are those of {len(papers)} published papers; the appendix lists all"
    lines = [*(f"{p.short} ({p.used_for})" for p in papers[:MOST_ROWS]), told.cited]
    return Scene(speech.references(len(papers)), lambda d, n: d.text(title, lines, n, sizes=(20, 18, 16)),
                 "that these papers say anything of this practice")  # fmt: skip


def _failed_by(c: ReleasedComparison) -> str:
    return f"Failed by {years(c.horizon_years)}, of 100 {plural(2, terms.outcome(c.outcome).noun)}"
