"""The page to show at a study club: the same findings as the slides, from a released result only."""

import datetime as dt
from typing import Any

from dashboards import page, reporting_items, terms, theme
from dashboards.answers import Answer, Answers, Said, kept
from dashboards.charts.contrasts import Apart, difference_chart
from dashboards.charts.released_curve import drawn, released_curves, released_incidence_chart, years
from dashboards.formats import DASH, listing, lower_first, phrase, plural, sentence_case, spread
from dashboards.formats import years as years_text
from dashboards.pages.comparison import place
from dashboards.release.healing import STATES, YEARS, ReleasedLosses, ReleasedShare
from dashboards.release.rates import ReleasedRates
from dashboards.release.released import Released, ReleasedComparison, require
from dashboards.tables import NumberTable, UnderGroup, UnderTable, first_head, table_of
from dashboards.talk import story
from dashboards.talk import words as talk_words
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.practice.talk import Talk
from pipeline.results.trial_words import COUNTED_FROM

MOST = 100  # words of the answers: what can be taken along comes right after them


def render(released: Released, *, talk: Talk | None = None, day: dt.date | None = None) -> str:
    """The page `study_club.html`: how long the `talk` is, and how to cite what was made on `day`.

    Refuses anything but a released result.
    """
    require(released)
    talk = talk or Talk()
    found = reporting_items.items(released)
    sections = [_section(c, f"s{i}") for i, c in enumerate(released.comparisons)]
    said = Said()
    for number, s in enumerate(sections):
        s["first"], s["parts"] = number == 0, [(name, said.fresh(text)) for name, text in s["parts"]]
        for key in ("definition", "zone", "naive", "naive_why"):
            s[key] = said.fresh(s[key])
    incidence = released_incidence_chart(released.everyday, id="everyday-incidence")
    return page.render(
        "study_club.html",
        title="What one practice’s crowns and root canals show",
        audience="shared",
        answers=_answers(released, talk),
        practice=released.practice or "",
        cautions=(),
        scope=words_shared.scope(released),
        steps=words_shared.STEPS,
        sections=sections,
        decision=words_shared.decision(released),
        decision_counted=COUNTED_FROM if released.decision else "",
        everyday_legend=[
            theme.LegendItem(sentence_case(c.label), theme.look(c.arm, i))
            for i, c in enumerate(released.everyday)
            if len(c.points) > 1
        ],
        incidence=incidence,
        everyday_table=everyday_table(released),
        healing_table=healing_table(released),
        loss_tables=[loss_table(found) for found in released.losses],
        overall=words_shared.overall(released),
        elsewhere=words_shared.elsewhere(released),
        technique=technique_parts(released),
        rates=[rates_table(t) for t in released.rates if worth_showing(t)],
        not_run=released.not_run,
        rules=_rules(released),
        disclosure=words_shared.RULES,
        citation=talk_words.citation(released, chosen=talk.title, speaker=talk.speaker, day=day),
        references=words_shared.references(released),
        heads=_heads(released),
        items=appendix_table(found),
        items_intro=reporting_items.INTRO,
    )


def _rules(released: Released) -> NumberTable | None:
    """The linking rules in words, each with what it is set to; None where none is told."""
    rows, heads = words_shared.linking_rules(released), words_shared.RULE_HEADS
    return NumberTable("What each does, and its setting", heads, rows, heads[:1]) if rows else None


def _heads(released: Released) -> dict[str, str]:
    """The headings of the parts that are no comparison, as what was found."""
    return {
        "hyperemic": talk_words.decision_title(released.decision),
        "recall": talk_words.healing_title(released.healing[0]) if released.healing else "",
        "lost": talk_words.loss_title(released.losses[0]).partition(", to ")[0] if released.losses else "",
        "technique": words_technique.headline(released.techniques),
        "rates": "; ".join(words_shared.overall_short(released)) or "No rate may be shown",
        "counted": "Small counts are hidden, and each rule for linking can be changed",
        "items": reporting_items.summary(tuple(reporting_items.items(released))),
    }


def _answers(released: Released, talk: Talk) -> Answers:
    """What one takes home: the headline, the talk and what will be asked, the other comparisons, the techniques."""
    given = [
        Answer(f"{words_shared.beside_verdict(c)}.", asked=c.title, link=f"#{place(c.id)}", code=c.verdict_code)
        for c in released.comparisons
    ]
    slides, asked = len(story.slides(released, talk)), talk_words.questions(released)[0][0]
    told = (
        f"{slides} slides for {talk.minutes} minutes, their words in the notes. They will ask: {asked} "
        "The last notes answer."
    )
    given.insert(1, Answer(told, asked="The talk", link="study_club.pptx"))
    found = released.techniques
    if found.contrasts:
        given.append(Answer(f"{words_technique.headline(found)}.", asked="Techniques", link="#technique"))
    main = next((c for c in released.comparisons[:1] if c.difference is not None), None)
    picture = _difference(main, "difference") if main is not None else None
    if not released.comparisons and not found.contrasts:
        return Answers((Answer("Nothing here may be shown yet: too few teeth."),))
    return Answers(kept(given, most=MOST), picture)


def technique_parts(released: Released) -> dict[str, Any]:
    """The technique questions as released; empty where none may be shown."""
    found = released.techniques
    if not found.contrasts:
        return {}
    return {
        "headline": f"{words_technique.headline(found)}.",
        "looks": words_technique.looks(found),
        "named": words_technique.named(found),
        "contrasts": words_technique.contrasts_table(found.answers),
        "groups": words_technique.groups_table(found.answers),
    }


def _section(c: ReleasedComparison, id: str) -> dict[str, Any]:
    return {
        "c": c,
        "place": place(c.id),
        "definition": " ".join([terms.outcome(c.outcome).definition, *words_shared.bands_alone(c)]),
        "verdict": words_shared.verdict(c) + ".",
        "parts": [
            ("Result", words_shared.result(c)),
            ("Range", words_shared.reach(c)),
            ("Counted in other ways", words_shared.choices(c)),
            ("Reason to doubt", words_shared.doubt(c)),
            ("What would settle it", words_shared.next_step(c)),
        ],
        "heading": words_shared.heading(c),
        "curves_heading": words_shared.curves_title(c),
        "text": words_shared.curves(c),
        "legend": [theme.LegendItem(words_shared.drawn_label(g), theme.look(g.name, i)) for i, g in drawn(c)],
        "curves": released_curves(c, id=f"{id}-curves"),
        "under": _under(c),
        "groups": groups_table(c),
        "difference": _difference(c, f"{id}-difference"),
        "zone": words_shared.zone(c),
        "estimates": estimates_table(c),
        "naive": f"{words_shared.naive(c)}." if c.naive else "",
        "naive_why": words_shared.naive_why(c) if c.naive else "",
    }


def _difference(c: ReleasedComparison, id: str) -> theme.Chart | None:
    """The released difference against the zone too small to matter; None where it is not shown."""
    d = c.difference
    if d is None:
        return None
    said = f"{words_shared.result(c)} {words_shared.reach(c)} {words_shared.zone(c)}"
    return difference_chart(
        [Apart(f"{c.label(d.group)} against {lower_first(c.label(d.reference))}", d.per_100, d.low, d.high,
               code=c.verdict_code)],
        smallest=c.smallest_difference_per_100,
        id=id,
        label=f"In short: {said}" if id == "difference" else said,
    )  # fmt: skip


def groups_table(c: ReleasedComparison) -> NumberTable:
    """Who was counted, rounded, and failed by the horizon; shared with the slides."""
    points = {g.name: words_shared.horizon_point(c, g) for g in c.groups}
    middles = {name: p.middle for name, p in points.items() if p is not None}
    ranges = {name: spread(p.low, p.high) for name, p in points.items() if p is not None}
    return table_of("Who was counted", c.groups, {
        "Group": lambda g: g.label,
        plural(2, terms.outcome(c.outcome).noun).capitalize(): lambda g: str(g.crowns),
        "Patients": lambda g: str(g.patients),
        "Failures": lambda g: str(g.failures),
        f"Failed of 100 by {years_text(c.horizon_years)}": lambda g: DASH
        if (middle := middles.get(g.name)) is None else str(middle),
        "95 % range": lambda g: ranges.get(g.name, DASH),
    })  # fmt: skip


def everyday_table(released: Released) -> NumberTable:
    """Teeth crowned vital that came to need a root canal, by whole year; shared with the slides."""
    rows = tuple(
        (sentence_case(c.label), str(p.years), str(p.of_100), spread(p.low, p.high), str(p.followed))
        for c in released.everyday
        for p in c.points
        if p.years > 0
    )
    heads = ("Teeth", "Years", "Had a root canal", "95 % range", "Still followed")
    return NumberTable("Had a root canal recorded after a vital seat, of 100 teeth", heads, rows)


def healing_table(released: Released) -> NumberTable:
    """Healing at recall as released: the whole in three states, and how many healed by the lesion before.

    A state of which nothing may be told has no column.
    """
    told = [[_of_100(s) for s in line.states] + [DASH] * (len(STATES) - len(line.states)) for line in released.healing]
    shown = [n for n in range(len(STATES)) if any(cells[n] != DASH for cells in told)]
    heads = ("Root canals at recall", "Judged", *(sentence_case(f"{STATES[n]}, of 100") for n in shown))
    rows = [
        (line.label, str(line.judged), *(cells[n] for n in shown))
        for line, cells in zip(released.healing, told, strict=True)
    ]
    return NumberTable("Healing at recall, of 100 judged, with 95 % ranges", heads, tuple(rows))


def loss_table(found: ReleasedLosses) -> NumberTable:
    """Losses by cause as released."""
    heads = ("Lost to", "Losses", *(f"Within {years_text(y)}" for y in YEARS))
    rows = tuple((sentence_case(c.label), str(c.losses), *(_of_100(s) for s in c.within)) for c in found.causes)
    return NumberTable(f"What {found.noun} were lost to, of 100 teeth, with 95 % ranges", heads, rows)


def _of_100(share: ReleasedShare | None) -> str:
    if share is None or share.of_100 is None or share.low is None or share.high is None:
        return DASH
    return f"{share.of_100} ({spread(share.low, share.high)})"


def estimates_table(c: ReleasedComparison) -> NumberTable:
    """Hazard ratios as released."""
    return table_of("Hazard ratios", c.estimates, {
        "Contrast": lambda e: words_shared.contrast(c, e),
        "How": lambda e: f"adjusted for {listing([phrase(a) for a in e.adjusted_for])}"
        if e.adjusted_for else words_shared.how(()),
        "Hazard ratio": lambda e: f"{e.hazard_ratio:g}",
        "95 % range": lambda e: f"{e.low:g} to {e.high:g}",
    }, ("How",))  # fmt: skip


def appendix_table(found: tuple[reporting_items.Item, ...]) -> NumberTable:
    """The reporting items with their state and what the run says to each."""
    heads = ("Item", "Asks for", "State", "What this run says")
    rows = tuple((f"{i.checklist}\u00a0{i.number}", i.asks, i.state, i.text) for i in found)
    return NumberTable("Methods appendix: reporting items", heads, rows, heads[1:])


def worth_showing(t: ReleasedRates) -> bool:
    """True for a breakdown of which at least two rows have a figure."""
    return t.by != "overall" and sum(r.in_place is not None for r in t.rows) >= 2


def rates_table(t: ReleasedRates) -> NumberTable:
    """Rates by one characteristic, as released."""
    say = terms.outcome(t.outcome)
    horizon = years_text(t.rows[0].years) if t.rows else ""
    return table_of(f"{say.many.capitalize()} {say.good} after {horizon}: {terms.by(t.by).lower()}", t.rows, {
        first_head(t.by): lambda r: r.name,
        plural(2, say.noun).capitalize(): lambda r: str(r.teeth),
        say.bad.capitalize(): lambda r: str(r.failures),
        f"{say.good.capitalize()}, of 100": lambda r: DASH if r.in_place is None else str(r.in_place),
        "95 % range": lambda r: DASH if r.low is None or r.high is None else spread(r.low, r.high),
    })  # fmt: skip


def _under(c: ReleasedComparison) -> UnderTable | None:
    """How many were still followed at each year, rounded; a dash where the curve is not shown."""
    columns, shown = years(c), drawn(c)
    if not shown:
        return None
    groups = []
    for index, g in shown:
        points = [g.at(round(12 * y)) for y in columns]
        cells = tuple(str(p.followed) if p is not None else DASH for p in points)
        groups.append(UnderGroup(g.label, theme.look(g.name, index), (("followed", cells),)))
    return UnderTable("How many were still followed, in steps of 5", columns, tuple(groups))
