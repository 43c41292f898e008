"""Attacks on everything that leaves: canaries in each text, every array decoded, counts by differencing and shares."""

from __future__ import annotations

import base64
import dataclasses
import functools
import io
import json
import re
import urllib.parse
import zipfile
from collections.abc import Iterator
from typing import Any

import pytest
import sample_results as samples
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.pages import handout, study_club
from dashboards.release.percent import percent_step
from dashboards.release.released import Released, release
from dashboards.talk import appendix, story
from pipeline.results import Results, to_plain

CANARY = "Mrs Zwaluw 2019-03-07 patient 904417"
Path = tuple[Any, ...]


def _paths(value: Any, path: Path = ()) -> Iterator[Path]:
    """The way to every text of a results object; of dictionaries also the keys."""
    if isinstance(value, str):
        yield path
    elif dataclasses.is_dataclass(value):
        for f in dataclasses.fields(value):
            yield from _paths(getattr(value, f.name), (*path, f.name))
    elif isinstance(value, tuple | list):
        for i, v in enumerate(value):
            yield from _paths(v, (*path, i))
    elif isinstance(value, dict):
        for k, v in value.items():
            yield (*path, ("key", k))
            yield from _paths(v, (*path, k))


def _replaced(value: Any, path: Path, new: Any) -> Any:
    """A copy of `value` with what stands at `path` replaced."""
    if not path:
        return new
    first, rest = path[0], path[1:]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(value, **{first: _replaced(getattr(value, first), rest, new)})
    if isinstance(value, dict):
        if isinstance(first, tuple):
            return {new if k == first[1] else k: v for k, v in value.items()}
        return {k: _replaced(v, rest, new) if k == first else v for k, v in value.items()}
    return type(value)(_replaced(v, rest, new) if i == first else v for i, v in enumerate(value))


def _members(data: bytes) -> Iterator[bytes]:
    """Every member of a package, its name, its comment, and the members of packages within it."""
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        yield package.comment
        for item in package.infolist():
            part = package.read(item)
            yield item.filename.encode() + item.comment + item.extra
            yield from _members(part) if part[:2] == b"PK" else [part]


def _page_texts(page: str) -> Iterator[str]:
    """The page without its scripts, its data addresses decoded, and its typed arrays as numbers."""
    yield re.sub(r"<script>.*?</script>", "", page, flags=re.S)
    for address in re.findall(r"data:text/csv;charset=utf-8,([^\"]*)", page):
        yield urllib.parse.unquote(address)
    for block in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, flags=re.S):
        yield from _arrays(json.loads(block))


def _arrays(value: Any) -> Iterator[str]:
    """All texts of a chart, and of typed arrays what their bytes say as text."""
    if isinstance(value, dict):
        if "bdata" in value:
            yield base64.b64decode(value["bdata"]).decode("latin-1")
        for v in value.values():
            yield from _arrays(v)
    elif isinstance(value, list):
        for v in value:
            yield from _arrays(v)
    elif isinstance(value, str):
        yield value


def _everything(released: Released) -> str:
    texts = list(_page_texts(study_club.render(released)))
    texts += _page_texts(handout.render(released))
    for deck in (story.render(released), appendix.render(released)):
        texts += [m.decode("utf-8", "replace") for m in _members(deck)]
    return "\n".join(texts)


@functools.cache
def _results() -> Results:
    return samples.differs()


@functools.cache
def _all_paths() -> tuple[Path, ...]:
    """The ways to all texts, of each kind of list those of its first two members."""
    return tuple(p for p in _paths(_results()) if all(not isinstance(s, int) or s < 2 for s in p))


def _leaks(text: str) -> list[str]:
    return [part for part in ("Zwaluw", "2019-03-07", "904417", "7 March") if part in text]


@pytest.mark.thorough
@pytest.mark.parametrize("every", [5, pytest.param(1, marks=pytest.mark.slow)])
def test_no_text_of_the_results_passes_the_gate_whichever_it_is(every: int) -> None:
    """Every text (or one in so many) in turn is replaced; shared renderers see the released object and nothing else."""
    assert len(_all_paths()) > 150
    leaking = [
        path
        for path in _all_paths()[::every]
        if _leaks(json.dumps(to_plain(release(_replaced(_results(), path, CANARY))), ensure_ascii=False, default=str))
    ]
    assert leaking == []


@pytest.mark.thorough
@settings(max_examples=12, deadline=None)
@given(st.data())
def test_no_text_of_the_results_is_in_any_member_of_a_shared_file(data: st.DataObject) -> None:
    some = data.draw(st.lists(st.sampled_from(_all_paths()), min_size=1, max_size=4, unique=True))
    results = _results()
    for path in sorted(some, key=lambda p: any(isinstance(s, tuple) for s in p)):
        try:
            results = _replaced(results, path, CANARY)
        except (KeyError, TypeError):
            continue
    assert _leaks(_everything(release(results))) == []


def test_the_attack_would_notice() -> None:
    shown = release(_results(), practice=CANARY)
    assert _leaks(_everything(shown)) == ["Zwaluw", "2019-03-07", "904417"]


@pytest.mark.one_in(2)
@pytest.mark.parametrize("name", samples.few_at_once("hostile", "differs"))
def test_no_day_stands_in_any_shared_file(name: str) -> None:
    text = _everything(release(samples.all_variants()[name]))
    assert re.findall(r"\b(?:19|20)\d\d-[01]\d-[0-3]\d\b", text) == []
    assert re.findall(r"\b[0-3]?\d[./][01]?\d[./](?:19|20)\d\d\b", text) == []


@given(st.integers(30, 20_000))
def test_a_step_of_percentages_is_worth_five_of_the_told_teeth(n: int) -> None:
    told = 5 * (n // 5)
    step = percent_step(told)
    assert step is not None
    assert step * (told - 4) / 100 >= 5
    assert 100 % step == 0


def test_no_step_of_the_flow_tells_how_few_were_left_out() -> None:
    results = _results()
    main = results.comparisons[0]
    steps = tuple(
        dataclasses.replace(s, step=n, left=left)
        for s, n, left in zip(
            main.flow,
            ("Crowns on permanent teeth", "Seat date known", "Order of root canal and seat known"),
            (4000, 3996, 3900),
            strict=True,
        )
    )
    main = dataclasses.replace(main, flow=steps)
    flow = release(dataclasses.replace(results, comparisons=(main,))).methods.flow
    assert [(name, n.value) for name, n in flow] == [
        ("Crowns on permanent teeth", 4000),
        ("Order of root canal and seat known", 3900),
    ]


def test_a_claim_that_the_widened_range_does_not_bear_out_is_not_made() -> None:
    results = _results()
    main = results.comparisons[0]
    assert main.difference is not None
    narrow = dataclasses.replace(main.difference, per_100=5.2, ci_low=0.4, ci_high=10.0)
    main = dataclasses.replace(main, difference=narrow)
    released = release(dataclasses.replace(results, comparisons=(main,))).comparisons[0]
    assert main.verdict.code == "differs"
    assert released.difference is not None
    assert released.difference.low == 0
    assert released.verdict_code == "cannot_tell"
