"""What the ledger cannot see: under its question on the inside pages, one fixed sentence on shared ones."""

import dataclasses
import json
import re
from typing import Any

import pytest
import sample_results as samples
from read_page import plain

from dashboards.pages import clinician, crowns, hyperemic, methods, study_club, unseen
from dashboards.release import words as release_words
from dashboards.release.released import release
from dashboards.results_json import results_json
from dashboards.words import shared as words_shared
from pipeline.results import Results, from_plain, to_plain
from pipeline.results.trial_words import NEED
from pipeline.results.unseen import Unseen


def cells(page: str) -> list[str]:
    return re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", page)


def test_it_stands_under_the_main_comparison_and_the_trial_alone() -> None:
    for number, made in enumerate((crowns, hyperemic)):
        page = plain(made.render(samples.differs()))
        assert page.count("What the ledger cannot see") == 1
        assert [u.sentences[0] in page for u in samples.unseen()] == [number == 0, number == 1]


def test_nothing_is_said_where_nothing_was_asked() -> None:
    page = crowns.render(dataclasses.replace(samples.differs(), unseen=()))
    assert "ledger cannot see" not in page
    assert "What the ledger cannot see" not in methods.render(samples.empty_practice())


def test_every_number_is_in_the_tables() -> None:
    main, trial = samples.unseen()
    counts = unseen.counts_table(main)
    assert counts.rows[0] == ("Openings", "640", "310", "24 to 1,204")
    assert counts.rows[1] == ("Root canals before the seat", "900", "120", "11 to 480")
    moved = unseen.figures_table(main).rows
    assert moved[0][1:] == ("9", "6 to 13", "9", "4 to 14", "2 to 16", "1.2 %")
    assert moved[1][1:] == ("2.40", "1.80 to 3.10", "2.33", "1.60 to 3.30", "1.40 to 3.80", "0.4 %")
    assert unseen.figures_table(trial).rows[0][1:] == ("22", "17 to 27", "34", "23 to 60", "21 to 66", "–")


def test_the_chart_says_both_figures() -> None:
    chart = unseen.unseen_block(samples.unseen(), "crown_longevity_by_endo_timing", "c0")["unseen_charts"][0]
    assert chart.id == "c0-unseen-per-100"
    assert "as counted 9 (6 to 13), with what may be unseen 9 (2 to 16)" in chart.label


def test_of_none_the_sentence_stands_alone() -> None:
    said = dataclasses.replace(
        samples.unseen()[0],
        setting="none",
        openings=None,
        before_seat=None,
        failures=None,
        moved=(),
        draws=0,
        impossible=0,
        sentences=("Nothing is taken to be unseen.",),
    )
    page = crowns.render(dataclasses.replace(samples.differs(), unseen=(said,)))
    assert "Nothing is taken to be unseen." in page
    assert "How many may be unseen" not in page
    assert "Nothing was drawn." in methods.render(dataclasses.replace(samples.differs(), unseen=(said,)))


def test_methods_show_what_was_assumed_once() -> None:
    page = methods.render(samples.differs())
    assert cells(page).count("Share of root canals done by others") == 1
    assert "80 draws, 7 of them discarded" in page
    assert "80 draws, 15 of them discarded" in page
    assert "Lash TL, Fox MP, Fink AK." in page


def test_it_is_said_on_how_few_draws_an_end_rests_and_one_draw_is_one() -> None:
    main = samples.unseen()[0]
    one = dataclasses.replace(main, draws=80, impossible=1)
    page = plain(crowns.render(dataclasses.replace(samples.differs(), unseen=(one,))))
    assert "1 of the draws contradicted the records and was discarded." in page
    assert "Each end of how many may be unseen rests on the 2 outermost draws, so it is rough." in page


def test_results_json_holds_it_and_reads_back() -> None:
    results = samples.differs()
    assert json.loads(json.dumps(results_json(results)["unseen"]))[0]["openings"]["high"] == 1204
    again = from_plain(Results, json.loads(json.dumps(to_plain(results))))
    assert again.unseen == results.unseen


def test_shared_pages_tell_of_what_is_unseen_the_need_of_a_root_canal_alone() -> None:
    results = samples.differs()
    page = plain(study_club.render(release(results)))
    assert release_words.ELSEWHERE["unknown"] in page

    def changed(**parts: Any) -> str:
        unseen = tuple(dataclasses.replace(u, **parts) for u in results.unseen)
        return plain(study_club.render(release(dataclasses.replace(results, unseen=unseen))))

    assert changed(openings=None, seen=1) == page
    (need,) = (o for o in release(results).decision if o.outcome == NEED)
    assert need.with_elsewhere is not None
    mid, low, high = need.with_elsewhere
    told = next(m.corrected for u in results.unseen for m in u.moved if m.name == "need_per_100")
    assert low <= told.low <= mid <= told.high <= high
    assert f"With root canals done elsewhere, perhaps {mid} of 100 had one ({low} to {high})." in page
    assert f"With waiting perhaps {100 - mid} of 100 hyperemic teeth had no root canal within 5 years; " in page
    assert words_shared.NEED_UNSEEN in changed(moved=())
    with pytest.raises(ValueError, match="beside the need"):
        dataclasses.replace(need, per_100=None, low=None, high=None)


def test_an_unknown_word_stays_inside() -> None:
    results = samples.differs()
    odd = dataclasses.replace(results, unseen=(dataclasses.replace(results.unseen[0], setting="<b>Mr Smith</b>"),))
    assert release(odd).elsewhere == ""
    with pytest.raises(ValueError, match="declared words"):
        dataclasses.replace(release(results), elsewhere="Mr Smith")


def test_every_setting_has_its_shared_sentence() -> None:
    assert isinstance(samples.unseen()[0], Unseen)
    assert set(release_words.ELSEWHERE) == {"none", "some", "most", "unknown"}


def test_the_need_with_what_others_did_stands_beside_the_need_as_counted() -> None:
    found = samples.differs()
    page = plain(hyperemic.render(found))
    trial = found.trials[0]
    (moved,) = (m for u in found.unseen if u.id == trial.id for m in u.moved if m.name == "need_per_100")
    s = moved.corrected
    assert page.count(f"perhaps {s.median:.0f} of 100 ({s.low:.0f} to {s.high:.0f})") == 1
    ends = f"{100 - round(s.high)} to {100 - round(s.low)}"
    d = next(o.difference for o in trial.outcomes if o.outcome == "endo_needed")
    # What was seen stands first, and what is assumed after it.
    spared = f"With waiting {round(d.per_100)} of 100 had no root canal here for 5 years; with those elsewhere "
    spared += f"perhaps {100 - round(s.median)} ({ends})."
    assert page.count(spared) == 1
    assert spared in plain(clinician.render(found))
    without = plain(hyperemic.render(dataclasses.replace(found, unseen=())))
    assert "those elsewhere" not in without
