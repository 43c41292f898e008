"""Everything that a page shows of one comparison, for `comparison.html.j2`: curves, difference, doubts and models."""

import re
from typing import Any

from dashboards import tables, terms, theme
from dashboards.answers import Said
from dashboards.charts.contrasts import Ratio, Share, apart, difference_chart, forest_chart, naive_chart
from dashboards.charts.failure_curve import failure_curves, ticks
from dashboards.formats import DASH, failed, lower_first, phrase, plural, ratio, years
from dashboards.pages import doubts, unseen
from dashboards.theme import Chart
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from dashboards.words import doubt as words_doubt
from pipeline.results import Comparison, Difference, Estimate, Results

NONE = "No comparison could be made from these records."
GREY = "Grey: too small to matter, as fixed beforehand. Hollow: open."
SHORT = "difference"  # the chart beside the answers of a page; the same one stands once more in its section


def sections(results: Results, *, of_crowns: bool) -> list[dict[str, Any]]:
    """The comparisons of crowns, the main one first, or those of root canals; each with the place of its answers.

    The first comparison is the main one, and one of crowns whatever its outcome.
    """
    found = [
        section(results, c, f"c{i}")
        for i, c in enumerate(results.comparisons)
        if (i == 0 or terms.is_crown(c.outcome)) == of_crowns
    ]
    said = Said()
    for number, s in enumerate(found):
        s["first"] = number == 0
        _say_once(s, said)
    return found


BALANCE = "How far the two groups lay apart in each, in standard deviations. The line is at 0.1."
BAND = "A band that runs past the top of the picture is cut there."
SQUARES = "Squares with their 95 % range, on a scale of ratios."
HOLLOW = "The hollow one is the misleading count."


def _say_once(s: dict[str, Any], said: Said) -> None:
    """Take out of a section what an earlier one of the page has said."""
    c = s["c"]
    for text in (c.verdict.sentence, c.verdict.result, c.verdict.range):  # a verdict is always said whole
        said.fresh(text)
    s["doubt"], s["next_step"] = said.fresh(c.verdict.doubt), said.fresh(s["next_step"])
    for key in ("other_contrast", "how_to_read", "zone", "definition", "balance_text", "ratio_text"):
        s[key] = said.fresh(s[key])
    for key in ("beside", "difference_text", "robustness", "leaving"):
        s[key] = said.each(s[key])
    s["curve_notes"] = said.each([*s["curve_notes"], *([BAND] if s["curves"] else [])])
    s["naive_why"] = said.fresh(c.naive.explanation) if c.naive else ""
    s["balance_caption"] = said.fresh(BALANCE) if s["balance"] else ""
    s["forest_caption"] = said.fresh(f"{SQUARES} {HOLLOW}" if c.naive else SQUARES) if s["forest"] else ""
    s["notes"], s["missing"] = said.each(c.notes), said.each(tuple(g.sentence for g in c.missing))


def place(id: str) -> str:
    """Where a finding stands on its page: an address of the letters of its identifier, which stays."""
    return "-".join(re.findall(r"[a-z0-9]+", id.lower())) or "finding"


def heading(c: Comparison) -> str:
    """The finding as a heading: what was asked and what can be told of it."""
    d = c.difference
    if c.verdict.code == "differs" and d is not None:
        n, who = round(d.per_100), {g.name: g.label for g in c.groups}.get(d.group, d.group)
        did = terms.happened(c.outcome, n)
        return f"{c.title}: {words_answers.more(n)} of 100 {did} by {years(d.years)} with {lower_first(who)}"
    return f"{c.title}: {terms.TAILS.get(c.verdict.code, lower_first(terms.verdict(c.verdict.code)))}"


def section(results: Results, c: Comparison, id: str) -> dict[str, Any]:
    """Everything that the template shows of one comparison; `id` begins the names of its charts."""
    labels = {g.name: g.label for g in c.groups}
    say = terms.outcome(c.outcome)
    noun, since = plural(2, say.noun), terms.clock(c.clock)
    is_main = bool(results.comparisons) and c is results.comparisons[0]
    curves = failure_curves(c, id=f"{id}-curves", label=words.curves_label(c), noun=noun, since=since)
    naive, start = c.naive, terms.label_start(c.clock)
    misled = words.naive_sentence(naive, labels, c.horizon_years, start=start) if naive else ""
    looks = [theme.LegendItem(g.label, theme.look(g.name, i)) for i, g in enumerate(c.groups)]
    return {
        "c": c,
        "place": place(c.id),
        "of_main": is_main,
        "curves_heading": _curves_heading(c),
        "balance_short": _balance_short(c),
        "heading": heading(c),
        "other_contrast": words.other_contrast(c) if is_main else words.since_landmark(c),
        "next_step": c.verdict.next_step,
        "definition": say.definition,
        "legend": [i for g, i in zip(c.groups, looks, strict=True) if g.curve],
        "curves": curves,
        "how_to_read": words.how_to_read(c),
        "curve_notes": words.curve_notes(c),
        "under": tables.under_curve(c, ticks(c)) if curves else None,
        "survival": tables.survival(c),
        "groups": tables.groups(c),
        "reconciled": words.groups_reconciled(c, results.comparisons) if is_main else "",
        "difference": comparison_difference(c, id=f"{id}-difference", crude=_crude(c)),
        "difference_text": _difference_text(c, labels, say.noun),
        "zone": words.zone_sentence(c.verdict.smallest_difference_per_100),
        "naive": _naive(c, labels, id, misled),
        "naive_text": misled,
        "naive_heading": _naive_heading(c, labels),
        "naive_legend": [i for g, i in zip(c.groups, looks, strict=True) if naive and g.name in dict(naive.survival)],
        "naive_table": _naive_table(c, labels),
        "forest": _forest(c, labels, id),
        "estimates": tables.estimates(c, labels),
        "ratio_text": words_doubt.ratio_sentence(c),
        "beside": words_doubt.beside_sentences(c),
        **words_doubt.part_headings(c),
        **doubts.doubts(c, id),
        **unseen.unseen_block(results.unseen, c.id, id),
    }


def _curves_heading(c: Comparison) -> str:
    """`By 5 years, of 100 crowns 11 failed (a), 13 (b), unadjusted`; in general words where none reaches it."""
    at = [(g.label, words.at_horizon(c, g)) for g in c.groups]
    told = [(lower_first(label), failed(m.survival)) for label, m in at if m is not None and m.survival is not None]
    say = terms.outcome(c.outcome)
    if not told:
        return "How many failed, and when"
    parts = [f"{n}{f' {terms.happened(c.outcome)}' if not i else ''} ({label})" for i, (label, n) in enumerate(told)]
    # Counted from the opening, an opened crown is older than one seated on a treated tooth: the figures look worse.
    how = "unadjusted: opened crowns are older" if c.clock == "since_opening_or_seat" else "unadjusted"
    return f"By {years(c.horizon_years)}, of 100 {plural(2, say.noun)} {', '.join(parts)}, {how}"


def _balance_short(c: Comparison) -> str:
    """How many characteristics lay apart, for a heading."""
    said = words_doubt.balance_sentence(c.robustness.balance if c.robustness else ())
    return re.split(r",|;|\. ", said, maxsplit=1)[0]


def _crude(c: Comparison) -> Difference | None:
    """The crude difference, where it is another than the one that the verdict stands on."""
    return None if c.crude_difference == c.difference else c.crude_difference


def _difference_text(c: Comparison, labels: dict[str, str], noun: str) -> list[str]:
    """The difference, how it was worked out, and the crude one."""
    if c.difference is None:
        return []
    said = [words.difference_sentence(c.difference, labels, noun), words_doubt.method_sentence(c.difference)]
    if (crude := _crude(c)) is not None:
        said.append(words_doubt.crude_sentence(crude, labels, noun))
    return [text for text in said if text]


def _naive_shares(c: Comparison) -> tuple[list[Share], list[Share]]:
    """Failed of 100 at the horizon, by label from the seat and as followed, for the groups of the naive count."""
    if c.naive is None:
        return [], []
    place = {g.name: i for i, g in enumerate(c.groups)}
    by_label = [(name, place.get(name, 0), float(failed(share))) for name, share in c.naive.survival]
    names = {name for name, _, _ in by_label}
    followed = []
    for g in c.groups:
        point = words.at_horizon(c, g)
        if g.name in names and point is not None and point.survival is not None:
            followed.append((g.name, place[g.name], float(failed(point.survival))))
    return by_label, followed


def _naive_heading(c: Comparison, labels: dict[str, str]) -> str:
    """That the count by hand misleads, with both figures of the group in question where they are known."""
    wrong, right = ({name: value for name, _, value in shares} for shares in _naive_shares(c))
    name = c.difference.group if c.difference else ""
    if name not in wrong or name not in right:
        return "The count by hand misleads"
    group = lower_first(labels.get(name, name))
    return f"The count by hand misleads: {wrong[name]:.0f} of 100 in place of {right[name]:.0f} with {group}"


def _naive(c: Comparison, labels: dict[str, str], id: str, said: str) -> Chart | None:
    by_label, followed = _naive_shares(c)
    title = f"Failed within {years(c.horizon_years)}, of 100 {plural(2, terms.outcome(c.outcome).noun)}"
    return naive_chart(by_label, followed, start=terms.label_start(c.clock), title=title, id=f"{id}-naive",
                       label=f"Misleading count. {said}", labels=labels)  # fmt: skip


def _naive_table(c: Comparison, labels: dict[str, str]) -> tables.NumberTable:
    by_label, followed = _naive_shares(c)
    proper = {name: f"{value:.0f}" for name, _, value in followed}
    return tables.table_of(f"Failed within {years(c.horizon_years)}, of 100", by_label, {
        "Group": lambda r: labels.get(r[0], r[0]),
        f"By label from {terms.label_start(c.clock)} (misleading)": lambda r: f"{r[2]:.0f}",
        "As followed": lambda r: proper.get(r[0], DASH),
    })  # fmt: skip


def _forest(c: Comparison, labels: dict[str, str], id: str) -> Chart | None:
    ratios = [
        Ratio(f"{_how(e)}: {_short(e.contrast, labels)}", e.hazard_ratio, e.ci_low, e.ci_high) for e in c.estimates
    ]
    if (n := c.naive) is not None:
        name = f"Misleading: by label from {terms.label_start(c.clock)}"
        ratios.append(Ratio(name, n.hazard_ratio, n.ci_low, n.ci_high, True))
    told = (f"{r.label} {ratio(r.value)} ({ratio(r.low)} to {ratio(r.high)})" for r in ratios)
    return forest_chart(ratios, id=f"{id}-forest", label=f"Hazard ratios: {'; '.join(told)}")


def _how(e: Estimate) -> str:
    """What tells the model apart in a chart row; the table has the whole list."""
    if not e.adjusted_for:
        return "Unadjusted"
    return f"Adjusted for {phrase(e.adjusted_for[0])}" if len(e.adjusted_for) == 1 else "Adjusted"


def _short(contrast: str, labels: dict[str, str]) -> str:
    """A contrast for a chart row: both groups, without the words that most labels begin with."""
    parts = [labels.get(part, phrase(part)) for part in contrast.split(" vs ")]
    return " against ".join(lower_first(part.removeprefix("Root canal ")) for part in parts)


def comparison_difference(comparison: Comparison, *, id: str, crude: Difference | None = None) -> Chart | None:
    """The difference of a comparison against the zone too small to matter; None where there is none.

    `crude` is drawn beneath it.
    """
    d = comparison.difference
    if d is None:
        return None
    labels = {g.name: g.label for g in comparison.groups}
    smallest = comparison.verdict.smallest_difference_per_100
    said = words.difference_sentence(d, labels, terms.outcome(comparison.outcome).noun)
    pair = f"{words.difference_row(d, labels)} against {lower_first(labels.get(d.reference, d.reference))}"
    return difference_chart(
        apart(pair, d, crude, code=comparison.verdict.code),
        smallest=smallest,
        id=id,
        label=f"{'In short: ' if id == SHORT else ''}{said} {words.zone_sentence(smallest)}",
    )
