"""The owner's sheet: four answers, every figure with range and verdict in words, lists, choosers, nothing ranked."""

import dataclasses
import html
import json
import re
from pathlib import Path

import pytest
import sample_owner
import sample_results as samples
from read_page import plain

from dashboards.answers import MOST_WORDS, words
from dashboards.pages import data_quality, owner, owner_filters, owner_sheet
from dashboards.results_json import results_json
from dashboards.words import beside as words_beside
from dashboards.words import owner as words_owner
from dashboards.words import sheet as words_sheet
from dashboards.words import signals as words_signals
from dashboards.write import write_all
from pipeline.results import Results, from_plain, to_plain
from pipeline.results.evidence import EvidenceRange
from pipeline.results.owner import BegunSince, Change, Owner, SinceLastRun, ToDo

MADE = samples.differs()
PAGE = plain(owner.render(MADE))
TEXT = html.unescape(re.sub(r"<[^>]+>", " ", PAGE))


def test_the_page_opens_with_four_answers_of_few_words() -> None:
    found = owner_sheet.answers(MADE.owner, {}, MADE.recalls)
    assert found is not None
    assert [a.asked for a in found.given] == [
        "Are we good?", "Are we getting worse?", "What can we trust?", "What on Monday?",
    ]  # fmt: skip
    assert [a.link for a in found.given] == ["#good", "#trend", "#trust", "#monday"]
    assert sum(words(f"{a.asked} {a.says}") for a in found.given) <= MOST_WORDS
    assert [a.says for a in found.given][3] == (
        "Look at 9 failures behind 1 recent signal; review 58 root canals due by the end of the records; mend 43 "
        "unused rows."
    )
    assert [a.code for a in found.given] == ["", "worse", "thin", ""]
    for place in ("good", "trend", "monday", "trust"):
        assert f'<h2 id="{place}">' in PAGE


@pytest.mark.parametrize(
    ("verdicts", "code"),
    [
        (("same", "same"), "same"),
        (("same", "worse"), "worse"),
        (("better", "worse"), "worse"),
        (("better", "cannot_tell"), "better"),
        (("same", "cannot_tell"), ""),
        (("cannot_tell", "cannot_tell"), "cannot_tell"),
    ],
)
def test_one_word_for_all_rates(verdicts: tuple[str, ...], code: str) -> None:
    lines = tuple(sample_owner.line("crown_survival", 0.9, v, "firm") for v in verdicts)
    assert words_sheet.trend_code(Owner(lines=lines)) == code


def test_a_published_figure_of_other_years_has_its_own_trust() -> None:
    """The rate at 5 years may be firm where what is followed for so long as the published figure is thin."""
    first, *others = MADE.owner.lines
    late = dataclasses.replace(first.published[0], trust=sample_owner.trust("thin"))
    line = dataclasses.replace(first, published=(late, *first.published[1:]))
    found = owner_sheet.sheet(dataclasses.replace(MADE.owner, lines=(line, *others)), lists={})
    assert found["cards"][0].facts[2].says == (
        "71 % of the possible follow-up to 5 years was seen. Thin by 6 years: 42 % seen."
    )


def test_every_card_has_its_rate_with_range_and_three_words() -> None:
    found = owner_sheet.sheet(MADE.owner, lists={})
    crowns = found["cards"][0]
    assert crowns.rate == "91 of 100 in place after 5 years (range 88 to 94)"
    assert [(f.of, f.code) for f in crowns.facts] == [
        ("The time before", "worse"), ("Published", "better"), ("Trust", "fair"),
    ]  # fmt: skip
    assert crowns.facts[0].says == "10 of 100 failed by 5 years lately, 8 before. The range is 2 to 10 more."
    assert crowns.facts[1].says == (
        "12 of 100 failed here by 6 years, 8 in one source (Made 2011). The range is 1 to 9 fewer. A gap is a "
        "question, not an answer. 1 more figure below."
    )
    assert crowns.facts[2].says == "71 % of the possible follow-up to 5 years was seen."
    assert found["cards"][2].facts[1] == owner_sheet.Fact("Published", "", "No published figure counts alike.")
    for card in found["cards"]:
        for said in (card.rate, *(f.says for f in card.facts)):
            assert said in TEXT


@pytest.mark.parametrize(
    ("verdict", "why", "said"),
    [
        ("worse", "", "The range is 2 to 10 more."),
        ("better", "", "The range is 1 to 9 fewer."),
        ("same", "", "3 fewer to 4 more, within the 5 of 100 that would matter."),
        ("cannot_tell", "wide",
         "Between 4 fewer and 9 more: both no difference and one that matters fit."),
        ("cannot_tell", "many_looks",
         "The range is 1 to 9 more: alone that would stand out, among 3 rates it does not."),
        ("cannot_tell", "too_few", "Too few failures: at least 5 are asked for on either side."),
        ("cannot_tell", "not_followed", "Too few are followed for 5 years."),
    ],
)  # fmt: skip
def test_every_verdict_says_why_it_says_no_more(verdict: str, why: str, said: str) -> None:
    assert words_sheet.change(sample_owner.change(verdict, why)) == said


def test_what_is_open_on_the_better_side_alone_is_said_to_be_not_worse() -> None:
    """`Cannot tell` alone would leave an owner in doubt of what these records rule out."""
    open_still = dataclasses.replace(sample_owner.change("cannot_tell", "wide"), ci_low=-6.2, ci_high=2.2)
    assert words_sheet.change(open_still) == "Between 6 fewer and 2 more: not worse by 5."
    assert words_sheet.change(open_still, in_brief=True) == "Between 6 fewer and 2 more: not worse."
    at_the_bound = dataclasses.replace(open_still, ci_high=5.0)
    assert "not worse" not in words_sheet.change(at_the_bound)
    early = MADE.owner.early[0]
    late = tuple(dataclasses.replace(f, change=c) for f, c in zip(early.late, (open_still, at_the_bound), strict=True))
    found = owner_sheet.sheet(dataclasses.replace(MADE.owner, early=(dataclasses.replace(early, late=late),)), lists={})
    assert found["early_heading"] == "Early failures: 1 of 2 is not worse"


@pytest.mark.parametrize(
    ("matters", "low", "high", "said"),
    [
        (5.0, -4.81, 3.62, "5 fewer to 4 more, within the 5 of 100 that would matter"),
        (1.0, -0.448, 0.697, "0 to 1 more, within the 1 of 100 that would matter"),
        (2.5, -2.53 + 0.04, 1.2, "2 fewer to 1 more, within the 2.5 of 100 that would matter"),
        (2.5, -1.2, 2.496, "1 fewer to 2 more, within the 2.5 of 100 that would matter"),
        (1.5, -1.2, 1.48, "1 fewer to 1 more, within the 1.5 of 100 that would matter"),
        (1.6, -1.2, 1.58, "1.2 fewer to 1.6 more, within the 1.6 of 100 that would matter"),
        (0.6, -0.04, 0.59, "0 to 0.6 more, within the 0.6 of 100 that would matter"),
    ],
)
def test_no_range_is_rounded_past_what_it_is_said_not_to_reach(
    matters: float, low: float, high: float, said: str
) -> None:
    found = dataclasses.replace(sample_owner.change("same"), ci_low=low, ci_high=high, matters_per_100=matters)
    assert words_sheet.change(found) == f"{said}."


def test_a_verdict_on_early_failures_is_told_with_what_came_since() -> None:
    signs = MADE.owner.early[0]
    change = dataclasses.replace(signs.late[0].change, verdict="better", why="")
    since = BegunSince("2024-01-02", "2024-12-31", 219, 5, 2.6, against=True)
    late = dataclasses.replace(signs.late[0], change=change, since=since)
    told = "Since January 2024: 5 of 219 so far, 2.6 expected as before; not yet comparable."
    assert words_sheet.early_over_time(late, dated=False).endswith(told)
    assert not words_sheet.early_over_time(dataclasses.replace(late, since=None)).endswith("comparable.")

    def heading(found: BegunSince) -> str:
        early = (dataclasses.replace(signs, late=(dataclasses.replace(late, since=found), *signs.late[1:])),)
        made = owner_sheet.sheet(dataclasses.replace(MADE.owner, early=early), lists={})
        return str(made["early_heading"])

    said = "Early failures, begun lately against before: better for crowns by 1 year"
    assert heading(since) == f"{said} (not so since)"
    assert heading(dataclasses.replace(since, failures=1, against=False)) == said


def test_early_signs_name_their_years_and_give_shares_where_few_failed() -> None:
    early = MADE.owner.early[0].late[0]
    assert early.late is not None
    assert early.before is not None
    late = dataclasses.replace(early.late, teeth=797, failures=2, first_day="2020-07-03", last_day="2023-07-02")
    before = dataclasses.replace(early.before, teeth=778, failures=14, first_day="2017-07-03", last_day="2020-07-02")
    assert words_sheet.early_over_time(dataclasses.replace(early, late=late, before=before)) == (
        "Begun July 2020 to July 2023 against July 2017 to July 2020: 2 of 797 failed against 14 of 778 (0.3 and 1.8 "
        "of 100). Fewer; too few to compare."
    )
    assert words_sheet.early_over_time(MADE.owner.early[0].late[1]) == (
        "Begun July 2021 to July 2024 against July 2021 to July 2024: 7 of 100 failed against 4. The range is 1 to 9 "
        "more: alone that would stand out, among 3 rates it does not."
    )
    found = owner_sheet.sheet(MADE.owner, lists={})
    told = [f.says.partition(":")[0] for f in found["early_says"] if f.says.startswith("Begun ")]
    assert len(told) == len(MADE.owner.early[0].years)
    assert {t.partition(":")[0] for t in told} == {
        f"Begun {words_sheet.stretches(late)}" for e in MADE.owner.early for late in e.late
    }


def test_a_published_figure_says_what_place_it_is_of_and_that_a_gap_is_a_question() -> None:
    worse, open_one = MADE.owner.lines[0].published[1], MADE.owner.lines[1].published[0]
    said = words_beside.published_card([worse], {"b2": words_beside.Source("University clinic, full crowns.")})
    assert "by 18 years, 8 in one source (Made 2011: University clinic, full crowns). " in said
    assert said.endswith(words_beside.GAP)
    assert words_beside.GAP not in words_beside.published_card([open_one], {})


def test_a_larger_source_than_the_one_on_the_card_is_named_with_what_it_says() -> None:
    """Which figure is nearest to our years is no matter of size, so the largest must not hide among those below."""
    near, far = MADE.owner.lines[0].published
    sizes = {"b1": 420, "b2": 71_283}
    sources = {name: words_beside.Source(teeth=n) for name, n in sizes.items()}
    far = dataclasses.replace(far, citation="Other, A. 2022. J Made 2:3-4")
    assert words_beside.published_card([near, far], sources).endswith(
        f" 1 more figure below; the largest (Other 2022, 71,283 teeth): by 18 years "
        f"{round(100 * (1 - far.ours))} failed here, {round(100 * (1 - far.published))} there."
    )
    first = sources | {"b1": words_beside.Source(teeth=90_000)}
    assert words_beside.published_card([near, far], first).endswith(" 1 more figure below.")
    same = dataclasses.replace(far, citation=near.citation)
    assert words_beside.published_card([near, same], sources).endswith(" 1 more figure below.")


def test_the_heading_on_published_figures_counts_as_their_cards_do() -> None:
    assert words_owner.benchmark_heading(MADE.owner.lines) == (
        "Against 3 published figures, ours are worse in 1, better in 1 and open in 1"
    )
    assert words_owner.benchmark_heading(MADE.owner.lines[1:2]) == "Against 1 published figure, ours are open in 1"
    assert words_owner.benchmark_heading(()) == "No published figure counts as ours do"


def test_early_failures_say_by_what_they_are_judged() -> None:
    """By 1 year fewer fail than by 5: a range that would be small there is not small here."""
    first, *rest = MADE.owner.early
    late = [
        dataclasses.replace(found, change=dataclasses.replace(found.change, matters_per_100=m))
        for found, m in zip(first.late, (1.0, 3.0), strict=True)
    ]
    said = words_sheet.early_bounds([dataclasses.replace(first, late=tuple(late)), *rest])
    assert said == "1 of 100 by 1 year or 3 by 3 years would matter"
    assert words_sheet.early_bounds(()) == ""
    assert f"{words_sheet.early_bounds(MADE.owner.early)}." in TEXT


@pytest.mark.parametrize(
    ("usual", "studies", "code", "short"),
    [
        ((5.0, 69.0), 3, "within", "none outside what published practices differ by"),
        ((5.0, 69.0), 1, "one_source", "failures below the nearest study for 1 of 1 rate"),
        ((5.0, 11.0), 1, "better", "1 of 1 rate better than published practices"),
        (None, 0, "better", "1 of 1 rate better than published practices"),
    ],
)
def test_a_gap_to_one_source_is_none_to_practices_like_it_where_these_differ_as_much(
    usual: tuple[float, float] | None, studies: int, code: str, short: str
) -> None:
    """12 of 100 failed here, 8 in the source, a claim against it alone; how far practices differ one cannot show."""
    nearest = MADE.owner.lines[0].published[0]
    source = words_beside.Source("A clinic.", None if usual is None else EvidenceRange(20.0, *usual), studies)
    assert words_beside.apart(nearest, source) == code
    said = words_beside.published(nearest, source)
    assert ("within what practices differ by (5 to 69 of 100)." in said) == (code == "within")
    assert ("than the only source; one source cannot tell what is usual." in said) == (code == "one_source")
    assert (words_beside.GAP in said) == (code == "better")
    sources = {nearest.benchmark_id: source}
    assert words_beside.beside_short(MADE.owner.lines[:1], sources) == short
    told = "Fewer failed than in one source: crowns (12 against 8 by 6 years)."
    assert (words_beside.beside(MADE.owner.lines[:1], sources) == told) == (code == "one_source")


@pytest.mark.parametrize(("recalled", "said"), [(80, "firm"), (79, "fair"), (60, "fair"), (42, "thin")])
def test_healing_is_trusted_as_far_as_teeth_came_back(recalled: int, said: str) -> None:
    row = dataclasses.replace(MADE.recalls[0], name="all", due=100, recalled=recalled)
    assert words_sheet.recall_grade([row]) == f"{said} for healing"
    assert words_sheet.recall_grade([dataclasses.replace(row, due=0)]) == words_sheet.recall_grade([]) == ""


def test_three_things_to_do_each_with_its_list() -> None:
    lists = {
        "signals": "lists/signal-cases-holds-patient-data.csv",
        "reviews": "lists/recall.xlsx",
        "mend": "lists/aside",
    }
    found = owner_sheet.sheet(MADE.owner, lists=lists)
    assert [t.link for t in found["tasks"]] == [lists["signals"], lists["reviews"], "data_quality.html#set-aside"]
    assert [t.rows for t in found["tasks"]] == ["", "", lists["mend"]]
    assert [t.says for t in found["tasks"]] == [
        "Look at 9 failures behind 1 recent signal",
        "Review 58 root canals due by the end of the records",
        "Mend 43 unused rows",
    ]
    assert [t.link for t in found["more_tasks"]] == ["#lists", "data_quality.html"]
    page = owner.render(MADE, lists=lists)
    for link in lists.values():
        assert f'<a href="{link}">' in page


def test_without_lists_the_page_says_how_to_write_them() -> None:
    assert '<a href="#lists">Review 58 root canals due by the end of the records</a>' in PAGE
    assert "toothyears recall-list PRACTICE.toml" in PAGE
    assert '<h2 id="lists">' in PAGE


def test_nothing_is_invented_where_there_is_nothing_to_do() -> None:
    page = owner.render(dataclasses.replace(MADE, owner=dataclasses.replace(MADE.owner, to_do=(), signals=())))
    assert "Monday: nothing waits to be done" in page
    assert 'id="lists"' not in page
    assert 'id="signals"' not in page


def test_a_signal_is_said_in_words_with_what_it_is_not() -> None:
    assert (
        "Dr Ashby, December 2024: from July to December 2024 9 root canals of Dr Ashby failed, whenever done, where "
        "colleagues’ teeth lead one to expect 3.4."
    ) in TEXT
    assert (
        "Whole practice, April 2017: in April 2017 6 crowns of the whole practice failed, whenever done, where "
        "the years before lead one to expect 2.9."
    ) in TEXT
    assert words_signals.SIGNAL_IS_NOT in TEXT
    owned = dataclasses.replace(MADE.owner, charts=14, recent_by_chance=0.33)
    said = "With 14 charts watched, chance alone brings a recent signal to about 33 of 100 such practices in which "
    assert words_signals.of_all_charts(owned) == f"{said}nothing changed."
    made = owner_sheet.sheet(owned, lists={})
    assert made["tasks"][0].why == "chance alone brings one to about 33 of 100 such practices"
    old = dataclasses.replace(owned, signals=owned.signals[1:])
    assert words_signals.of_all_charts(old) == ""
    assert "the chart of the whole practice once in 20 years and each clinician’s chart once in 60 years" in TEXT


def test_signals_and_the_verdicts_on_years_name_one_another() -> None:
    whole = dataclasses.replace(MADE.owner.signals[1], outcome="endo_free_of_intervention", recent=True)
    with_two = dataclasses.replace(MADE.owner, signals=(MADE.owner.signals[0], whole))
    assert words_signals.burst(with_two) == (
        "Recent signals: root canals of the whole practice, 6 failed in April 2017 where 2.9 were expected from the "
        "years before; 1 more on Dr Ashby. A signal tells of a burst of months, these verdicts of 3 years: both can "
        "hold."
    )
    assert words_signals.over_all_years(whole, with_two, ()) == (
        "A burst; the last 3 years against those before: little difference."
    )
    assert words_signals.burst(MADE.owner) in TEXT
    none = dataclasses.replace(MADE.owner, signals=MADE.owner.signals[1:])
    assert words_signals.burst(none) == words_signals.counted_once(none) == ""


def test_the_heading_tells_recent_signals_and_failures_behind_two_are_counted_once() -> None:
    new, old = MADE.owner.signals
    assert words_signals.heading((new, old)) == "2 signals, in words: the first is recent"
    assert words_signals.heading((new, new, old)) == "3 signals, in words: the first 2 are recent"
    assert words_signals.heading((new, new)) == "2 signals, in words: all recent"
    assert words_signals.heading((old,)) == "1 signal, not recent, in words"
    assert words_signals.counted_once(MADE.owner) == "Recent is what lies within 24 months of the end of the records."
    twice = dataclasses.replace(MADE.owner, signals=(new, dataclasses.replace(new, failed=5)))
    assert words_signals.counted_once(twice).endswith(
        "The recent signals count 14 failures together, and 9 are to be looked at: one may stand behind two signals, "
        "and the list holds teeth too old for a chart to expect anything of, too."
    )


def test_the_two_spans_of_follow_up_are_named_and_the_data_quality_page_gives_the_grade() -> None:
    assert "of the possible follow-up to 5 years was seen" in TEXT
    assert "of the follow-up possible to the end of the records was seen" in TEXT
    page = html.unescape(re.sub(r"<[^>]+>", " ", plain(data_quality.render(MADE))))
    assert words_sheet.trust_answer(MADE.owner.lines, MADE.recalls) in page
    assert "As measured, and the rule" not in plain(data_quality.render(samples.empty_practice()))


def test_what_changed_since_the_last_run() -> None:
    assert (
        "Since the run of 30 November 2024, whose data ended on 28 November 2024: 800 rows more (9,000 in all)." in TEXT
    )
    assert "Verdicts that changed: crowns, lately against before: cannot tell → worse." in TEXT
    moved = owner_sheet.sheet(MADE.owner, lists={})
    assert [r[0] for r in moved["moved"].rows] == ["Crowns: rate", "Crowns: lately against before"]
    assert moved["moved"].rows[0][1:3] == ("93 of 100", "91 of 100")
    first = words_sheet.since(SinceLastRun("", 0, 9000, "", ()))
    assert first == ["First run on this database: nothing to hold it against yet."]


def test_early_signs_show_what_is_followed_and_stop_where_too_few_are() -> None:
    table = re.search(r"<caption>Crowns: failed early, by year begun</caption>.*?</table>", PAGE, re.DOTALL)
    assert table is not None
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", r) for r in re.findall(r"<tr>(.*?)</tr>", table[0], re.DOTALL)[1:]]
    assert rows[0] == ["2018 to 2020", "211", "2 (0 to 5)", "377", "6 (3 to 9)", "377"]
    assert rows[3][2] == rows[3][4] == "–"


def test_the_choosers_hold_the_figures_of_the_results() -> None:
    data = json.loads(re.findall(r'id="choose-data">(.*?)</script>', owner.render(MADE), re.DOTALL)[0])
    assert MADE.owner.filters is not None
    assert len(data["parts"]) == len(MADE.owner.filters.parts)
    for part in MADE.owner.filters.parts:
        outcome = ("crown_survival", "endo_tooth_survival").index(part.outcome)
        told = data["parts"]["/".join(map(str, (outcome, *part.chosen)))]
        assert told[:2] == [part.teeth, part.patients]
        assert [p[3] for p in told[2]] == list(part.followed)
        assert [p[0] for p in told[2]] == pytest.approx([100 * (1 - s) for s in part.survival], abs=0.006)
        # Whole teeth as everywhere: halves of those in place go up.
        assert [p[4] for p in told[2]] == [100 - int(100 * s + 0.5) for s in part.survival]


def test_a_combination_with_few_teeth_is_not_on_the_page() -> None:
    data = json.loads(re.findall(r'id="choose-data">(.*?)</script>', owner.render(MADE), re.DOTALL)[0])
    assert "0/6/2" not in data["parts"]
    assert "0/6/1" in data["parts"]
    assert "There are too many combinations to choose by clinic too" in TEXT


def test_without_a_script_the_choosers_are_hidden_and_the_figures_of_all_stand() -> None:
    assert re.search(r'<div id="choose-form"[^>]* hidden>', PAGE)
    found = owner_filters.filters_block(MADE.owner.filters)
    assert found["said"] in TEXT
    assert "without it, each clinician, clinic, tooth group and year has its line in the tables below" in TEXT


def test_nobody_is_ranked() -> None:
    found = owner_filters.filters_block(MADE.owner.filters)
    clinicians = next(c for c in found["choosers"] if c.name == "provider_id")
    assert list(clinicians.options[1:]) == sorted(clinicians.options[1:])
    assert "nothing here is a ranking or a verdict" in TEXT
    assert not re.search(r"\b(best|worst) clinician|rank(ed)? (first|last)\b", TEXT)


def test_the_grade_says_its_rule_and_what_was_measured() -> None:
    assert "As measured, and the rule" in TEXT
    assert "at least 80 % of the possible follow-up to its years was seen" in TEXT
    assert "42 % (thin)" in TEXT


def test_a_practice_without_a_rate_has_no_sheet() -> None:
    assert owner_sheet.sheet(Owner(), lists={}) == {}
    page = owner.render(samples.empty_practice())
    assert 'class="sheet"' not in page
    assert "choose-data" not in page


def test_results_json_holds_the_sheet_and_reads_back() -> None:
    told = results_json(MADE)["owner"]
    assert told == to_plain(MADE.owner)
    assert told["lines"][0]["over_time"]["change"]["verdict"] == "worse"
    assert from_plain(Results, json.loads(json.dumps(to_plain(MADE)))).owner == MADE.owner


def test_no_owner_figure_reaches_a_shared_page(tmp_path: Path) -> None:
    # The same practice with another sheet: what is shared is the same to the letter.
    other = dataclasses.replace(
        MADE,
        owner=dataclasses.replace(
            sample_owner.unlike(MADE.owner, "Dr Zebra"),
            to_do=(ToDo("mend", 987654, 987655),),
            lines=MADE.owner.lines[:1],
        ),
    )
    for name, results in (("one", MADE), ("other", other), ("none", dataclasses.replace(MADE, owner=Owner()))):
        write_all(results, tmp_path / name)
    shared = [(tmp_path / n / "study_club.html").read_text(encoding="utf-8") for n in ("one", "other", "none")]
    assert shared[0] == shared[1] == shared[2]
    assert "Dr Zebra" in (tmp_path / "other" / "owner.html").read_text(encoding="utf-8")


def test_a_change_without_a_figure_is_never_a_claim() -> None:
    assert (
        words_sheet.change(Change("cannot_tell", "", 5.0))
        == "Too few failures: at least 0 are asked for on either side."
    )
