"""The gate: what may leave the practice, tried by rule and by attack."""

import dataclasses
import hashlib
import io
import itertools
import json
import re
import zipfile

import pytest
import sample_results as samples
from pptx import Presentation

from dashboards.pages import handout, study_club
from dashboards.release.count import ReleasedCount
from dashboards.release.curve import ReleasedPoint
from dashboards.release.rates import ReleasedRate, ReleasedRates
from dashboards.release.released import RULES, Released, as_text, from_text, release
from dashboards.talk import appendix, story
from pipeline.release.gates import gate_of
from pipeline.results import Results
from pipeline.results.records import Records


def _texts(data: bytes) -> list[str]:
    """Every part of a package, and of packages within it, as text."""
    found = []
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        for name in package.namelist():
            part = package.read(name)
            found += _texts(part) if name.endswith(".xlsx") else [f"{name}\n{part.decode('utf-8', 'replace')}"]
    return found


def _shared(results: Results) -> str:
    """All that leaves: the page without the chart library, and every part of the slides."""
    released = release(results)
    page = study_club.render(released)
    page = re.sub(r"<script>.*?</script>", "", page, flags=re.S)
    decks = (_texts(story.render(released)), _texts(appendix.render(released)))
    return "\n".join([page, handout.render(released), *itertools.chain(*decks)])


def test_the_gate_of_results_hangs_on_their_records():
    a, b = samples.differs(), samples.too_early()

    def told(results):
        gate = gate_of(results)
        return [gate.rounding.count(n) for n in range(11, 200)]

    assert told(a) == told(a)
    assert told(a) != told(b)
    kept = Records("digest", 3, 2)
    assert told(dataclasses.replace(a, records=kept)) == told(dataclasses.replace(b, records=kept))
    assert gate_of(dataclasses.replace(a, records=Records("", 50, 2))).teeth(99) is None


def test_released_values_cannot_be_made_unclean_by_hand() -> None:
    for value in (3, 7, 10, 12, 101):
        with pytest.raises(ValueError, match="released count"):
            ReleasedCount(value)
    ok = ReleasedCount(15)
    with pytest.raises(ValueError, match="whole half-years"):
        ReleasedPoint(6.5, 1, 1, 2, ok)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="whole percent"):
        ReleasedPoint(6, 101, 1, 2, ok)
    with pytest.raises(ValueError, match="too few"):
        ReleasedPoint(6, 1, 1, 2, ReleasedCount(None))
    row = ReleasedRate("Dr Ashby", ok, ok, 5, 90, 80, 95)
    with pytest.raises(ValueError, match="letter"):
        ReleasedRates("crown_survival", "provider_id", (row,))
    with pytest.raises(ValueError, match="counts behind"):
        ReleasedRate("A", ok, ReleasedCount(None), 5, 90, 80, 95)


@pytest.mark.parametrize("render", [study_club.render, handout.render, story.render, appendix.render])
def test_shared_renderers_refuse_results(render: object) -> None:
    with pytest.raises(TypeError, match="released result only"):
        render(samples.differs())  # type: ignore[operator]


def test_a_group_with_a_hidden_count_of_failures_has_no_curve_and_no_difference() -> None:
    released = release(samples.too_early())
    comparison = released.comparisons[0]
    hidden = [g for g in comparison.groups if g.failures.value is None]
    assert {g.name for g in hidden} >= {"before_seat", "through_crown"}
    assert all(g.points == () for g in hidden)
    assert comparison.difference is None
    assert comparison.verdict_code == "too_early"
    assert comparison.estimates == ()
    assert comparison.naive is None


@pytest.mark.parametrize("name", samples.few_at_once("differs", "too_early"))
def test_a_release_that_was_kept_is_read_as_it_was(name: str) -> None:
    released = release(samples.all_variants()[name])
    assert from_text(as_text(released)) == released


def test_a_kept_release_of_another_form_or_that_breaks_the_rules_is_none() -> None:
    kept = json.loads(as_text(release(samples.differs())))
    figures = kept["figures"]

    def other(**change: object) -> str:
        return json.dumps({**kept, "figures": {**figures, **change}})

    assert from_text(other()) is not None
    assert from_text(other(first_month="March 2011")) is None
    assert from_text(other(last_year="March 2011")) is None
    assert from_text(other(crowns={"value": 7})) is None
    assert from_text(json.dumps({**kept, "rules": RULES - 1})) is None
    assert from_text(json.dumps(figures)) is None
    assert from_text("[]") is None


def test_clinicians_are_letters_in_no_known_order() -> None:
    orders = set()
    for n in range(12):
        results = samples.differs()
        loads = (dataclasses.replace(results.quality.loads[0], hash=f"{n:064d}"),)
        results = dataclasses.replace(results, quality=dataclasses.replace(results.quality, loads=loads))
        table = next(t for t in release(results).rates if t.by == "provider_id")
        assert [r.name for r in table.rows] == ["A", "B", "C", "D", "E", "F"]
        orders.add(tuple(r.teeth.value for r in table.rows))
    assert len(orders) > 6, "the order hangs on the files' fingerprints, not on names or sizes"


def test_teeth_of_no_recorded_clinician_keep_those_words() -> None:
    results = samples.differs()
    rates = tuple(
        dataclasses.replace(t, rows=(dataclasses.replace(t.rows[0], name="not recorded"), *t.rows[1:]))
        if t.by == "provider_id"
        else t
        for t in results.rates
    )
    table = next(t for t in release(dataclasses.replace(results, rates=rates)).rates if t.by == "provider_id")
    assert [r.name for r in table.rows] == ["A", "B", "C", "D", "E", "not recorded"]


def test_a_comparison_of_clinicians_stays_inside() -> None:
    results = samples.differs()
    first = results.comparisons[0]
    groups = tuple(
        dataclasses.replace(g, name=n, label=n) for g, n in zip(first.groups, samples.CLINICIANS, strict=False)
    )
    results = dataclasses.replace(results, comparisons=(dataclasses.replace(first, groups=groups),))
    assert release(results).comparisons == ()


def test_attack_no_name_file_code_or_day_leaves() -> None:
    results = samples.differs()
    everything = _shared(results)
    q = results.quality
    secrets = [
        results.practice, *samples.CLINICIANS, "Mill Lane", *(r.file for r in q.loads), *(r.hash for r in q.loads),
        *(c.code for c in q.unknown_codes), *(m.meaning for m in q.links), *(r.meaning for r in q.quarantine),
        results.comparisons[0].notes[0],
    ]  # fmt: skip
    assert [s for s in secrets if s in everything] == []
    assert re.findall(r"\b(?:19|20)\d\d-\d\d-\d\d\b", everything) == []
    months = "January|February|March|April|May|June|July|August|September|October|November|December"
    assert re.findall(rf"\b\d{{1,2}} (?:{months})\b", everything) == []


def _seen_counts(results: Results) -> set[str]:
    """The numbers that a reader sees alone in a cell of the shared page or of a table on the slides."""
    released = release(results)
    cells = re.findall(r">([\d,]+)<", study_club.render(released) + handout.render(released))
    for render in (story.render, appendix.render):
        for shape in (s for slide in Presentation(io.BytesIO(render(released))).slides for s in slide.shapes):
            if shape.has_table:
                cells += [cell.text for row in shape.table.rows for cell in row.cells]
    return set(cells)


def test_attack_no_exact_count_leaves() -> None:
    results = samples.differs()
    exact = {m.followed for c in results.comparisons for g in c.groups for m in g.milestones}
    exact |= {g.failures for c in results.comparisons for g in c.groups}
    exact |= {r.teeth for t in results.rates for r in t.rows} | {r.failures for t in results.rates for r in t.rows}
    # Counts above 100 are no percentages, and those not divisible by 5 no rounded ones: none of them may be seen.
    tell_tale = {f"{n:,}" for n in exact if n > 100 and n % 5}
    seen = _seen_counts(results)
    assert len(tell_tale) > 50
    assert len(seen) > 50
    assert tell_tale & seen == set()


def test_attack_curves_hold_nothing_finer_than_the_grid_and_whole_percent() -> None:
    released = release(samples.differs())
    blocks = re.findall(
        r'<script type="application/json" data-for="s\d+-curves">(.*?)</script>', study_club.render(released)
    )
    assert len(blocks) == len(released.comparisons)
    for block in blocks:
        for trace in json.loads(block)["data"]:
            assert all(abs(x * 12 - round(x * 12)) < 1e-9 for x in trace["x"])
            assert all(float(y).is_integer() for y in trace["y"])
    charts = [
        shape.chart
        for render in (story.render, appendix.render)
        for slide in Presentation(io.BytesIO(render(released))).slides
        for shape in slide.shapes
        if shape.has_chart
    ]
    for chart in charts:
        for series in chart.plots[0].series:
            assert all(v is None or float(v).is_integer() for v in series.values)


def test_the_practices_name_is_shown_only_when_given() -> None:
    results = samples.differs()
    assert results.practice not in study_club.render(release(results))
    assert results.practice in study_club.render(release(results, practice=results.practice))


def test_rules_pass_only_as_numbers() -> None:
    results = dataclasses.replace(
        samples.differs(), rules={"lab_days": "21", "database": "/home/ashby/practice.duckdb"}
    )
    assert release(results).rules == (("lab_days", "21"),)


def test_the_same_results_are_released_alike() -> None:
    a, b = release(samples.differs()), release(samples.differs())
    assert a == b
    assert isinstance(a, Released)
    assert hashlib.sha256(story.render(a)).digest() == hashlib.sha256(story.render(b)).digest()
