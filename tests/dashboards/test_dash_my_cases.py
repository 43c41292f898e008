"""My cases: the clinician's figures beside the practice's, in order of name, drawn once unfolded."""

import dataclasses
import re
import time
from pathlib import Path

import headless
import pytest

from dashboards import page
from dashboards.answers import Answers
from dashboards.pages import my_cases
from pipeline.results.points import CaseCurve, CurvePoint


def _case(provider: str, survival: float | None, *, quarters: int = 20, failures: int = 9) -> CaseCurve:
    points = tuple(CurvePoint(round(91.3125 * q), 40, 1 - 0.005 * q, 1 - 0.01 * q, 1.0) for q in range(1, quarters + 1))
    low, high = (None, None) if survival is None else (survival - 0.04, survival + 0.04)
    return CaseCurve("crown_survival", provider, 90, 70, failures, 5.0, 30, survival, low, high, points)


def test_clinicians_stand_in_order_of_name_whoever_did_best() -> None:
    found = my_cases.my_cases([_case("", 0.9), _case("dr Brandt", 0.99), _case("Dr Ashby", 0.8)])
    assert [c.name for c in found] == ["Dr Ashby", "dr Brandt"]


def test_the_sentence_the_table_and_the_curve_say_the_same() -> None:
    (clinician,) = my_cases.my_cases([_case("", 0.9), _case("Dr Ashby", 0.88)])
    case = clinician.cases[0]
    assert re.findall(r"\d+", case["headline"]) == ["88", "100", "5", "12", "84", "92"]
    assert case["table"].rows[0][:5] == ("Dr Ashby", "90", "70", "9", "30")
    assert case["table"].rows[0][5:] == ("88", "84 to 92", "12")
    assert case["table"].rows[1][0] == "Whole practice"
    assert case["chart"] is not None
    own = [r for r in case["chart"].sheet.rows if r[0] == "Dr Ashby"]
    assert own[0] == ("Dr Ashby", 0.0, 0.0, 0.0, 0.0)
    assert own[-1] == (
        "Dr Ashby",
        pytest.approx(5.0, abs=0.01),
        pytest.approx(10.0),
        pytest.approx(0.0),
        pytest.approx(20.0),
    )


@pytest.mark.parametrize(("survival", "said"), [(0.88, "holds"), (0.97, "leaves out"), (None, "")])
def test_the_practice_lies_within_the_range_or_not(survival: float | None, said: str) -> None:
    (clinician,) = my_cases.my_cases([_case("", 0.9), _case("Dr Ashby", survival)])
    text = clinician.cases[0]["beside"]
    assert said in text
    assert bool(text) == bool(said)


def test_no_curve_of_less_than_a_year() -> None:
    (clinician,) = my_cases.my_cases([_case("", 0.9), _case("Dr Ashby", None, quarters=3)])
    assert clinician.cases[0]["chart"] is None
    assert "Too early" in clinician.cases[0]["headline"]


@pytest.mark.look
def test_a_folded_chart_is_drawn_once_unfolded_and_printed_if_open(tmp_path: Path) -> None:
    cases = my_cases.my_cases([_case("", 0.9), _case("Dr Ashby", 0.88), _case("Dr <b>", 0.88)])
    file = tmp_path / "cases.html"
    html = page.render(
        "my_cases.html", title="Cases", audience="inside", answers=Answers(()), practice="P", cases=cases, scope="",
        heading="Clinicians", signals_by_chance="",
    )  # fmt: skip
    file.write_text(html, encoding="utf-8")
    drawn = "document.querySelectorAll('.chart .xtick').length"
    with headless.Browser() as browser:
        browser.open(file)
        assert browser.ask(drawn) == 0
        browser.ask("document.querySelector('details.own').open = true")
        end = time.monotonic() + 5
        while not browser.ask(drawn) and time.monotonic() < end:
            time.sleep(0.05)
        one = browser.ask(drawn)
        assert one > 3
        assert browser.ask("document.querySelector('.chart').getBoundingClientRect().width > 400")
        browser.ask("window.dispatchEvent(new Event('beforeprint'))")
        assert browser.ask(drawn) == one  # what is closed is not printed
        browser.ask("document.querySelectorAll('details').forEach(part => { part.open = true; })")
        browser.ask("window.dispatchEvent(new Event('beforeprint'))")
        assert browser.ask(drawn) == 2 * one
        assert browser.complaints() == []


def test_each_line_says_whether_chance_alone_may_part_a_clinician_from_the_practice() -> None:
    lost = dataclasses.replace(_case("", 0.93), outcome="endo_tooth_survival")

    def said(crowns: float | None, teeth: float | None) -> str:
        own = dataclasses.replace(_case("A", teeth), outcome="endo_tooth_survival")
        (found,) = my_cases.my_cases([_case("", 0.9), lost, _case("A", crowns), own])
        return found.short

    assert said(0.88, 0.95) == "Crowns 88 of 100, root-filled teeth 95; within chance"
    assert said(0.8, 0.95) == "Crowns 80 of 100, root-filled teeth 95; within chance but for crowns"
    assert said(0.8, 0.8) == "Crowns 80 of 100, root-filled teeth 80; not within chance: crowns and root-filled teeth"
    assert said(0.88, None) == "Crowns 88 of 100; too few root-filled teeth; within chance"
    assert said(None, None) == "Too few crowns and root-filled teeth"
